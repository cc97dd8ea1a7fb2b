import numpy as np
import pytest
from sklearn.metrics import roc_auc_score, roc_curve

from tapscan.sectioning.pod.thresholds import better_threshold, roc, roc_area


def scores(parts, shift, seed=1):
    """Good scores about 0.5, defects' about `shift`; eight good points and two defects for each part."""
    rng = np.random.default_rng(seed)
    good = np.exp(rng.normal(np.log(0.5), 0.25, 8 * parts)), np.repeat(np.arange(parts), 8)
    bad = np.exp(rng.normal(np.log(shift), 0.25, 2 * parts)), np.repeat(np.arange(parts), 2)
    return good, bad


def test_roc_is_that_of_the_reference_library():
    (good, _), (bad, _) = scores(20, 0.8)
    truth = np.repeat([0, 1], [good.size, bad.size])
    every = np.concatenate([good, bad])
    false_share, true_share, threshold = roc_curve(truth, every, drop_intermediate=False)
    curve = roc(good, bad)
    np.testing.assert_allclose(curve.false_share, false_share)
    np.testing.assert_allclose(curve.true_share, true_share)
    np.testing.assert_allclose(curve.threshold, threshold)
    assert curve.area == pytest.approx(roc_auc_score(truth, every))


def test_area_with_ties_and_with_nothing():
    assert roc_area([1.0, 1.0], [1.0]) == 0.5
    assert np.isnan(roc_area([], [1.0]))


def test_a_threshold_that_is_far_too_high_is_reported():
    good, bad = scores(40, 0.95)
    result = better_threshold(good, bad, used=1.2)
    assert 0.6 < result.best < 0.9
    assert result.is_sure
    assert result.low <= result.best <= result.high < 1.2


def test_no_gain_is_claimed_where_there_is_none():
    """Scores without information: over many sets a sure gain is claimed no more often than its 2.5 %."""
    claimed = 0
    for seed in range(40):
        good, bad = scores(12, 0.5, seed)
        result = better_threshold(good, bad, used=0.5)
        assert result.gain >= 0
        claimed += result.is_sure
    assert claimed <= 3


def test_one_part_cannot_be_left_out():
    result = better_threshold(([0.2, 0.3], [1, 1]), ([0.9], [1]), used=1.0)
    assert (result.best, result.gain) == (0.9, 1.0)
    assert result.gain_low is None
    assert not result.is_sure


def test_nothing_to_judge_by():
    assert better_threshold(([], []), ([0.9], [1])) is None
    assert np.isnan(roc([], [0.9]).false_share).all()


def test_of_equally_good_thresholds_the_one_in_use_stays():
    result = better_threshold(([0.2, 0.3], [1, 2]), ([1.5, 1.9], [1, 2]), used=1.0)
    assert (result.best, result.gain) == (1.0, 0.0)
