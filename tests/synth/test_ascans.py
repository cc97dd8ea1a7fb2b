from dataclasses import replace

import numpy as np
import pytest
from scipy.signal import hilbert

from tapscan.synth.ascans import AScanScene, Insert, beam_share, simulate_ascans
from tapscan.synth.defects import Defect, distance_mm
from tests.synth.zones import LAMINATE, panel

# A thick wall, so that no echo is on another's tail; nothing varies, is lost, or is heard beside.
THICK = LAMINATE.replace("thickness_mm = 1.6", "thickness_mm = 4.0")
PLAIN = AScanScene(
    samples=1024, drift_us=0.0, coupling_spread_db=0.0, attenuation_db_mm_mhz=0.0, place_spread_mm=0.0,
    ply_reflection=0.0, snr_db=200.0, bits=24,
)  # fmt: skip
INSIDE_MRAYL = 1550.0 * 2950.0 * 1e-6
VELOCITY_MM_US = 2.95


def plain(**changes):
    return replace(PLAIN, **changes)


def echoes(trace, times_us, half_us=0.25, rate_mhz=100.0):
    """Time and height of the envelope's peak near each time; nothing but the envelope is assumed."""
    envelope = np.abs(hilbert(trace))
    found = []
    for time_us in times_us:
        first = max(0, round((time_us - half_us) * rate_mhz))
        last = round((time_us + half_us) * rate_mhz)
        peak = first + int(np.argmax(envelope[first : last + 1]))
        found.append((peak / rate_mhz, envelope[peak]))
    return np.array(found).T


def test_back_wall_and_its_repeat_come_when_they_must():
    volume = simulate_ascans(panel(2, 2, laminate=THICK), [], PLAIN, 1)
    wall_us = 2 * 4.0 / VELOCITY_MM_US
    expected = PLAIN.front_us + np.array([0.0, wall_us, 2 * wall_us])
    times, heights = echoes(volume.samples[0, 0], expected)
    assert times == pytest.approx(expected, abs=0.0051)  # half a sample
    # Water to laminate and back, written out.
    front = (INSIDE_MRAYL - 1.48) / (INSIDE_MRAYL + 1.48)
    assert heights[1] / heights[0] == pytest.approx((1 - front**2) / front, rel=0.01)
    assert heights[2] / heights[1] == pytest.approx(front, rel=0.01)


def test_front_echo_is_upright_and_the_back_wall_is_turned_over():
    trace = simulate_ascans(panel(2, 2, laminate=THICK), [], PLAIN, 1).samples[0, 0]
    assert trace[80] == pytest.approx(PLAIN.level, rel=1e-4)
    assert trace[80 + round(2 * 4.0 / VELOCITY_MM_US * 100)] < -0.5 * PLAIN.level


@pytest.mark.parametrize("depth_mm", [1.0, 2.0, 3.0])
def test_a_wide_delamination_takes_the_back_wall_s_place(depth_mm):
    volume = simulate_ascans(panel(8, 8, laminate=THICK), [Defect(17.5, 17.5, 40.0, depth_mm)], PLAIN, 1)
    at_us = PLAIN.front_us + 2 * depth_mm / VELOCITY_MM_US
    (time,), (height,) = echoes(volume.samples[3, 3], [at_us])
    assert time == pytest.approx(at_us, abs=0.0051)
    sound = simulate_ascans(panel(8, 8, laminate=THICK), [], PLAIN, 1)
    wall_us = PLAIN.front_us + 8.0 / VELOCITY_MM_US
    assert height == pytest.approx(echoes(sound.samples[3, 3], [wall_us])[1][0], rel=0.01)
    window = slice(round((wall_us - 0.1) * 100), round((wall_us + 0.1) * 100))
    left = volume.samples[3, 3, window]
    if depth_mm == 3.0:  # no repeat of the delamination falls there
        assert np.abs(left).max() < 1e-3 * height


