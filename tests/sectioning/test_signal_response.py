import numpy as np
import pytest
from scipy.stats import CensoredData, norm
from statsmodels.regression.linear_model import OLS

from tapscan.sectioning.pod.signal_response import (
    fit_response,
    response_bound_mm,
    response_size_mm,
)


def simulated(count=200, seed=1, scatter=0.25):
    rng = np.random.default_rng(seed)
    size = np.exp(rng.uniform(0, 2, count))
    return size, np.exp(0.1 + 0.95 * np.log(size) + scatter * rng.standard_normal(count))


def test_without_censoring_it_is_least_squares():
    size, response = simulated(60)
    design = np.column_stack([np.ones(60), np.log(size)])
    reference = OLS(np.log(response), design).fit()
    fit = fit_response(size, response)
    np.testing.assert_allclose((fit.intercept, fit.slope), reference.params, rtol=1e-6)
    assert fit.scatter**2 == pytest.approx(reference.ssr / 60, rel=1e-6)
    assert fit.log_likelihood == pytest.approx(reference.llf, rel=1e-9)
    # The library divides by n - 2, maximum likelihood by n.
    np.testing.assert_allclose(fit.covariance[:2, :2], reference.cov_params() * 58 / 60, rtol=1e-5)
    assert fit.covariance[2, 2] == pytest.approx(fit.scatter**2 / 120, rel=1e-5)


def test_with_censoring_it_is_the_reference_s_normal_fit_of_the_residuals():
    """scipy fits a censored normal distribution: our residuals must be centred with our scatter."""
    size, response = simulated(120)
    noise, ceiling = 1.6, 6.0
    fit = fit_response(size, response, noise, ceiling)
    assert 20 < fit.censored < 80
    away = np.log(np.clip(response, noise, ceiling)) - fit.intercept - fit.slope * np.log(size)
    low, high = response <= noise, response >= ceiling
    data = CensoredData(away[~(low | high)], left=away[low], right=away[high])
    mean, spread = norm.fit(data)
    assert mean == pytest.approx(0, abs=1e-4)
    assert spread == pytest.approx(fit.scatter, rel=1e-4)


def test_censoring_takes_the_bias_away():
    size, response = simulated(4000, seed=3)
    fit = fit_response(size, response, 2.0)
    np.testing.assert_allclose((fit.intercept, fit.slope, fit.scatter), (0.1, 0.95, 0.25), atol=0.03)
    kept = response > 2.0
    naive = fit_response(size[kept], response[kept])
    assert naive.slope < 0.9


def test_covariance_is_that_of_repeated_trials():
    fits = [fit_response(*simulated(80, seed=seed), 2.0, 5.0) for seed in range(150)]
    values = np.array([(fit.intercept, fit.slope, fit.scatter) for fit in fits])
    result = np.mean([np.sqrt(np.diag(fit.covariance)) for fit in fits], axis=0)
    np.testing.assert_allclose(values.std(axis=0), result, rtol=0.2)


def test_no_scatter_no_bounds():
    with pytest.raises(ValueError, match="are on one line"):
        fit_response([1, 2, 4, 8], [1, 2, 4, 8])


def test_pod_that_follows():
    fit = fit_response(*simulated(60))
    a50, a90 = (response_size_mm(fit, 3.0, pod) for pod in (0.5, 0.9))
    # By its definition: the chance that a response at that size is over the threshold.
    over = (fit.intercept + fit.slope * np.log([a50, a90]) - np.log(3.0)) / fit.scatter
    np.testing.assert_allclose(norm.cdf(over), [0.5, 0.9])
    assert response_bound_mm(fit, 3.0) > a90


@pytest.mark.parametrize(
    ("size", "response"),
    [([1, 2], [1, 2]), ([2, 2, 2], [1, 2, 3]), ([0, 1, 2], [1, 2, 3]), ([1, 2, 3, 4], [0.1] * 4)],
)
def test_what_gives_no_line(size, response):
    with pytest.raises(ValueError, match="a line needs three responses"):
        fit_response(size, response, noise=0.5)


def test_a_miss_without_any_response_counts_where_nothing_is_noise():
    size = [3.0, 4.0, 5.0, 6.0, 8.0, 10.0, 12.0]
    response = [0.15, 0.3, 0.6, 1.4, 1.2, 2.5, 3.0]
    alone, missed = fit_response(size, response), fit_response([*size, 9.0], [*response, 0.0])
    assert missed.censored == 1
    assert np.isfinite(missed.log_likelihood)
    assert response_size_mm(missed, 1.0, 0.9) > 1.2 * response_size_mm(alone, 1.0, 0.9)
