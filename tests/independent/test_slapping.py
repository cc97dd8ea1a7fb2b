"""Walls and sheets by finite differences against closed forms, and a contact that is not linear."""

from dataclasses import replace
from functools import cache

import numpy as np
import pytest
from numpy.typing import NDArray

from tests.independent import shell
from tests.independent.axial_walls import Bent, Wall, _axial, sheet_table, wall_modes
from tests.independent.slapping import SLAPPING_KINDS, SlappingTaps, _pressed, draw
from tests.independent.strikes import RATE_HZ, TAP_S, Damage, Strikes

Array = NDArray[np.float64]

FREE = Wall("tube", 0.4, (0.12, 0.12), taper=0, wave=0, ends_pa_m=(0, 0), split=0)
SOME = Wall("tube", 0.4, (0.2, 0.2), seed=4)
MIDDLE = 150.0, 60.0


def struck(x_mm: list[float], speed_m_s: float | list[float] = 0.4) -> Strikes:
    x = np.array(x_mm)
    ones = np.ones(x.size)
    return Strikes(x, MIDDLE[1] * ones, speed_m_s * ones, 4e-3 * ones, 6e8 * ones)


@cache
def damaged(kind: str) -> SlappingTaps:
    return SlappingTaps.of(SOME, [Damage(*MIDDLE, (16, 14), 0.5, kind, 0.3)])


def forces_n(part: SlappingTaps, taps: Strikes) -> tuple[Array, Array]:
    """Peak force of each tap, and how long it lasted."""
    peak, lasted = np.zeros((2, taps.x_mm.size))
    for index, motion in part.motions(taps):
        peak[index] = motion.force_n.max(axis=1)
        lasted[index] = (motion.force_n > 0.02 * peak[index, None]).sum(axis=1) / (10 * RATE_HZ)
    return peak, lasted


@pytest.mark.parametrize("order", [2, 3])
def test_ring_modes_of_a_free_tube_are_rayleighs(order: int) -> None:
    # Rayleigh, Theory of Sound §233 (from memory): n(n² - 1)/√(n² + 1).
    omega = _axial(FREE, order, np.linspace(0, FREE.length_m, 100))[0]
    radius_m = 0.12 / (2 * np.pi)
    speed_m_s = np.sqrt(FREE.modulus_pa / FREE.density_kg_m3 / (1 - 0.3**2))
    expected = (
        FREE.wall_m / np.sqrt(12) * speed_m_s * order * (order**2 - 1) / np.sqrt(order**2 + 1) / radius_m**2
    )
    assert omega[0] == pytest.approx(expected, rel=3e-3)


def test_a_long_tube_bends_as_a_beam() -> None:
    tube = replace(FREE, length_m=1.6)
    omega = _axial(tube, 1, np.linspace(0, 1.6, 200))[0]
    # Free-free beam, βL = 4.7300 (computed; Blevins from memory); thin tube I/A = R²/2.
    beam = (
        4.7300407**2
        / 1.6**2
        * np.sqrt(tube.modulus_pa / tube.density_kg_m3)
        * 0.12
        / (2 * np.pi)
        / np.sqrt(2)
    )
    assert omega[2] == pytest.approx(beam, rel=2e-2)


def test_a_panel_with_guided_sides_bends_as_a_free_strip() -> None:
    panel = replace(FREE, shape="panel", wall_m=1e-3)
    omega = _axial(panel, 0, np.linspace(0, 0.4, 160))[0]
    bending = float(panel.bending_n_m(1e-3))
    # No wave across: every strip a free-free beam of stiffness D (βL as above).
    expected = np.array([4.7300407, 7.8532046, 10.9956078]) ** 2 / 0.4**2 * np.sqrt(bending / 1550e-3)
    assert omega[2:5] == pytest.approx(expected, rel=1.5e-2)


def test_sheets_have_nearly_the_modes_of_clamped_plates() -> None:
    # Leissa, NASA SP-160 (from memory): circle 10.216, 21.26, 34.88; ellipse of 2 to 1, 27.38.
    assert sheet_table(1.0)[0][[0, 1, 3]] == pytest.approx([10.216, 21.26, 34.88], rel=0.03)
    assert sheet_table(0.5)[0][0] == pytest.approx(27.38, rel=0.03)


