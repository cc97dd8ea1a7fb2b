import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tapscan.signals import tap_features
from tapscan.signals.taps.spectrum import tap_band_hz
from tests.signals.struck import Beam, oscillation, struck_beam

RATE_HZ = 48000.0
TIME_S = np.arange(4800) / RATE_HZ
NAMES = ("centroid_hz", "peak_hz", "damping_ratio", "decay_time_s", "level_db", "snr_db")


def noisy_mode(frequency_hz, damping_ratio, noise_rms=0.01, runs=50, seed=0):
    clean = oscillation(TIME_S, frequency_hz, damping_ratio)
    return clean + noise_rms * np.random.default_rng(seed).standard_normal((runs, len(TIME_S)))


def test_the_centroid_is_the_magnitude_weighted_mean_over_the_stated_band():
    taps = noisy_mode(3000, 0.02, runs=3)
    features = tap_features(taps, RATE_HZ, band_hz=(1000, 9000))
    frequency_hz = np.fft.rfftfreq(4800, 1 / RATE_HZ)
    inside = (frequency_hz >= 1000) & (frequency_hz <= 9000)
    magnitude = np.abs(np.fft.rfft(taps))[:, inside]
    np.testing.assert_allclose(
        features.centroid_hz, magnitude @ frequency_hz[inside] / magnitude.sum(axis=1), rtol=1e-12
    )
    assert features.band_hz == (1000.0, 9000.0)


def test_offset_and_hum_stay_out_of_every_feature():
    taps = noisy_mode(3000, 0.01, noise_rms=0.001, runs=20)
    hum = 0.2 + 0.05 * np.sin(2 * np.pi * 50 * TIME_S) + 0.02 * np.sin(2 * np.pi * 150 * TIME_S)
    plain, hummed = tap_features(taps, RATE_HZ), tap_features(taps + hum, RATE_HZ)
    np.testing.assert_allclose(hummed.centroid_hz, plain.centroid_hz, rtol=1e-3)
    np.testing.assert_allclose(hummed.peak_hz, plain.peak_hz, atol=0.05)
    np.testing.assert_allclose(hummed.damping_ratio, plain.damping_ratio, rtol=0.01)
    np.testing.assert_allclose(hummed.decay_time_s, plain.decay_time_s, rtol=0.02)
    np.testing.assert_allclose(hummed.level_db, plain.level_db, atol=0.2)


@pytest.mark.parametrize("damping_ratio", [0.001, 0.003, 0.01, 0.03, 0.1])
@pytest.mark.parametrize("frequency_hz", [800.0, 3000.0, 7010.0])
def test_peak_and_damping_fall_between_bins_without_bias(frequency_hz, damping_ratio):
    features = tap_features(noisy_mode(frequency_hz, damping_ratio), RATE_HZ)
    damped_hz = frequency_hz * np.sqrt(1 - damping_ratio**2)
    width_hz = 2 * damping_ratio * frequency_hz
    assert np.abs(features.peak_hz - damped_hz).max() < 0.2 * width_hz
    np.testing.assert_allclose(features.peak_hz.mean(), damped_hz, atol=0.02 * width_hz)
    np.testing.assert_allclose(np.median(features.damping_ratio), damping_ratio, rtol=0.04)


@pytest.mark.parametrize("noise_rms", [0.001, 0.01, 0.03])
@pytest.mark.parametrize(
    ("frequency_hz", "damping_ratio"), [(3000, 0.003), (3000, 0.02), (800, 0.03), (5000, 0.05)]
)
def test_the_decay_time_does_not_depend_on_the_noise(frequency_hz, damping_ratio, noise_rms):
    features = tap_features(noisy_mode(frequency_hz, damping_ratio, noise_rms), RATE_HZ)
    truth_s = 3 * np.log(10) / (damping_ratio * 2 * np.pi * frequency_hz)
    # 30 dB over the noise a decay of 4 ms has left a handful of noisy blocks to read.
    np.testing.assert_allclose(
        np.nanmedian(features.decay_time_s), truth_s, rtol=0.1 if noise_rms > 0.02 else 0.05
    )
    assert np.mean(np.isfinite(features.decay_time_s)) > 0.95


def test_known_noise_is_taken_off_the_centroid():
    clean = tap_features(noisy_mode(3000, 0.02, 0.0, runs=1), RATE_HZ)
    taps = noisy_mode(3000, 0.02, 0.02)
    heard, corrected = tap_features(taps, RATE_HZ), tap_features(taps, RATE_HZ, noise_power=0.02**2)
    assert (
        np.abs(corrected.centroid_hz - clean.centroid_hz).max()
        < 0.2 * np.abs(heard.centroid_hz - clean.centroid_hz).min()
    )


def test_snr_is_peak_over_noise():
    for noise_rms in (0.003, 0.01, 0.03):
        taps = noisy_mode(3000, 0.02, noise_rms)
        for features in (tap_features(taps, RATE_HZ), tap_features(taps, RATE_HZ, noise_power=noise_rms**2)):
            share = 10 * np.log10(20000 / 24000)  # of the noise that is in the band
            expected_db = features.level_db - 20 * np.log10(noise_rms) - share
            np.testing.assert_allclose(np.median(features.snr_db - expected_db), 0, atol=0.7)


def test_a_beam_that_is_no_sum_of_oscillations_by_construction():
    beam = Beam(0.18, 0.025, 0.003, 60e9, 1550.0)
    for loss in (0.01, 0.04):
        sound = struck_beam(beam, RATE_HZ, 0.1, 0.6e-3, loss)
        features = tap_features(sound[None], RATE_HZ)
        np.testing.assert_allclose(features.peak_hz[0], beam.frequency_hz[0], rtol=2e-3)
        np.testing.assert_allclose(features.damping_ratio[0], loss / 2, rtol=0.1)


