"""Energy of taps in bands: what must add up, and what must not be invented."""

import re

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tapscan.signals.taps.bands import (
    BAND_EDGES_HZ,
    RINGING_S,
    STRIKE_S,
    band_energy,
    band_freedoms,
)

RATE_HZ = 48_000.0
BANDS = BAND_EDGES_HZ.size - 1
# The strike and the ringing, in samples.
FIRST, LAST = round(STRIKE_S * RATE_HZ), round((STRIKE_S + RINGING_S) * RATE_HZ)


def within(samples: np.ndarray, rate_hz: float) -> np.ndarray:
    """Keep what is inside all bands, away from their ends, by an ideal filter."""
    spectrum = np.fft.rfft(samples)
    hz = np.fft.rfftfreq(samples.shape[-1], 1 / rate_hz)
    return np.fft.irfft(np.where((hz > 600) & (hz < 15_000), spectrum, 0), samples.shape[-1])


@settings(deadline=None, max_examples=40)
@given(st.integers(0, 2**32 - 1), st.sampled_from([44_100.0, 48_000.0, 96_000.0]))
def test_the_bands_add_up_to_the_energy_of_the_samples(seed, rate_hz):
    """Parseval: the sum over all bands is the sum of squares, for a sound that is inside the bands."""
    rng = np.random.default_rng(seed)
    first, last = (round(t * rate_hz) for t in (STRIKE_S, STRIKE_S + RINGING_S))
    stretch = within(rng.standard_normal((2, first)), rate_hz)
    late = within(rng.standard_normal((2, last - first)), rate_hz)
    energy = band_energy(np.hstack([stretch, late]), rate_hz)
    np.testing.assert_allclose(energy.strike.sum(axis=1), (stretch**2).sum(axis=1) / rate_hz, rtol=0.02)
    np.testing.assert_allclose(energy.ringing.sum(axis=1), (late**2).sum(axis=1) / rate_hz, rtol=0.02)


@settings(deadline=None, max_examples=40)
@given(st.integers(0, 2**32 - 1), st.floats(1e-4, 1e4))
def test_gain_counts_by_its_square(seed, gain):
    tap = np.random.default_rng(seed).standard_normal((1, LAST))
    plain, loud = band_energy(tap, RATE_HZ), band_energy(gain * tap, RATE_HZ)
    np.testing.assert_allclose(loud.strike, gain**2 * plain.strike, rtol=1e-9)
    np.testing.assert_allclose(loud.ringing, gain**2 * plain.ringing, rtol=1e-9)


@settings(deadline=None, max_examples=30)
@given(st.integers(0, 2**32 - 1), st.integers(1, 8))
def test_a_batch_is_its_taps(seed, count):
    taps = np.random.default_rng(seed).standard_normal((count, LAST))
    whole = band_energy(taps, RATE_HZ)
    for number, tap in enumerate(taps):
        np.testing.assert_allclose(whole.strike[number], band_energy(tap[None], RATE_HZ).strike[0], rtol=1e-9)


@pytest.mark.parametrize("band", [4, 10, 17, 21])
def test_a_sine_is_in_its_band(band):
    hz = np.sqrt(BAND_EDGES_HZ[band] * BAND_EDGES_HZ[band + 1])
    tap = np.sin(2 * np.pi * hz * np.arange(LAST) / RATE_HZ)[None]
    energy = band_energy(tap, RATE_HZ).ringing[0]
    assert int(energy.argmax()) == band
    # A sine of amplitude 1 has a mean square of one half. Sharp ends leak, most where bands are narrow.
    assert energy.sum() == pytest.approx(RINGING_S / 2, rel=0.05)
    assert energy[band] > (0.7 if band < 8 else 0.9) * energy.sum()


def test_white_noise_fills_bands_by_their_width():
    taps = np.random.default_rng(1).standard_normal((2000, LAST))
    mean = band_energy(taps, RATE_HZ).ringing.mean(axis=0)
    expected = np.diff(BAND_EDGES_HZ) / (RATE_HZ / 2) * RINGING_S
    np.testing.assert_allclose(mean, expected, rtol=0.05)


@pytest.mark.parametrize(
    ("rate_hz", "heard"), [(8000.0, 13), (24_000.0, 18), (44_100.0, 22), (192_000.0, 22)]
)
def test_bands_above_what_a_recorder_passes_are_unknown(rate_hz, heard):
    """20/44.1 of the rate: 3.63 kHz at 8 kHz, 10.9 kHz at 24 kHz, all 20 kHz at 44.1 kHz."""
    energy = band_energy(np.ones((1, round(0.1 * rate_hz))), rate_hz)
    for values in (energy.strike, energy.ringing):
        assert np.isfinite(values[0]).tolist() == [True] * heard + [False] * (BANDS - heard)


@pytest.mark.parametrize("samples", [0, 1, 100, FIRST, FIRST + 1, LAST - 1])
def test_a_tap_that_ends_early_is_silent_from_there_on(samples):
    rng = np.random.default_rng(2)
    tap = rng.standard_normal((3, samples))
    short, padded = (
        band_energy(tap, RATE_HZ),
        band_energy(np.pad(tap, ((0, 0), (0, LAST - samples))), RATE_HZ),
    )
    assert short.strike.shape == short.ringing.shape == (3, BANDS)
    # Zeros change the transform's length, and with it how a bin on an edge is shared.
    np.testing.assert_allclose(short.strike.sum(), padded.strike.sum(), rtol=0.02, atol=1e-15)
    np.testing.assert_allclose(short.ringing.sum(), padded.ringing.sum(), rtol=0.05, atol=1e-5)
    if samples <= FIRST:
        assert (short.ringing == 0).all()


def test_silence_has_no_energy():
    energy = band_energy(np.zeros((2, LAST)), RATE_HZ)
    assert (energy.strike == 0).all()
    assert (energy.ringing == 0).all()


@pytest.mark.parametrize("shape", [(100,), (1, 2, 100)])
def test_a_batch_of_another_shape_is_refused(shape):
    with pytest.raises(ValueError, match=re.escape(f"taps must have shape (n, samples), not {shape}")):
        band_energy(np.zeros(shape), RATE_HZ)


@pytest.mark.parametrize("rate_hz", [0.0, -1.0, float("nan")])
def test_a_rate_that_is_none_is_refused(rate_hz):
    with pytest.raises(ValueError, match=f"^sample_rate_hz must be positive, not {rate_hz}$"):
        band_energy(np.zeros((1, 100)), rate_hz)


def test_freedoms_are_width_times_duration_and_one_at_least():
    """The variance of noise in a band is its squared mean over them (Bendat & Piersol, from memory)."""
    duration_s = STRIKE_S
    assert (band_freedoms(duration_s) >= 1).all()
    assert band_freedoms(duration_s)[-1] == pytest.approx(
        (BAND_EDGES_HZ[-1] - BAND_EDGES_HZ[-2]) * duration_s
    )
    noise = np.random.default_rng(3).standard_normal((20_000, FIRST))
    energy = band_energy(noise, RATE_HZ).strike
    measured = energy.mean(axis=0) ** 2 / energy.var(axis=0)
    wide = band_freedoms(duration_s) > 3
    # A stretch with sharp ends leaks a little of its neighbours into a narrow band: up to a fifth more.
    np.testing.assert_allclose(measured[wide], band_freedoms(duration_s)[wide], rtol=0.2)
