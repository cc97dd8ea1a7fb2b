from dataclasses import replace

import numpy as np
import pytest
from scipy.signal import lsim

from tapscan.physics.contact import half_sine_transform
from tapscan.synth.defects import Defect, true_mask
from tapscan.synth.taps import TapScene, _accelerance, contact_times_us, simulate_taps
from tests.synth.zones import LAMINATE, panel, tube

# One undisturbed tap per point, no noise to speak of.
STILL = TapScene(
    taps=1, interval_spread_s=0.0, place_spread_mm=0.0, contact_spread=0.0, level_spread_db=0.0, snr_db=140.0
)


def still(**changes):
    return replace(STILL, **changes)


def spectra(recordings, length_s=0.05):
    """Magnitude of each point's first tap, from 2 ms before its onset; and the frequencies."""
    rate_hz = recordings.sample_rate_hz
    first = round(recordings.onset_s.flat[0] * rate_hz) - round(0.002 * rate_hz)
    taps = recordings.samples[..., first : first + round(length_s * rate_hz)]
    return np.abs(np.fft.rfft(taps, 16_384)), np.fft.rfftfreq(16_384, 1 / rate_hz)


def centroid_hz(recordings):
    magnitude, frequency_hz = spectra(recordings, 0.02)
    band = (frequency_hz > 400) & (frequency_hz < 16_000)
    return magnitude[..., band] @ frequency_hz[band] / magnitude[..., band].sum(axis=-1)


def test_oscillator_against_an_integrated_one():
    # Acceleration of x'' + 2ζω x' + ω² x = F, with a half-sine F: state space in time against the transform.
    natural_hz, damping, duration_s, rate_hz, count = 3000.0, 0.02, 2e-4, 2e6, 200_000
    time_s = np.arange(count) / rate_hz
    force = np.where(time_s < duration_s, np.sin(np.pi * time_s / duration_s), 0.0)
    omega = 2 * np.pi * natural_hz
    system = (
        np.array([[0.0, 1.0], [-(omega**2), -2 * damping * omega]]), np.array([[0.0], [1.0]]),
        np.array([[-(omega**2), -2 * damping * omega]]), np.array([[1.0]]),
    )  # fmt: skip
    _, integrated, _ = lsim(system, force, time_s)
    frequency_hz = np.fft.rfftfreq(count, 1 / rate_hz)
    transform = _accelerance(frequency_hz, np.array([natural_hz]), np.array([damping]))[0]
    transformed = np.fft.irfft(transform * half_sine_transform(frequency_hz, duration_s), count) * rate_hz
    assert np.abs(transformed - integrated).max() < 2e-3 * np.abs(integrated).max()


@pytest.mark.parametrize(("radius_mm", "depth_mm"), [(14.0, 0.4), (15.0, 0.7), (20.0, 0.6), (12.0, 0.5)])
def test_a_loose_layer_rings_at_the_clamped_plate_s_frequency(radius_mm, depth_mm):
    centre = Defect(35.0, 50.0, radius_mm, depth_mm)
    scene = still(patch_damping_ratio=0.005)
    magnitude, frequency_hz = spectra(simulate_taps(tube(), [centre], scene, 5))
    sound, _ = spectra(simulate_taps(tube(), [], scene, 5))
    # f = 10.2158 / (2π a²) · √(D/ρh), written out: nothing of physics/ is used here.
    rigidity = 60e9 * (depth_mm * 1e-3) ** 3 / (12 * (1 - 0.3**2))
    expected = (
        10.2158 / (2 * np.pi * (radius_mm * 1e-3) ** 2) * np.sqrt(rigidity / (1550.0 * depth_mm * 1e-3))
    )
    near = (frequency_hz > 0.6 * expected) & (frequency_hz < 1.5 * expected)
    gained = magnitude[3, 5] / sound[3, 5]
    found = frequency_hz[near][np.argmax(magnitude[3, 5][near])]
    assert found == pytest.approx(expected, rel=0.01)
    level = {hz: np.interp(hz, frequency_hz, gained) for hz in (expected, 0.6 * expected)}
    assert level[expected] > level[0.6 * expected]


def test_contact_lasts_as_mass_and_springs_say():
    defect = Defect(35.0, 50.0, 25.0, 0.4)
    times = contact_times_us(tube(), [defect], STILL, 5)
    rigidity = 60e9 * 0.4e-3**3 / (12 * (1 - 0.3**2))
    plate = 16 * np.pi * rigidity / 0.025**2
    good = contact_times_us(tube(), [], STILL, 5)[3, 5] * 1e-6
    rest = 4e-3 * (np.pi / good) ** 2  # contact and wall in series, as felt without the defect
    assert times[3, 5] == pytest.approx(np.pi * np.sqrt(4e-3 * (1 / plate + 1 / rest)) * 1e6)
    # Nothing changes where there is nothing loose; towards the edge the contact gets shorter.
    sound = ~true_mask(tube(), [defect])
    assert times[sound] == pytest.approx(contact_times_us(tube(), [], STILL, 5)[sound])
    assert times[3, 5] > times[3, 6] > times[3, 7]


