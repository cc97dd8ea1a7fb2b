"""The judge, judged: made-up calls on made-up damage, where it is plain what is found and what is false."""

from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

from tests.independent.judge import damaged_third, draw_defects, judge, nearest_error, roc_area, wide_ratios
from tests.independent.shell import Defect
from tests.independent.taps import rim_distance_mm

X_MM, S_MM = np.meshgrid((np.arange(20) + 0.5) * 10, np.arange(12) * 10.0, indexing="ij")
GIRTH_MM = np.full(X_MM.shape, 120.0)
CROSSING = Defect(100, 118, 14, 0.5)  # is across the seam


def _judged(suspects: dict[str, list[tuple[int, int]]], defects: tuple[Defect, ...]) -> Any:
    status = np.full(X_MM.shape, "clear", dtype="<U7")
    indications = []
    for area_mm2, members in suspects.items():
        for station, position in members:
            status[station - 1, position - 1] = "suspect"
        points = tuple(f"BM-{station:02d}-{position:02d}" for station, position in members)
        area = float(area_mm2)
        indications.append(
            SimpleNamespace(points=points, area_mm2=area, area_low_mm2=area / 2, area_high_mm2=area * 2)
        )
    status[0, 0] = "unread"
    score = np.where(status == "suspect", 2.0, 0.5)
    screened = SimpleNamespace(
        status=status, score=score, p_value=np.full(X_MM.shape, 0.5), indications=indications, baseline=""
    )
    truth = SimpleNamespace(x_mm=X_MM, s_mm=S_MM, defects=defects)
    rims = np.array([rim_distance_mm(X_MM, S_MM, GIRTH_MM, (d,)) for d in defects]).reshape(-1, *X_MM.shape)
    return judge(screened, truth, "made up", half_cell_mm=5.0, rims=rims, seconds=0.0)


def test_an_indication_across_the_seam_finds_the_defect_there() -> None:
    verdict = _judged({"600": [(10, 12), (10, 1), (11, 1)]}, (CROSSING,))
    assert verdict.found == (True,)
    assert verdict.size_ratio[0] == pytest.approx(600 / (np.pi * 14**2))
    assert verdict.covered == (True,)
    assert (verdict.false_indications, verdict.false_calls) == (0, 0)
    assert verdict.inside_suspect == 3
    assert verdict.unread == 1


def test_defects_that_one_indication_joins_are_sized_together() -> None:
    neighbour = Defect(130, 118, 14, 0.5)
    members = [(10, 12), (11, 12), (12, 12), (13, 12)]
    verdict = _judged({"1300": members}, (CROSSING, neighbour, Defect(40, 60, 14, 0.5)))
    assert verdict.found == (True, True, False)
    assert verdict.size_ratio[:2] == pytest.approx((1300 / (2 * np.pi * 14**2),) * 2)
    assert verdict.covered == (True, True, None)


def test_only_defects_wider_than_three_beams_are_sized_apart_and_a_missed_one_is_kept() -> None:
    verdict = _judged(
        {"600": [(10, 12), (10, 1), (11, 1)]}, (CROSSING, Defect(40, 60, 13, 0.5), Defect(160, 60, 8, 0.5))
    )
    ratios = wide_ratios(verdict, beam_mm=6.0)
    assert ratios[0] == pytest.approx(600 / (np.pi * 14**2))
    assert np.isnan(ratios[1])
    assert len(ratios) == 2
    assert len(wide_ratios(verdict, beam_mm=10.0)) == 0


def test_a_depth_is_compared_with_the_nearest_interface_in_the_beam() -> None:
    depths = np.array([[0.8, 1.0], [0.8, np.nan], [np.nan, np.nan], [0.8, 1.0]])
    error = nearest_error(np.array([0.99, 0.99, 0.5, np.nan]), depths)
    np.testing.assert_allclose(error, [-0.01, 0.19, np.nan, np.nan], atol=1e-12)
    assert nearest_error(np.zeros(0), np.zeros((0, 2))).size == 0


def test_an_indication_elsewhere_finds_nothing_and_is_false() -> None:
    verdict = _judged({"100": [(3, 6), (3, 7)]}, (CROSSING,))
    assert verdict.found == (False,)
    assert np.isnan(verdict.size_ratio[0])
    assert (verdict.false_indications, verdict.false_calls) == (1, 2)
    assert verdict.area < 0.5


def test_the_edge_ring_neither_helps_nor_harms() -> None:
    # Position 3 is 8 mm beyond the rim: neither inside nor far.
    verdict = _judged({"100": [(10, 3)]}, (CROSSING,))
    assert verdict.found == (False,)
    assert (verdict.false_indications, verdict.false_calls, verdict.inside_suspect) == (0, 0, 0)


def test_on_a_sound_part_every_call_is_false() -> None:
    verdict = _judged({"100": [(5, 5)], "101": [(15, 5)]}, ())
    assert (verdict.false_indications, verdict.false_calls) == (2, 2)
    assert verdict.far_points == X_MM.size - 1
    assert np.isnan(verdict.area)


def test_roc_area_counts_pairs() -> None:
    assert roc_area(np.array([3.0, 1.0]), np.array([2.0, 0.0])) == 0.75
    assert roc_area(np.array([1.0]), np.array([1.0])) == 0.5


def test_drawn_defects_stay_apart_and_a_third_is_a_third() -> None:
    rng = np.random.default_rng(0)
    one, other = draw_defects(rng, 2, length_mm=400, girth_mm=120, radius_mm=(12, 30), depth_mm=(0.4, 0.8))
    around = (one.s_mm - other.s_mm + 60) % 120 - 60
    assert np.hypot(one.x_mm - other.x_mm, around) > one.radius_mm + other.radius_mm + 25
    third = damaged_third(rng, length_mm=400, girth_mm=120)
    assert sum(np.pi * d.radius_mm**2 for d in third) / (400 * 120) == pytest.approx(0.35, abs=0.06)
