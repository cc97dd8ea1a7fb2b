"""Two scans of one panel: what of it changed, whatever the probe, and what did not."""

import numpy as np
import pytest

from tapscan.screening.change.twins import matched
from tapscan.screening.echoes.change import echo_difference
from tests.screening.test_echo_twins import PLACE, SHAPE, ZONE, scan, taken_for_the_wall

EVERYWHERE = matched(ZONE, ZONE)
ELSEWHERE = np.ones(SHAPE, dtype=bool)
ELSEWHERE[PLACE] = False


def score(now, then) -> np.ndarray:
    return echo_difference(ZONE, now, then, EVERYWHERE, 0.01).score


def test_another_probe_and_another_gain_are_no_change():
    for seed in range(5):
        assert (score(scan(seed, level_db=-13.0), scan(seed + 50)) < 1).all()


@pytest.mark.parametrize("share", [0.4, 0.7, 1.0])
def test_what_came_and_what_went_are_changes(share):
    for now, then in ((scan(1, (share, 0.5)), scan(2)), (scan(2), scan(1, (share, 0.5)))):
        changed = score(now, then) >= 1
        assert changed[PLACE].all()
        assert not changed[ELSEWHERE].any()


def test_what_was_and_is_is_no_change():
    assert (score(scan(1, (0.9, 0.5)), scan(2, (0.9, 0.5))) < 1).all()


def test_an_echo_from_another_depth_is_a_change():
    changed = score(scan(1, (0.9, 0.3)), scan(2, (0.9, 0.7))) >= 1
    assert changed[PLACE].all()


def test_an_echo_taken_for_the_back_wall_is_a_change_both_ways():
    most = (slice(2, 18), slice(1, 15))
    loose = taken_for_the_wall(scan(1), most, 0.8)
    assert (score(loose, scan(2)) >= 1)[most].all()
    assert (score(scan(2), loose) >= 1)[most].all()


def test_the_words_say_what_counts():
    difference = echo_difference(ZONE, scan(1), scan(2), EVERYWHERE, 0.01)
    assert difference.words.startswith("320 points were scanned both times. ")
    assert difference.words.endswith("a change of 25% of the beam counts.")
