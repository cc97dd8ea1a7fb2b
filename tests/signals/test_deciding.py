"""Which way up the back wall is, told by all traces that show one."""

import numpy as np
import pytest

from tapscan.signals import deciding

GRID, CYCLE, DUE = (20, 12), 20.0, 200.0


@pytest.mark.parametrize("silent", [0, 1, 40])
def test_traces_without_an_echo_do_not_silence_the_others(silent):
    """A quarter of the stations were taken half a cycle late and upside down, as loss makes them look."""
    late = np.arange(GRID[0] * GRID[1]) < 60
    times, heights = np.where(late, DUE + CYCLE / 2, DUE), np.where(late, 0.9, -1.0)
    times[100 : 100 + silent] = heights[100 : 100 + silent] = np.nan
    assert (deciding._half_a_cycle_off(times, heights, GRID, CYCLE) == late).all()
    expected, _ = deciding._expected(times, heights, GRID, DUE, CYCLE)
    assert expected == pytest.approx(np.full(late.size, DUE), abs=0.5)