@settings(max_examples=30, deadline=None, derandomize=True)
@given(gain=st.floats(1e-30, 1e30), single=st.booleans())
def test_gain_changes_the_level_alone(gain, single):
    taps = noisy_mode(3000, 0.02, runs=2)
    louder = taps * gain
    if single:
        taps, louder = taps.astype(np.float32), louder.astype(np.float32)
    plain, loud = tap_features(taps, RATE_HZ), tap_features(louder, RATE_HZ)
    for name in ("centroid_hz", "peak_hz", "damping_ratio", "decay_time_s", "snr_db"):
        np.testing.assert_allclose(getattr(loud, name), getattr(plain, name), rtol=2e-3 if single else 1e-7)
    np.testing.assert_allclose(loud.level_db - plain.level_db, 20 * np.log10(gain), atol=1e-4)


def test_single_precision_holds_to_the_stated_tolerance():
    taps = noisy_mode(3000, 0.02, runs=200)
    wide, narrow = tap_features(taps, RATE_HZ), tap_features(taps.astype(np.float32), RATE_HZ)
    np.testing.assert_allclose(narrow.centroid_hz, wide.centroid_hz, rtol=1e-5)
    np.testing.assert_allclose(narrow.peak_hz, wide.peak_hz, rtol=1e-5)
    np.testing.assert_allclose(narrow.damping_ratio, wide.damping_ratio, rtol=1e-3)


@pytest.mark.parametrize("dtype", [np.float32, np.float64])
def test_a_row_is_measured_the_same_alone_in_a_batch_and_in_any_order(dtype):
    rng = np.random.default_rng(5)
    taps = np.concatenate([noisy_mode(f, z, runs=101) for f, z in ((3000, 0.01), (900, 0.1), (9000, 0.002))])
    taps = taps.astype(dtype)
    order = rng.permutation(len(taps))
    whole, shuffled = tap_features(taps, RATE_HZ), tap_features(taps[order], RATE_HZ)
    for name in NAMES:
        np.testing.assert_array_equal(getattr(shuffled, name), getattr(whole, name)[order])
        for row in (0, 17, 46, 47, 200, 302):
            alone = getattr(tap_features(taps[row : row + 1], RATE_HZ), name)
            np.testing.assert_array_equal(alone[0], getattr(whole, name)[row])


def test_silent_and_broken_taps_are_nan_and_their_neighbours_are_not():
    taps = noisy_mode(3000, 0.01, runs=6)
    taps[0], taps[1], taps[2, 5], taps[3, 6] = 0.0, 0.3, np.nan, -np.inf
    features = tap_features(taps, RATE_HZ)
    for name in NAMES:
        assert np.isnan(getattr(features, name)[:4]).all()
        assert np.isfinite(getattr(features, name)[4:]).all()


def test_padding_at_the_end_is_no_silence():
    taps = noisy_mode(3000, 0.02, 0.001, runs=4)
    cut = taps.copy()
    cut[:, 3000:] = 0
    offset = cut + np.where(cut != 0, 0.2, 0.0)
    plain, short = tap_features(taps, RATE_HZ), tap_features(offset, RATE_HZ)
    np.testing.assert_allclose(short.decay_time_s, plain.decay_time_s, rtol=0.03)
    np.testing.assert_allclose(short.peak_hz, plain.peak_hz, atol=0.5)
    np.testing.assert_allclose(short.damping_ratio, plain.damping_ratio, rtol=0.02)


@pytest.mark.parametrize("rate_hz", [8000.0, 22050.0, 44100.0, 96000.0, 192000.0])
def test_any_rate(rate_hz):
    time_s = np.arange(round(0.1 * rate_hz)) / rate_hz
    tap = oscillation(time_s, 1500.0, 0.02)
    features = tap_features(tap[None], rate_hz)
    np.testing.assert_allclose(features.peak_hz[0], 1500 * np.sqrt(1 - 0.02**2), rtol=1e-3)
    np.testing.assert_allclose(features.damping_ratio[0], 0.02, rtol=0.02)
    assert features.band_hz == tap_band_hz(rate_hz)


@pytest.mark.parametrize("samples", [0, 1, 2, 3, 4, 5, 17, 101])
def test_short_taps_do_not_break(samples):
    features = tap_features(np.random.default_rng(0).standard_normal((3, samples)), RATE_HZ)
    assert features.centroid_hz.shape == (3,)
    if samples < 4:
        assert np.isnan(features.centroid_hz).all()


def test_no_taps_give_no_rows():
    features = tap_features(np.empty((0, 4800), dtype=np.float32), RATE_HZ)
    assert features.peak_hz.shape == (0,)


def test_whole_numbers_are_taken_as_they_are():
    taps = np.round(noisy_mode(3000, 0.02, runs=2) * 20000).astype(np.int16)
    np.testing.assert_allclose(tap_features(taps, RATE_HZ).peak_hz, 2999.4, atol=3)


def test_wrong_arguments_are_reported():
    with pytest.raises(ValueError, match=r"taps must have shape \(n, samples\), not \(5,\)"):
        tap_features(np.zeros(5), RATE_HZ)
    with pytest.raises(ValueError, match=r"sample_rate_hz must be positive, not -1\.0"):
        tap_features(np.zeros((1, 50)), -1.0)
    with pytest.raises(ValueError, match="band_hz must be"):
        tap_features(np.zeros((1, 50)), RATE_HZ, band_hz=(500, 400))
