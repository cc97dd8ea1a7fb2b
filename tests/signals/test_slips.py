"""Front-surface echoes a cycle off are put right; delaminations are left alone."""

import numpy as np
import pytest

from tapscan.signals import AScanSettings, measure_volume
from tapscan.signals.pulses import delayed
from tapscan.signals.slips import slipped

GRID, SLACK, CYCLE = (20, 12), 5.0, 18.0
RATE_HZ, TOF_SAMPLES = 100e6, 271.0


def bent_surface():
    """A front surface that falls, turns and rises by several samples from point to point."""
    station, position = np.indices(GRID)
    return 100 + 4.0 * station + 0.3 * (position - 5.0) ** 2


@pytest.mark.parametrize("at", [(9, 4), (0, 6), (12, 0), (19, 5), (0, 11)])
@pytest.mark.parametrize("by", [-CYCLE, -0.85 * CYCLE, 0.9 * CYCLE, CYCLE])
def test_a_slip_is_told_on_a_bent_surface_and_at_the_grids_edge(at, by):
    true = bent_surface()
    front, late = true.copy(), np.random.default_rng(0).normal(0, 1, GRID)
    front[at] += by
    late[at] = -by
    rows, told = slipped(front, late, SLACK, CYCLE)
    assert rows.tolist() == [at[0] * GRID[1] + at[1]]
    assert told == pytest.approx([true[at]], abs=min(SLACK, CYCLE / 4))


def test_slips_side_by_side_are_told():
    true = bent_surface()
    front, late = true.copy(), np.zeros(GRID)
    front[6:8, 3:5] += CYCLE
    late[6:8, 3:5] = -CYCLE
    rows, told = slipped(front, late, SLACK, CYCLE)
    assert len(rows) == 4
    assert told == pytest.approx(true[6:8, 3:5].ravel(), abs=CYCLE / 4)


@pytest.mark.parametrize("roughness", [0.0, 3.0, 8.0, 15.0])
def test_on_a_rough_surface_an_echo_from_inside_stays_one(roughness):
    """Echoes a cycle above the back wall at every tenth point: by chance a front may lie off just so."""
    rng, taken, late = np.random.default_rng(3), 0, np.zeros(GRID)
    late.ravel()[::10] = -CYCLE
    for _ in range(40):
        taken += len(slipped(bent_surface() + rng.normal(0, roughness, GRID), late, SLACK, CYCLE)[0])
    assert taken <= 0.004 * 40 * np.count_nonzero(late)


def test_within_a_patch_nothing_beside_tells():
    front, late = bent_surface(), np.zeros(GRID)
    front[5:12, 2:9] += CYCLE
    late[5:12, 2:9] = -CYCLE
    rows, _ = slipped(front, late, SLACK, CYCLE)
    assert (7 * GRID[1] + 5) not in rows


def plied(later):
    """A sound panel at some of whose points plies, so many samples later, outdo the front surface's echo."""
    rng = np.random.default_rng(1)
    time_s = np.arange(90) / RATE_HZ - 0.4e-6
    pulse = np.exp(-0.5 * (time_s / 0.12e-6) ** 2) * np.cos(2 * np.pi * 5e6 * time_s + 0.4)
    front = (bent_surface() - 60 + rng.uniform(-1, 1, GRID)).ravel()
    weak = np.zeros(GRID, dtype=bool)
    weak[[4, 9, 14], [3, 8, 5]] = True
    own = np.where(weak.ravel(), 0.04, 0.2)[:, None]
    traces = own * delayed(pulse, front, 512) - 0.4 * delayed(pulse, front + TOF_SAMPLES, 512)
    traces += np.where(weak.ravel(), 0.2, 0.0)[:, None] * delayed(pulse, front + later, 512)
    return traces.reshape(*GRID, 512) + 0.001 * rng.standard_normal((*GRID, 512)), weak


@pytest.mark.parametrize("above_mm", [0.0, 0.1, 0.15, 0.2])
def test_what_lies_under_a_dent_in_water_is_no_slip(above_mm):
    """The front surface comes a cycle late there; the back wall, or damage above it, as much too early."""
    rng, dent_mm = np.random.default_rng(4), 0.15
    time_s = np.arange(90) / RATE_HZ - 0.4e-6
    pulse = np.exp(-0.5 * (time_s / 0.12e-6) ** 2) * np.cos(2 * np.pi * 5e6 * time_s)
    dented = np.zeros(GRID, dtype=bool)
    dented[8:11, 5:8] = True
    front = np.where(dented, 100 + 2 * dent_mm / 1.48 * 1e-6 * RATE_HZ, 100.0)
    tof = np.where(dented, TOF_SAMPLES - 2 * (dent_mm + above_mm) / 2.8 * 1e-6 * RATE_HZ, TOF_SAMPLES)
    traces = delayed(pulse, front.ravel(), 512) - 0.5 * delayed(pulse, (front + tof).ravel(), 512)
    traces = traces.reshape(*GRID, 512) + 0.002 * rng.standard_normal((*GRID, 512))
    features = measure_volume(traces, RATE_HZ, AScanSettings(TOF_SAMPLES / RATE_HZ))
    told = np.where(np.isfinite(features.tof_s), features.tof_s, features.echo_s) * RATE_HZ
    assert np.abs(told - tof).max() < 1
    assert features.front_amplitude == pytest.approx(features.front_amplitude[0, 0], rel=0.05)


def test_where_plies_outdo_the_front_surface_the_back_wall_is_still_told():
    traces, weak = plied(20.0)
    features = measure_volume(traces, RATE_HZ, AScanSettings(TOF_SAMPLES / RATE_HZ))
    assert np.abs(features.tof_s * RATE_HZ - TOF_SAMPLES)[weak].max() < CYCLE / 4
    assert np.abs(features.tof_s * RATE_HZ - TOF_SAMPLES)[~weak].max() < 0.1
    assert np.abs(features.backwall_db[weak] - np.median(features.backwall_db)).max() < 1
    assert not np.isfinite(features.echo_s).any()
