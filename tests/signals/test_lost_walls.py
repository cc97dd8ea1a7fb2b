"""What is left of a back wall that no echo counted for is measured where it is due."""

import numpy as np
import pytest

from tapscan.signals import AScanSettings, measure_volume
from tapscan.signals.echoes.sampling import delayed

GRID, RATE_HZ, TOF_SAMPLES = (20, 12), 100e6, 120.0
PLACE = (slice(6, 10), slice(4, 8))


def panel(left: float, inside: float = 0.0, noise: float = 0.02) -> np.ndarray:
    """A wall whose echo is down to a share at `PLACE`, with an echo from inside there."""
    rng = np.random.default_rng(3)
    time_s = np.arange(90) / RATE_HZ - 0.4e-6
    pulse = np.exp(-0.5 * (time_s / 0.12e-6) ** 2) * np.cos(2 * np.pi * 5e6 * time_s)
    share, hit = np.ones(GRID), np.zeros(GRID)
    share[PLACE], hit[PLACE] = left, inside
    front = 100 + rng.uniform(-1, 1, GRID).ravel()
    traces = delayed(pulse, front, 400) - (0.8 * share.ravel())[:, None] * delayed(
        pulse, front + TOF_SAMPLES, 400
    )
    traces -= (0.8 * hit.ravel())[:, None] * delayed(pulse, front + 0.45 * TOF_SAMPLES, 400)
    return traces.reshape(*GRID, 400) + noise * rng.standard_normal((*GRID, 400))


def level_db(traces: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    found = measure_volume(traces, RATE_HZ, AScanSettings(TOF_SAMPLES / RATE_HZ))
    sound = np.nanmedian(found.backwall_db)
    return found.backwall_db[PLACE] - sound, found.tof_s[PLACE]


@pytest.mark.parametrize("inside", [0.0, 0.9])
def test_a_wall_below_what_counts_as_an_echo_has_a_level_and_no_time(inside):
    level, tof_s = level_db(panel(0.06, inside, noise=0.03))
    assert np.isnan(tof_s).mean() > 0.5
    assert np.nanmedian(level) == pytest.approx(20 * np.log10(0.06), abs=6)


def test_where_nothing_comes_back_only_noise_is_left():
    level, tof_s = level_db(panel(0.0, 1.0))
    assert np.isnan(tof_s).all()
    assert np.nanmax(level) < -20
