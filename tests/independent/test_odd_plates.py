"""Plates with an odd outline: their modes, the points laid on them, and what a camera's photo gives back."""

from dataclasses import replace

import numpy as np
import pytest

from tapscan.plan.photos.cells import cells_of
from tapscan.plan.photos.layout import PhotoLayout
from tapscan.plan.photos.scale import area_share, polygon_area, tilt_deg, to_mm
from tapscan.plan.text.reading import parse_plan
from tapscan.plan.zones import Zone
from tests.independent.arena.faces import LAYOUTS, Camera, Face, _within, draw_face
from tests.independent.arena.families import ODD, draw_case
from tests.independent.plate_modes import ODD_TABLES, Plate, odd_names, rings_of, tables
from tests.independent.plates import PlateTaps, _struck, draw_odd
from tests.independent.strikes import Damage, Strikes
from tests.independent.surfaces import rim_mm


def zone_of(face: Face) -> Zone:
    return planned(face.photo_text())


def planned(photo_text: str) -> Zone:
    return parse_plan(f'[[zone]]\ncode = "BM"\nphoto = "photos/plate.jpg"\n{photo_text}').zones[0]


def scaled(face: Face) -> PhotoLayout:
    """Outline and scale of the face, with a few of its points: the cells of hundreds take long to cut."""
    text, _, points = face.photo_text().partition("points = [[")
    few = points.removesuffix("]]\n").split("], [")[::25]
    layout = planned(f"{text}points = [[{'], ['.join(few)}]]\n").layout
    assert layout is not None
    return layout


FLAT = [name for name in odd_names() if name != "saddle"]


def test_the_tables_are_small_and_hold_four_plates() -> None:
    assert ODD_TABLES.stat().st_size < 1e6
    assert set(odd_names()) == {"L", "T", "disc with a hole", "saddle"}


@pytest.mark.parametrize("name", odd_names())
def test_modes_are_of_unit_mass_and_at_right_angles_within_the_outline(name: str) -> None:
    # What the elements found, summed over squares of 1/200: corners of the outline are coarse there.
    plate = Plate(name, 1.0, 1e-3, (0.0, 0.0))
    side = (np.arange(200) + 0.5) / 200
    at = np.stack(np.meshgrid(side, side, indexing="ij"), axis=-1).reshape(-1, 2)
    at = at[plate.is_on(at)]
    shapes = plate.shapes(at)[:, :40] * np.sqrt(plate.mass_kg_m2)
    gram = shapes.T @ shapes / 200**2
    assert np.diag(gram) == pytest.approx(np.ones(40), abs=0.06)
    assert np.abs(gram - np.diag(np.diag(gram))).max() < 0.06


def test_the_area_that_counts_is_that_of_the_outline() -> None:
    side = (np.arange(400) + 0.5) / 400
    at = np.stack(np.meshgrid(side, side, indexing="ij"), axis=-1).reshape(-1, 2)
    for name in odd_names():
        outline, *holes = rings_of(name)
        area = abs(polygon_area(outline)) - sum(abs(polygon_area(hole)) for hole in holes)
        counted = Plate(name, 1.0, 1e-3, (0.0, 0.0)).is_on(at).mean()
        assert counted == pytest.approx(area, abs=0.003)


def test_a_free_disc_and_a_shallow_saddle_are_as_theory_has_them() -> None:
    # Free disc, ν = 0.3: κ a² = 5.358, two alike (Itao & Crandall, J. Appl. Mech. 46, 1979, from memory). A
    # small hole near the middle, where that mode hardly bends, lowers it by some per cent; the bed adds 9.
    kappa = np.sqrt(tables()["panel/disc with a hole/kappa"][3:5] ** 2 - 9.0)
    assert kappa == pytest.approx(5.358 / 0.5**2, rel=0.09)
    assert (kappa < 5.358 / 0.5**2).all()
    # What curves stiffens; bending alone is less than the whole, and all of it on a flat plate.
    whole, bent = (tables()[f"panel/saddle/{key}"] for key in ("kappa", "bent"))
    assert (bent[3:] < whole[3:]).all()
    assert bent[-1] / whole[-1] > 0.99
    # A shell's membrane cannot work harder than if no strain could be relieved: κ² - κ_b² ≤ 24 (1 - ν) bend².
    assert (whole**2 - bent**2 <= 24 * 0.7 * 50.0**2 + 1e-6).all()
    assert tables()["panel/L/bent"] == pytest.approx(tables()["panel/L/kappa"], rel=1e-6)


