import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tapscan.errors import TapscanError
from tapscan.signals.arrivals import onset_s


def burst(onset, seed=0, samples=1000):
    """A damped sine that starts in noise, as in the published description of the criterion."""
    n = np.arange(samples)
    rng = np.random.default_rng(seed)
    sine = np.where(n >= onset, np.exp(-(n - onset) / 150) * np.sin(2 * np.pi * (n - onset) / 20), 0)
    return sine + rng.normal(0, 0.05, samples)


def test_the_onset_is_found_to_a_sample_in_nineteen_of_twenty():
    errors = onset_s(np.stack([burst(400, seed) for seed in range(200)]), 1.0) - 400
    assert np.mean(np.abs(errors) <= 1) >= 0.95


@given(st.integers(350, 600), st.floats(1e-6, 1e6), st.sampled_from([1, -1]))
@settings(deadline=None, max_examples=30)
def test_a_delay_moves_it_and_neither_gain_nor_sign_nor_offset_does(onset, gain, sign):
    assert (
        abs(onset_s(sign * gain * burst(onset), 2.0)[0] * 2 - onset) <= 9
    )  # the spread published for this signal
    assert onset_s(sign * gain * burst(onset) + 3 * gain, 2.0) == onset_s(burst(onset), 2.0)


def test_what_has_no_onset():
    rows = np.stack([np.zeros(50), np.full(50, 7.0), np.r_[np.nan, np.ones(49)], np.r_[np.inf, np.ones(49)]])
    assert np.isnan(onset_s(rows, 1.0)).all()
    assert np.isnan(onset_s(np.arange(7.0), 1.0)).all()
    assert np.isnan(onset_s(np.r_[np.zeros(20), np.ones(20)], 1.0)).all()
    assert onset_s(np.zeros((0, 50)), 1.0).shape == (0,)


def test_integers_are_read_too():
    assert onset_s((1000 * burst(400)).astype(np.int16), 1.0)[0] == pytest.approx(400, abs=2)


@pytest.mark.parametrize(
    ("traces", "rate_hz", "message"),
    [
        (
            np.zeros((2, 2, 20)),
            1.0,
            r"traces: has 3 axes, not \(n, samples\) \(reshape the array\)",
        ),
        (np.zeros(20, dtype=complex), 1.0, "traces: holds complex128, not real numbers"),
        (np.zeros(20), 0.0, r"sample_rate_hz: is 0.0 \(give a rate above 0\)"),
        (np.zeros(20), float("nan"), "sample_rate_hz: is nan"),
    ],
)
def test_bad_input_is_told(traces, rate_hz, message):
    with pytest.raises(TapscanError, match=message):
        onset_s(traces, rate_hz)
