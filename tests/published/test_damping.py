"""Damping by every name it has: ratio, logarithmic decrement, half-power width, reverberation time.

The relations are exact for one viscous mode. ISO 6721-1 and -3 (loss factor, half-power width), ISO 3382
(decay read from -5 to -25 dB of the backward integral): forms from memory, numbers computed.
"""

import numpy as np
import pytest

from tapscan.signals import fit_modes, tap_features
from tests.signals.struck import oscillation

RATE_HZ = 48000.0
TIME_S = np.arange(9600) / RATE_HZ


def tap(frequency_hz, damping_ratio, noise_rms=1e-4):
    return oscillation(TIME_S, frequency_hz, damping_ratio) + noise_rms * np.random.default_rng(
        0
    ).standard_normal(9600)


@pytest.mark.parametrize(
    ("damping_ratio", "decrement"),
    [(0.001, 0.00628319), (0.01, 0.06283499), (0.02, 0.12568885), (0.05, 0.31455270)],
)
def test_logarithmic_decrement(damping_ratio, decrement):
    # δ = 2πζ/√(1-ζ²): read off the tap itself, one period apart, and from the fitted damping ratio.
    period_s = 1 / (1500 * np.sqrt(1 - damping_ratio**2))
    here, next_one = oscillation(np.array([0.2e-3, 0.2e-3 + period_s]), 1500, damping_ratio)
    assert np.log(here / next_one) == pytest.approx(decrement, rel=1e-6)
    for found in (
        fit_modes(tap(1500, damping_ratio)[None], RATE_HZ, 1).damping_ratio[0, 0],
        tap_features(tap(1500, damping_ratio)[None], RATE_HZ).damping_ratio[0],
    ):
        assert 2 * np.pi * found / np.sqrt(1 - found**2) == pytest.approx(decrement, rel=0.02)


@pytest.mark.parametrize(
    ("damping_ratio", "width"), [(0.01, 0.02000200), (0.02, 0.04001602), (0.05, 0.10025221)]
)
def test_half_power_width(damping_ratio, width):
    # (f/fₙ)² = 1 - 2ζ² ∓ 2ζ√(1-ζ²) on a finely padded spectrum, and from the fitted damping ratio.
    found = tap_features(tap(3000, damping_ratio)[None], RATE_HZ).damping_ratio[0]
    low, high = (np.sqrt(1 - 2 * found**2 + sign * 2 * found * np.sqrt(1 - found**2)) for sign in (-1, 1))
    assert high - low == pytest.approx(width, rel=0.02)
    spectrum = np.abs(np.fft.rfft(oscillation(TIME_S, 3000, damping_ratio), 1 << 20))
    above = np.flatnonzero(spectrum >= spectrum.max() / np.sqrt(2))
    assert (above[-1] - above[0]) * RATE_HZ / (1 << 20) / 3000 == pytest.approx(width, rel=0.01)


@pytest.mark.parametrize(
    ("damping_ratio", "decay_s"), [(0.001, 1.099403), (0.01, 0.109940), (0.02, 0.054970)]
)
def test_reverberation_time(damping_ratio, decay_s):
    # T60 = 3 ln 10 / (ζω): for 1 kHz. In 0.2 s the first falls by 11 dB, too few to read.
    found = tap_features(tap(1000, damping_ratio)[None], RATE_HZ)
    assert np.isnan(found.decay_time_s[0]) == (damping_ratio < 0.005)
    if damping_ratio > 0.005:
        assert found.decay_time_s[0] == pytest.approx(decay_s, rel=0.03)
    assert 3 * np.log(10) / (found.damping_ratio[0] * 2 * np.pi * 1000) == pytest.approx(decay_s, rel=0.02)


def test_decay_rate_and_time_constant():
    # 8.685890 ζω dB/s: 545.7505 dB/s, and 1/(ζω) = 15.915494 ms, for 1 kHz and ζ = .01.
    found = fit_modes(tap(1000, 0.01)[None], RATE_HZ, 1)
    rate = found.damping_ratio[0, 0] * 2 * np.pi * found.frequency_hz[0, 0]
    assert 20 / np.log(10) * rate == pytest.approx(545.7505, rel=1e-3)
    assert 1 / rate == pytest.approx(15.915494e-3, rel=1e-3)


def test_undamped_frequency_is_not_the_damped_one():
    # f_d / fₙ = √(1-ζ²) = .99874922 for ζ = .05.
    found = fit_modes(tap(3000, 0.05)[None], RATE_HZ, 1).frequency_hz[0, 0]
    assert found == pytest.approx(3000, rel=3e-4)
    assert tap_features(tap(3000, 0.05)[None], RATE_HZ).peak_hz[0] == pytest.approx(
        0.99874922 * 3000, rel=3e-4
    )


def test_the_beam_that_judges_is_itself_right():
    # ASTM E1876 (coefficients as in public code): steel 100 × 20 × 5 mm, E 206.8 GPa, ρ 7850: 2614.469 Hz.
    from tests.signals.struck import Beam

    assert Beam(0.1, 0.02, 0.005, 206.8e9, 7850.0).frequency_hz[0] == pytest.approx(2614.469, rel=3e-4)
