import numpy as np
import pytest

from tapscan.physics.shells import Tube, tube_mode_hz
from tapscan.synth.vibration import mode_shapes, wall_of, zone_modes
from tests.synth.zones import panel, tube


def modes(zone, highest_hz=20_000.0):
    return zone_modes(zone, 60.0, highest_hz, 0.015, np.random.default_rng(1))


@pytest.mark.parametrize("zone", [tube(), panel()], ids=["tube", "panel"])
def test_shapes_are_still_at_the_stiff_ends(zone):
    found = modes(zone)
    ends = np.array([0.0, found.length_mm])
    assert np.abs(mode_shapes(found, ends, np.array([0.3, 0.7]))).max() < 0.02


def test_mass_is_that_of_the_shape_squared():
    zone = tube()
    found = modes(zone)
    along, turns = np.meshgrid(np.linspace(0, found.length_mm, 2001), np.arange(64) / 64, indexing="ij")
    shapes = mode_shapes(found, along.ravel(), turns.ravel())
    whole_kg = wall_of(zone).mass_kg_m2 * found.length_mm * 120.0 * 1e-6
    assert (shapes**2).mean(axis=0) * whole_kg == pytest.approx(found.mass_kg, rel=0.08)
    # The slowest shape is only nearly that of a clamped beam; from the second on it is as good as exact.
    later = found.along > 7
    assert (shapes**2).mean(axis=0)[later] * whole_kg == pytest.approx(found.mass_kg[later], rel=0.01)


def test_no_tube_mode_but_bending_is_below_the_ring():
    found = modes(tube())
    ring = float(tube_mode_hz(Tube(120 / (2 * np.pi), wall_of(tube())), 0.0, 2))
    ovals = found.across > 3 * np.pi
    assert found.frequency_hz[ovals].min() > 0.97 * ring
    assert found.frequency_hz.max() < 20_000 * 1.03


def test_twins_are_a_quarter_wave_apart_and_close_in_pitch():
    found = modes(tube())
    assert np.diff(found.phase_rad)[::2] == pytest.approx(np.full(found.phase_rad.size // 2, np.pi / 2))
    assert np.abs(np.diff(found.frequency_hz)[::2] / found.frequency_hz[::2]).max() < 0.03


def test_a_plan_that_says_too_little_is_refused():
    with pytest.raises(ValueError, match="zone A: the simulator needs thickness, modulus"):
        wall_of(tube(laminate="\nthickness_mm = 1.6\n"))
