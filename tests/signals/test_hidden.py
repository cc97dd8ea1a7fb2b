"""Shallow delaminations beneath a delay line near the laminate's impedance."""

import numpy as np
import pytest

from tapscan.signals import AScanSettings, measure_volume
from tapscan.signals.echoes.sampling import delayed

RATE_HZ, TOF_SAMPLES = 100e6, 108.5


def panel(depth_samples, coupling, seed=0):
    """A panel with a front-surface echo of a fifth; a patch whose every trace ends at a delamination."""
    rng = np.random.default_rng(seed)
    time_s = np.arange(90) / RATE_HZ - 0.4e-6
    pulse = np.exp(-0.5 * (time_s / 0.12e-6) ** 2) * np.cos(2 * np.pi * 5e6 * time_s + 0.4)
    front = 100 + rng.uniform(-40, 40, (20, 12))
    tof = np.full((20, 12), TOF_SAMPLES)
    tof[6:12, 3:9] = depth_samples
    size = 10 ** (rng.uniform(-coupling, coupling, (20, 12)) / 20)[..., None]
    echo = np.where(tof < TOF_SAMPLES, -0.95, -0.75)[..., None]
    clean = 0.2 * delayed(pulse, front.ravel(), 512) + echo.reshape(-1, 1) * delayed(
        pulse, (front + tof).ravel(), 512
    )
    traces = clean.reshape(20, 12, 512) * size + 0.002 * rng.standard_normal((20, 12, 512))
    return traces, tof < TOF_SAMPLES


@pytest.mark.parametrize("depth_samples", [27.0, 33.5, 39.0, 46.0])
def test_the_depth_is_measured_from_the_hidden_front_surface(depth_samples):
    """0.4 to 0.7 mm; a quarter of a cycle is 5 samples."""
    traces, inside = panel(depth_samples, coupling=3.0)
    features = measure_volume(traces, RATE_HZ, AScanSettings(TOF_SAMPLES / RATE_HZ))
    first = np.where(np.isfinite(features.echo_s), features.echo_s, features.tof_s)[inside] * RATE_HZ
    found = np.isfinite(first)
    assert found.mean() > 0.9
    assert (np.abs(first[found] - depth_samples) < 3.4).mean() > 0.97  # 0.05 mm
    sound = features.tof_s[~inside] * RATE_HZ
    assert np.abs(sound - TOF_SAMPLES).max() < 1
    assert not np.isfinite(features.echo_s[~inside]).any()


def test_a_sound_panel_beneath_the_same_delay_line_shows_nothing_inside():
    traces, _ = panel(TOF_SAMPLES, coupling=4.0, seed=1)
    features = measure_volume(traces, RATE_HZ, AScanSettings(TOF_SAMPLES / RATE_HZ))
    assert not np.isfinite(features.echo_s).any()
    assert np.isfinite(features.tof_s).all()


def over_the_rim(share, seed=3):
    """A panel in whose patch the beam is filled to `share` by a delamination 1.5 cycles below the front."""
    rng = np.random.default_rng(seed)
    time_s = np.arange(130) / RATE_HZ - 0.6e-6
    pulse = np.exp(-0.5 * (time_s / 0.18e-6) ** 2) * np.cos(2 * np.pi * 5e6 * time_s + 0.4)
    front = (100 + rng.uniform(-40, 40, (20, 12))).ravel()
    filled = np.zeros((20, 12))
    filled[6:12, 3:9] = share
    part = filled.reshape(-1, 1)
    clean = 0.4 * delayed(pulse, front, 512) - 0.95 * part * delayed(pulse, front + 30, 512)
    clean -= 0.8 * (1 - part) * delayed(pulse, front + TOF_SAMPLES, 512)
    return clean.reshape(20, 12, 512) + 0.002 * rng.standard_normal((20, 12, 512)), filled > 0