@pytest.mark.parametrize(("curvature_1_m", "angle_rad"), [(10.0, 0.0), (30.0, 0.0), (30.0, np.pi / 2)])
def test_a_curved_sheet_is_as_a_shallow_shell_in_polynomials_finds_it(
    curvature_1_m: float, angle_rad: float
) -> None:
    tube, radii, sheet_m = shell.Tube(), (0.015, 0.012), 0.5e-3
    # The shell's girth runs across the first radius: another angle changes the radii's places.
    there = shell.disc_modes(tube, radii if angle_rad == 0 else radii[::-1], sheet_m, curvature_1_m, 60e3)
    bending = tube.modulus_pa * sheet_m**3 / 12 / (1 - tube.poisson**2)
    expected = there.omega_rad_s[0] * radii[0] ** 2 * np.sqrt(tube.density_kg_m3 * sheet_m / bending)
    bent = Bent(12 * curvature_1_m**2 * radii[0] ** 4 / sheet_m**2, angle_rad)
    assert sheet_table(radii[1] / radii[0], bent=bent)[0][0] == pytest.approx(expected, rel=0.04)
    assert expected > 1.05 * sheet_table(radii[1] / radii[0])[0][0]


def test_half_a_sheet_is_stiffer_and_is_where_it_is_not_bonded() -> None:
    whole, half = sheet_table(1.0), sheet_table(1.0, 0.0, 0.0)
    assert half[0][0] > 1.8 * whole[0][0]
    assert not half[1][whole[2] < 0].any()


def test_contact_force_is_hertzs_with_what_gives() -> None:
    closed = np.array([-1e-6, 0, 1e-6, 5e-5])
    force = _pressed(closed, np.full(4, 2e-7), np.full(4, 6e8))
    assert force[:2] == pytest.approx(0)
    assert (force[2:] / 6e8) ** (2 / 3) + 2e-7 * force[2:] == pytest.approx(closed[2:], rel=1e-6)


@pytest.mark.parametrize("kind", SLAPPING_KINDS)
def test_no_tap_gains_energy(kind: str) -> None:
    taps = struck([150, 158, 163, 250], [0.8, 0.4, 0.2, 0.4])
    for index, motion in damaged(kind).motions(taps):
        first = taps.mass_kg[index] * taps.speed_m_s[index] ** 2 / 2
        assert np.all(motion.energy_j < first)
        assert np.all(motion.energy_j > 0.1 * first)


@pytest.mark.parametrize("kind", ["chatter", "filled", "crushed"])
def test_a_small_deep_sheet_is_nearly_sound_and_nothing_runs_away(kind: str) -> None:
    part = SlappingTaps.of(SOME, [Damage(*MIDDLE, (5, 5), 1.1, kind)])
    taps = struck([150, 152], [1.0, 0.2])
    peak, _ = forces_n(part, taps)
    sound, _ = forces_n(SlappingTaps.of(SOME), taps)
    assert peak / sound == pytest.approx(1, abs=0.15)


@pytest.mark.parametrize("kind", [kind for kind in SLAPPING_KINDS if kind != "filled"])
def test_damage_makes_the_contact_longer_and_weaker_less_so_at_its_rim(kind: str) -> None:
    # Cawley and Adams, J. Sound Vib. 122, 1988: the trend.
    taps = struck([150, 158, 163, 200])
    peak, lasted = forces_n(damaged(kind), taps)
    sound_peak, sound_lasted = forces_n(SlappingTaps.of(SOME), taps)
    weaker, longer = peak / sound_peak, lasted / sound_lasted
    # A curved sheet over a small gap is soon on what is beneath.
    much = 0.95 if kind == "chatter" else 0.8
    assert weaker[0] < much
    assert longer[0] > 1 / much
    assert weaker[0] < weaker[1] + 0.01 < weaker[2]
    assert (weaker[3], longer[3]) == pytest.approx((1, 1), abs=1e-6)


def test_damage_is_where_and_how_it_is_said_to_be() -> None:
    """A narrow ellipse at 30° from the x axis: 14 mm along it, and 14 mm across it."""
    part = SlappingTaps.of(SOME, [Damage(*MIDDLE, (24, 8), 0.4, "open", np.radians(30))])
    turn = np.radians([30, 120])
    ones = np.ones(2)
    x_mm, s_mm = MIDDLE[0] + 14 * np.cos(turn), MIDDLE[1] + 14 * np.sin(turn)
    peaks, _ = forces_n(part, Strikes(x_mm, s_mm, 0.4 * ones, 4e-3 * ones, 6e8 * ones))
    assert peaks[0] < 0.8 * peaks[1]


