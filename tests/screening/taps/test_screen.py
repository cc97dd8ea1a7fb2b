"""Tapped zones screened: what is found, what is left alone, and what changes nothing."""

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.stats import binom

from tapscan.plan import Block, parse_point
from tapscan.screening.results import CLEAR, SKIPPED, SUSPECT, UNREAD
from tapscan.screening.taps.points import N_BANDS, TapTable
from tapscan.screening.taps.screen import screen_taps
from tapscan.synth import Defect, distance_mm, true_mask
from tests.screening import parts
from tests.screening.parts import analysed, tapped, write_exactly, write_tapped
from tests.screening.taps.made_up import POSITIONS, STATIONS, ZONE, block, louder, readings, turned

RATE = 0.01
# One across the seam, dull; one that rings.
DEFECTS = (
    Defect(x_mm=45, s_mm=118, radius_mm=16, depth_mm=0.5),
    Defect(x_mm=105, s_mm=55, radius_mm=15, depth_mm=0.7),
)


def most(good: np.ndarray, rate: float = RATE) -> int:
    """Calls of sound points that twice the requested rate exceeds one time in a thousand."""
    return int(binom.isf(1e-3, int(good.sum()), 2 * rate))


def grown(mask: np.ndarray, by: int) -> np.ndarray:
    """A block of a tube and what is within so many points of it."""
    for _ in range(by):
        wide = mask | np.roll(mask, 1, axis=1) | np.roll(mask, -1, axis=1)
        wide[1:] |= mask[:-1]
        wide[:-1] |= mask[1:]
        mask = wide
    return mask


# Found


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_every_delamination_is_found_and_at_most_one_that_is_none(tmp_path, seed):
    plan, zone, recordings = tapped(DEFECTS, seed=seed)
    (found,) = analysed(write_tapped(tmp_path / "part", plan, zone, recordings)).screened
    points = [
        {(p.station - 1, p.position - 1) for p in map(parse_point, one.points)} for one in found.indications
    ]
    for defect in DEFECTS:
        own = set(map(tuple, np.argwhere(true_mask(zone, [defect]))))
        assert any(own & each for each in points)
    near = np.min([distance_mm(zone, d) - d.radius_mm for d in DEFECTS], axis=0) < 10
    assert sum(not any(near[at] for at in each) for each in points) <= 1


@pytest.mark.slow
def test_sound_tubes_get_the_false_calls_asked_for_and_hardly_an_indication(tmp_path):
    """20 sound tubes through files and all: a factor of two, and what chance adds to that."""
    p_values, indications = [], []
    for seed in range(100, 120):
        plan, zone, recordings = tapped(seed=seed)
        (found,) = analysed(write_tapped(tmp_path / str(seed), plan, zone, recordings)).screened
        p_values.append(found.p_value)
        indications.append(len(found.indications))
    assert max(indications) <= 1
    assert sum(indications) <= 4
    points = np.array(p_values)
    assert np.isfinite(points).all()
    for rate in (0.05, 0.01):
        calls = int((points < rate).sum())
        assert binom.ppf(1e-3, points.size, rate / 2) <= calls <= binom.isf(1e-3, points.size, 2 * rate), (
            calls
        )


@pytest.mark.slow
@pytest.mark.parametrize(
    ("stations", "seed"), [(40, 102), (10, 104), (10, 161), (10, 255), (8, 5008), (8, 5021), (6, 5026)]
)
def test_sound_tubes_that_once_got_false_indications(tmp_path, stations, seed):
    """A mode whose crests change fast along the first; the others are short, with few readings."""
    plan, zone, recordings = tapped(seed=seed, stations=stations)
    (found,) = analysed(write_tapped(tmp_path / "part", plan, zone, recordings)).screened
    assert len(found.indications) <= 1
    assert (found.p_value < RATE).sum() <= binom.isf(1e-3, found.p_value.size, 2 * RATE)


