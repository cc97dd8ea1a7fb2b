"""The level of sound wall, and what chance takes from it."""

from dataclasses import replace

import numpy as np
import pytest
from scipy.stats import norm

from tapscan.screening.echoes.levels import MIN_READINGS, chance_law, sound_level
from tests.screening.test_half_amplitude import GRID, PANEL, TUBE


@pytest.mark.parametrize("zone", [PANEL, TUBE])
def test_a_third_of_damage_leaves_the_level_of_the_rest(zone):
    rng = np.random.default_rng(1)
    true = -8 + np.linspace(-1, 1, GRID[0])[:, None] + np.zeros(GRID)
    seen = true + 0.2 * rng.standard_normal(GRID)
    seen[2 : 2 + GRID[0] // 3] -= rng.uniform(3, 20, (GRID[0] // 3, GRID[1]))
    level = sound_level(zone, seen)
    assert np.abs(level.expected - true).max() < 0.3
    assert not level.kept[2 : 2 + GRID[0] // 3].any()


@pytest.mark.parametrize("zone", [PANEL, TUBE])
def test_less_is_expected_where_a_wall_slopes_under_the_beam(zone):
    """Echoes of a Gaussian beam on a slope leave exp(-(2 pi f w g)^2 / 2): 10 dB where it is steepest."""
    station = np.arange(GRID[0])[:, None] + np.zeros(GRID)
    time = 1 + 0.05 * np.sin(2 * np.pi * station / 12)
    true = -8 - 10 * np.cos(2 * np.pi * station / 12) ** 2
    seen = true + 0.2 * np.random.default_rng(5).standard_normal(GRID)
    hit = slice(4, 8), slice(3, 6)
    seen[hit] -= 9
    assert np.abs(sound_level(zone, seen, time=time).expected - true)[1:-1].max() < 0.5
    assert np.abs(sound_level(zone, seen).expected - true).max() > 4


def test_too_few_readings_say_nothing():
    seen = np.full(GRID, np.nan)
    seen.ravel()[: MIN_READINGS - 1] = -8.0
    assert np.isnan(sound_level(replace(PANEL), seen).expected).all()


def test_chance_is_that_of_the_gains_whatever_is_damaged():
    rng = np.random.default_rng(2)
    loss = 0.1 * rng.standard_normal(20_000)
    loss[:4_000] = rng.uniform(0.3, 1, 4_000)
    law = chance_law(loss)
    np.testing.assert_allclose(law.p_values(np.array([0.1, 0.2])), norm.sf([1, 2]), rtol=0.1)
    # Beyond what was seen the tail is exponential: rare, but never rarer than a normal one.
    assert norm.sf(5) < law.p_values(np.array([0.5]))[0] < 1e-4
