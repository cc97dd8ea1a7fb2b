import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra.numpy import array_shapes, arrays

from tapscan.screening.neighbours import apart, clustering, in_patches, is_strewn

GRIDS = arrays(bool, array_shapes(min_dims=2, max_dims=2, min_side=3, max_side=9))
SAY = (apart, in_patches)


def patch(rows: slice, columns: slice) -> np.ndarray:
    marked = np.zeros((8, 10), dtype=bool)
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


@given(GRIDS, st.booleans())
def test_no_point_is_both_apart_and_in_a_patch(marked, closed):
    assert not (apart(marked, closed=closed) & in_patches(marked, closed=closed)).any()


def test_a_patch_across_the_seam_is_one_on_a_tube_and_two_on_a_panel():
    marked = patch(np.s_[3:5], np.s_[9:]) | patch(np.s_[3:5], np.s_[:1])
    assert (in_patches(marked, closed=True) == marked).all()
    assert not in_patches(marked, closed=False).any()


def test_a_hole_in_a_patch_belongs_to_it():
    marked = patch(np.s_[2:6], np.s_[2:6])
    marked[3, 3] = False
    assert in_patches(marked, closed=True)[3, 3]


@pytest.mark.parametrize("shape", [(1, 12), (12, 1), (1, 1)])
def test_grids_of_one_row_or_column_have_neighbours_too(shape):
    assert apart(np.zeros(shape, dtype=bool), closed=False).all()
    assert not in_patches(np.ones(shape, dtype=bool), closed=False).any()


@pytest.mark.parametrize("share", [0.1, 1 / 3])
def test_chance_strews_and_damage_does_not(share):
    rng = np.random.default_rng(1)
    sown = [clustering(rng.random((40, 12)) < share, closed=True) for _ in range(200)]
    assert abs(np.mean(sown) - 1) < 0.02
    assert is_strewn(rng.random((40, 12)) < share, closed=True)
    assert not is_strewn(patch(np.s_[2:5], np.s_[1:5]), closed=True)


def test_one_point_or_none_is_strewn():
    assert is_strewn(patch(np.s_[2:3], np.s_[2:3]), closed=True)
    assert is_strewn(patch(np.s_[0:0], np.s_[0:0]), closed=True)