@pytest.mark.slow
@pytest.mark.parametrize(
    ("x_mm", "s_mm", "depth_mm", "seed"),
    [(32.6, 106.7, 0.64, 6007), (54.1, 106.1, 0.71, 6017), (17.2, 27.6, 0.64, 6019)],
)
def test_damage_over_a_sixth_of_a_small_zone_is_called(tmp_path, x_mm, s_mm, depth_mm, seed):
    defect = Defect(x_mm, s_mm, 22.0, depth_mm)
    plan, zone, recordings = tapped((defect,), seed=seed, stations=8)
    (found,) = analysed(write_tapped(tmp_path / "part", plan, zone, recordings)).screened
    inside = true_mask(zone, (defect,))
    assert (found.status[inside] == SUSPECT).mean() > 0.8
    peak = parse_point(found.indications[0].peak_point)
    assert inside[peak.station - 1, peak.position - 1]


@pytest.mark.xfail(
    strict=True, reason="known: on one of three such parts no point is four times in five damaged"
)
def test_a_third_of_clustered_damage_is_called_in_part_and_the_rest_beyond_its_rims_is_clear():
    """Measured: 37 to 88 % of the damaged points over five parts, and every area among the indications.

    The first baseline takes its levels from damaged and sound readings alike, and the second builds on it.
    """
    bad = block(2, 8, 2, 7) | block(9, 15, 7, 12)
    called = []
    for seed in range(3):
        found = screen_taps(ZONE, readings(seed, bad), RATE, [])
        called.append((found.status[bad] == SUSPECT).mean())
        away = ~grown(bad, 2)
        assert (found.status[away] == SUSPECT).sum() <= most(away)
        assert 1 <= len(found.indications) <= 2
    assert min(called) > 0.3
    assert np.mean(called) > 0.5


def test_points_that_are_suspect_by_chance_are_called_and_listed_by_no_indication():
    """What is requested is a rate of calls; an indication has to be more likely damage than not."""
    calls = indications = points = 0
    for seed in range(6):
        found = screen_taps(ZONE, readings(seed), 0.05, [])
        calls += found.count(SUSPECT)
        points += found.status.size
        indications += len(found.indications)
    assert binom.ppf(1e-3, points, 0.025) <= calls <= binom.isf(1e-3, points, 0.1)
    assert indications == 0


def test_the_score_is_one_where_the_p_value_is_the_rate_or_damage_more_likely_than_not():
    some = readings(5, block(4, 7, 3, 6))
    found = screen_taps(ZONE, some, RATE, [])
    likely = found.features["damage_probability"] >= 0.5
    np.testing.assert_array_equal(found.score >= 1, (found.p_value <= RATE) | likely)
    np.testing.assert_array_equal(found.status == SUSPECT, found.score >= 1)
    stricter = screen_taps(ZONE, some, 0.001, [])
    np.testing.assert_allclose(stricter.p_value, found.p_value, rtol=1e-12)
    assert set(map(tuple, np.argwhere(stricter.status == SUSPECT))) <= set(
        map(tuple, np.argwhere(found.status == SUSPECT))
    )


# What changes nothing


@settings(deadline=None, max_examples=12)
@given(st.integers(1, POSITIONS - 1), st.integers(0, 2**16))
def test_a_turn_of_the_datum_turns_the_map(by, seed):
    some = readings(seed, block(5, 8, 10, 14), unread=block(10, 11, 2, 4))
    plain, there = (screen_taps(ZONE, each, RATE, []) for each in (some, turned(some, by)))
    # A point at the limit itself may be called by the last digit.
    at_limit = np.abs(plain.score - 1) < 1e-6
    assert ((there.status == np.roll(plain.status, by, axis=1)) | np.roll(at_limit, by, axis=1)).all()
    assert (there.reason == np.roll(plain.reason, by, axis=1)).all()
    np.testing.assert_allclose(there.score, np.roll(plain.score, by, axis=1), rtol=1e-5, atol=1e-6)
    if not at_limit.any():
        assert [len(i.points) for i in there.indications] == [len(i.points) for i in plain.indications]
        for name in ("area_mm2", "area_low_mm2", "area_high_mm2"):
            sizes = [[getattr(i, name) for i in found.indications] for found in (there, plain)]
            assert sizes[0] == pytest.approx(sizes[1], rel=1e-5)


