import numpy as np
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra.numpy import array_shapes, arrays

from tapscan.desk.plan.blocks import neat_blocks
from tapscan.plan import block_mask, parse_block
from tests.report.fabricated import panel, tube

MASKS = arrays(bool, array_shapes(min_dims=2, max_dims=2, max_side=9))


@given(MASKS, st.booleans())
def test_blocks_hold_the_marked_points_and_no_other_each_once(mask, is_closed):
    shape = {"stations": mask.shape[0], "positions": mask.shape[1]}
    zone = tube(**shape) if is_closed else panel(**shape)
    blocks = neat_blocks(mask, is_closed=is_closed)
    assert all(parse_block(str(block)) == block for block in blocks)
    counted = sum((block_mask(zone, [block]).astype(int) for block in blocks), np.zeros(mask.shape, int))
    np.testing.assert_array_equal(counted, mask.astype(int))


@given(MASKS)
def test_a_tube_never_needs_more_blocks_than_a_panel(mask):
    assert len(neat_blocks(mask, is_closed=True)) <= len(neat_blocks(mask, is_closed=False))


def test_a_ring_is_written_from_position_1():
    mask = np.ones((2, 12), dtype=bool)
    assert [str(block) for block in neat_blocks(mask, is_closed=True)] == ["01-01:02-12"]


def test_a_block_across_the_seam_stays_one():
    mask = block_mask(tube(), [parse_block("03-11:06-02"), parse_block("08-05")])
    assert [str(block) for block in neat_blocks(mask, is_closed=True)] == ["03-11:06-02", "08-05"]
