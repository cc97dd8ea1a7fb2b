import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import binom

from tapscan.sectioning.pod.binomial import least_trials, lower_bound, share


@given(st.integers(0, 60), st.integers(0, 60))
def test_at_a_bound_what_was_seen_is_just_an_accident(first, second):
    hits, trials = sorted((first, second))
    result = share(hits, trials)
    assert 0 <= result.low <= result.high <= 1
    if hits:
        assert binom.sf(hits - 1, trials, result.low) == pytest.approx(0.025, rel=1e-6)
    if hits < trials:
        assert binom.cdf(hits, trials, result.high) == pytest.approx(0.025, rel=1e-6)


@given(st.integers(0, 6))
def test_least_trials_are_enough_and_one_less_is_not(misses):
    trials = least_trials(misses)
    assert lower_bound(trials - misses, trials) >= 0.9
    assert lower_bound(trials - 1 - misses, trials - 1) < 0.9


def test_nothing_cut_says_nothing():
    result = share(0, 0)
    assert (result.low, result.high) == (0.0, 1.0)
    assert np.isnan(result.value)


@pytest.mark.parametrize(("hits", "trials"), [(-1, 3), (4, 3)])
def test_more_hits_than_trials(hits, trials):
    with pytest.raises(ValueError, match="hits must be between 0 and"):
        share(hits, trials)
