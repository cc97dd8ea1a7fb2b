import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tapscan.signals import cut_taps, find_taps
from tests.signals.struck import Beam, oscillation, recording, struck_beam

BEAM = Beam(0.18, 0.025, 0.003, 60e9, 1550.0)


def one_tap(rate_hz, contact_s=0.3e-3, loss=0.03):
    return struck_beam(BEAM, rate_hz, 0.25, contact_s, loss)


def spaced(rng, count, shortest_s, longest_s, first_s, rate_hz):
    gaps = rng.uniform(shortest_s, longest_s, count - 1)
    return np.round(np.cumsum(np.concatenate([[first_s], gaps])) * rate_hz).astype(int)


def check(found, starts, rate_hz, early_s=0.5e-3, late_s=0.5e-3):
    assert len(found.start) == len(starts)
    late = (found.start - starts) / rate_hz
    assert late.max() <= late_s
    assert late.min() >= -early_s


@pytest.mark.parametrize("rate_hz", [8000, 16000, 44100, 48000, 96000, 192000])
@pytest.mark.parametrize("noise_rms", [0.005, 0.02])
def test_taps_of_unequal_strength_in_a_room_with_hum(rate_hz, noise_rms):
    rng = np.random.default_rng(rate_hz)
    starts = spaced(rng, 9, 0.16, 0.7, 0.4, rate_hz)
    gains = 0.4 * 10 ** (rng.uniform(-6, 6, 9) / 20)
    taps = [gain * one_tap(rate_hz, rng.uniform(0.2e-3, 0.6e-3)) for gain in gains]
    sound = recording(taps, starts, rate_hz, starts[-1] / rate_hz + 0.4, rng, noise_rms=0.4 * noise_rms)
    found = find_taps(sound, rate_hz)
    check(found, starts, rate_hz)
    np.testing.assert_allclose(found.peak, gains, rtol=0.4)
    assert not found.is_clipped.any()
    assert not found.is_double.any()
    assert not found.is_quiet.any()


@pytest.mark.slow
def test_hundreds_of_taps_in_one_recording():
    rng = np.random.default_rng(7)
    starts = spaced(rng, 480, 0.15, 0.5, 1.3, 48000)
    shapes = [one_tap(48000, contact_s) for contact_s in (0.2e-3, 0.3e-3, 0.5e-3)]
    taps = [0.4 * 10 ** (rng.uniform(-8, 8) / 20) * shapes[i % 3] for i in range(480)]
    sound = recording(taps, starts, 48000, starts[-1] / 48000 + 0.5, rng, noise_rms=0.003)
    found = find_taps(sound.astype(np.float32), 48000)
    check(found, starts, 48000)
    assert np.mean(found.is_double) <= 0.01
    assert np.mean(found.is_quiet) <= 0.01


@pytest.mark.parametrize("lead_s", [0.0, 0.0005, 0.002, 0.02, 0.5, 5.0])
def test_any_silence_ahead(lead_s):
    rng = np.random.default_rng(1)
    starts = np.round(np.array([lead_s, lead_s + 0.4]) * 48000).astype(int)
    sound = recording([0.5 * one_tap(48000)] * 2, starts, 48000, lead_s + 0.8, rng)
    check(find_taps(sound, 48000), starts, 48000, early_s=2.1e-3)


def test_one_tap_cut_tight_at_its_onset():
    for seed in range(20):
        rng = np.random.default_rng(seed)
        sound = recording([0.5 * one_tap(48000)], [0], 48000, 0.12, rng, noise_rms=0.01)
        check(find_taps(sound, 48000), np.array([0]), 48000)


def test_taps_closer_than_usual():
    rng = np.random.default_rng(2)
    starts = spaced(rng, 12, 0.1, 0.14, 0.2, 48000)
    sound = recording([0.5 * one_tap(48000)] * 12, starts, 48000, 2.2, rng)
    check(find_taps(sound, 48000), starts, 48000)