def test_a_turn_of_the_datum_turns_the_map_from_files_too(tmp_path):
    plan, zone, recordings = tapped(DEFECTS, seed=2, stations=10)
    (plain,) = analysed(write_tapped(tmp_path / "a", plan, zone, recordings)).screened
    (there,) = analysed(write_tapped(tmp_path / "b", plan, zone, parts.turned(recordings, 5))).screened
    assert (there.status == np.roll(plain.status, 5, axis=1)).all()
    np.testing.assert_allclose(there.score, np.roll(plain.score, 5, axis=1), rtol=1e-5)
    for name, values in plain.features.items():
        np.testing.assert_allclose(
            there.features[name], np.roll(values, 5, axis=1), rtol=1e-6, atol=1e-6, err_msg=name
        )


def test_the_recorders_gain_moves_the_level_and_nothing_else(tmp_path):
    plan, zone, recordings = tapped(DEFECTS, seed=3, stations=10)
    plain, quiet = (
        analysed(write_exactly(tmp_path / name, plan, zone, parts.louder(recordings, gain))).screened[0]
        for name, gain in (("a", 1), ("b", 1 / 8))
    )
    assert (quiet.status == plain.status).all()
    np.testing.assert_allclose(quiet.score, plain.score, rtol=1e-4, atol=1e-6)
    for name, values in plain.features.items():
        moved = 20 * np.log10(1 / 8) if name == "level_db" else 0
        np.testing.assert_allclose(quiet.features[name], values + moved, rtol=1e-4, atol=1e-9, err_msg=name)
    assert [one.points for one in quiet.indications] == [one.points for one in plain.indications]


@pytest.mark.parametrize("gain", [0.25, 8.0])
def test_gain_changes_no_status(gain):
    some = readings(7, block(5, 8, 4, 7))
    plain, there = (screen_taps(ZONE, each, RATE, []) for each in (some, louder(some, gain)))
    assert (plain.status == there.status).all()
    np.testing.assert_allclose(there.score, plain.score, rtol=1e-6, atol=1e-9)


# Unread, skipped, marked


def test_unread_is_never_clear():
    hole = block(3, 6, 4, 6)
    found = screen_taps(ZONE, readings(8, unread=hole, why="silent"), RATE, [])
    assert (found.status[hole] == UNREAD).all()
    assert (found.reason[hole] == "silent").all()
    assert np.isnan(found.score[hole]).all()
    assert np.isnan(found.p_value[hole]).all()
    for values in found.features.values():
        assert np.isnan(values[hole]).all()
    assert not np.isin(found.status[~hole], (UNREAD, SKIPPED)).any()
    assert (found.reason[~hole] == "").all()


def test_a_station_without_any_reading_does_not_stop_the_rest():
    gone, bad = block(7, 8, 0, POSITIONS), block(11, 14, 2, 5)
    found = screen_taps(ZONE, readings(9, bad, unread=gone), RATE, [])
    assert (found.status[gone] == UNREAD).all()
    assert (found.status[bad] == SUSPECT).all()
    away = ~(gone | grown(bad, 2))
    assert (found.status[away] == SUSPECT).sum() <= most(away)


def test_skipped_points_are_neither_judged_nor_given_a_reason():
    zone = replace(ZONE, skip=(Block(2, 11, 3, 1),))  # across the seam
    skipped = np.zeros(ZONE.grid_shape, dtype=bool)
    skipped[1:3, [10, 11, 0]] = True
    found = screen_taps(zone, readings(10, unread=skipped, why=""), RATE, [])
    assert ((found.status == SKIPPED) == skipped).all()
    assert (found.reason[skipped] == "").all()


def test_too_few_readings_leave_every_point_unread_with_a_sentence():
    warnings: list[str] = []
    found = screen_taps(ZONE, readings(11, unread=~block(0, 1, 0, 11)), RATE, warnings)
    assert (found.status == UNREAD).all()
    assert (found.reason[0, :11] == "no baseline").all()
    assert (found.reason[1:] == "missing").all()
    assert warnings == ["zone BM: taps at 11 points only (tap more of the zone)"]
    assert found.baseline == (
        "No baseline: 11 readings are too few to know what sound laminate sounds like here."
    )
    assert all(np.isnan(values).all() for values in found.features.values())


def test_few_readings_are_enough_to_begin_with():
    found = screen_taps(ZONE, readings(11, unread=~block(0, 3, 0, 12)), RATE, [])
    assert np.isin(found.status[:3], (CLEAR, SUSPECT)).all()
    assert found.rests_on_few
    assert not screen_taps(ZONE, readings(11), RATE, []).rests_on_few


