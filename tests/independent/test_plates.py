"""Panels from a finite-element library: their modes against published ones, and what a tapper finds there."""

from dataclasses import replace
from functools import cache

import numpy as np
import pytest
from numpy.typing import NDArray

from tests.independent.plate_modes import PLATE_KINDS, TABLES, Plate, Sheet, panel_names, tables
from tests.independent.plates import PlateTaps, _struck, draw
from tests.independent.strikes import RATE_HZ, TAP_S, Damage, Strikes

Array = NDArray[np.float64]

PLAIN = Plate("plain", 0.4, 2e-3, (20.0, 20.0), seed=3)


def struck(x_mm: Array | list[float], s_mm: Array | list[float], speed_m_s: float | Array = 0.4) -> Strikes:
    x_mm, s_mm = np.asarray(x_mm, dtype=float), np.asarray(s_mm, dtype=float)
    ones = np.ones(x_mm.size)
    return Strikes(x_mm, s_mm, speed_m_s * ones, 4e-3 * ones, 6e8 * ones)


@cache
def damaged(kind: str, depth_mm: float = 0.4) -> PlateTaps:
    """The plain panel with one place of damage, 16 by 15 mm of radius."""
    return PlateTaps.of(PLAIN, [Damage(150, 60, (16, 15), depth_mm, kind, 0.4)])


def lasted_s(force_n: Array) -> Array:
    return (force_n > 0.02 * force_n.max(axis=1, keepdims=True)).sum(axis=1) / (10 * RATE_HZ)


def test_the_tables_are_small() -> None:
    assert TABLES.stat().st_size < 1.5e6
    assert len(panel_names()) == 5


@pytest.mark.parametrize(
    ("edges", "expected", "rel"),
    [
        # π²(m² + n²), exact.
        ("SSSS", np.pi**2 * np.array([2, 5, 5, 8, 10, 10, 13, 13]), 1e-4),
        # All edges clamped: Harris, Shock and Vibration Handbook, as a reference page prints it.
        ("CCCC", [36.03, 73.47, 73.47, 108.39, 131.77, 132.40], 5e-3),
        # Free, ν = 0.3: Leissa, J. Sound Vib. 31, 1973 (from memory; upper bounds, up to 1 % high).
        ("FFFF", [0, 0, 0, 13.489, 19.789, 24.432], 1.1e-2),
    ],
)
def test_square_plates_have_their_published_modes(edges: str, expected: list[float], rel: float) -> None:
    assert tables()[f"check/{edges}"][: len(expected)] == pytest.approx(expected, rel=rel, abs=1e-2)


def test_clamped_sheets_have_their_published_modes() -> None:
    # Leissa, NASA SP-160, chapters 2 and 3 (from memory): circle; ellipse of 2 to 1, over its longer radius.
    assert tables()["sheet/circle/lambda2"][:4] == pytest.approx([10.2158, 21.26, 21.26, 34.88], rel=4e-3)
    assert tables()["sheet/narrow/lambda2"][0] == pytest.approx(27.38, rel=4e-3)


def test_a_circular_sheet_gives_as_a_clamped_disc() -> None:
    sheet = Sheet("circle", np.array([0.1, 0.1]), (0.015, 0.015), 0.0, 0.6, 0.8)
    centre = np.array([[0.1, 0.1], [0.1075, 0.1]])
    give = (sheet.shapes(centre) ** 2 / sheet.omega_rad_s**2).sum(axis=1) + sheet.rest_m_n(centre)
    # Timoshenko and Woinowsky-Krieger, art. 19 (from memory): a² (1 - b²/a²)² / 16πD under a load at b.
    expected = 0.015**2 / (16 * np.pi * 0.6) * np.array([1, 0.75**2])
    assert give == pytest.approx(expected, rel=2e-2)


def test_sliding_sheets_are_as_finite_elements_find_them() -> None:
    """The elements' own panel, softer in the circle, against the sound one's modes and a clamped sheet's."""
    plate = replace(PLAIN, origin_mm=(0.0, 0.0))
    place = 1e3 * plate.length_m * np.array([0.43, 0.27, 0.05])
    part = PlateTaps.of(plate, [Damage(*place[:2], (place[2], place[2]), 0.5, "sliding")])
    unit = np.sqrt(plate.bending_n_m / plate.mass_kg_m2) / plate.length_m**2
    sound, soft = tables()["check/not sliding"], tables()["check/sliding"]
    assert part.omega_rad_s[:80] / unit == pytest.approx(soft[:80], rel=6e-3)
    # The lowest 80 fall by 1.5 % at most.
    fallen = 1 - part.omega_rad_s[:80] / unit / sound[:80]
    assert np.corrcoef(fallen, 1 - soft[:80] / sound[:80])[0, 1] > 0.95
    assert fallen.sum() == pytest.approx((1 - soft[:80] / sound[:80]).sum(), rel=0.15)


@pytest.mark.parametrize("kind", PLATE_KINDS)
def test_no_tap_gains_energy(kind: str) -> None:
    part = damaged(kind)
    taps = struck([150, 156, 163, 250], [60, 60, 60, 90], np.array([0.2, 0.4, 0.6, 0.8]))
    contact = _struck(part, taps)
    place = contact.state.imag / (part.omega_rad_s * np.sqrt(1 - part.damping**2))
    speed = contact.state.real - part.damping * part.omega_rad_s * place
    left = (
        taps.mass_kg * contact.tapper_m_s**2 / 2
        + (speed**2 + (part.omega_rad_s * place) ** 2).sum(axis=1) / 2
    )
    assert np.all(left < taps.mass_kg * taps.speed_m_s**2 / 2)
    assert np.all(left > 0.1 * taps.mass_kg * taps.speed_m_s**2 / 2)


