"""What sectioned parts teach the damage class: nothing without findings, the shop's own damage with them."""

from dataclasses import replace

import numpy as np
import pytest
from scipy.sparse import csr_array, eye_array
from sklearn.linear_model import LogisticRegression
from statsmodels.api import GLM, families

from tapscan.plan.nearness import nearness
from tapscan.screening.known import Known
from tapscan.screening.taps.damage import DamageClass, damage_class
from tapscan.screening.taps.shop import SectionedPart, _surprise, retrained, sectioned_part
from tests.screening.taps.made_up import ZONE, block, readings

COUNT = 200


def stumps(variance: float = 0.5) -> DamageClass:
    """Two trees of one question each; training has shown that column 0 counts and column 1 does not."""
    return DamageClass(
        start=-1.0,
        slope=0.8,
        usual=(-9.0, -1.0),
        by_distance=(-3.0, 2.0),
        column=np.array([[0, 0, 0], [1, 0, 0]]),
        limit=np.zeros((2, 3)),
        low=np.array([[1, 1, 2], [1, 1, 2]]),
        high=np.array([[2, 1, 2], [2, 1, 2]]),
        value=np.array([[0.0, -2.0, 2.0], [0.0, 0.0, 0.0]]),
        depth=1,
        shop_variance=variance,
    )


def cut_part(seed: int, share: float = 0.3, count: int = COUNT) -> SectionedPart:
    """A part of a shop where damage shows in column 1."""
    rng = np.random.default_rng(seed)
    described = rng.standard_normal((count, 2))
    damaged, cut = described[:, 1] > 0, rng.random(count) < share
    every = np.ones(count, dtype=bool)
    return SectionedPart(described, eye_array(count).tocsr(), every, ~damaged, cut & ~damaged, cut & damaged)


def log_loss(trees: DamageClass, part: SectionedPart) -> float:
    log_odds = trees.log_odds(part.described)
    return float(np.logaddexp(0, -np.where(part.quiet, -1, 1) * log_odds).mean())


def test_without_findings_the_class_is_the_trained_one():
    trained = damage_class()
    assert retrained(trained, []) is trained
    assert retrained(stumps(), [cut_part(1, share=0.0)]).cut == (0, 0)
    assert not any(trained.cut)


@pytest.mark.parametrize("missing", ["sound", "damaged"])
def test_findings_of_one_kind_alone_teach_nothing(missing):
    trained, part = stumps(), cut_part(2)
    one_sided = replace(part, **{missing: np.zeros(COUNT, dtype=bool)})
    assert retrained(trained, [one_sided]) is trained
    # Another part may show the other kind.
    assert retrained(trained, [one_sided, cut_part(3)]) is not trained


def test_shops_that_do_not_differ_keep_the_trained_leaves():
    np.testing.assert_array_equal(retrained(stumps(0.0), [cut_part(4)]).value, stumps().value)


def test_more_sectioned_parts_never_make_it_worse_and_ten_come_near_the_truth():
    """Measured: 1.06, 0.46, 0.27, 0.15; the two leaves of the other tree are given up on the way."""
    fresh = [cut_part(100 + k) for k in range(10)]
    losses = []
    for count in (0, 1, 3, 10):
        trees = retrained(stumps(), [cut_part(k, share=0.1) for k in range(count)])
        losses.append(np.mean([log_loss(trees, part) for part in fresh]))
    assert (np.diff(losses) < 0).all()
    assert losses[-1] < 0.2 * losses[0]


def test_leaves_that_no_cut_point_reaches_stay_as_trained():
    part = cut_part(5)
    part.described[:, 0] = -1.0
    trees = retrained(stumps(), [part])
    assert trees.value[0, 2] == 2.0
    assert trees.value[0, 1] != -2.0
    assert trees.cut == (part.sound.sum(), part.damaged.sum())


def test_unread_points_count_neither_as_findings_nor_as_neighbours():
    part = cut_part(6)
    unread = np.arange(COUNT) % 4 == 0
    near = csr_array(np.exp(-0.5 * np.abs(np.subtract.outer(np.arange(COUNT), np.arange(COUNT)))))
    there = replace(part, read=~unread, close=near)
    moved = part.described.copy()
    moved[unread] = 1e6
    trees = retrained(stumps(), [there])
    np.testing.assert_array_equal(retrained(stumps(), [replace(there, described=moved)]).value, trees.value)
    assert sum(trees.cut) == (part.known & ~unread).sum()


def test_the_order_of_parts_changes_nothing():
    parts = [cut_part(seed) for seed in range(7, 11)]
    one, other = retrained(stumps(), parts), retrained(stumps(), parts[::-1])
    np.testing.assert_array_equal(one.value, other.value)
    assert one.usual == other.usual


def moved(odds: np.ndarray, reached: np.ndarray, truth: np.ndarray, variance: float) -> np.ndarray:
    return variance * reached.T @ _surprise(odds, csr_array(reached), truth, variance)


def drawn(seed: int) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    rng = np.random.default_rng(seed)
    reached = rng.random((300, 12)) * (rng.random((300, 12)) < 0.4)
    odds = rng.normal(-1, 1, 300)
    truth = rng.random(300) < 1 / (1 + np.exp(-odds - reached @ rng.normal(0, 1.5, 12)))
    return odds, reached, truth


@pytest.mark.parametrize("variance", [0.01, 0.3, 4.0])
def test_deviations_are_those_of_a_penalised_logistic_regression(variance):
    """A normal prior of variance v is scikit-learn's ridge penalty with C = v, its log odds starting at 0."""
    _, reached, truth = drawn(1)
    law = LogisticRegression(C=variance, fit_intercept=False, tol=1e-10, max_iter=1000).fit(reached, truth)
    np.testing.assert_allclose(
        moved(np.zeros(300), reached, truth, variance), law.coef_[0], atol=1e-4 * np.sqrt(variance)
    )


def test_deviations_start_from_the_trained_log_odds():
    """The same with an offset, as statsmodels' GLM has it; its penalty counts a mean log likelihood."""
    odds, reached, truth = drawn(2)
    law = GLM(truth.astype(float), reached, family=families.Binomial(), offset=odds).fit_regularized(
        alpha=1 / (0.3 * truth.size), L1_wt=0.0, maxiter=1000, cnvrg_tol=1e-12
    )
    np.testing.assert_allclose(moved(odds, reached, truth, 0.3), law.params, atol=1e-3)


def test_a_zone_that_was_cut_is_described_as_one_that_was_tapped():
    bad = block(5, 8, 4, 7)
    known = Known(block(5, 8, 7, 10), bad, bad)
    part = sectioned_part(ZONE, readings(1, bad), known, damage_class())
    assert part is not None
    near = nearness(ZONE, 10.0)
    np.testing.assert_array_equal(part.close.toarray(), near.power(2).toarray())
    assert (part.known == (known.good | known.separated).ravel()).all()
    assert part.described.shape[0] == bad.size
    assert part.quiet.mean() == pytest.approx(2 / 3, abs=0.05)
    few = readings(1, unread=~block(0, 2, 0, 4))
    assert sectioned_part(ZONE, few, known, damage_class()) is None


def test_a_part_whose_sound_readings_were_unfamiliar_becomes_familiar():
    part = cut_part(12)
    part.described[part.quiet, 0] = 1.0
    trees = retrained(stumps(), [part])
    sound = np.median(trees.log_odds(part.described)[part.quiet])
    assert trees.usual[0] <= sound <= trees.usual[1]
