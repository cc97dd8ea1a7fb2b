"""Hit/miss curves, their bounds and exact shares against published data and statsmodels.

Quantal bioassay fits the same model as hit/miss POD, with dose in the place of size. The data:

* Rotenone: Finney, Probit Analysis; ED50 about 4.85 and a probit slope of 4.21 per decade.
* Budworm: Venables & Ripley, Modern Applied Statistics with S, `dose.p`.
* Beetles: Bliss 1935, in Dobson, An Introduction to Generalized Linear Models.
* O-rings: Dalal, Fowlkes & Hoadley 1989, 23 flights.
* Shares: Newcombe, Statistics in Medicine 17 (1998) 857-872.
"""

import numpy as np
import pytest
from scipy.stats import binom
from statsmodels.genmod import families
from statsmodels.genmod.generalized_linear_model import GLM
from statsmodels.stats.proportion import proportion_confint

from tapscan.sectioning.pod.binomial import least_trials, lower_bound, share
from tapscan.sectioning.pod.hit_miss import (
    fieller_bound_mm,
    fit_pod,
    pod_bounds,
    profile_bound_mm,
    size_at_mm,
    wald_bound_mm,
)
from tapscan.sectioning.pod.regression import Fit, fit_binomial, link_of

DOSE = np.array([2.6, 3.8, 5.1, 7.7, 10.2])
TREATED, DEAD = np.array([50, 48, 46, 49, 50]), np.array([6, 16, 24, 42, 44])
BEETLE_LN_DOSE = np.array([1.6907, 1.7242, 1.7552, 1.7842, 1.8113, 1.8369, 1.8610, 1.8839])
BEETLES, BEETLES_DEAD = np.array([59, 60, 62, 56, 63, 59, 62, 60]), np.array([6, 13, 18, 28, 52, 53, 61, 60])
# Temperature in °F and whether an O-ring showed distress, flight by flight.
O_RINGS_F = [66, 70, 69, 68, 67, 72, 73, 70, 57, 63, 70, 78, 67, 53, 67, 75, 70, 81, 76, 79, 75, 76, 58]
O_RINGS_HURT = [0, 1, 0, 0, 0, 0, 0, 0, 1, 1, 1, 0, 0, 1, 0, 0, 0, 0, 0, 0, 1, 0, 1]


def reference(design, hits, trials, link):
    family = families.Binomial(getattr(families.links, link.capitalize())())
    counts = np.column_stack([hits, np.asarray(trials) - hits])
    return GLM(counts, np.asarray(design, dtype=float), family=family).fit(tol=1e-14, maxiter=200)


def dose_at(fit: Fit, pod: float, intercept: int = 0, slope: int = 1) -> tuple[float, float]:
    """Where a curve reaches a share, and the standard error of that by the delta method."""
    beta = fit.coefficients
    at = (link_of(pod, fit.link) - beta[intercept]) / beta[slope]
    gradient = np.zeros_like(beta)
    gradient[[intercept, slope]] = -1 / beta[slope], -at / beta[slope]
    return float(at), float(np.sqrt(gradient @ fit.covariance @ gradient))


@pytest.mark.parametrize(
    ("link", "coefficients", "deviance", "a50", "a90"),
    [
        ("logit", (-4.886912, 3.103545), 1.424057, 4.828918, 9.802082),
        ("probit", (-2.887463, 1.829768), 1.738969, 4.845492, 9.761430),
    ],
)
def test_rotenone(link, coefficients, deviance, a50, a90):
    curve = fit_pod(DOSE, DEAD, TREATED, link)
    np.testing.assert_allclose(curve.fit.coefficients, coefficients, atol=5e-7)
    np.testing.assert_allclose(curve.fit.deviance, deviance, atol=1e-6)
    assert size_at_mm(curve, 0.5) == pytest.approx(a50, abs=5e-7)
    assert size_at_mm(curve, 0.9) == pytest.approx(a90, abs=5e-7)


def test_rotenone_as_finney_prints_it():
    curve = fit_pod(DOSE, DEAD, TREATED, "probit")
    assert size_at_mm(curve, 0.5) == pytest.approx(4.85, abs=0.005)
    assert curve.fit.coefficients[1] * np.log(10) == pytest.approx(4.21, abs=0.005)


@pytest.mark.parametrize(
    ("link", "wald", "fieller", "profile"),
    [("logit", 11.535298, 11.958452, 11.828118), ("probit", 11.324447, 11.651797, 11.582085)],
)
def test_three_kinds_of_a90_95(link, wald, fieller, profile):
    curve = fit_pod(DOSE, DEAD, TREATED, link)
    assert wald_bound_mm(curve) == pytest.approx(wald, abs=1e-6)
    assert fieller_bound_mm(curve) == pytest.approx(fieller, abs=1e-6)
    assert profile_bound_mm(curve) == pytest.approx(profile, abs=1e-6)


@pytest.mark.parametrize("link", ["logit", "probit"])
def test_profile_likelihood_by_a_reference_fit_with_an_offset(link):
    """At the bound, the best curve through it, by statsmodels, is worse by just the allowed 1.3528."""
    curve = fit_pod(DOSE, DEAD, TREATED, link)
    for upper in (True, False):
        bound = profile_bound_mm(curve, 0.9, 0.95, upper=upper)
        family = families.Binomial(getattr(families.links, link.capitalize())())
        design = np.log(DOSE / bound)[:, None]
        offset = np.full(DOSE.size, link_of(0.9, link))
        fit = GLM(np.column_stack([DEAD, TREATED - DEAD]), design, family=family, offset=offset).fit(
            tol=1e-14
        )
        assert (fit.deviance - curve.fit.deviance) / 2 == pytest.approx(1.6448536**2 / 2, abs=1e-5)


