"""The arena: nuisances as promised, truth as drawn, floor and ceiling honest, the table's sums right."""

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from numpy.typing import NDArray

from tests.independent.arena.ceiling import ceiling_scores
from tests.independent.arena.families import (
    CHOSEN_ON,
    FAMILIES,
    KEPT_BACK,
    KEPT_BACK_KINDS,
    draw_case,
    make_parts,
)
from tests.independent.arena.floor import Shapes, averaged, floor_of, naive_p, tap_starts
from tests.independent.arena.judging import Calls, PartVerdict, judge_part, row_of
from tests.independent.arena.nuisances import BAND_HZ, Manner, Taps, draw_taps, messy, recordings
from tests.independent.arena.parts import Truth, draw_damages, load_truth, part_folder
from tests.independent.arena.table import reliability
from tests.independent.judge import roc_area
from tests.independent.loose import Wall
from tests.independent.ringing import RINGING_KINDS, Ringing
from tests.independent.strikes import LEAD_S, RATE_HZ, TAP_S, Array, Damage, Strikes
from tests.independent.surfaces import Surface, rim_mm, visible_area_mm2

SMALL = Surface(stations=8, positions=6, girth_mm=(60.0, 60.0))
STILL = Manner(click_share=0.0, level_db=0.0, tilt_db_octave=0.0, mic_spread=0.0, room_db=-200.0)


class Bell:
    """A part that rings alike wherever it is struck."""

    def sounds(self, strikes: Strikes) -> NDArray[np.float32]:
        time = np.arange(round(TAP_S * RATE_HZ)) / RATE_HZ - LEAD_S
        ring = np.where(time >= 0, np.exp(-time / 0.01) * np.sin(2 * np.pi * 3000 * time), 0.0)
        return np.outer(strikes.speed_m_s, ring).astype(np.float32)


def struck(manner: Manner, seed: int = 0, surface: Surface = SMALL) -> Taps:
    x_mm, s_mm = surface.points_mm()
    return draw_taps(manner, x_mm, s_mm, np.ones(x_mm.shape), np.random.default_rng(seed))


def recorded(manner: Manner) -> list[Array]:
    made = recordings(Bell(), struck(manner), manner, np.random.default_rng(1))
    return [one.samples / 2**15 for one in made]


def band_power(signals: list[Array], low: float, high: float) -> float:
    power = []
    for signal in signals:
        frequency = np.fft.rfftfreq(signal.size, 1 / RATE_HZ)
        spectrum = 2 * np.abs(np.fft.rfft(signal)) ** 2 / signal.size**2
        power.append(spectrum[(frequency >= low) & (frequency <= high)].sum())
    return float(np.mean(power))


@pytest.mark.parametrize("snr_db", [20.0, 30.0])
@pytest.mark.parametrize("slope", [-6.0, 0.0])
def test_noise_is_as_far_below_a_tap_as_promised_and_rumble_comes_on_top(snr_db: float, slope: float) -> None:
    manner = replace(STILL, snr_db=snr_db, noise_slope_db_octave=slope, rumble_db=10.0)
    signals = recorded(manner)
    quiet = [s[-1400:] for s in signals]  # after the last tap
    silent = recorded(replace(manner, snr_db=100.0))
    first = [int(np.argmax(np.abs(s) > 0.05)) for s in silent]
    loud = [s[k : k + round(0.02 * RATE_HZ)] for k, s in zip(first, signals, strict=True)]
    found = 10 * np.log10(band_power(loud, *BAND_HZ) / band_power(quiet, *BAND_HZ))
    assert found == pytest.approx(snr_db, abs=1.0)
    # In so short a piece some of the rumble shows above its edge.
    assert 10 * np.log10(band_power(quiet, 20, 300) / band_power(quiet, *BAND_HZ)) == pytest.approx(
        10, abs=2.5
    )


def test_hands_stay_within_what_was_drawn() -> None:
    manner = replace(STILL, misplaced_mm=3.0, taps=(1, 5), level_db=6.0, mass_drift=0.1)
    taps = struck(manner)
    x_mm, s_mm = (a.ravel()[taps.point] for a in SMALL.points_mm())
    off = np.abs(np.stack([taps.strikes.x_mm - x_mm, taps.strikes.s_mm - s_mm]))
    assert 2.5 < off.max() <= 3.0
    counts = np.bincount(taps.point)
    assert (counts.min(), counts.max(), counts.size) == (1, 5, 48)
    level = 20 * np.log10(taps.strikes.speed_m_s / manner.speed_m_s)
    assert 5 < np.abs(level).max() <= 6
    assert taps.strikes.mass_kg[-1] / taps.strikes.mass_kg[0] == pytest.approx(1.09, abs=0.005)