@pytest.mark.parametrize("name", odd_names())
def test_no_tap_gains_energy_and_damage_makes_it_softer(name: str) -> None:
    damage = (
        Damage(50.0, 50.0, (14.0, 12.0), 0.4)
        if name != "disc with a hole"
        else Damage(60.0, 150.0, (14.0, 12.0), 0.4)
    )
    sound, damaged = (draw_odd(np.random.default_rng(4), name, 210.0, ds) for ds in ((), (damage,)))
    ones = np.ones(1)
    tap = Strikes(damage.x_mm * ones, damage.s_mm * ones, 0.4 * ones, 4e-3 * ones, 6e8 * ones)
    peaks = [part.forces_n(tap).max() for part in (sound, damaged)]
    assert peaks[1] < 0.9 * peaks[0]
    contact = _struck(damaged, tap)
    place = contact.state.imag / (damaged.omega_rad_s * np.sqrt(1 - damaged.damping**2))
    speed = contact.state.real - damaged.damping * damaged.omega_rad_s * place
    left = (speed**2 + (damaged.omega_rad_s * place) ** 2).sum() / 2 + 4e-3 * contact.tapper_m_s[0] ** 2 / 2
    assert left < 4e-3 * 0.4**2 / 2
    assert isinstance(damaged, PlateTaps)


@pytest.mark.parametrize("name", odd_names())
def test_the_three_layouts_are_of_one_plate_with_one_damage_and_one_hand(name: str) -> None:
    family = name.split()[0].lower()
    cases = [draw_case(ODD[f"{family}-{layout}"], np.random.default_rng(7)) for layout in LAYOUTS]
    plain, *others = cases
    for case in others:
        assert (case.damages, case.manner, case.thickness_mm) == (
            plain.damages,
            plain.manner,
            plain.thickness_mm,
        )
        assert (case.surface.name, case.surface.length_mm) == (plain.surface.name, plain.surface.length_mm)
        counts = [np.isfinite(one.surface.x_mm).sum() for one in (plain, case)]
        assert counts[1] == pytest.approx(counts[0], rel=0.12)
    for case in cases:
        face = case.surface
        at = np.column_stack([face.x_mm.ravel(), face.s_mm.ravel()])
        at = at[np.isfinite(at).all(axis=1)]
        assert _within(at, face.rings_mm, 3.9).all()
        for damage in case.damages:
            turn = np.linspace(0, 2 * np.pi, 90)
            rim = np.array([damage.x_mm, damage.s_mm]) + max(damage.radii_mm) * np.column_stack(
                [np.cos(turn), np.sin(turn)]
            )
            assert _within(rim, face.rings_mm).all()
        nearest = rim_mm(face, case.damages[0], face.x_mm, face.s_mm)
        assert (np.isnan(nearest) == np.isnan(face.x_mm)).all()


def test_bent_names_are_a_grid_and_scattered_ones_are_not() -> None:
    bent, scattered = (draw_face("L", layout, np.random.default_rng(3)) for layout in ("bent", "scattered"))
    assert cells_of(zone_of(bent).layout).is_lattice
    assert not cells_of(zone_of(scattered).layout).is_lattice


@pytest.mark.parametrize("tilt", [0.0, 30.0])
def test_the_camera_shortens_as_a_pinhole_does(tilt: float) -> None:
    camera = Camera(np.radians(tilt), 0.0)
    edges = camera.seen_px(np.array([(0.0, -1.0, 0.0), (0.0, 1.0, 0.0), (-1.0, 0.0, 0.0), (1.0, 0.0, 0.0)]))
    high, wide = np.linalg.norm(edges[1] - edges[0]), np.linalg.norm(edges[3] - edges[2])
    assert high / wide == pytest.approx(np.cos(np.radians(tilt)), rel=1e-4)


def test_areas_are_within_what_the_scale_leaves_uncertain() -> None:
    """Outlines of drawn plates on photos, against their true areas: at least nine in ten."""
    within, tilts = [], []
    for number in range(60):
        face = draw_face(FLAT[number % 3], "plain", np.random.default_rng([number, 11]))
        layout = scaled(face)
        true = abs(polygon_area(face.rings_mm[0]))
        area = abs(polygon_area(to_mm(layout, np.array(layout.outline_px))))
        within.append(abs(area / true - 1) <= area_share(layout))
        if face.by_square:
            tilts.append(tilt_deg(layout) - np.degrees(face.camera.tilt_rad))
    assert np.mean(within) >= 0.9
    assert np.median(np.abs(tilts)) < 6.0


def test_a_saddle_has_more_area_than_a_photo_shows() -> None:
    face = draw_face("saddle", "plain", np.random.default_rng(1))
    straight = replace(face, camera=Camera(0.0, 0.0), by_square=False)
    layout = zone_of(straight).layout
    assert layout is not None
    seen = abs(polygon_area(to_mm(layout, np.array(layout.outline_px))))
    true = face.whole_area_mm2()
    assert 1.005 < true / abs(polygon_area(face.rings_mm[0])) < 1.05
    assert abs(seen / true - 1) <= area_share(layout)