def test_a_bounce_is_a_double_hit_and_no_tap_of_its_own():
    doubles, false_doubles = [], []
    for seed in range(20):
        rng = np.random.default_rng(seed)
        starts = spaced(rng, 4, 0.3, 0.6, 0.3, 48000)
        taps = []
        for i in range(4):
            tap = one_tap(48000, loss=0.06)
            bounce = round(rng.uniform(0.012, 0.05) * 48000)
            if i % 2:
                tap[bounce:] += (
                    10 ** (-rng.uniform(1, 5) / 20) * one_tap(48000, loss=0.06)[: len(tap) - bounce]
                )
            taps.append(0.4 * tap)
        found = find_taps(recording(taps, starts, 48000, 2.6, rng, noise_rms=0.002), 48000)
        check(found, starts, 48000)
        doubles += list(found.is_double[1::2])
        false_doubles += list(found.is_double[0::2])
    assert np.mean(doubles) >= 0.85
    assert not any(false_doubles)


def test_beating_modes_are_no_bounce():
    time_s = np.arange(12000) / 48000
    for apart_hz in (15, 30, 60, 120):
        tap = oscillation(time_s, 2000, 0.002) + oscillation(time_s, 2000 + apart_hz, 0.002)
        sound = np.concatenate([np.zeros(4800), 0.3 * tap])
        sound += 0.001 * np.random.default_rng(apart_hz).standard_normal(len(sound))
        found = find_taps(sound, 48000)
        assert len(found.start) == 1
        assert not found.is_double.any()


@pytest.mark.parametrize("limit", [1.0, 0.999969, 0.7])
def test_clipped_taps_are_separated_from_loud_ones(limit):
    rng = np.random.default_rng(3)
    starts = np.array([9600, 28800, 48000])
    taps = [gain * one_tap(48000) for gain in (0.6, 2.0, 0.3)]
    sound = recording(taps, starts, 48000, 1.5, rng, noise_rms=0.002, hum=0, offset=0)
    found = find_taps(np.clip(sound, -limit, limit), 48000)
    np.testing.assert_array_equal(found.is_clipped, [False, True, False])
    rounded = np.round(np.clip(sound, -limit, limit) * 32767) / 32768
    np.testing.assert_array_equal(find_taps(rounded, 48000).is_clipped, [False, True, False])


def test_a_slow_top_of_few_bits_is_not_clipped():
    time_s = np.arange(19200) / 192000
    tap = 0.5 * np.exp(-40 * time_s) * np.sin(2 * np.pi * 450 * time_s)
    sound = np.round(np.concatenate([np.zeros(19200), tap]) * 2000) / 2048
    assert not find_taps(sound, 192000).is_clipped.any()


def test_quiet_taps_are_found_and_flagged():
    rng = np.random.default_rng(4)
    starts = np.array([9600, 28800, 48000, 67200])
    taps = [gain * one_tap(48000) for gain in (0.5, 0.4, 0.02, 0.6)]
    sound = recording(taps, starts, 48000, 1.8, rng, noise_rms=0.0005, hum=0.01, reverb=False)
    found = find_taps(sound, 48000)
    check(found, starts, 48000)
    np.testing.assert_array_equal(found.is_quiet, [False, False, True, False])


def test_snr_and_noise_are_those_of_the_recording():
    rng = np.random.default_rng(5)
    for noise_rms in (0.001, 0.01):
        sound = np.concatenate([np.zeros(24000), one_tap(48000), np.zeros(12000)])
        found = find_taps(0.5 * sound + noise_rms * rng.standard_normal(len(sound)), 48000)
        np.testing.assert_allclose(found.noise_power, noise_rms**2, rtol=0.2)
        np.testing.assert_allclose(found.snr_db, 20 * np.log10(0.5 / noise_rms), atol=1.5)


