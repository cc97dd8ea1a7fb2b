import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tapscan.records.taking.grouping import group_by_count, group_by_pauses, misplaced_pauses


def strikes(counts, within_s=0.4, pause_s=1.6, jitter=0.2, seed=0):
    """Times of taps struck by hand: every gap off by up to the jitter."""
    rng = np.random.default_rng(seed)
    gaps = [
        (pause_s if tap == count - 1 else within_s) * rng.uniform(1 - jitter, 1 + jitter)
        for count in counts
        for tap in range(count)
    ]
    return 3.0 + np.concatenate([[0.0], np.cumsum(gaps)[:-1]])


def test_by_count():
    groups = group_by_count(4, 3)
    assert groups.first.tolist() == [0, 3, 6, 9]
    assert groups.count.tolist() == [3, 3, 3, 3]


@settings(max_examples=80, deadline=None)
@given(
    counts=st.lists(st.integers(2, 5), min_size=8, max_size=60),
    tempo=st.floats(0.3, 3.0),
    seed=st.integers(0, 1000),
)
def test_clear_pauses_part_the_points_whatever_the_tempo_and_the_counts(counts, tempo, seed):
    groups = group_by_pauses(tempo * strikes(counts, seed=seed))
    assert groups is not None
    assert groups.count.tolist() == counts
    assert groups.first.tolist() == [0, *np.cumsum(counts)[:-1]]


def test_a_long_break_is_one_more_pause_and_hides_none():
    times = strikes([3] * 20)
    times[30:] += 900
    assert group_by_pauses(times).count.tolist() == [3] * 20


@pytest.mark.parametrize("times", [[], [1.0], [1.0, 2.0], np.arange(60.0), strikes([3] * 20, 0.5, 0.5, 0.3)])
def test_even_tapping_shows_no_groups(times):
    assert group_by_pauses(np.asarray(times, dtype=float)) is None


def test_pauses_where_the_count_says_are_in_place():
    assert misplaced_pauses(strikes([3] * 40), 3).size == 0


def test_a_tap_too_few_and_one_too_many_elsewhere_are_seen_though_the_count_is_right():
    counts = [3] * 40
    counts[4], counts[36] = 2, 4  # most of the walk is shifted by one tap
    assert misplaced_pauses(strikes(counts), 3).tolist() == list(range(4, 36))
    counts = [3] * 40
    counts[4], counts[5] = 2, 4
    assert misplaced_pauses(strikes(counts), 3).tolist() == [4]


def test_a_moment_of_hesitation_within_a_point_is_forgiven():
    times = strikes([3] * 40)
    times[31:] += 3.0  # between the first and the second tap of the eleventh point
    assert misplaced_pauses(times, 3).size == 0


@pytest.mark.parametrize(
    ("times", "taps"), [(np.arange(30.0), 3), (np.arange(3.0), 3), (np.arange(9.0) ** 2, 1)]
)
def test_where_pauses_do_not_show_it_nothing_is_misplaced(times, taps):
    assert misplaced_pauses(times, taps).size == 0