def test_the_band_crosses_nine_in_ten_at_a90_95():
    # Data scaled so that the crossing is within the doses: the bound is a matter of the curve alone.
    curve = fit_pod(np.append(DOSE, 13.0), np.append(DEAD, 48), np.append(TREATED, 50))
    low, high = pod_bounds(curve, [profile_bound_mm(curve), profile_bound_mm(curve, upper=False)])
    assert low[0] == pytest.approx(0.9, abs=1e-6)
    assert high[1] == pytest.approx(0.9, abs=1e-6)


def test_budworm():
    log_dose = np.tile(np.arange(6.0), 2)
    male = np.repeat([1.0, 0.0], 6)
    dead = [1, 4, 9, 13, 18, 20, 0, 2, 6, 10, 12, 16]
    design = np.column_stack([np.ones(12), log_dose, male])
    fit = fit_binomial(design, dead, np.full(12, 20))
    published = {0.25: (2.231265, 0.2499089), 0.5: (3.263587, 0.2297539), 0.75: (4.295910, 0.2746874)}
    for pod, expected in published.items():
        np.testing.assert_allclose(dose_at(fit, pod), expected, atol=6e-7)
    # The error of the last is 0.3611833 after a reference fit of usual tolerance, which stops a step early.
    np.testing.assert_allclose(dose_at(fit, 0.9), (5.3282329, 0.3611835), atol=6e-8)
    exact = reference(design, dead, np.full(12, 20), "logit")
    np.testing.assert_allclose(fit.covariance, exact.cov_params(), rtol=1e-8)


def test_beetles():
    design = np.column_stack([np.ones(8), BEETLE_LN_DOSE])
    fit = fit_binomial(design, BEETLES_DEAD, BEETLES)
    np.testing.assert_allclose(fit.coefficients, (-60.717455, 34.270326), atol=1e-6)
    assert fit.deviance == pytest.approx(11.232231, abs=1e-6)
    np.testing.assert_allclose(dose_at(fit, 0.5), (1.7717210, 0.00385806), atol=6e-8)
    np.testing.assert_allclose(dose_at(fit, 0.9), (1.8358355, 0.00619254), atol=6e-8)


def test_o_rings():
    design = np.column_stack([np.ones(23), O_RINGS_F])
    fit = fit_binomial(design, O_RINGS_HURT)
    np.testing.assert_allclose(fit.coefficients, (15.042902, -0.232163), atol=1e-6)
    assert fit.deviance == pytest.approx(20.315193, abs=1e-6)


@pytest.mark.parametrize("link", ["logit", "probit"])
@pytest.mark.parametrize("seed", range(4))
def test_fits_are_those_of_the_reference_library(link, seed):
    rng = np.random.default_rng(seed)
    logs = rng.normal(2.0, 0.6, 80)
    hits = (rng.random(80) < 1 / (1 + np.exp(-3 * (logs - 2)))).astype(float)
    design = np.column_stack([np.ones(80), logs])
    ours, theirs = fit_binomial(design, hits, link=link), reference(design, hits, np.ones(80), link)
    np.testing.assert_allclose(ours.coefficients, theirs.params, rtol=1e-6)
    np.testing.assert_allclose(ours.covariance, theirs.cov_params(), rtol=1e-4)
    assert ours.log_likelihood == pytest.approx(theirs.llf, rel=1e-9)


@pytest.mark.parametrize(
    ("hits", "trials", "exact"),
    [
        (81, 263, (0.2527, 0.3676)),
        (15, 148, (0.0578, 0.1617)),
        (0, 20, (0.0, 0.1684)),
        (1, 29, (0.0009, 0.1776)),
        (45, 50, (0.7819, 0.9667)),
        (9, 10, (0.5550, 0.9975)),
    ],
)
def test_intervals_of_a_share(hits, trials, exact):
    result = share(hits, trials)
    np.testing.assert_allclose((result.low, result.high), exact, atol=5.1e-5)
    np.testing.assert_allclose((result.low, result.high), proportion_confint(hits, trials, method="beta"))


def test_least_numbers_of_cuts():
    """29 of 29, 45 of 46, …; one cut less is not enough. The binomial tails are those of scipy."""
    least = [29, 46, 61, 76, 89]
    assert [least_trials(misses) for misses in range(5)] == least
    enough = [binom.cdf(misses, trials, 0.1) for misses, trials in enumerate(least)]
    short = [binom.cdf(misses, trials - 1, 0.1) for misses, trials in enumerate(least)]
    np.testing.assert_allclose(enough, [0.047101, 0.048004, 0.049118, 0.046973, 0.049698], atol=5e-7)
    np.testing.assert_allclose(short, [0.052335, 0.052368, 0.053045, 0.050400, 0.053040], atol=5e-7)


@pytest.mark.parametrize(
    ("hits", "trials", "bound"), [(29, 29, 0.901855), (45, 46, 0.900976), (59, 61, 0.900365)]
)
def test_lower_bounds(hits, trials, bound):
    assert lower_bound(hits, trials) == pytest.approx(bound, abs=5e-7)
    assert lower_bound(hits, trials) == pytest.approx(
        proportion_confint(hits, trials, alpha=0.10, method="beta")[0], rel=1e-9
    )
    assert lower_bound(29, 29) == pytest.approx(0.05 ** (1 / 29), rel=1e-12)
