import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from tapscan.sectioning.pod.regression import LINKS, fit_binomial, link_of, log_likelihood, probability

CURVE = np.column_stack([np.ones(6), [1.0, 2.0, 3.0, 4.0, 5.0, 6.0]])


@pytest.mark.parametrize("link", LINKS)
def test_separated_data_are_refused(link):
    with pytest.raises(ValueError, match="separated"):
        fit_binomial(CURVE, [0, 0, 0, 1, 1, 1], link=link)


@pytest.mark.parametrize("link", LINKS)
def test_a_covariate_that_is_a_sum_of_others_is_refused(link):
    twice = np.column_stack([CURVE, CURVE[:, 1] + 1])
    with pytest.raises(ValueError, match="one covariate is a sum of others"):
        fit_binomial(twice, [0, 1, 0, 1, 0, 1], link=link)


@pytest.mark.parametrize("link", LINKS)
def test_at_the_maximum_no_step_goes_up(link):
    hits, trials = np.array([1.0, 0, 3, 2, 4, 5]), np.full(6, 5.0)
    fit = fit_binomial(CURVE, hits, trials, link)
    for step in np.vstack([np.eye(2), -np.eye(2)]) * 1e-3:
        moved = log_likelihood(CURVE @ (fit.coefficients + step), hits, trials, link)
        assert moved < fit.log_likelihood


@pytest.mark.parametrize("link", LINKS)
def test_an_offset_is_a_coefficient_that_is_known(link):
    hits, trials = np.array([1.0, 0, 3, 2, 4, 5]), np.full(6, 5.0)
    free = fit_binomial(CURVE, hits, trials, link)
    held = fit_binomial(CURVE[:, 1:], hits, trials, link, offset=free.coefficients[0])
    assert held.coefficients[0] == pytest.approx(free.coefficients[1], rel=1e-7)


@given(st.floats(-30, 30), st.sampled_from(LINKS))
def test_probabilities_of_hit_and_miss_make_one(linear, link):
    assert probability(linear, link) + probability(-linear, link) == pytest.approx(1)
    assert np.isfinite(log_likelihood(np.array([linear]), np.array([1.0]), np.array([2.0]), link))


@given(st.floats(0.001, 0.999), st.sampled_from(LINKS))
def test_link_and_probability_undo_each_other(share, link):
    assert probability(link_of(share, link), link) == pytest.approx(share)
