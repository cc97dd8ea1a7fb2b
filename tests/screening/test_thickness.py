"""Thickness as a result: its words, its tolerance, its own kind of indication."""

from dataclasses import replace

import numpy as np
import pytest

from tapscan.report.pages.sentences import map_caption
from tapscan.report.words import depth_text, kind_text
from tapscan.screening.echoes.screen import screen_ascans
from tapscan.screening.results import CLEAR, SUSPECT
from tests.screening.test_half_amplitude import GRID, PANEL, RATE, TOF_S, WALL, echoes, with_echoes

TOLERANT = replace(PANEL, laminate=replace(WALL, thickness_tolerance=0.1))


def thinned(share):
    some = echoes()
    tof_s = some.echoes.tof_s.copy()
    tof_s[4:8, 3:7] = (1 - share) * TOF_S
    return replace(with_echoes(some, tof_s=tof_s), frequency_hz=5e6)


def test_a_wall_thinner_than_the_tolerance_is_listed_as_thin_and_not_as_a_delamination():
    result = screen_ascans(TOLERANT, thinned(0.15), RATE, [])
    (one,) = result.indications
    assert one.kind == "thin"
    assert one.depth_mm == pytest.approx(0.85 * 1.6)
    assert result.count(SUSPECT) == 16
    assert result.score[5, 5] == pytest.approx(1.5)
    assert (kind_text(one), depth_text(one, TOLERANT)) == ("thin wall", "wall of 1.36 mm")


@pytest.mark.parametrize(("zone", "share"), [(TOLERANT, 0.08), (PANEL, 0.15)])
def test_within_the_tolerance_and_without_one_a_thin_wall_is_clear(zone, share):
    result = screen_ascans(zone, thinned(share), RATE, [])
    assert result.indications == ()
    assert (result.status == CLEAR).all()


def test_the_report_states_the_wall_its_steps_and_what_cannot_be_resolved():
    result = screen_ascans(PANEL, thinned(0.15), RATE, [])
    assert "Wall 1.36 to 1.60 mm at clear points." in result.baseline
    assert "It steps by 0.24 mm beside 16 points." in result.baseline
    # Half a cycle and 0.35 of one at 5 MHz, half the way there and back at 2,950 m/s.
    assert (
        "in the first 0.15 mm below the surface and the last 0.10 mm above the back wall" in result.baseline
    )


def test_the_maps_caption_states_what_cannot_be_resolved_where_no_point_is_clear_too():
    result = screen_ascans(PANEL, thinned(0.0), RATE, [])
    assert map_caption(result, "score").endswith(
        "No delamination can be resolved in the first 0.15 mm below the surface and the last 0.10 mm above "
        "the back wall, where echoes run into one at this frequency."
    )
    unread = replace(thinned(0.0), reason=np.full(GRID, "no echo"))
    assert "in the first 0.15 mm" in map_caption(screen_ascans(PANEL, unread, RATE, []), "score")
    without = replace(PANEL, laminate=replace(WALL, velocity_m_s=None))
    assert map_caption(screen_ascans(without, thinned(0.0), RATE, []), "score").endswith("in proportion.")


def test_without_a_velocity_nothing_is_said_of_the_wall():
    zone = replace(PANEL, laminate=replace(WALL, velocity_m_s=None))
    assert "Wall" not in screen_ascans(zone, thinned(0.0), RATE, []).baseline


def test_a_damaged_point_is_no_thin_wall():
    some = thinned(0.15)
    lost = some.echoes.backwall_db.copy()
    lost[4:8, 3:7] -= 20
    result = screen_ascans(TOLERANT, with_echoes(some, backwall_db=lost), RATE, [])
    assert [one.kind for one in result.indications] == ["delamination"]
    assert result.status.shape == GRID
