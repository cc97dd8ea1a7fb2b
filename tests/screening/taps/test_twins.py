"""A tapped zone against like ones, and the same zone twice: what only a difference shows."""

from dataclasses import replace

import numpy as np
import pytest
from scipy.stats import binom

from tapscan.errors import TapscanError
from tapscan.screening.change.twins import Twin, matched
from tapscan.screening.results import CLEAR, SUSPECT
from tapscan.screening.taps import twins
from tapscan.screening.taps.change import tap_difference
from tapscan.screening.taps.points import N_BANDS, TapTable, point_means
from tapscan.screening.taps.readings import TapReadings
from tapscan.screening.taps.screen import screen_taps
from tapscan.screening.taps.twins import difference_of, taps_against
from tests.screening.taps.made_up import POSITIONS, ZONE, block, louder, readings, turned

RATE = 0.01
EVERYWHERE = np.ones(ZONE.grid_shape, dtype=bool)
RING = block(6, 8, 0, POSITIONS)
SPOT = block(5, 8, 4, 7)


def twin(some: TapReadings, *, is_mirror: bool = False, good: np.ndarray = EVERYWHERE) -> Twin:
    return Twin(some, matched(ZONE, ZONE, is_mirror=is_mirror), good)


def mirrored(some: TapReadings) -> TapReadings:
    """The part on the other side: position p of one faces position 2 - p of the other."""
    station, position = np.divmod(some.taps.at, POSITIONS)
    at = station * POSITIONS + (-position) % POSITIONS
    order = np.argsort(at, kind="stable")
    taps = TapTable(
        at[order], *(values[order] for values in (some.taps.strike, some.taps.ringing, some.taps.room))
    )
    across = (-np.arange(POSITIONS)) % POSITIONS
    features = {name: values[:, across] for name, values in some.features.items()}
    return TapReadings(some.reason[:, across], some.n_taps[:, across], features, taps)


def against(some: TapReadings, *twins: Twin, source: str = "the mirror-image zone BX"):
    own = screen_taps(ZONE, some, RATE, [])
    return own, taps_against(own, some, twins, source, RATE)


def test_damage_all_round_a_station_shows_beside_an_earlier_visit():
    own, beside = against(readings(1, RING), twin(readings(2)), source="the inspection old")
    assert (own.status[RING] == SUSPECT).mean() < 0.3
    assert (beside.status[RING] == SUSPECT).mean() > 0.9
    away = ~block(4, 10, 0, POSITIONS)
    assert (beside.status[away] == SUSPECT).sum() <= binom.isf(1e-3, int(away.sum()), 2 * RATE)
    assert beside.baseline.startswith("The baseline comes from the inspection old: readings are subtracted")


def test_damage_all_round_a_station_shows_beside_a_mirror_twin():
    other = twin(mirrored(readings(3)), is_mirror=True)
    _, beside = against(readings(4, RING), other)
    assert (beside.status[RING] == SUSPECT).mean() > 0.9
    assert "A difference shows that the two are not alike, not which of them is damaged." in beside.baseline


def test_the_twins_gain_does_not_matter():
    some, other = readings(5, SPOT), readings(6)
    _, plain = against(some, twin(other))
    _, loud = against(some, twin(louder(other, 6.0)))
    np.testing.assert_allclose(loud.score, plain.score, rtol=1e-6, atol=1e-9)


def test_a_turn_of_both_datums_turns_the_map():
    some, other = readings(7, SPOT), readings(8)
    _, plain = against(some, twin(other))
    _, there = against(turned(some, 5), twin(turned(other, 5)))
    assert (there.status == np.roll(plain.status, 5, axis=1)).all()
    np.testing.assert_allclose(there.score, np.roll(plain.score, 5, axis=1), rtol=1e-5, atol=1e-6)


def test_where_the_twin_has_no_sound_point_the_zone_decides_by_itself():
    good = EVERYWHERE & ~block(2, 4, 2, 5)
    own, beside = against(readings(9, SPOT), twin(readings(10), good=good))
    alone = ~good
    np.testing.assert_array_equal(beside.p_value[alone], own.p_value[alone])
    np.testing.assert_array_equal(beside.evidence.twin.decided, good)
    assert f"At {alone.sum()} points there is no sound reading to subtract" in beside.baseline
    assert np.isnan(beside.evidence.twin.expected_db[alone]).all()


def test_several_like_zones_make_a_steadier_difference():
    some = readings(11)
    one, three = (
        difference_of(ZONE, some, [twin(readings(seed)) for seed in seeds], "x").points
        for seeds in ((12,), (12, 13, 14))
    )
    ratio = np.std(three.sound_db[:, 5]) / np.std(one.sound_db[:, 5])
    # One part's own scatter and a third of the others': √((1 + 1/3) / 2) = 0.82.
    assert ratio == pytest.approx(0.82, abs=0.12)
    assert (three.taps > one.taps).all()