def test_a_filled_place_is_soft_on_one_side_only() -> None:
    part = SlappingTaps.of(SOME, [Damage(*MIDDLE, (24, 24), 0.4, "filled")])
    cut, angle = part.places[0].sheets[0].cut
    away = 0.5 * 24 * np.array([np.cos(angle), np.sin(angle)])
    ones = np.ones(2)
    taps = Strikes(
        150 + away[0] * np.array([1, -1]),
        60 + away[1] * np.array([1, -1]),
        0.4 * ones,
        4e-3 * ones,
        6e8 * ones,
    )
    peak, _ = forces_n(part, taps)
    sound, _ = forces_n(SlappingTaps.of(SOME), taps)
    assert -0.3 <= cut <= 0
    assert (peak / sound)[0] < 0.85
    assert (peak / sound)[1] == pytest.approx(1, abs=0.1)


def shapes_db(part: SlappingTaps, speed_m_s: list[float]) -> Array:
    """Share of the power over 16 kHz in taps in the middle, dB."""
    sounds = part.sounds(struck([150.0] * len(speed_m_s), speed_m_s))
    power = np.abs(np.fft.rfft(sounds, axis=1)) ** 2
    hz = np.fft.rfftfreq(sounds.shape[1], 1 / RATE_HZ)
    shares: Array = 10 * np.log10(power[:, hz > 16e3].sum(axis=1) / power.sum(axis=1))
    return shares


def test_a_sheet_that_slaps_spreads_energy_upwards_once_its_gap_closes() -> None:
    panel = replace(SOME, shape="panel")
    chatter, still = (
        SlappingTaps.of(panel, [Damage(*MIDDLE, (16, 14), 0.5, kind, 0.3)]) for kind in ("chatter", "open")
    )
    place = chatter.places[0]
    # A soft tap bends the flat sheet by less than the gap.
    gap = replace(place.ground, gap_m=np.full(place.ground.gap_m.shape, 15e-6))
    chatter = replace(chatter, places=(replace(place, ground=gap),))
    speeds = [0.05, 0.4]
    open_db, slapping_db = shapes_db(still, speeds), shapes_db(chatter, speeds)
    assert slapping_db[0] == pytest.approx(open_db[0], abs=0.5)
    assert slapping_db[1] > open_db[1] + 6


def test_crushed_laminate_softens_as_it_is_struck_harder() -> None:
    taps = struck([150.0, 150.0], [0.1, 0.8])
    _, crushed = forces_n(damaged("crushed"), taps)
    _, sound = forces_n(SlappingTaps.of(SOME), taps)
    # On sound wall a harder tap is shorter (Hertz: t ∝ v^(-1/5)).
    assert sound[1] < sound[0]
    assert crushed[1] / crushed[0] > 1.05 * sound[1] / sound[0]


def test_taps_repeat_and_equal_draws_give_equal_sounds() -> None:
    first, again = (
        draw(np.random.default_rng(8), stations=20, positions=12, pitch_mm=10.0).sounds(struck([60, 60, 90]))
        for _ in range(2)
    )
    assert first.shape == (3, round(TAP_S * RATE_HZ))
    assert first.dtype == np.float32
    assert np.array_equal(first, again)
    assert np.array_equal(first[0], first[1])
    assert not np.allclose(first[0], first[2], rtol=0.1, atol=0.1 * first.std())


def test_the_seam_of_a_tube_is_not_heard() -> None:
    part = SlappingTaps.of(SOME, [Damage(150, 198, (14, 14), 0.5)])
    ones = np.ones(2)
    taps = Strikes(150 * ones, np.array([3.0, 203.0]), 0.4 * ones, 4e-3 * ones, 6e8 * ones)
    here, once_round = part.sounds(taps)
    assert here == pytest.approx(once_round, abs=1e-3 * float(np.abs(here).max()))


@pytest.mark.parametrize("shape", ["tube", "taper", "panel"])
def test_every_shape_has_sound_taps(shape: str) -> None:
    part = draw(np.random.default_rng(3), stations=15, positions=8, pitch_mm=15.0, shape=shape)
    sounds = part.sounds(struck([40, 100, 200]))
    assert np.isfinite(sounds).all()
    assert sounds.std(axis=1).min() > 0.1 * sounds.std()


def test_what_these_walls_do_not_know_is_refused() -> None:
    with pytest.raises(ValueError, match="not one of tube, taper, panel"):
        draw(np.random.default_rng(1), stations=20, positions=10, pitch_mm=10.0, shape="sphere")
    with pytest.raises(ValueError, match="this wall knows open, chatter"):
        SlappingTaps.of(SOME, [Damage(*MIDDLE, (12, 12), 0.5, "bridged")])


def test_more_modes_than_one_are_kept_and_few_enough() -> None:
    modes = wall_modes(SOME)
    assert 40 < modes.omega_rad_s.size <= 320
    assert np.all(np.diff(modes.omega_rad_s) >= 0)
