"""The damage class: trees as scikit-learn has them, kept small, and silent where they know nothing."""

import hashlib
from dataclasses import replace
from importlib.resources import files

import numpy as np
import pytest
from sklearn.ensemble import HistGradientBoostingClassifier
from threadpoolctl import threadpool_limits

from tapscan.plan.nearness import nearness
from tapscan.screening.results import SUSPECT
from tapscan.screening.taps import damage, screen
from tapscan.screening.taps.baseline import fit_baseline, pooled
from tapscan.screening.taps.damage import DamageClass, damage_class, damage_class_sha256, inputs
from tapscan.screening.taps.points import N_BANDS, RINGING_BANDS, point_means
from tapscan.screening.taps.screen import screen_taps
from tests.independent.train import written
from tests.screening.taps.made_up import POSITIONS, STATIONS, ZONE, block, readings, turned

NEAR = nearness(ZONE, 10.0)
NONE = np.zeros(STATIONS * POSITIONS, dtype=bool)
FEATURES = N_BANDS + len(RINGING_BANDS) + 1
COLUMNS = 4 * FEATURES + 15


def kept(text: str, monkeypatch: pytest.MonkeyPatch) -> DamageClass:
    """Read trees as tapscan reads its own."""
    with monkeypatch.context() as patch:
        patch.setattr(damage, "_kept", text.encode)
        return damage_class.__wrapped__()


def baseline(some):
    return fit_baseline(point_means(some.taps, NONE.size), ZONE.grid_shape, NEAR, NONE, NONE)


@pytest.mark.parametrize(("leaves", "trees"), [(2, 3), (6, 20), (31, 40)])
def test_trees_in_numpy_are_those_of_scikit_learn(monkeypatch, leaves, trees):
    rng = np.random.default_rng(leaves)
    # Hundredths, so that no point is at a limit, which is half way between two of them.
    described = rng.normal(size=(3000, 9)).round(2)
    truth = rng.random(3000) < 1 / (1 + np.exp(3 - 2 * described[:, 0] * described[:, 3] - described[:, 7]))
    with threadpool_limits(limits=1):
        model = HistGradientBoostingClassifier(
            max_iter=trees, max_leaf_nodes=leaves, early_stopping=False, random_state=0
        ).fit(described, truth)
        fresh = rng.normal(size=(2000, 9)).round(2)
        expected = model.decision_function(fresh)
    own = kept(written(model, 0.0, 1.0, (-9.0, -1.0), (-3.0, 2.0)), monkeypatch)
    np.testing.assert_allclose(own.log_odds(fresh), expected, atol=1e-4)
    assert own.usual == (-9.0, -1.0)
    assert own.by_distance == (-3.0, 2.0)
    # A calibration moves and stretches the whole.
    scaled = kept(written(model, 0.4, 1.3, (-9.0, -1.0), (-3.0, 2.0)), monkeypatch)
    np.testing.assert_allclose(scaled.log_odds(fresh), 0.4 + 1.3 * expected, atol=2e-4)


def test_the_file_is_small_and_of_plain_numbers():
    file = files("tapscan.screening.taps").joinpath("damage_class.json")
    content = file.read_bytes()
    assert len(content) < 300_000
    assert content.isascii()
    assert damage_class_sha256() == hashlib.sha256(content).hexdigest()
    trees = damage_class()
    shape = trees.column.shape
    for values in (trees.limit, trees.low, trees.high, trees.value):
        assert values.shape == shape
    assert trees.column.min() >= 0
    assert trees.column.max() < COLUMNS
    assert trees.slope > 0
    assert trees.by_distance[1] > 0
    assert trees.usual[0] < trees.usual[1] < 0


def test_every_way_ends_at_a_leaf():
    trees = damage_class()
    rows = np.arange(len(trees.column))[:, None]
    node = np.broadcast_to(np.arange(trees.column.shape[1]), trees.column.shape)
    is_leaf = (trees.low == node) & (trees.high == node)
    rng = np.random.default_rng(1)
    at = np.zeros((200, len(trees.column)), dtype=int)
    described = rng.normal(0, 3, (200, COLUMNS))
    for _ in range(trees.depth):
        low = described[np.arange(200)[:, None], trees.column[rows[:, 0], at]] <= trees.limit[rows[:, 0], at]
        at = np.where(low, trees.low[rows[:, 0], at], trees.high[rows[:, 0], at])
    assert is_leaf[rows[:, 0], at].all()


