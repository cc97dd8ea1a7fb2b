"""Shallow delaminations beneath a delay line near the laminate's impedance."""

import numpy as np
import pytest

from tapscan.signals import AScanSettings, measure_volume
from tapscan.signals.pulses import delayed

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
def test_the_depth_is_told_from_the_hidden_front_surface(depth_samples):
    """0.4 to 0.7 mm; a quarter of a cycle is 5 samples."""
    traces, inside = panel(depth_samples, coupling=3.0)
    features = measure_volume(traces, RATE_HZ, AScanSettings(TOF_SAMPLES / RATE_HZ))
    first = np.where(np.isfinite(features.echo_s), features.echo_s, features.tof_s)[inside] * RATE_HZ
    told = np.isfinite(first)
    assert told.mean() > 0.9
    assert (np.abs(first[told] - depth_samples) < 3.4).mean() > 0.97  # 0.05 mm
    sound = features.tof_s[~inside] * RATE_HZ
    assert np.abs(sound - TOF_SAMPLES).max() < 1
    assert not np.isfinite(features.echo_s[~inside]).any()


def test_a_sound_panel_beneath_the_same_delay_line_shows_nothing_inside():
    traces, _ = panel(TOF_SAMPLES, coupling=4.0, seed=1)
    features = measure_volume(traces, RATE_HZ, AScanSettings(TOF_SAMPLES / RATE_HZ))
    assert not np.isfinite(features.echo_s).any()
    assert np.isfinite(features.tof_s).all()