def test_a_second_person_goes_on_from_some_station() -> None:
    manner = replace(STILL, second_from=0.5, second_mass=1.3, second_tilt_db_octave=2.0)
    taps = struck(manner)
    second = taps.point >= 4 * 6
    assert np.unique(taps.strikes.mass_kg[~second]) == pytest.approx([manner.mass_kg])
    assert np.unique(taps.strikes.mass_kg[second]) == pytest.approx([1.3 * manner.mass_kg])
    assert np.unique(taps.tilt_db_octave[second]) == pytest.approx([2.0])


def test_a_bench_reflection_is_a_comb_that_differs_from_point_to_point() -> None:
    manner = replace(STILL, snr_db=80.0, rumble_db=-40.0, bench_share=0.5, mic_spread=0.1, misplaced_mm=0.0)
    peaks = [np.abs(s).max() for s in recorded(manner)]
    assert np.std(20 * np.log10(peaks)) > 0.5
    alike = [np.abs(s).max() for s in recorded(replace(manner, bench_share=0.0, mic_spread=0.0))]
    assert np.std(20 * np.log10(alike)) < 0.01


def test_one_recording_in_twenty_has_a_click() -> None:
    quiet = recorded(replace(STILL, snr_db=80.0, rumble_db=-40.0))
    clicked = recorded(replace(STILL, snr_db=80.0, rumble_db=-40.0, click_share=1.0))
    assert all(len(tap_starts(s, RATE_HZ)) == 3 for s in quiet)
    assert sum(np.abs(s).sum() for s in clicked) > sum(np.abs(s).sum() for s in quiet)
    assert Manner().click_share == messy(np.random.default_rng(0)).click_share == 0.05


def test_distance_to_a_rim_and_visible_area() -> None:
    surface = Surface(girth_mm=(120.0, 120.0))
    disc = Damage(100.0, 2.0, (10.0, 10.0), 0.5)
    x_mm, s_mm = np.array([100.0, 100.0, 125.0]), np.array([2.0, 115.0, 2.0])
    assert rim_mm(surface, disc, x_mm, s_mm) == pytest.approx([-10, -3, 15], abs=0.01)
    tilted = replace(disc, radii_mm=(20.0, 5.0), angle_rad=np.pi / 2)
    # (20 c - 15)² + 25 (1 - c²) is least at c = 0.8: √10, beside the tip.
    assert rim_mm(surface, tilted, np.array([100.0]), np.array([17.0]))[0] == pytest.approx(
        -(10**0.5), abs=0.01
    )
    assert visible_area_mm2(surface, disc) == pytest.approx(np.pi * 100, rel=0.01)
    assert visible_area_mm2(surface, replace(disc, x_mm=0.0)) == pytest.approx(np.pi * 50, rel=0.01)
    band = replace(disc, radii_mm=(10.0, 900.0))
    assert visible_area_mm2(surface, band) == pytest.approx(20 * 120, rel=0.01)


def test_damages_keep_apart_and_on_the_part() -> None:
    panel = Surface(30, 20, girth_mm=None)
    drawn = draw_damages(
        np.random.default_rng(3), panel, 5, radius_mm=(12, 18), depth_mm=(0.4, 0.8), longest=2.0, gap_mm=10
    )
    assert len(drawn) >= 3
    assert all(visible_area_mm2(panel, d) == pytest.approx(d.area_mm2, rel=0.02) for d in drawn)
    for one in drawn:
        others = [d for d in drawn if d is not one]
        centre = np.array([one.x_mm]), np.array([one.s_mm])
        assert all(rim_mm(panel, d, *centre)[0] > 10 for d in others)


