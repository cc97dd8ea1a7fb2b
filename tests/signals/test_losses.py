"""Loss by the tilt of the back wall's spectrum, on walls whose loss is known."""

import numpy as np
import pytest

from tapscan.signals import AScanSettings, measure_volume
from tapscan.signals.echoes.losses import loss_db_per_s
from tests.signals.layers import traces, wall_spectra

RATE_HZ, VELOCITY_M_S = 100e6, 2950.0


def measured(loss_db_mm: float, thickness_mm: float) -> float:
    """Decibels per second by the tilt, in a wall of plies under water."""
    rng = np.random.default_rng(1)
    thickness = np.full(60, thickness_mm)
    spectra, tof_s = wall_spectra(np.full(60, np.nan), thickness, VELOCITY_M_S, 512, RATE_HZ, loss=loss_db_mm)
    volume = traces(spectra, rng.uniform(0.6e-6, 1.0e-6, 60), 512, RATE_HZ)
    volume = volume + 1e-3 * np.abs(volume).max() * rng.standard_normal(volume.shape)
    volume = volume.reshape(10, 6, 512)
    features = measure_volume(volume, RATE_HZ, AScanSettings(float(tof_s[0]), 5e6))
    return loss_db_per_s(volume, features.front_s, features.backwall_s, RATE_HZ)


@pytest.mark.parametrize("thickness_mm", [2.0, 4.0])
@pytest.mark.parametrize("loss_db_mm", [0.6, 1.2])
def test_the_loss_of_a_layered_wall_is_measured_to_a_third(loss_db_mm, thickness_mm):
    """Loss there goes with the 1.2nd power of frequency, which tilts spectra by that much more."""
    per_s = loss_db_mm * VELOCITY_M_S * 1e3
    assert measured(loss_db_mm, thickness_mm) == pytest.approx(1.2 * per_s, rel=0.35)


def test_twice_the_loss_is_measured_as_more():
    assert measured(1.2, 4.0) > 1.5 * measured(0.6, 4.0)


@pytest.mark.parametrize("known", [0, 11])
def test_of_few_back_walls_nothing_is_stated(known):
    back = np.full((4, 5), np.nan)
    back.ravel()[:known] = 3e-6
    volume = np.random.default_rng(2).standard_normal((4, 5, 400))
    assert loss_db_per_s(volume, np.full((4, 5), 1e-6), back, RATE_HZ) == 0.0


def test_silence_and_missing_samples_are_no_error():
    volume = np.zeros((4, 5, 400))
    volume[..., 300:] = np.nan
    assert loss_db_per_s(volume, np.full((4, 5), 1e-6), np.full((4, 5), 3e-6), RATE_HZ) == 0.0
