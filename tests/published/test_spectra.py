"""Centroid and spectrum of known signals, against a public audio library and closed forms."""

import numpy as np
import pytest

from tapscan.signals import tap_features
from tests.signals.struck import oscillation

RATE_HZ = 48000.0
FULL_HZ = (0.0, RATE_HZ / 2)


def frames(kind, count=20, samples=2048):
    rng = np.random.default_rng(1)
    time_s = np.arange(samples) / RATE_HZ
    if kind == "noise":
        return rng.standard_normal((count, samples))
    taps = [
        oscillation(time_s, f, z)
        for f, z in zip(rng.uniform(500, 15000, count), rng.uniform(0.002, 0.1, count), strict=False)
    ]
    return np.array(taps) + 0.01 * rng.standard_normal((count, samples)) + 0.05


@pytest.mark.parametrize("dtype", [np.float32, np.float64])
@pytest.mark.parametrize("kind", ["noise", "taps"])
def test_centroid_agrees_with_librosa_on_the_same_frame(kind, dtype):
    # librosa.feature.spectral_centroid 0.11: one boxcar frame, the whole band.
    feature = pytest.importorskip("librosa").feature
    taps = frames(kind).astype(dtype)
    ours = tap_features(taps, RATE_HZ, band_hz=FULL_HZ).centroid_hz
    theirs = [
        feature.spectral_centroid(
            y=tap, sr=RATE_HZ, n_fft=len(tap), hop_length=len(tap), window="boxcar", center=False
        )[0, 0]
        for tap in taps
    ]
    np.testing.assert_allclose(ours, theirs, rtol=1e-6)


def test_a_flat_spectrum_has_its_centroid_at_a_quarter_of_the_rate():
    # Unit impulse: exactly rate / 4 over the bins from 0 to the Nyquist frequency. Elementary.
    impulse = np.zeros((1, 2048))
    impulse[0, 3] = 1
    assert tap_features(impulse, RATE_HZ, band_hz=FULL_HZ).centroid_hz[0] == pytest.approx(12000, rel=1e-12)


def test_the_centroid_weighs_by_magnitude_not_by_power():
    # 1500 Hz at 1 and 6000 Hz at 0.5: 3000 Hz by magnitude, 2400 Hz by power. Elementary.
    time_s = np.arange(2048) / RATE_HZ
    tones = np.sin(2 * np.pi * 1500 * time_s) + 0.5 * np.sin(2 * np.pi * 6000 * time_s)
    features = tap_features(tones[None], RATE_HZ, band_hz=FULL_HZ)
    assert features.centroid_hz[0] == pytest.approx(3000, abs=1e-6)


def test_spectrum_and_centroid_of_one_damped_oscillation_in_closed_form():
    # exp(-ζωt) sin(ω√(1-ζ²) t), 3 kHz, ζ = .02, one second: |r sin θ / (1 - 2 r cos θ / z + r²/z²)| with
    # r = exp(-ζω/rate), θ = ω√(1-ζ²)/rate. Magnitude centroid 3710.9206 Hz (closed form, and librosa 0.11).
    time_s = np.arange(48000) / RATE_HZ
    omega, damping_ratio = 2 * np.pi * 3000, 0.02
    features = tap_features(oscillation(time_s, 3000, damping_ratio)[None], RATE_HZ, band_hz=FULL_HZ)
    frequency_hz = np.arange(24001.0)
    r = np.exp(-damping_ratio * omega / RATE_HZ)
    theta = omega * np.sqrt(1 - damping_ratio**2) / RATE_HZ
    back = np.exp(-2j * np.pi * frequency_hz / RATE_HZ)
    magnitude = np.abs(r * np.sin(theta) / (1 - 2 * r * np.cos(theta) * back + r**2 * back**2))
    closed_hz = (magnitude * frequency_hz).sum() / magnitude.sum()
    assert closed_hz == pytest.approx(3710.9206, abs=1e-4)
    assert features.centroid_hz[0] == pytest.approx(closed_hz, rel=1e-9)
    assert features.peak_hz[0] == pytest.approx(3000 * np.sqrt(1 - damping_ratio**2), abs=0.02)


def test_a_tone_between_bins():
    # 3010 Hz in 2048 samples, 23.4 Hz per bin. A windowed centroid reads 0.2 Hz less; a fitted line does not.
    time_s = np.arange(2048) / RATE_HZ
    features = tap_features(oscillation(time_s, 3010.0, 1e-4)[None], RATE_HZ)
    assert features.peak_hz[0] == pytest.approx(3010, abs=0.05)
