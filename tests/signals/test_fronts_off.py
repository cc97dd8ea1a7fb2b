"""Front-surface echoes that were taken too early or too late are put right; delaminations are left alone."""

import numpy as np
import pytest

from tapscan.signals import AScanSettings, measure_volume
from tapscan.signals.echoes.sampling import delayed

GRID, CYCLE = (20, 12), 18.0
RATE_HZ, TOF_SAMPLES = 100e6, 271.0


def bent_surface():
    """A front surface that falls, turns and rises by several samples from point to point."""
    station, position = np.indices(GRID)
    return 100 + 4.0 * station + 0.3 * (position - 5.0) ** 2


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
def test_what_is_under_a_dent_in_water_is_no_slip(above_mm):
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
    measured = np.where(np.isfinite(features.tof_s), features.tof_s, features.echo_s) * RATE_HZ
    assert np.abs(measured - tof).max() < 1
    assert features.front_amplitude == pytest.approx(features.front_amplitude[0, 0], rel=0.05)


def test_where_plies_outdo_the_front_surface_the_back_wall_is_still_found():
    traces, weak = plied(20.0)
    features = measure_volume(traces, RATE_HZ, AScanSettings(TOF_SAMPLES / RATE_HZ))
    assert np.abs(features.tof_s * RATE_HZ - TOF_SAMPLES)[weak].max() < CYCLE / 4
    assert np.abs(features.tof_s * RATE_HZ - TOF_SAMPLES)[~weak].max() < 0.1
    assert np.abs(features.backwall_db[weak] - np.median(features.backwall_db)).max() < 1
    assert not np.isfinite(features.echo_s).any()


def test_a_back_wall_whose_front_surface_is_lost_in_noise_is_not_read_as_a_front_surface():
    """Nothing follows it; a delamination as deep, whose front surface shows, is measured all the same."""
    rng = np.random.default_rng(3)
    time_s = np.arange(90) / RATE_HZ - 0.4e-6
    pulse = np.exp(-0.5 * (time_s / 0.12e-6) ** 2) * np.cos(2 * np.pi * 5e6 * time_s)
    lost, damaged = np.zeros((2, *GRID), dtype=bool)
    lost[[4, 9, 14], [3, 8, 5]], damaged[16:18, 7:10] = True, True
    front = (bent_surface() - 60).ravel()
    tof = np.where(damaged.ravel(), 0.75 * TOF_SAMPLES, TOF_SAMPLES)
    traces = np.where(lost.ravel(), 0.0, 0.2)[:, None] * delayed(pulse, front, 512)
    traces -= 0.8 * delayed(pulse, front + tof, 512)
    traces = traces.reshape(*GRID, 512) + 0.01 * rng.standard_normal((*GRID, 512))
    features = measure_volume(traces, RATE_HZ, AScanSettings(TOF_SAMPLES / RATE_HZ))
    assert (features.fault == np.where(lost, "no echo", "")).all()
    assert np.isfinite(features.tof_s[~lost & ~damaged]).all()
    assert np.abs(features.echo_s[damaged] * RATE_HZ - 0.75 * TOF_SAMPLES).max() < 1