@pytest.mark.parametrize("hum", [0.0, 0.3])
def test_noise_alone_holds_no_tap(hum):
    for seed in range(5):
        rng = np.random.default_rng(seed)
        sound = recording([], [], 48000, 20.0, rng, noise_rms=0.02, hum=hum, reverb=False)
        assert len(find_taps(sound, 48000).start) == 0
        assert len(find_taps(0.1 * rng.standard_normal(960000), 48000).start) == 0


@settings(max_examples=20, deadline=None, derandomize=True)
@given(gain=st.floats(1e-3, 1.0), shift=st.integers(0, 5000), offset=st.floats(-0.5, 0.5))
def test_gain_and_offset_leave_the_onsets_and_delay_moves_them(gain, shift, offset):
    rng = np.random.default_rng(6)
    starts = np.array([12000, 30000])
    sound = recording([0.5 * one_tap(48000)] * 2, starts, 48000, 1.0, rng, hum=0, offset=0)
    plain = find_taps(sound, 48000)
    moved = find_taps(gain * np.concatenate([sound[48000 - shift :] * 0, sound]) + offset, 48000)
    assert np.abs(moved.start - shift - plain.start).max() <= 12


def test_the_same_bytes_from_single_and_double_precision_up_to_rounding():
    rng = np.random.default_rng(8)
    sound = recording([0.5 * one_tap(48000)] * 3, [9600, 24000, 40000], 48000, 1.2, rng).astype(np.float32)
    narrow, wide = find_taps(sound, 48000), find_taps(sound.astype(np.float64), 48000)
    np.testing.assert_array_equal(narrow.start, wide.start)
    np.testing.assert_allclose(narrow.snr_db, wide.snr_db, rtol=1e-9)


@pytest.mark.parametrize("samples", [0, 1, 10, 95, 200])
def test_short_recordings_hold_no_tap(samples):
    found = find_taps(np.zeros(samples), 48000)
    assert found.start.shape == found.peak.shape == found.is_double.shape == (0,)


def test_constants_and_what_is_not_finite():
    assert len(find_taps(np.full(48000, 0.3), 48000).start) == 0
    assert len(find_taps(np.full(48000, np.nan), 48000).start) == 0
    sound = np.concatenate([np.zeros(9600), 0.5 * one_tap(48000)])
    sound += 0.002 * np.random.default_rng(0).standard_normal(len(sound))
    sound[[5, 300]] = np.nan, np.inf
    check(find_taps(sound, 48000), np.array([9600]), 48000)


def test_digital_silence_around_a_tap():
    sound = np.concatenate([np.zeros(9600), 0.5 * one_tap(48000), np.zeros(9600)])
    check(find_taps(sound, 48000), np.array([9600]), 48000)


def test_cuts_begin_at_the_onset_and_end_before_the_next():
    sound = np.arange(1.0, 1001.0, dtype=np.float32)
    cut = cut_taps(sound, [100, 400, 950], 1000.0, 0.5)
    assert cut.dtype == np.float32
    assert cut.shape == (3, 500)
    np.testing.assert_array_equal(cut[0, :299], sound[100:399])
    assert not cut[0, 299:].any()
    np.testing.assert_array_equal(cut[2, :50], sound[950:])
    assert not cut[2, 50:].any()
    assert cut_taps(sound, [], 1000.0, 0.5).shape == (0, 500)


def test_wrong_arguments_are_reported():
    with pytest.raises(ValueError, match=r"recording must have shape \(samples,\), not \(2, 3\)"):
        find_taps(np.zeros((2, 3)), 48000)
    with pytest.raises(ValueError, match="sample_rate_hz must be positive, not 0"):
        find_taps(np.zeros(3), 0)
    with pytest.raises(ValueError, match="starts must ascend and be within the recording"):
        cut_taps(np.zeros(10), [5, 3], 10.0, 0.3)
    with pytest.raises(ValueError, match=r"duration_s must hold a sample, not 0\.0"):
        cut_taps(np.zeros(10), [5], 10.0, 0.0)
