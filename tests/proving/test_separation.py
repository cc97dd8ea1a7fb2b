import numpy as np
import pytest
from scipy.stats import norm

from tapscan.proving.figures.separation import from_sound, separation


def test_intervals_hold_the_truth_nine_times_in_ten():
    rng = np.random.default_rng(2)
    held = 0
    for _ in range(200):
        apart = separation(rng.normal(size=20), 3 + 1.5 * rng.normal(size=8), 0.01)
        held += apart.deviations_low <= 3.0 <= apart.deviations_high
    # 200 draws: the standard deviation of a share of 0.9 is 0.021.
    assert held / 200 > 0.84


def test_found_is_the_share_beyond_the_threshold():
    rng = np.random.default_rng(5)
    apart = separation(rng.normal(size=2000), 3 + rng.normal(size=2000), 0.01)
    assert apart.threshold == pytest.approx(norm.isf(0.01), abs=0.15)
    assert apart.found == pytest.approx(norm.sf(norm.isf(0.01) - 3), abs=0.03)
    assert apart.margin == pytest.approx(norm.ppf(apart.found))


def test_too_few_readings_say_nothing():
    assert separation(np.arange(5.0), np.arange(9.0), 0.01) is None
    assert separation(np.arange(9.0), np.arange(2.0), 0.01) is None


def test_a_sound_reading_does_not_count_for_itself():
    rng = np.random.default_rng(6)
    values = rng.normal(size=(12, 5))
    values[0] += 8.0
    scores = from_sound(values, np.ones(12, dtype=bool))
    assert scores[0] > scores[1:].max() + 6


def test_a_feature_that_never_varies_is_left_out():
    values = np.column_stack([np.zeros(8), np.arange(8.0)])
    scores = from_sound(values, np.arange(8) < 7)
    assert np.isfinite(scores).all()