@pytest.mark.parametrize(
    ("where", "bad"),
    [
        (block(3, 4, 0, 12), block(3, 4, 5, 8)),
        (block(0, 16, 5, 6), block(8, 11, 5, 6)),
        (block(3, 5, 0, 12), block(3, 5, 5, 8)),
    ],
    ids=["one ring", "one line", "two rings"],
)
def test_one_ring_or_one_line_of_points_is_compared_with_itself(where, bad):
    """A position with a single reading has no level of its own: the reading would be its own baseline."""
    found = screen_taps(ZONE, readings(11, bad, unread=~where), RATE, [])
    assert np.isin(found.status[where], (CLEAR, SUSPECT)).all()
    probability = found.features["damage_probability"]
    assert probability[bad].min() > np.median(probability[where & ~bad])
    off = np.abs(found.evidence.spectrum_db - found.evidence.expected_db)
    assert off[bad].max() > 2


def test_recordings_that_are_all_alike_are_clear():
    some = readings(1)
    one = some.taps.strike[:1]
    alike = replace(
        some.taps,
        strike=np.repeat(one, some.taps.at.size, axis=0),
        ringing=np.repeat(some.taps.ringing[:1], some.taps.at.size, axis=0),
    )
    found = screen_taps(ZONE, replace(some, taps=alike), RATE, [])
    assert (found.status == CLEAR).all()


def test_one_recording_at_a_higher_rate_is_not_called_for_what_the_others_cannot_hear():
    some = readings(1)
    own = (some.taps.at == 50)[:, None] | (np.arange(N_BANDS) < 19)
    slower = TapTable(
        some.taps.at,
        *(np.where(own, v, np.nan) for v in (some.taps.strike, some.taps.ringing, some.taps.room)),
    )
    all_slow = TapTable(
        some.taps.at,
        *(
            np.where(np.arange(N_BANDS) < 19, v, np.nan)
            for v in (some.taps.strike, some.taps.ringing, some.taps.room)
        ),
    )
    mixed, plain = (screen_taps(ZONE, replace(some, taps=taps), RATE, []) for taps in (slower, all_slow))
    np.testing.assert_allclose(mixed.score, plain.score, rtol=1e-9)
    assert mixed.status.ravel()[50] == CLEAR
    for values in (mixed.evidence.spectrum_db, mixed.evidence.expected_db, mixed.evidence.spread_db):
        assert np.isfinite(values).all(axis=(0, 1)).tolist() == [True] * 19 + [False] * 3
        assert np.isnan(values[..., 19:]).all()


def test_marked_points_are_named_as_what_the_baseline_comes_from():
    blocks = (Block(7, 9, 8, 12), Block(3, 11, 4, 2))  # the second is across the seam
    found = screen_taps(replace(ZONE, reference=blocks), readings(12), RATE, [])
    assert found.is_reference.sum() == 8 + 8
    assert found.is_reference[2, [10, 11, 0, 1]].all()
    assert found.baseline.startswith(
        "The baseline comes from 16 points marked as reference and the rest of the zone: a level for each "
        "station and each position"
    )
    plain = screen_taps(ZONE, readings(12), RATE, []).baseline
    assert plain.startswith("The baseline comes from the zone itself: ")
    assert "Damage that covers more than half of a station's width can hide in it." in plain


def test_marked_points_decide_what_is_sound_where_damage_fills_most_of_a_ring():
    bad = block(6, 8, 0, 8)
    found = screen_taps(replace(ZONE, reference=(Block(7, 9, 8, 12),)), readings(12, bad), RATE, [])
    assert (found.status[bad] == SUSPECT).mean() > 0.8


def test_the_evidence_holds_what_was_measured_and_what_was_expected():
    where = block(5, 8, 4, 7)
    found = screen_taps(ZONE, readings(13, where), RATE, [])
    evidence = found.evidence
    shapes = {values.shape for values in (evidence.spectrum_db, evidence.expected_db, evidence.spread_db)}
    assert shapes == {(STATIONS, POSITIONS, N_BANDS)}
    off = np.abs(evidence.spectrum_db - evidence.expected_db)
    assert np.median(off[~where]) < 1.2
    assert off[where].max(axis=-1).min() > 3
    assert 0.5 < np.median(evidence.spread_db) < 2  # 1 dB of scatter was put in
