from dataclasses import replace

import numpy as np
import pytest

from tapscan.report.maps.figures import drawing, png_bytes
from tapscan.report.pages.evidence import draw_evidence
from tapscan.report.pages.sentences import evidence_caption
from tapscan.screening.results import TwinEvidence
from tests.report.fabricated import LAMINATE, boom, panel, scanned


def drawn(screened, number=0):
    with drawing():
        return draw_evidence(screened, screened.indications[number])


def part(figure, gid):
    (found,) = figure.findobj(lambda artist: artist.get_gid() == gid)
    return found


def test_the_spectrum_is_over_what_is_expected_with_its_spread():
    screened = boom()
    figure = drawn(screened)
    evidence, at = screened.evidence, (13, 0)
    np.testing.assert_array_equal(part(figure, "reading").get_ydata(), evidence.spectrum_db[at])
    np.testing.assert_array_equal(part(figure, "expected").get_ydata(), evidence.expected_db[at])
    wide = part(figure, "spread 2").get_paths()[0].vertices[:, 1]
    assert wide.max() == pytest.approx((evidence.expected_db[at] + 2 * evidence.spread_db[at]).max())
    spreads = (evidence.spectrum_db[at] - evidence.expected_db[at]) / evidence.spread_db[at]
    np.testing.assert_allclose(part(figure, "away").get_ydata(), spreads)
    words = " ".join(text.get_text() for text in figure.legends[0].get_texts())
    assert "BM-14-01" in words
    assert "± 2 standard dev." in words


def test_where_a_twin_decided_it_is_the_twin_that_is_shown():
    screened = boom()
    own = screened.evidence
    decided = np.zeros(screened.zone.grid_shape, dtype=bool)
    decided[13, 0] = True
    twin = TwinEvidence(
        "the mirror-image zone XX", decided, own.expected_db - 5, own.expected_db - 3, own.spread_db / 2
    )
    beside = replace(screened, evidence=replace(own, twin=twin))
    figure, at = drawn(beside), (13, 0)
    np.testing.assert_array_equal(part(figure, "expected").get_ydata(), twin.expected_db[at])
    np.testing.assert_array_equal(part(figure, "twin").get_ydata(), twin.spectrum_db[at])
    spreads = (own.spectrum_db[at] - twin.expected_db[at]) / twin.spread_db[at]
    np.testing.assert_allclose(part(figure, "away").get_ydata(), spreads)
    words = " ".join(text.get_text() for text in figure.legends[0].get_texts())
    assert "expected from the twin" in words
    caption = evidence_caption(beside, beside.indications[0])
    assert (
        "Compared with the mirror-image zone XX: the expected spectrum is the one measured there" in caption
    )
    # The second indication's strongest point was decided by the zone itself.
    assert not drawn(beside, 1).findobj(lambda artist: artist.get_gid() == "twin")
    assert "Compared with" not in evidence_caption(beside, beside.indications[1])


def test_the_a_scan_marks_its_echoes_over_a_typical_trace():
    screened = scanned(panel())
    figure = drawn(screened)
    at = (7, 5)
    for name, when_us in (
        ("front surface", screened.evidence.front_us[at]),
        ("echo", screened.evidence.echo_us[at]),
        ("back wall", screened.evidence.backwall_us[at]),
    ):
        np.testing.assert_allclose(part(figure, f"mark {name}").get_xdata(), when_us)
    np.testing.assert_array_equal(part(figure, "reading").get_ydata(), screened.evidence.traces[at])
    np.testing.assert_array_equal(part(figure, "typical").get_ydata(), screened.evidence.typical_trace)


def test_the_b_scan_runs_through_the_same_point():
    screened = scanned(panel())
    figure = drawn(screened)
    section = np.ma.getdata(part(figure, "section").get_array())
    traces = np.abs(screened.evidence.traces[:, 5, :]).T
    start = next(k for k in range(traces.shape[0]) if np.array_equal(traces[k : k + len(section)], section))
    assert 0 <= start < 200  # a little before the front surface at 2 µs
    assert part(figure, "here").get_xdata()[0] == pytest.approx(37.5)


def test_depth_is_written_only_where_the_velocity_is_known():
    zone = panel()
    known = [child.get_xlabel() for axes in drawn(scanned(zone)).axes for child in axes.child_axes]
    assert "depth below the front surface, mm" in known
    silent = scanned(replace(zone, laminate=replace(LAMINATE, velocity_m_s=None)))
    assert not [child for axes in drawn(silent).axes for child in axes.child_axes]


def test_a_lost_back_wall_is_said_in_words():
    screened = scanned(panel())
    lost = replace(screened.evidence, backwall_us=np.full_like(screened.evidence.backwall_us, np.nan))
    figure = drawn(replace(screened, evidence=lost))
    assert "no back-wall echo found" in [text.get_text() for axes in figure.axes for text in axes.texts]


@pytest.mark.parametrize("name", ["front_us", "echo_us", "backwall_us", "typical_trace"])
def test_what_was_not_found_is_left_out(name):
    screened = scanned(panel())
    gone = np.full_like(getattr(screened.evidence, name), np.nan)
    assert png_bytes(drawn(replace(screened, evidence=replace(screened.evidence, **{name: gone}))))


def test_no_picture_without_a_reading():
    tap, scan = boom(), scanned(panel())
    nothing = replace(tap.evidence, spectrum_db=np.full_like(tap.evidence.spectrum_db, np.nan))
    assert drawn(replace(tap, evidence=nothing)) is None
    silence = replace(scan.evidence, traces=np.full_like(scan.evidence.traces, np.nan))
    assert drawn(replace(scan, evidence=silence)) is None


def test_a_band_without_a_spread_is_left_out():
    screened = boom()
    spread = screened.evidence.spread_db.copy()
    spread[..., 3], spread[..., 5] = 0.0, np.nan
    figure = drawn(replace(screened, evidence=replace(screened.evidence, spread_db=spread)))
    assert np.flatnonzero(np.isnan(part(figure, "away").get_ydata())).tolist() == [3, 5]
    assert png_bytes(figure)


def test_traces_of_whole_numbers_are_drawn_too():
    screened = scanned(panel(), unread=())
    traces = np.round(screened.evidence.traces * 1000).astype(np.int16)
    assert png_bytes(drawn(replace(screened, evidence=replace(screened.evidence, traces=traces))))
