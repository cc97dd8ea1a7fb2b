"""Random waves and rays, checked with closed forms before they judge anybody."""

import numpy as np
import pytest

from tests.independent import diffuse
from tests.independent.diffuse import DIFFUSE_KINDS, Diffuse, Wall, draw
from tests.independent.strikes import LEAD_S, RATE_HZ, TAP_S, Damage, Strikes
from tests.independent.surfaces import Surface

TUBE = Surface(stations=24, positions=12)
PLAIN = Wall(1.6e-3, 60e9, 1550.0, 0.03, 0.0, np.array([[10.0, 0.0]] * 2), 0.0, 0.0, 3)
MIDDLE = Damage(70.0, 60.0, (20.0, 20.0), 0.5)
OMEGA = 2 * np.pi * np.linspace(400, 20_000, 500)


def struck(part, x_mm, s_mm):
    """Sound of one tap at each place."""
    count = len(x_mm)
    same = (np.full(count, value) for value in (0.35, 4e-3, 6e8))
    return part.sounds(Strikes(np.array(x_mm, float), np.array(s_mm, float), *same))


def bands_db(sound):
    energy = np.abs(np.fft.rfft(sound)) ** 2
    return 10 * np.log10(np.add.reduceat(energy, np.arange(60, 2000, 240), axis=-1))


def test_mobility_of_a_panel_is_on_average_that_of_an_endless_plate():
    """1 / 8 sqrt(D m), whatever the size (Cremer, Heckl & Ungar, Structure-Borne Sound, from memory)."""
    part = Diffuse(Surface(30, 24, 10.0, None, 10.0), PLAIN, ())
    modes = part.modes
    rng = np.random.default_rng(0)
    shape = diffuse._shapes(part, rng.uniform(60, 240, 40), rng.uniform(60, 180, 40))
    omega = 2 * np.pi * np.linspace(4000, 14_000, 400)
    mean = float((shape**2 @ diffuse._ringing(modes, omega)).real.mean() / modes.mass_kg)
    endless = 1 / (8 * np.sqrt(PLAIN.bending_nm(1.6e-3) * PLAIN.mass_kg_m2(1.6e-3)))
    assert mean == pytest.approx(float(endless), rel=0.15)


def test_a_loose_sheet_takes_energy_and_rings_as_a_clamped_disc():
    """First note 10.22 / 2 pi a² sqrt(D / m) (Leissa's tables, from memory)."""
    part = Diffuse(TUBE, PLAIN, (MIDDLE,))
    radius, angle = np.array([0.0, 0.4, 0.8]), np.zeros(3)
    mobility = diffuse._sheet(part, MIDDLE, 0.5e-3, (radius, angle), OMEGA)
    assert mobility.real.min() > -1e-9
    note_hz = OMEGA[np.abs(mobility[0]).argmax()] / 2 / np.pi
    disc_hz = 10.22 / (2 * np.pi * 0.02**2) * np.sqrt(PLAIN.bending_nm(0.5e-3) / PLAIN.mass_kg_m2(0.5e-3))
    assert note_hz == pytest.approx(float(disc_hz), rel=0.1)


def test_equal_seeds_give_equal_sounds():
    one, same, other = (struck(draw(TUBE, (MIDDLE,), 1.6, seed), [55, 70], [10, 60]) for seed in (1, 1, 2))
    assert one.shape == (2, round(TAP_S * RATE_HZ))
    assert np.array_equal(one, same)
    assert not np.array_equal(one, other)


def test_nothing_sounds_before_the_strike():
    """But for what the band's upper end lets through."""
    sound = struck(Diffuse(TUBE, PLAIN, ()), [55.0, 100.0], [10.0, 60.0])
    before = sound[:, : round(0.7 * LEAD_S * RATE_HZ)]
    assert np.abs(before).max() < 0.05 * np.abs(sound).max()


@pytest.mark.parametrize("kind", DIFFUSE_KINDS)
def test_damage_changes_the_sound_there_and_nowhere_else(kind):
    damaged = Diffuse(TUBE, PLAIN, (Damage(70.0, 60.0, (20.0, 20.0), 0.5, kind),))
    places = [70.0, 200.0], [60.0, 115.0]
    apart_db = np.abs(
        bands_db(struck(damaged, *places)) - bands_db(struck(Diffuse(TUBE, PLAIN, ()), *places))
    )
    assert apart_db[0].mean() > 3
    assert apart_db[1].max() < 1e-6
