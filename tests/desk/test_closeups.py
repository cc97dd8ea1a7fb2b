from dataclasses import replace

import numpy as np
import pytest

from tapscan.desk.views.closeups import (
    nearest_clear,
    point_document,
    section_document,
    slice_document,
    typical_point,
)
from tapscan.errors import TapscanError
from tapscan.plan import Point
from tapscan.screening.results import CLEAR, TwinEvidence


@pytest.fixture(scope="module")
def boom(demo_desk):
    return demo_desk.bench.screened("BM", "tap")


@pytest.fixture(scope="module")
def pan(demo_desk):
    return demo_desk.bench.screened("SP", "ascan")


def test_a_point_is_reported_in_the_analysis_s_own_numbers(boom):
    shown = point_document(boom, Point("BM", 4, 1))
    at = (3, 0)
    assert shown["status"] == "suspect"
    assert shown["score"] == boom.score[at]
    assert shown["features"] == {name: values[at] for name, values in boom.features.items()}
    np.testing.assert_array_equal(shown["spectrum"]["reading_db"], boom.evidence.spectrum_db[at])
    np.testing.assert_array_equal(shown["spectrum"]["expected_db"], boom.evidence.expected_db[at])
    assert shown["indication"] == "BM-T1"


def test_where_a_twin_decided_the_twin_is_shown(boom):
    evidence, at = boom.evidence, (3, 0)
    decided = np.zeros(boom.zone.grid_shape, dtype=bool)
    decided[at] = True
    moved, spread_db = evidence.expected_db + 2.0, evidence.spread_db * 3
    twin = TwinEvidence("the mirror-image zone BR", decided, moved - 1.0, moved, spread_db)
    beside = replace(boom, evidence=replace(evidence, twin=twin))
    shown = point_document(beside, Point("BM", 4, 1))["spectrum"]
    np.testing.assert_array_equal(shown["expected_db"], moved[at])
    np.testing.assert_array_equal(shown["spread_db"], spread_db[at])
    assert shown["twin"]["source"] == "the mirror-image zone BR"
    own = point_document(beside, Point("BM", 4, 2))["spectrum"]
    np.testing.assert_array_equal(own["expected_db"], evidence.expected_db[3, 1])
    assert own["twin"] is None


def test_an_unread_point_has_a_reason_and_no_evidence(boom):
    unread = np.argwhere(boom.status == "unread")[0] + 1
    shown = point_document(boom, Point("BM", *map(int, unread)))
    assert shown["reason"]
    assert "spectrum" not in shown


def test_the_nearest_clear_point_may_be_across_the_seam(boom):
    near = nearest_clear(boom, Point("BM", 10, 12))
    assert boom.status[near.station - 1, near.position - 1] == CLEAR
    assert (near.station, near.position) in {(9, 12), (11, 12), (10, 1), (10, 11)}


def test_the_most_typical_point_is_clear_and_nearest_to_what_is_expected(boom):
    point = typical_point(boom)
    least = np.nanmin(np.where(boom.status == CLEAR, boom.score, np.nan))
    assert boom.score[point.station - 1, point.position - 1] == least


def test_the_a_scan_and_its_echoes_are_those_of_the_analysis(pan):
    shown = point_document(pan, Point("SP", 10, 8))["trace"]
    at = (9, 7)
    first = round(shown["first_us"] / shown["step_us"])
    np.testing.assert_array_equal(
        shown["reading"], pan.evidence.traces[at][first : first + len(shown["reading"])]
    )
    assert shown["echo_us"] == pan.evidence.echo_us[at]
    depth_mm = (shown["echo_us"] - shown["front_us"]) * shown["mm_per_us"]
    assert depth_mm == pytest.approx(pan.features["depth_mm"][at], rel=1e-9)


@pytest.mark.parametrize(("along", "traces"), [("station", 24), ("position", 16)])
def test_a_section_runs_through_the_point(pan, along, traces):
    shown = section_document(pan, Point("SP", 10, 8), along)
    assert (shown["traces"], shown["here"]) == (traces, 9 if along == "station" else 7)
    assert shown["levels"].shape[1] == traces
    assert shown["levels"].max() == 255
    assert shown["levels"].min() >= -1


def test_a_slice_shows_a_delamination_at_its_depth_and_not_above_it(pan):
    # SP-A1 is 1.0 mm deep; half way to it there is nothing yet.
    inside = 9 * 16 + 7
    at_depth, above = (slice_document(pan, depth)["steps"] for depth in (1.0, 0.5))
    assert at_depth[inside] > 18
    assert above[inside] < 8
    assert at_depth[0] < 8


def test_slices_need_scans(boom):
    with pytest.raises(TapscanError, match="zone BM: has no A-scans"):
        slice_document(boom, 0.5)
    with pytest.raises(TapscanError, match="BM-01-01: has no A-scan"):
        section_document(boom, Point("BM", 1, 1), "station")
    with pytest.raises(TapscanError, match="is not a point of zone BM"):
        point_document(boom, Point("BM", 17, 1))
