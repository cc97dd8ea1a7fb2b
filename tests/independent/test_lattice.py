"""The lattice of masses and springs, checked with closed forms before it judges anybody."""

from dataclasses import replace

import numpy as np
import pytest

from tests.independent.lattice import LATTICE_KINDS, Lattice, Wall, draw
from tests.independent.strikes import LEAD_S, RATE_HZ, TAP_S, Damage, Strikes
from tests.independent.surfaces import Surface

TUBE = Surface(stations=24, positions=12)
PLAIN = Wall(1.6e-3, 60e9, 1550.0, 1.0, 0.01, 0.0, (), (), 0.0, 1)
MIDDLE = Damage(70.0, 60.0, (20.0, 20.0), 0.5)
SOUND = Lattice(TUBE, PLAIN, ())


def struck(part, x_mm, s_mm):
    """Sound of one tap at each place."""
    count = len(x_mm)
    same = (np.full(count, value) for value in (0.5, 0.01, 3e7))
    return part.sounds(Strikes(np.array(x_mm, float), np.array(s_mm, float), *same))


def test_a_free_strip_bends_as_a_free_beam():
    """Lowest mode of a free beam, 22.373 / (2 pi) sqrt(D / m) / l² (handbooks, from memory)."""
    strip = Lattice(Surface(20, 4, 10.0, None, 10.0), PLAIN, ())
    stiff, mass = 60e9 * 1.6e-3**3 / 12 / 0.91, 1550 * 1.6e-3
    expected_hz = 22.373 / 2 / np.pi * np.sqrt(stiff / mass) / 0.2**2
    lowest_hz = strip.modes.omega_rad_s / 2 / np.pi
    # Held softly at one end, and a lattice: a tenth.
    assert np.abs(lowest_hz - expected_hz).min() < 0.1 * expected_hz


def test_equal_seeds_give_equal_sounds():
    one, same, other = (struck(draw(TUBE, (MIDDLE,), 1.6, seed), [55, 70], [10, 60]) for seed in (1, 1, 2))
    assert one.shape == (2, round(TAP_S * RATE_HZ))
    assert np.array_equal(one, same)
    assert not np.array_equal(one, other)


def test_nothing_sounds_before_the_strike():
    """But for what the band's upper end lets through."""
    sound = struck(SOUND, [55.0, 100.0], [10.0, 60.0])
    before = sound[:, : round(0.7 * LEAD_S * RATE_HZ)]
    assert np.abs(before).max() < 0.05 * np.abs(sound).max()


@pytest.mark.parametrize("kind", LATTICE_KINDS)
def test_damage_changes_the_sound_there_and_hardly_elsewhere(kind):
    damaged = Lattice(TUBE, PLAIN, (replace(MIDDLE, kind=kind),))
    places = [70.0, 200.0], [60.0, 115.0]
    bands = np.add.reduceat(
        np.abs(np.fft.rfft(np.stack([struck(SOUND, *places), struck(damaged, *places)]))) ** 2,
        np.arange(60, 2000, 240),
        axis=-1,
    )
    apart_db = np.abs(np.diff(10 * np.log10(bands), axis=0))[0].mean(axis=1)
    assert apart_db[0] > (0.5 if kind == "sliding" else 5)  # no gap, no note of its own
    assert apart_db[0] > apart_db[1]