@pytest.mark.parametrize("kind", RINGING_KINDS)
def test_a_ringing_wall_changes_over_damage_and_nowhere_else(kind: str) -> None:
    wall, surface = Wall(), Surface()
    damage = Damage(200.0, 60.0, (20.0, 20.0), 0.6, kind)
    ones = np.ones(3)
    strikes = Strikes(np.array([200.0, 206.0, 90.0]), 60 * ones, 0.35 * ones, 4e-3 * ones, 6e8 * ones)
    sound = Ringing(surface, wall, (), 1).sounds(strikes)
    damaged = Ringing(surface, wall, (damage,), 1).sounds(strikes)
    change = np.sqrt(((damaged - sound) ** 2).sum(axis=1) / (sound**2).sum(axis=1))
    assert change[:2].min() > 0.3
    # Friction takes from every mode, wherever it is struck; nothing else is heard so far away.
    assert change[2] < (0.2 if kind in ("sliding", "crushed") else 1e-6)


def shaken(seed: int, strength: float) -> tuple[Shapes, NDArray[np.bool_]]:
    """Shapes that vary by station and position, and an area where they are not alike."""
    rng = np.random.default_rng(seed)
    shape = rng.standard_normal((24, 12, 20))
    shape += 5 * rng.standard_normal((24, 1, 20)) + 5 * rng.standard_normal((1, 12, 20))
    damaged = np.zeros((24, 12), dtype=bool)
    damaged[10:13, 4:7] = True
    shape[damaged] += strength * rng.standard_normal(20)
    return Shapes(shape, np.zeros((24, 12))), damaged


def test_the_floor_finds_what_is_unlike_its_surroundings() -> None:
    shapes, damaged = shaken(0, 1.0)
    floor = floor_of(shapes, is_tube=True)
    assert roc_area(floor.score[damaged], floor.score[~damaged]) > 0.95
    assert roc_area(floor.score[damaged], floor.score[~damaged]) > roc_area(
        floor.log_distance[damaged], floor.log_distance[~damaged]
    )
    shapes.shape_db[0, 0] = np.nan
    assert np.isnan(floor_of(shapes, is_tube=True).score).sum() == 1


def test_neighbours_weigh_a_half_and_a_quarter_also_across_the_seam() -> None:
    one = np.zeros((5, 6))
    one[2, 0] = 4.0
    spread = averaged(one, is_tube=True) * 4
    assert spread[1:4, [5, 0, 1]] == pytest.approx(np.array([[1, 2, 1], [2, 4, 2], [1, 2, 1]]) * 1.0 * 4 / 4)
    assert averaged(one, is_tube=False)[2, 5] == 0
    one[0, 0] = np.nan
    assert np.isnan(averaged(one, is_tube=True)).sum() == 1


def test_the_naive_null_is_exact_where_a_gamma_law_is() -> None:
    p = naive_p(np.random.default_rng(0).gamma(40.0, 0.07, 100_000))
    for asked in (0.01, 0.05, 0.5):
        assert (p < asked).mean() == pytest.approx(asked, rel=0.1)


def test_the_ceiling_never_meets_the_part_that_it_judges() -> None:
    rng = np.random.default_rng(0)
    inputs = [rng.standard_normal((20, 10, 6)) for _ in range(3)]
    rims = [np.where(rng.uniform(size=(20, 10)) < 0.2, -1.0, 50.0) for _ in range(3)]
    blind = ceiling_scores(inputs, rims, 10.0, [True] * 3)
    areas = [roc_area(s[r < 0], s[r > 0]) for s, r in zip(blind, rims, strict=True)]
    assert np.mean(areas) == pytest.approx(0.5, abs=0.1)
    for values, rim in zip(inputs, rims, strict=True):
        values[rim < 0, 2] += 3.0
    taught = ceiling_scores(inputs, rims, 10.0, [True] * 3)
    assert np.mean([roc_area(s[r < 0], s[r > 0]) for s, r in zip(taught, rims, strict=True)]) > 0.8


def test_what_is_kept_back_is_in_no_family_that_is_chosen_on() -> None:
    assert not set(CHOSEN_ON) & set(KEPT_BACK)
    assert len(FAMILIES) >= 16
    assert len({mix.generator for mix in FAMILIES.values()}) >= 4
    generators = {mix.generator for mix in CHOSEN_ON.values()}
    assert {mix.generator for mix in KEPT_BACK.values()} - generators == {"modes"}
    kinds = {kind for mix in CHOSEN_ON.values() for kind in mix.kinds}
    assert not kinds & set(KEPT_BACK_KINDS)
    assert set(KEPT_BACK_KINDS) <= {kind for mix in KEPT_BACK.values() for kind in mix.kinds}
    for name, mix in CHOSEN_ON.items():
        for number in range(3):
            case = draw_case(mix, np.random.default_rng([number, *name.encode()]))
            assert not {d.kind for d in case.damages} & set(KEPT_BACK_KINDS)