def test_a_heavier_tapper_changes_the_spectrum_by_its_half_sine():
    # The part's answer cancels in the ratio; what is left are the two pulses, written out here.
    light, heavy = still(), still(tapper_mass_g=16.0, contact_stiffness_mn_m=20.0)
    # (Four times the mass on four times the contact: the same bare contact time, so the same modes yield.)
    one, two = (simulate_taps(panel(), [], scene, 5) for scene in (light, heavy))
    magnitudes, frequency_hz = zip(*(spectra(each, 0.15) for each in (one, two)), strict=True)
    hz = frequency_hz[0]
    band = (hz > 500) & (hz < 6000)
    durations = [contact_times_us(panel(), [], scene, 5)[4, 4] * 1e-6 for scene in (light, heavy)]
    pulses = [
        duration * np.abs(np.cos(np.pi * hz * duration) / (1 - (2 * hz * duration) ** 2))
        for duration in durations
    ]
    measured = (magnitudes[1] / magnitudes[0])[4, 4][band]
    expected = (pulses[1] / pulses[0])[band]
    ratio = measured / expected
    assert ratio / np.median(ratio) == pytest.approx(np.ones(ratio.size), rel=0.02)


def test_a_delamination_may_sound_duller_or_ring_higher():
    dull, ringing = Defect(25.0, 30.0, 18.0, 0.45), Defect(65.0, 90.0, 15.0, 0.7)
    zone = tube()
    changed = centroid_hz(simulate_taps(zone, [dull, ringing], STILL, 5)) / centroid_hz(
        simulate_taps(zone, [], STILL, 5)
    )
    assert changed[2, 3] < 0.9
    assert changed[6, 9] > 1.1


def test_good_points_vary_smoothly_and_stiff_ends_sound_higher():
    zone = tube(stations=30)
    centroid = centroid_hz(simulate_taps(zone, [], STILL, 5))
    steps = np.abs(np.diff(np.log(centroid), axis=0))
    assert np.ptp(np.log(centroid)) > 0.1
    assert steps.max() < 0.1
    # The step over the datum line is like any other.
    around = np.abs(np.log(np.roll(centroid, -1, axis=1) / centroid))
    assert around[:, -1].max() < 1.5 * around[:, :-1].max()
    ends, middle = np.median(centroid[[0, -1]]), np.median(centroid[12:18])
    assert ends > middle


def test_noise_is_as_stated():
    scene = still(snr_db=30.0, lead_s=0.2)
    recordings = simulate_taps(tube(), [], scene, 5)
    rate_hz = recordings.sample_rate_hz
    start = round(scene.lead_s * rate_hz)
    noise = recordings.samples[..., : start - round(0.02 * rate_hz)].astype(float)
    tap = recordings.samples[..., start : start + round(0.02 * rate_hz)].astype(float)
    ratio_db = 10 * np.log10((tap**2).mean(axis=-1) / (noise**2).mean())
    assert np.median(ratio_db) == pytest.approx(30.0, abs=1.0)
    # The room is louder below 300 Hz, and the microphone is white above.
    power = (np.abs(np.fft.rfft(noise)) ** 2).mean(axis=(0, 1))
    frequency_hz = np.fft.rfftfreq(noise.shape[-1], 1 / rate_hz)
    assert power[(frequency_hz > 50) & (frequency_hz < 200)].mean() > 3 * power[frequency_hz > 3000].mean()
    upper = (
        power[(frequency_hz > 15_000)].mean() / power[(frequency_hz > 9000) & (frequency_hz < 14_000)].mean()
    )
    assert upper == pytest.approx(1.0, abs=0.05)


def test_a_leaning_tapper_tilts_each_tap_by_a_straight_line_over_octaves():
    leaning = simulate_taps(panel(), [], still(tilt_db_octave=1.0), 5)
    magnitude, frequency_hz = spectra(leaning, 0.15)
    square, _ = spectra(simulate_taps(panel(), [], STILL, 5), 0.15)
    gained_db = 20 * np.log10(magnitude / square)
    at = [int(np.argmin(np.abs(frequency_hz - hz))) for hz in (1000, 2000, 4000, 8000)]
    lower, none, upper, twice = np.moveaxis(gained_db[..., at], -1, 0)
    assert np.abs(none).max() < 0.05
    assert upper == pytest.approx(-lower, abs=0.2)
    assert twice == pytest.approx(2 * upper, abs=0.3)
    assert upper.std() == pytest.approx(1.0, rel=0.25)


def test_the_bench_is_a_comb_that_moves_with_the_microphone():
    scene = still(bench_share=0.5, bench_path_mm=171.5, microphone_spread=0.1)
    combed, frequency_hz = spectra(simulate_taps(panel(), [], scene, 5), 0.15)
    plain, _ = spectra(simulate_taps(panel(), [], STILL, 5), 0.15)
    gained = combed / plain
    band = (frequency_hz > 800) & (frequency_hz < 5500)
    # 171.5 mm are half a millisecond: a notch every 2 kHz, the second one near 3 kHz.
    notch_hz = frequency_hz[band][np.argmin(gained[..., band] + 1e3 * (frequency_hz[band] < 2000), axis=-1)]
    assert np.median(notch_hz) == pytest.approx(3000, rel=0.1)
    assert notch_hz.std() > 100
    levels_db = 20 * np.log10(gained[..., band].mean(axis=-1))
    assert levels_db.std() == pytest.approx(20 * 0.1 / np.log(10), rel=0.5)