def test_half_the_echo_is_left_at_the_edge():
    zone = panel(41, 3, pitch_mm=1.0, laminate=THICK)
    edge = Defect(20.5 - 60.0, 1.0, 60.0, 2.0)  # its edge runs through the middle of the zone
    volume = simulate_ascans(zone, [edge], PLAIN, 1)
    delamination_us = PLAIN.front_us + 2 * 2.0 / VELOCITY_MM_US
    heights = np.array([echoes(trace, [delamination_us], 0.1)[1][0] for trace in volume.samples[:, 1]])
    assert heights[20] / heights[0] == pytest.approx(0.5, abs=0.02)
    assert np.all(np.diff(heights[8:33]) < 0)
    # The beam's width is the distance over which most of the change happens.
    inside = np.count_nonzero((heights > 0.12 * heights[0]) & (heights < 0.88 * heights[0]))
    assert inside == pytest.approx(PLAIN.beam_mm, abs=1.5)


def test_beam_share_against_random_rays():
    rng = np.random.default_rng(3)
    rays = rng.normal(0, 5.0 / np.sqrt(8 * np.log(2)), (200_000, 2))
    for offset_mm, radius_mm in [(0.0, 2.0), (3.0, 4.0), (7.0, 6.0), (18.0, 18.0)]:
        counted = (np.hypot(rays[:, 0] - offset_mm, rays[:, 1]) < radius_mm).mean()
        assert float(beam_share(np.array([offset_mm]), radius_mm, 5.0)[0]) == pytest.approx(counted, abs=5e-3)
    assert beam_share(np.array([0.0, 1e6]), 1e4, 5.0) == pytest.approx([1.0, 0.0], abs=1e-12)


def test_attenuation_lowers_level_and_pitch():
    scene = plain(attenuation_db_mm_mhz=0.25)
    trace = simulate_ascans(panel(2, 2, laminate=THICK), [], scene, 1).samples[0, 0]
    plain_trace = simulate_ascans(panel(2, 2, laminate=THICK), [], PLAIN, 1).samples[0, 0]
    at = round((PLAIN.front_us + 8.0 / VELOCITY_MM_US) * 100)
    window = slice(at - 60, at + 60)
    spectra = [np.abs(np.fft.rfft(each[window], 4096)) for each in (trace, plain_trace)]
    frequency_mhz = np.fft.rfftfreq(4096, 0.01)
    band = (frequency_mhz > 3) & (frequency_mhz < 7)
    lost_db = 20 * np.log10(spectra[1][band] / spectra[0][band])
    assert lost_db == pytest.approx(0.25 * frequency_mhz[band] * 8.0, abs=0.3)
    assert frequency_mhz[np.argmax(spectra[0])] < frequency_mhz[np.argmax(spectra[1])]


def test_pulse_has_its_bandwidth():
    trace = simulate_ascans(panel(2, 2, laminate=THICK), [], plain(front_us=1.2), 1).samples[0, 0]
    spectrum = np.abs(np.fft.rfft(trace[20:220], 8192))
    frequency_mhz = np.fft.rfftfreq(8192, 0.01)
    upper_half = frequency_mhz[spectrum > spectrum.max() / 2]
    assert np.ptp(upper_half) == pytest.approx(0.7 * 5.0, rel=0.02)
    assert upper_half.mean() == pytest.approx(5.0, rel=0.02)


def test_noise_is_as_stated():
    scene = plain(snr_db=34.0, front_us=3.0)
    quiet = simulate_ascans(panel(8, 8), [], scene, 1).samples[..., :200].astype(float)
    assert 20 * np.log10(scene.level / quiet.std()) == pytest.approx(34.0, abs=0.3)


