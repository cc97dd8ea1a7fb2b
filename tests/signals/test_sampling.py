import numpy as np
import pytest

from tapscan.signals import measure_volume
from tapscan.signals.echoes import measuring as ascans
from tapscan.signals.echoes.sampling import spread_evenly
from tests.signals.test_echoes import RATE_HZ, gaussian, record


@pytest.mark.parametrize("total", [0, 1, 7, 512, 513, 1200, 102_400, 1_000_000])
def test_rows_are_chosen_evenly_in_order_and_none_twice(total):
    rows = spread_evenly(total, 512)
    assert min(total, 400) <= len(rows) <= 512
    assert (np.diff(rows) > 0).all()
    assert total == 0 or (rows[0] >= 0 and rows[-1] < total)
    assert len(rows) == total or np.diff(rows).max() <= 3 * total / 512 + 1


@pytest.mark.parametrize("period", [2, 3, 12, 100, 128, 200])
def test_they_keep_in_step_with_no_pattern(period):
    share = np.bincount(spread_evenly(200 * 512, 512) % period, minlength=period) / 512
    assert share.max() < 1.5 / period + 0.01


def test_a_line_of_empty_traces_is_not_all_that_is_learned_from(monkeypatch):
    # Every 30th of 1,200 traces is one line of the zone, which here is beside the part.
    monkeypatch.setattr(ascans, "SAMPLE", 40)
    rng = np.random.default_rng(3)
    times = 100 + rng.uniform(-10, 10, (1200, 1)) + [0, 108.5]
    traces = record(gaussian(), times, [1.0, -0.5], 40, 4)
    traces[::30] = rng.normal(0, 0.01, (40, traces.shape[1]))
    found = measure_volume(traces.reshape(40, 30, -1), RATE_HZ)
    np.testing.assert_allclose(found.tof_s[:, 1:] * RATE_HZ, 108.5, atol=0.1)
    assert (found.fault[:, 0] == "no echo").all()