def test_a_fan_is_louder_below_and_clicks_are_as_frequent_as_stated():
    scene = still(snr_db=30.0, lead_s=0.2, room_share=0.0, noise_slope_db_octave=-6.0)
    recordings = simulate_taps(tube(), [], scene, 5)
    noise = recordings.samples[..., : round(0.18 * recordings.sample_rate_hz)].astype(float)
    power = (np.abs(np.fft.rfft(noise)) ** 2).mean(axis=(0, 1))
    frequency_hz = np.fft.rfftfreq(noise.shape[-1], 1 / recordings.sample_rate_hz)
    octaves = [power[(frequency_hz > 0.9 * hz) & (frequency_hz < 1.1 * hz)].mean() for hz in (1000, 4000)]
    assert 10 * np.log10(octaves[0] / octaves[1]) == pytest.approx(12.0, abs=1.0)
    quiet = simulate_taps(tube(), [], STILL, 5).samples
    clicked = simulate_taps(tube(), [], still(click_share=0.2), 5).samples
    share = (clicked != quiet).any(axis=-1).mean()
    assert 0.08 < share < 0.35


def test_taps_vary_in_strength_and_begin_when_stated():
    scene = still(taps=4, level_spread_db=6.0, interval_spread_s=0.005)
    recordings = simulate_taps(tube(), [], scene, 5)
    rate_hz = recordings.sample_rate_hz
    levels = []
    for recording, onsets in zip(
        recordings.samples.reshape(96, -1), recordings.onset_s.reshape(96, -1), strict=True
    ):
        for onset_s in onsets:
            at = round(onset_s * rate_hz)
            before, after = recording[at - 480 : at - 4], recording[at : at + 960]
            peak = np.abs(after).max()
            # The converter's filter rings a little before the onset.
            assert np.abs(before).max() < 0.03 * peak
            assert np.argmax(np.abs(after)) < 0.001 * rate_hz
            levels.append(20 * np.log10(peak))
    spread = np.percentile(np.array(levels).reshape(96, 4) - np.median(levels), [2, 98])
    # Evenly spread over ±6 dB, and the points themselves differ by a few dB.
    assert -10 < spread[0] < -4.5
    assert 4.5 < spread[1] < 10


def test_a_point_hears_no_other_point():
    scene = TapScene(taps=2, sample_rate_hz=24_000)
    alone = simulate_taps(tube(), [], scene, 5).samples
    beside = simulate_taps(tube(), [Defect(35.0, 0.0, 12.0, 0.5)], scene, 5).samples
    far = ~true_mask(tube(), [Defect(35.0, 0.0, 25.0, 0.5)])
    np.testing.assert_array_equal(alone[far], beside[far])
    assert (alone[3, 0] != beside[3, 0]).any()


def test_seeds_repeat_and_differ():
    scene = TapScene(taps=1, sample_rate_hz=24_000)
    once, again, other = (simulate_taps(tube(2), [], scene, seed).samples for seed in (5, 5, 6))
    np.testing.assert_array_equal(once, again)
    assert (once != other).any(axis=-1).all()


def test_the_same_part_at_another_rate():
    # Below both converters' filters the spectra agree: the rate belongs to the recorder, not to the part.
    slow, slow_hz = spectra(simulate_taps(tube(2), [], still(sample_rate_hz=24_000), 5))
    fast, fast_hz = spectra(simulate_taps(tube(2), [], still(sample_rate_hz=96_000), 5))
    probe_hz = np.arange(1000, 9000, 50)
    levels = [
        np.interp(probe_hz, hz, magnitude[0, 0] / rate)
        for magnitude, hz, rate in ((slow, slow_hz, 24_000), (fast, fast_hz, 96_000))
    ]
    ratio = levels[0] / levels[1]
    assert ratio / np.median(ratio) == pytest.approx(np.ones(ratio.size), rel=0.03)


def test_a_tapered_tube_and_a_panel_are_simulated_too():
    zone = tube(stations=20, girth="girth_start_mm = 100\ngirth_end_mm = 180")
    times = contact_times_us(zone, [], STILL, 5)
    # The wide end yields more.
    assert times[14].mean() > times[5].mean() * 1.02
    assert np.isfinite(simulate_taps(panel(), [], still(sample_rate_hz=24_000), 5).samples).all()


def test_progress_is_reported_to_the_end():
    seen = []
    simulate_taps(tube(3), [], TapScene(taps=1, sample_rate_hz=24_000), 5, lambda *args: seen.append(args))
    assert seen == [(12, 36), (24, 36), (36, 36)]


def test_a_plan_that_says_too_little_is_refused():
    with pytest.raises(ValueError, match="zone A: the simulator needs"):
        simulate_taps(tube(laminate=LAMINATE.replace("poisson = 0.3\n", "")), [], STILL, 5)