def test_coupling_and_drift_move_the_front_echo():
    scene = plain(coupling_spread_db=3.0, drift_us=0.2, front_us=1.5, level=0.2)
    volume = simulate_ascans(panel(20, 20), [], scene, 1)
    traces, times = volume.samples.reshape(400, -1), volume.front_us.ravel()
    found = np.array([echoes(trace, [time], 0.3) for trace, time in zip(traces, times, strict=True)])
    assert np.abs(found[:, 0, 0] - times).max() < 0.011
    assert np.std(20 * np.log10(found[:, 1, 0])) == pytest.approx(3.0, abs=0.4)
    assert 0.05 < np.std(times) < 0.2
    # The couplant's thickness swings slowly from point to point.
    assert np.abs(np.diff(volume.front_us, axis=0)).std() < 0.5 * np.std(times)


def test_plies_scatter_a_little_and_differ_from_point_to_point():
    volume = simulate_ascans(panel(4, 4, laminate=THICK), [], plain(ply_reflection=0.01), 1)
    between = volume.samples[..., 130:300]
    assert 0.001 < np.abs(between).max() / PLAIN.level < 0.1
    assert np.abs(np.corrcoef(between.reshape(16, -1)) - np.eye(16)).max() < 0.95


def test_a_loose_insert_gives_a_strong_back_wall():
    zone = panel(20, 8, laminate=THICK)
    scene = plain(insert=Insert(first_x_mm=30.0, last_x_mm=100.0))
    volume = simulate_ascans(zone, [Defect(70.0, 17.5, 12.0, 4.0)], scene, 1)
    wall_us = PLAIN.front_us + 8.0 / VELOCITY_MM_US
    heights = np.array([[echoes(trace, [wall_us])[1][0] for trace in row] for row in volume.samples])
    bonded = (INSIDE_MRAYL - 3.1) / (INSIDE_MRAYL + 3.1)
    far = distance_mm(zone, Defect(70.0, 17.5, 12.0, 4.0)) > 20
    assert heights[6:][far[6:]] / heights[0, 0] == pytest.approx(np.full(far[6:].sum(), bonded), rel=0.02)
    assert heights[13:15, 3:5] / heights[0, 0] == pytest.approx(np.ones((2, 2)), rel=0.02)


def test_thickness_follows_its_ramp():
    zone = panel(21, 2, laminate=THICK)
    volume = simulate_ascans(zone, [], plain(thickness_change_mm=0.4), 1)
    assert volume.thickness_mm[[0, 10, 20], 0] == pytest.approx([3.8, 4.0, 4.2])
    expected = PLAIN.front_us + 2 * volume.thickness_mm[:, 0] / VELOCITY_MM_US
    found = [echoes(trace, [time])[0][0] for trace, time in zip(volume.samples[:, 0], expected, strict=True)]
    assert found == pytest.approx(expected, abs=0.0051)


def test_converter_has_its_steps_and_its_ends():
    steps = simulate_ascans(panel(2, 2), [], plain(bits=8, snr_db=40.0), 1).samples * 128
    np.testing.assert_array_equal(steps, np.round(steps))
    loud = simulate_ascans(panel(2, 2), [], plain(level=4.0), 1).samples
    assert loud.max() == pytest.approx(1.0, abs=1e-6)
    assert loud.min() == -1.0


def test_seeds_repeat_and_a_point_hears_no_other():
    zone = panel(12, 12)
    once = simulate_ascans(zone, [], AScanScene(), 5).samples
    again = simulate_ascans(zone, [Defect(10.0, 10.0, 4.0, 0.8)], AScanScene(), 5).samples
    far = distance_mm(zone, Defect(10.0, 10.0, 4.0, 0.8)) > 25
    np.testing.assert_array_equal(once[far], again[far])
    assert (once != simulate_ascans(zone, [], AScanScene(), 6).samples).any(axis=-1).all()


def test_a_plan_that_says_too_little_is_refused():
    with pytest.raises(ValueError, match="zone A: the simulator needs thickness, density and velocity"):
        simulate_ascans(panel(laminate="\nthickness_mm = 1.6\n"), [], PLAIN, 1)


def test_one_point_is_enough():
    assert simulate_ascans(panel(1, 1), [], PLAIN, 1).samples.shape == (1, 1, 1024)
