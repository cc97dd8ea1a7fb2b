import numpy as np
import pytest

from tapscan.signals.taps.decay import decay_time, tail_power


def blocks(decay_s, count=500, block_s=2e-4, noise=0.0):
    time_s = (np.arange(count) + 0.5) * block_s
    return (10 ** (-6 * time_s / decay_s) + noise)[None]


@pytest.mark.parametrize("decay_s", [0.002, 0.01, 0.05, 0.2, 0.4])
def test_an_exponential_decay_is_read_exactly_even_where_it_outlasts_the_frame(decay_s):
    # Energy falls by 60 dB in decay_s: the envelope is 10^(-3t/T).
    found = decay_time(blocks(decay_s), np.zeros(1), np.array([500]), 2e-4, 8.0)
    np.testing.assert_allclose(found, decay_s, rtol=0.01 if decay_s < 0.3 else 0.03)


def test_noise_that_is_known_does_not_bend_the_line():
    found = decay_time(blocks(0.05, noise=1e-3), np.array([1e-3]), np.array([500]), 2e-4, 8.0)
    np.testing.assert_allclose(found, 0.05, rtol=0.02)


def test_too_little_decay_over_the_noise_is_not_read():
    found = decay_time(blocks(0.05, noise=0.3), np.array([0.3]), np.array([500]), 2e-4, 1.0)
    assert np.isnan(found).all()


def test_no_decay_is_not_read():
    assert np.isnan(decay_time(np.ones((1, 500)), np.zeros(1), np.array([500]), 2e-4, 8.0)).all()
    assert np.isnan(decay_time(np.zeros((1, 500)), np.zeros(1), np.array([500]), 2e-4, 8.0)).all()
    assert decay_time(np.ones((2, 2)), np.zeros(2), np.array([2, 2]), 2e-4, 8.0).shape == (2,)


def test_the_tail_separates_noise_from_ring():
    slow, fast = blocks(0.4, noise=0.01), blocks(0.02, noise=0.01)
    np.testing.assert_allclose(tail_power(slow, np.array([500]), 8.0), 0.01, rtol=1e-6)
    np.testing.assert_allclose(tail_power(fast, np.array([500]), 8.0), 0.01, rtol=1e-6)
    assert tail_power(np.full((1, 500), 0.02), np.array([500]), 8.0)[0] == pytest.approx(0.02)