@pytest.mark.parametrize("share", [0.6, 0.7, 0.8])
def test_over_a_rim_the_front_and_the_patch_are_separated(share):
    """Between the two is a crest larger than either, a cycle late: the back wall came a cycle early."""
    traces, inside = over_the_rim(share)
    features = measure_volume(traces, RATE_HZ, AScanSettings(TOF_SAMPLES / RATE_HZ))
    assert np.abs(features.echo_s[inside] * RATE_HZ - 30).max() < 1
    assert np.abs(features.tof_s[inside] * RATE_HZ - TOF_SAMPLES).max() < 1
    usual = np.median(features.front_amplitude[~inside])
    assert features.front_amplitude[inside] == pytest.approx(usual, rel=0.1)


def test_twice_the_coupling_makes_no_delamination():
    """Those traces are looked at again, and one echo more would explain some of the noise."""
    traces, _ = over_the_rim(0.0)
    traces[3:9, 2:9] *= 2.0
    features = measure_volume(traces, RATE_HZ, AScanSettings(TOF_SAMPLES / RATE_HZ))
    assert not np.isfinite(features.echo_s).any()
    assert np.abs(features.tof_s * RATE_HZ - TOF_SAMPLES).max() < 1


@pytest.mark.parametrize(("share", "is_back_wall"), [(0.7, True), (1.0, False)])
def test_an_echo_too_strong_for_a_round_trip_is_the_back_wall(share, is_back_wall):
    """A patch half way down sends its second round trip to where the back wall is due."""
    rng = np.random.default_rng(5)
    time_s = np.arange(90) / RATE_HZ - 0.4e-6
    pulse = np.exp(-0.5 * (time_s / 0.12e-6) ** 2) * np.cos(2 * np.pi * 5e6 * time_s)
    part = np.zeros((20, 12))
    part[6:12, 3:9] = share
    front, part = (100 + rng.uniform(-40, 40, 240)), part.reshape(-1, 1)
    clean = delayed(pulse, front, 512) - 0.8 * part * delayed(pulse, front + TOF_SAMPLES / 2, 512)
    # Half of the patch's echo goes round once more, as under water, and comes back as a back wall does.
    behind = 0.8 * (1 - part) + 0.5 * 0.8 * part
    clean -= behind * delayed(pulse, front + TOF_SAMPLES, 512)
    traces = clean.reshape(20, 12, 512) + 0.002 * rng.standard_normal((20, 12, 512))
    features = measure_volume(traces, RATE_HZ, AScanSettings(TOF_SAMPLES / RATE_HZ))
    inside = part.reshape(20, 12) > 0
    assert np.abs(features.echo_s[inside] * RATE_HZ - TOF_SAMPLES / 2).max() < 1
    assert (np.isfinite(features.tof_s[inside]) == is_back_wall).all()


@pytest.mark.parametrize("share", [4.0, 4.4, 4.8])
def test_a_back_wall_many_times_as_strong_does_not_become_the_front_surface(share):
    """Looked for with the back wall's pulse the wrong way up, the first high crest is the back wall's own."""
    rng = np.random.default_rng(2)
    time_s = np.arange(90) / RATE_HZ - 0.4e-6
    pulse = np.exp(-0.5 * (time_s / 0.12e-6) ** 2) * np.cos(2 * np.pi * 5e6 * time_s + 0.4)
    front = rng.uniform(95, 105, 144)
    clean = 0.1 * delayed(pulse, front, 600) - 0.1 * share * delayed(pulse, front + 271, 600)
    for ply in range(1, 14):
        clean += 0.006 * rng.standard_normal(144)[:, None] * delayed(pulse, front + 19 * ply, 600)
    traces = clean.reshape(12, 12, 600) + 0.0005 * rng.standard_normal((12, 12, 600))
    features = measure_volume(traces, RATE_HZ)
    assert np.abs(features.tof_s * RATE_HZ - 271).max() < 5
