import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra.numpy import array_shapes, arrays

from tapscan.screening.neighbours import _count_beside, apart, clustering, in_patches, is_strewn

GRIDS = arrays(bool, array_shapes(min_dims=2, max_dims=2, min_side=1, max_side=9))
SAY = (apart, in_patches)


def patch(rows: slice, columns: slice, shape: tuple[int, int] = (8, 10)) -> np.ndarray:
    marked = np.zeros(shape, dtype=bool)
    marked[rows, columns] = True
    return marked


@given(GRIDS, st.integers(0, 9), st.booleans())
def test_a_turn_of_the_tube_turns_what_neighbours_say(marked, by, backwards):
    step = -1 if backwards else 1
    for say in SAY:
        turned = say(np.roll(marked, by, axis=1)[::step], closed=True)
        assert (turned == np.roll(say(marked, closed=True), by, axis=1)[::step]).all()


@given(GRIDS, st.booleans(), st.data())
def test_what_a_point_is_itself_does_not_count(marked, closed, data):
    at = tuple(data.draw(st.integers(0, side - 1)) for side in marked.shape)
    other = marked.copy()
    other[at] = ~other[at]
    for say in SAY:
        assert say(marked, closed=closed)[at] == say(other, closed=closed)[at]


def test_a_patch_across_the_seam_is_one_on_a_tube_and_two_on_a_panel():
    marked = patch(np.s_[3:5], np.s_[9:]) | patch(np.s_[3:5], np.s_[:1])
    assert (in_patches(marked, closed=True) == marked).all()
    assert not in_patches(marked, closed=False).any()


def test_a_hole_in_a_patch_belongs_to_it():
    marked = patch(np.s_[2:6], np.s_[2:6])
    marked[3, 3] = False
    assert in_patches(marked, closed=True)[3, 3]


@pytest.mark.parametrize("closed", [False, True])
@pytest.mark.parametrize(("positions", "beside"), [(1, 2), (2, 5)])
def test_on_narrow_grids_no_neighbour_counts_twice(closed, positions, beside):
    everything = np.ones((9, positions), dtype=bool)
    assert (_count_beside(everything, closed=closed)[1:-1] == beside).all()
    assert clustering(everything, everything, closed=closed) == 1.0


def test_on_a_tube_of_three_each_has_both_others_beside_it():
    everything = np.ones((9, 3), dtype=bool)
    assert (_count_beside(everything, closed=True)[1:-1] == 8).all()
    assert clustering(everything, everything, closed=True) == 1.0


@pytest.mark.parametrize("share", [0.1, 1 / 3])
@pytest.mark.parametrize("read", [1.0, 0.5])
def test_chance_strews_and_damage_does_not(share, read):
    rng = np.random.default_rng(1)
    among = rng.random((40, 12)) < read
    sown = [clustering(among & (rng.random((40, 12)) < share), among, closed=True) for _ in range(300)]
    assert abs(np.mean(sown) - 1) < 0.15
    among |= patch(np.s_[2:5], np.s_[1:5], (40, 12))
    assert not is_strewn(patch(np.s_[2:5], np.s_[1:5], (40, 12)), among, closed=True)


def test_stations_that_nobody_tapped_say_nothing_of_clustering():
    rng = np.random.default_rng(2)
    marked, among = rng.random((20, 12)) < 0.2, np.ones((20, 12), dtype=bool)
    unread = np.zeros_like(among)
    assert clustering(np.vstack([marked, unread]), np.vstack([among, unread]), closed=True) == (
        clustering(marked, among, closed=True)
    )


@pytest.mark.parametrize("count", [0, 1])
def test_one_point_or_none_is_strewn(count):
    marked = patch(np.s_[2 : 2 + count], np.s_[2:3])
    assert is_strewn(marked, np.ones_like(marked), closed=True)
    assert is_strewn(np.ones((1, count), dtype=bool), np.ones((1, count), dtype=bool), closed=False)