@pytest.mark.parametrize("name", list(FAMILIES))
def test_every_family_draws_the_same_part_for_the_same_number(name: str) -> None:
    one, same, other = (
        draw_case(FAMILIES[name], np.random.default_rng([number, *name.encode()])) for number in (0, 0, 1)
    )
    assert (one.damages, one.manner) == (same.damages, same.manner)
    np.testing.assert_array_equal(one.surface.points_mm(), same.surface.points_mm())
    assert one.manner != other.manner


def test_false_calls_have_exact_intervals() -> None:
    # Clopper & Pearson 1934: none of ten is at most 0.3085 (any table of exact limits, from memory).
    none = Calls(0.05, 0, 10)
    assert none.ratio == 0
    assert none.interval == pytest.approx((0, 0.3085 / 0.05), rel=1e-3)
    assert Calls(0.01, 3, 100).ratio == pytest.approx(3.0)


def verdict(score: Array, nearest: Array, **changes: object) -> PartVerdict:
    truth = Truth(
        nearest[None], np.array([300.0]), ("open",), np.array([0.5]), nearest * 0, nearest * 0, 10.0, True
    )
    base = PartVerdict(
        truth=truth,
        score=score,
        p_value=np.where(np.isnan(score), np.nan, 0.5),
        is_unread=np.isnan(score),
        probability=None,
        found=(True,),
        size_ratio=(1.5,),
        covered=(False,),
        false_indications=2,
        seconds=1.0,
        floor_score=None,
        inputs=None,
    )
    return replace(base, **changes)  # type: ignore[arg-type]


def test_a_row_sums_up_its_parts_and_an_unread_point_is_the_least_suspect() -> None:
    nearest = np.array([[-5.0, -5.0, 5.0, 20.0, 20.0, 20.0, 20.0]])
    # One of two damaged points is unread; the other is above all sound ones; the near one does not count.
    score = np.array([[9.0, np.nan, 99.0, 1.0, 2.0, 3.0, 4.0]])
    p_value = np.array([[0.0, np.nan, 0.0, 0.5, 0.04, 0.5, 0.5]])
    row = row_of("clean", [verdict(score, nearest, p_value=p_value), verdict(score, nearest, found=(False,))])
    assert (row.tapscan.area, row.tapscan.area_read) == (0.5, 1.0)
    assert (row.found, row.damages, row.false_indications) == (1, 2, 4)
    assert (row.damaged_points, row.damaged_unread) == (4, 2)
    assert [(c.called, c.points) for c in row.false_calls] == [(0, 8), (0, 8), (1, 8)]
    assert row.size_ratio == (1.5, 1.5, 1.5)
    assert (row.covered, row.sized) == (0, 2)
    assert np.isnan(row.floor.area)
    assert not row.is_kept_back


def test_probabilities_are_counted_in_bins() -> None:
    bins = reliability(np.array([0.0, 0.02, 0.6, 0.65, 1.0]), np.array([False, False, True, False, True]))
    assert [(b[2], b[4]) for b in bins] == [(1, 0.0), (1, 0.0), (2, 0.5), (1, 1.0)]
    assert bins[2][3] == pytest.approx(0.625)


def test_a_part_is_made_once_read_back_and_judged(tmp_path: Path) -> None:
    (folder,) = make_parts(tmp_path, ["short"], 1)
    assert folder == part_folder(tmp_path, "short", 0)
    before = {f.name: f.stat().st_mtime_ns for f in folder.rglob("*")}
    assert list(make_parts(tmp_path, ["short"], 1)) == [folder]
    assert {f.name: f.stat().st_mtime_ns for f in folder.rglob("*")} == before
    truth = load_truth(folder)
    assert truth.rim_mm.shape == (1, 14, 12)
    found = judge_part(folder)
    row = row_of("short", [found])
    assert row.damages == 1
    assert row.damaged_points == (truth.nearest_mm < 0).sum() > 0
    assert row.floor.area > 0.9
    assert found.score.shape == (14, 12)
