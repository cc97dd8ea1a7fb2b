"""Marked points as few corner-to-corner blocks, as a person would write them into the plan."""

from typing import TYPE_CHECKING

import numpy as np

from tapscan.plan.points import Block
from tapscan.report.words import blocks_of

if TYPE_CHECKING:
    from numpy.typing import NDArray

__all__ = ["neat_blocks"]


def neat_blocks(mask: "NDArray[np.bool_]", *, is_closed: bool) -> list[Block]:
    """Cut marked points, shape (stations, positions), into few blocks; round a tube they may cross the seam.

    Examples
    --------
    >>> mask = np.zeros((6, 12), dtype=bool)
    >>> mask[:2, [10, 11, 0, 1]] = True
    >>> [str(block) for block in neat_blocks(mask, is_closed=True)]
    ['01-11:02-02']
    >>> [str(block) for block in neat_blocks(mask, is_closed=False)]
    ['01-01:02-02', '01-11:02-12']
    """
    blocks = blocks_of(mask)
    positions = mask.shape[1]
    if not is_closed or not (mask[:, 0] & mask[:, -1]).any():
        return blocks
    # Cut where the fewest runs are cut in two, instead of at the datum line.
    joined = (mask & np.roll(mask, 1, axis=1)).sum(axis=0)
    cut = int(np.argmin(joined))
    turned = [_turned(block, cut, positions) for block in blocks_of(np.roll(mask, -cut, axis=1))]
    turned.sort(key=lambda block: (block.first_station, block.first_position))
    return turned if len(turned) < len(blocks) else blocks


def _turned(block: Block, cut: int, positions: int) -> Block:
    if block.last_position - block.first_position + 1 == positions:
        return Block(block.first_station, 1, block.last_station, positions)
    first, last = (
        (position - 1 + cut) % positions + 1 for position in (block.first_position, block.last_position)
    )
    return Block(block.first_station, first, block.last_station, last)
