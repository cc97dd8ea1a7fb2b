import numpy as np
import pytest
from scipy.optimize import minimize
from scipy.stats import betaprime

from tapscan.screening import tail_fits
from tapscan.screening.calls import TAILS, fit_null_law, limit_distance
from tapscan.screening.tail_fits import fit_tails


def cost(parameters, values, limit, tail):
    """Minus the mean log-likelihood of what was seen, by the library's own law."""
    law = betaprime(np.exp(parameters[0]), tail, scale=tail * np.exp(parameters[1]))
    return law.logcdf(limit) - law.logpdf(values).mean()


@pytest.mark.parametrize("share", [0.6, 0.9, 1.0])
def test_no_search_without_slopes_finds_better(share):
    draws = np.random.default_rng(2).chisquare(6, size=300)
    limit = float(np.quantile(draws, share))
    values, tails = draws[draws <= limit], np.array([2.5, 10.0, 1000.0])
    fits = fit_tails(values, limit, tails, np.zeros((2, 3)))
    for tail, found, told in zip(tails, fits.parameters.T, fits.cost, strict=True):
        searched = minimize(cost, found + 0.1, args=(values, limit, tail), method="Nelder-Mead", tol=1e-9)
        assert told == pytest.approx(cost(found, values, limit, tail), abs=1e-9)
        assert told <= searched.fun + 1e-9


def test_a_law_once_taken_for_boundless_finds_its_way_back():
    """The lower part of these draws rises like a law without end; all of them together do not."""
    rng = np.random.default_rng(5)
    for _ in range(200):
        draws = np.linalg.norm(rng.standard_normal((30, 8)), axis=1)
        assert limit_distance(fit_null_law(draws), 0.01) < 4 * draws.max()


def test_equal_values_end_at_the_bounds():
    fits = fit_tails(np.ones(20), 1.0, np.array(TAILS), np.zeros((2, len(TAILS))))
    assert np.isfinite(fits.parameters).all()
    assert np.isfinite(fits.cost).all()


@pytest.mark.parametrize(
    ("curvature", "step"),
    [
        (np.diag([2.0, 5.0]), [-0.5, -0.2]),
        (np.diag([2.0, -5.0]), [-0.5, -0.2]),  # downhill along a ridge, too
        (np.diag([-2.0, -5.0]), [-0.5, -0.2]),
        (np.array([[0.0, 3.0], [3.0, 0.0]]), [-1 / 3, -1 / 3]),
    ],
)
def test_newtons_step_is_downhill_by_the_curvatures_size(curvature, step):
    slopes = tail_fits._Slopes(np.zeros(1), np.ones((2, 1)), curvature[:, :, None])
    told = tail_fits._newton_step(slopes, np.zeros((2, 1), dtype=bool))
    np.testing.assert_allclose(told[:, 0], step, rtol=1e-6)


@pytest.mark.parametrize("size", [1e-9, 1.0, 1e9])
@pytest.mark.parametrize("row", [[1.0, 1.0], [1.0, 0.3], [0.0, 0.0]])
def test_in_a_flat_valley_the_step_is_finite(size, row):
    curvature = size * np.outer(row, row)
    slopes = tail_fits._Slopes(np.zeros(1), np.array([[1.0], [-2.0]]), curvature[:, :, None])
    assert np.isfinite(tail_fits._newton_step(slopes, np.zeros((2, 1), dtype=bool))).all()


def test_what_is_held_stays_and_the_other_goes_its_own_way():
    slopes = tail_fits._Slopes(np.zeros(1), np.ones((2, 1)), np.array([[2.0, 1.0], [1.0, 4.0]])[:, :, None])
    told = tail_fits._newton_step(slopes, np.array([[True], [False]]))
    np.testing.assert_allclose(told[:, 0], [0.0, -0.25], rtol=1e-6)