def test_the_difference_is_that_of_the_points(monkeypatch):
    monkeypatch.setattr(twins, "MOST_PATTERNS", 0)
    some, other = readings(15), readings(16)
    difference = difference_of(ZONE, some, [twin(other)], "x")
    here, there = (point_means(each.taps, EVERYWHERE.size) for each in (some, other))
    plain = here.sound_db - there.sound_db
    np.testing.assert_allclose(difference.points.sound_db, plain - np.median(plain, axis=0), atol=1e-9)
    np.testing.assert_allclose(difference.points.noise_db2, here.noise_db2 + there.noise_db2, rtol=1e-9)
    np.testing.assert_allclose(1 / difference.points.taps, 1 / here.taps + 1 / there.taps, rtol=1e-9)
    np.testing.assert_allclose(
        difference.there_db + difference.points.sound_db[:, :N_BANDS], here.sound_db[:, :N_BANDS], atol=1e-9
    )


def test_too_few_partners_are_refused_in_words():
    good = block(0, 2, 0, POSITIONS)
    with pytest.raises(
        TapscanError, match=r"^zone BM: 24 readings have a \w+ partner in the mirror, fewer than 48"
    ):
        difference_of(ZONE, readings(1), [twin(readings(2), good=good)], "the mirror")


# Two visits


def changed(now: TapReadings, then: TapReadings):
    return tap_difference(ZONE, now, then, matched(ZONE, ZONE), RATE)


def same_part(seed: int, visit: int, damage: np.ndarray | None = None) -> TapReadings:
    """One part on one day: what the points are comes from the seed, what the hand does from the visit."""
    some = readings(seed, damage)
    rng = np.random.default_rng([seed, visit, 5])
    hand = 10 ** (rng.normal(0, 0.5, some.taps.strike.shape) / 10)
    taps = some.taps
    return replace(some, taps=TapTable(taps.at, taps.strike * hand, taps.ringing * hand, taps.room))


@pytest.mark.parametrize(("then", "now"), [(None, SPOT), (SPOT, None)], ids=["damage", "repair"])
def test_damage_and_repair_both_change(then, now):
    found = changed(same_part(1, 2, now), same_part(1, 1, then))
    assert (found.score[SPOT] >= 1).all()
    assert (found.probability[SPOT] > 0.5).mean() > 0.8
    away = ~block(3, 10, 2, 9)
    assert (found.score[away] >= 1).sum() <= binom.isf(1e-3, int(away.sum()), 2 * RATE)


def test_what_stayed_has_not_changed():
    found = changed(same_part(2, 2, SPOT), same_part(2, 1, SPOT))
    assert (found.score >= 1).sum() <= binom.isf(1e-3, found.score.size, 2 * RATE)
    assert (found.probability < 0.5).all()
    assert "192 points were tapped both times." in found.words


def test_which_visit_came_first_does_not_matter_for_where_it_changed():
    one, other = same_part(3, 1), same_part(3, 2, SPOT)
    forth, back = changed(other, one), changed(one, other)
    np.testing.assert_allclose(forth.p_value, back.p_value, rtol=1e-6, atol=1e-9)


def test_a_louder_recorder_is_no_change():
    one, other = same_part(4, 1), same_part(4, 2, SPOT)
    plain, loud = changed(other, one), changed(louder(other, 5.0), one)
    np.testing.assert_allclose(loud.score, plain.score, rtol=1e-6, atol=1e-9)


def test_another_part_is_pointed_out():
    """Differences of two parts scatter more widely than repeated taps explain."""
    assert changed(readings(5, taps=6), readings(6, taps=6)).is_wide
    assert not changed(same_part(5, 2), same_part(5, 1)).is_wide


def test_clear_is_never_what_was_not_read():
    hole = block(3, 5, 3, 6)
    own, beside = against(readings(7, unread=hole), twin(readings(8)))
    for found in (own, beside):
        assert not np.isin(found.status[hole], (CLEAR, SUSPECT)).any()
    assert np.isnan(changed(readings(7, unread=hole), readings(8)).score[hole]).all()


def test_a_copy_is_refused_and_has_not_changed():
    """Beside itself all of a part would be clear."""
    some = readings(9, RING)
    message = (
        "^zone BM: has the very same readings as the inspection old, to the last digit: a copy shows nothing"
    )
    with pytest.raises(TapscanError, match=message):
        against(some, twin(some), source="the inspection old")
    assert not (changed(some, some).score >= 1).any()