def test_points_are_described_in_standard_deviations_of_sound_readings():
    bad = block(5, 8, 4, 7)
    found = baseline(readings(1, bad))
    described = inputs(found, NEAR)
    assert described.shape == (NONE.size, COLUMNS)
    away = described[:, :FEATURES]
    np.testing.assert_allclose(away, np.clip(found.off_db / found.spread_db, -20, 20))
    assert np.median(np.abs(away[found.sound])) == pytest.approx(0.6745, abs=0.03)
    square, largest = described[:, 4 * FEATURES], described[:, 4 * FEATURES + 1]
    np.testing.assert_allclose(square, (away[:, :N_BANDS] ** 2).mean(axis=1))
    np.testing.assert_allclose(largest, np.abs(away[:, :N_BANDS]).max(axis=1))
    assert square[bad.ravel()].min() > np.median(square[~bad.ravel()])


def test_neighbours_are_described_without_the_point_itself():
    found = baseline(readings(2))
    lone = found.off_db.copy()
    lone[100] += 1000
    plain, moved = inputs(found, NEAR), inputs(replace(found, off_db=lone), NEAR)
    around = slice(FEATURES, 3 * FEATURES)
    np.testing.assert_array_equal(moved[100, around], plain[100, around])
    assert (moved[100, :FEATURES] == 20).all()
    beside = np.flatnonzero(np.abs(moved - plain)[:, FEATURES] > 0)
    assert set(beside) == set(NEAR[[100]].indices) - {100}


def test_a_turn_of_the_datum_turns_the_description():
    some = readings(3, block(5, 8, 10, 14))
    plain, there = (inputs(baseline(each), NEAR) for each in (some, turned(some, 5)))
    moved = np.roll(plain.reshape(*ZONE.grid_shape, -1), 5, axis=1).reshape(plain.shape)
    np.testing.assert_allclose(there, moved, rtol=1e-6, atol=1e-8)


def test_an_unfamiliar_zone_is_judged_by_its_distance_and_the_report_states_it(monkeypatch):
    strange = replace(damage_class(), usual=(50.0, 60.0))
    monkeypatch.setattr(screen, "damage_class", lambda: strange)
    some, warnings = readings(4, block(5, 8, 4, 7)), []
    found = screen_taps(ZONE, some, 0.01, warnings)
    (warning,) = warnings
    assert warning == (
        "zone BM: sounds unlike all parts that the damage class learned from; distance from the baseline "
        "decides (check tapper, microphone and the suspect points by hand)"
    )
    # The baseline is fitted again without what the distance calls damaged.
    points = point_means(some.taps, NONE.size)
    log_odds = pooled(NEAR.power(2), strange.by_distance[0] + strange.by_distance[1] * baseline(some).around)
    again = fit_baseline(points, ZONE.grid_shape, NEAR, NONE, log_odds > 0)
    log_odds = pooled(NEAR.power(2), strange.by_distance[0] + strange.by_distance[1] * again.around)
    np.testing.assert_allclose(
        found.features["damage_probability"].ravel(), 1 / (1 + np.exp(-log_odds)), rtol=1e-9
    )
    # Measured: five points of nine, where the trees call all nine.
    assert (found.status[block(5, 8, 4, 7)] == SUSPECT).sum() >= 5


def test_a_familiar_zone_is_judged_by_the_trees_without_a_warning():
    warnings: list[str] = []
    screen_taps(ZONE, readings(4), 0.01, warnings)
    assert warnings == []
    found = baseline(readings(4, unread=block(3, 5, 2, 4)))
    log_odds, is_familiar = damage_class().log_odds_in(inputs(found, NEAR), found)
    assert is_familiar
    np.testing.assert_array_equal(np.isnan(log_odds), np.isnan(found.distance))


def test_a_ring_is_described_by_the_level_of_its_station():
    """By the zone's own station levels a ring is no way off; its level is, from the other stations'."""
    described = inputs(baseline(readings(5, block(6, 8, 0, POSITIONS))), NEAR)
    square = described[:, -1].reshape(ZONE.grid_shape)
    assert np.ptp(square, axis=1).max() == 0
    assert set(np.argsort(square[:, 0])[-2:]) == {6, 7}
