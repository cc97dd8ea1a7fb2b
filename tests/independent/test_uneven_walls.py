"""Uneven walls raise nothing, and what is delaminated in them is found: a few families at a small size."""

from dataclasses import replace

import pytest

from tests.independent.panels import Panel, scanned
from tests.independent.shell import Defect
from tests.independent.walls import by_plain_lines, by_tapscan, dropped, pressed, waves

HITS = (Defect(15, 12, 5.0, 0.6), Defect(44, 26, 4.0, 1.0))
FAMILIES = {
    "wave": Panel(waves(0.06, 40, 40)),
    "pressed": Panel(pressed(0.06, 9)),
    "two plies end": Panel(lambda x, s: dropped(2, 0.5)(x + 30, s + 20)),
    # Half a cycle between the two walls: their echoes cancel each other over the line.
    "one ply ends, half a cycle": Panel(
        lambda x, s: dropped(1, 0.2)(x + 30, s + 20), centre_mhz=3.5, beam_mm=4.0
    ),
    "20 dB": Panel(noise_db=-20),
}


def small(panel: Panel, *defects: Defect) -> Panel:
    """The panel at 60 by 40 points."""
    return replace(panel, stations=60, positions=40, defects=defects)


@pytest.mark.slow
@pytest.mark.parametrize("name", FAMILIES)
def test_an_uneven_wall_raises_nothing_and_what_is_in_it_is_found(name):
    sound = by_tapscan(scanned(small(FAMILIES[name]), 5))
    assert (sound.false_areas, sound.false_points) == (0, 0)
    damaged = by_tapscan(scanned(small(FAMILIES[name], *HITS), 5))
    assert (damaged.found, damaged.false_areas, damaged.false_points) == (2, 0, 0)


def test_the_plain_lines_are_a_floor_that_finds_what_is_easy():
    outcome = by_plain_lines(scanned(small(Panel(), *HITS), 5))
    assert (outcome.found, outcome.false_areas) == (2, 0)


@pytest.mark.slow
@pytest.mark.parametrize("plies", [1, 2, 3])
def test_a_delamination_right_across_the_end_of_plies_is_found(plies):
    wall = Panel(lambda x, s: dropped(plies, 0)(x + 30, s + 20))
    outcome = by_tapscan(scanned(small(wall, Defect(30, 20, 7.0, 0.6)), 5))
    assert (outcome.found, outcome.false_areas, outcome.false_points) == (1, 0, 0)