@pytest.mark.parametrize("kind", PLATE_KINDS)
def test_damage_makes_the_contact_longer_and_weaker_the_more_the_further_from_its_rim(kind: str) -> None:
    # Cawley and Adams, J. Sound Vib. 122, 1988: the trend; towards the rim a clamped sheet gives less.
    taps = struck([150, 158, 163, 175], [60, 60, 60, 60])
    force, sound = damaged(kind).forces_n(taps), PlateTaps.of(PLAIN).forces_n(taps)
    weaker = force.max(axis=1) / sound.max(axis=1)
    longer = lasted_s(force) / lasted_s(sound)
    much = 0.97 if kind == "sliding" else 0.85
    assert weaker[0] < much
    assert longer[0] > 1 / much
    assert weaker[0] < weaker[2] + 0.01
    assert weaker[3] == pytest.approx(1, abs=0.06)


@pytest.mark.parametrize("is_turned", [False, True])
def test_damage_is_where_and_how_it_is_said_to_be(is_turned: bool) -> None:
    """A narrow ellipse at 30° from x: 14 mm along it, 14 mm across it, however the panel is turned."""
    part = PlateTaps.of(
        replace(PLAIN, is_turned=is_turned), [Damage(80, 70, (24, 8), 0.4, "open", np.radians(30))]
    )
    along, across = np.radians([30, 120])
    at = 14 * np.array([[np.cos(along), np.sin(along)], [np.cos(across), np.sin(across)], [-4, 2]])
    peaks = part.forces_n(struck(80 + at[:, 0], 70 + at[:, 1])).max(axis=1)
    assert peaks[0] < 0.75 * peaks[2]
    assert peaks[1] > 0.9 * peaks[2]


def test_deeper_damage_is_stiffer() -> None:
    taps = struck([150], [60])
    peaks = [damaged("open", depth_mm).forces_n(taps).max() for depth_mm in (0.2, 0.4, 0.9)]
    assert peaks == sorted(peaks)


def test_on_a_stiff_place_the_contact_is_hertzs() -> None:
    """A slow, soft tapper on a thick panel: 2.8683 (m²/(R E*² v))^(1/5) and its force, without a loss."""
    thick = replace(PLAIN, wall_m=30e-3, contact_loss_s_m=0.0)
    contact, speed, mass = 6e7, 0.2, 1e-4
    taps = Strikes(*(np.array([v]) for v in (150.0, 60.0, speed, mass, contact)))
    force = PlateTaps.of(thick).forces_n(taps)
    # Johnson, Contact Mechanics §11.4 (from memory): deepest (5mv²/4k)^(2/5), time 2.943 of it over v.
    deepest = (1.25 * mass * speed**2 / contact) ** 0.4
    assert force.max() == pytest.approx(contact * deepest**1.5, rel=0.03)
    assert np.count_nonzero(force) / (10 * RATE_HZ) == pytest.approx(2.943 * deepest / speed, rel=0.03)


def test_a_sound_panel_repeats_and_equal_draws_give_equal_sounds() -> None:
    first, again = (
        draw(np.random.default_rng(8), stations=20, positions=10, pitch_mm=10.0).sounds(
            struck([60, 60, 90], [40, 40, 70])
        )
        for _ in range(2)
    )
    assert first.shape == (3, round(TAP_S * RATE_HZ))
    assert first.dtype == np.float32
    assert np.array_equal(first, again)
    assert np.array_equal(first[0], first[1])
    assert not np.allclose(first[0], first[2], rtol=0.1, atol=0.1 * first.std())
    assert not first[:, :24].any()


def test_a_harder_tap_is_shorter_and_brighter() -> None:
    # Hertz: t ∝ v^(-1/5).
    sounds = PlateTaps.of(PLAIN).sounds(struck([150, 150], [60, 60], np.array([0.2, 0.8])))
    power = np.abs(np.fft.rfft(sounds, axis=1)) ** 2
    hz = np.fft.rfftfreq(sounds.shape[1], 1 / RATE_HZ)
    high = power[:, (hz > 6e3) & (hz < 12e3)].sum(axis=1) / power.sum(axis=1)
    assert high[1] > 1.3 * high[0]


def test_what_panels_do_not_know_is_refused() -> None:
    rng = np.random.default_rng(1)
    with pytest.raises(ValueError, match="these generators are panels"):
        draw(rng, stations=20, positions=10, pitch_mm=10.0, shape="tube")
    with pytest.raises(ValueError, match="too large"):
        draw(rng, stations=60, positions=24, pitch_mm=20.0)
    with pytest.raises(ValueError, match="panels know open, bridged, sliding, stack"):
        PlateTaps.of(PLAIN, [Damage(150, 60, (12, 12), 0.5, "gritty")])
    with pytest.raises(ValueError, match="overlap: give one of kind stack"):
        PlateTaps.of(PLAIN, [Damage(150, 60, (20, 6), 0.5), Damage(172, 66, (6, 12), 0.8)])
