import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tapscan.signals.modes.lines import fit_line, line_bins, pole_to_mode

SAMPLE = np.arange(4800)


def fitted(signal):
    spectrum = np.fft.rfft(np.atleast_2d(signal), axis=1)
    peak = np.abs(spectrum).argmax(axis=1)
    return fit_line(line_bins(spectrum, peak), peak, np.atleast_2d(signal).shape[1])


# Up to a damping ratio of a tenth: a broader line runs into its own mirror image at negative frequency.
@settings(max_examples=60, deadline=None, derandomize=True)
@given(
    turn=st.floats(0.1, 2.9),
    damping_ratio=st.floats(1e-4, 0.1),
    phase=st.floats(-3, 3),
    offset=st.floats(-0.5, 0.5),
)
def test_one_decay_is_found_whatever_its_width(turn, damping_ratio, phase, offset):
    decay = min(damping_ratio * turn, 0.02)
    signal = np.exp(-decay * SAMPLE) * np.cos(turn * SAMPLE + phase) + offset * 0.1
    pole = fitted(signal - signal.mean())[0]
    assert abs(pole.imag - turn) < 0.02 * decay + 1e-6
    assert pole.real == pytest.approx(-decay, rel=0.02, abs=2e-6)


def test_a_neighbour_half_as_strong_moves_it_little():
    main = np.exp(-0.002 * SAMPLE) * np.cos(0.5 * SAMPLE)
    other = 0.5 * np.exp(-0.002 * SAMPLE) * np.cos(0.56 * SAMPLE)
    pole = fitted(main + other)[0]
    assert abs(pole.imag - 0.5) < 1e-4
    assert pole.real == pytest.approx(-0.002, rel=0.05)


def test_a_growing_or_shapeless_line_is_nan():
    assert np.isnan(fitted(np.exp(0.002 * SAMPLE) * np.cos(0.5 * SAMPLE))[0])
    impulse = np.zeros(4800)
    impulse[0] = 1
    spectrum = np.fft.rfft(impulse)[None]
    assert np.isnan(fit_line(line_bins(spectrum, np.array([300])), np.array([300]), 4800)[0])


def test_pole_and_mode_are_the_same_thing():
    omega, damping_ratio = 2 * np.pi * 3000 / 48000, 0.05
    pole = omega * (-damping_ratio + 1j * np.sqrt(1 - damping_ratio**2))
    frequency_hz, found = pole_to_mode(np.array([pole]), 48000.0)
    np.testing.assert_allclose(frequency_hz, 3000)
    np.testing.assert_allclose(found, 0.05)
