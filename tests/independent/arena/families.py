"""The families of the arena: which parts, by which generator, tapped how.

A family is a `Mix`, which draws any number of parts. Choices (a learner, its inputs, a constant) are made on
the families that are not kept back. Those that are kept back are run once, at the end, and reported as they
come out: among them one generator (`modes`) and three kinds of damage (`crushed`, `chatter`, `filled`) that
no other family has. Nothing may be trained on them.
"""

from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass, replace
from multiprocessing import get_context
from pathlib import Path

import numpy as np

from tests.independent.arena.adapters import (
    bare_modes,
    demo_part,
    diffuse_part,
    lattice_part,
    odd_part,
    plate_part,
    shell_part,
    slapping_part,
)
from tests.independent.arena.faces import LAYOUTS, Face, draw_face, draw_inside
from tests.independent.arena.nuisances import Manner, messy, tidy
from tests.independent.arena.parts import Case, Patch, draw_damages, make_part
from tests.independent.diffuse import DIFFUSE_KINDS
from tests.independent.lattice import LATTICE_KINDS
from tests.independent.plate_modes import PLATE_KINDS, odd_names
from tests.independent.ringing import Ringing, drawn_wall
from tests.independent.strikes import Damage, Generator
from tests.independent.surfaces import Surface

__all__ = [
    "CHOSEN_ON",
    "FAMILIES",
    "GENERATORS",
    "KEPT_BACK",
    "KEPT_BACK_KINDS",
    "ODD",
    "UNSEEN",
    "Mix",
    "draw_case",
    "make_parts",
]

Rng = np.random.Generator
TUBE = Surface()
KEPT_BACK_KINDS = ("crushed", "chatter", "filled")


@dataclass(frozen=True, slots=True)
class Mix:
    """What the parts of a family have in common; the rest is drawn."""

    what: str
    generator: str = "ringing"
    manner: Callable[[Rng], Manner] = tidy
    surface: Callable[[Rng], Surface | Face] = lambda _: TUBE
    thickness_mm: tuple[float, float] = (1.4, 1.8)
    kinds: tuple[str, ...] = ("open",)
    count: tuple[int, int] = (2, 2)
    radius_mm: tuple[float, float] | None = (14.0, 24.0)  # None: 1.4 to 2.6 of the pitch, as far as it fits
    depth_mm: tuple[float, float] = (0.4, 0.8)
    longest: float = 1.0
    places: Callable[[Rng, Surface], tuple[Damage, ...]] | None = None  # instead of the four above
    furnished: bool = False  # a ply drop, an insert or doubler, a painted patch
    slow: bool = False  # a soft laminate: glass or many plies off axis
    seed: str = ""  # families with one seed have the same parts, but for the layout of their points


def draw_case(mix: Mix, rng: Rng) -> Case:
    """Draw one part of a family."""
    surface, manner = mix.surface(rng), mix.manner(rng)
    thickness = rng.uniform(*mix.thickness_mm)
    damages = mix.places(rng, surface) if mix.places else _damages(mix, surface, rng)
    seed = int(rng.integers(1 << 31))
    if mix.generator != "ringing":
        make = GENERATORS[mix.generator]
        return Case(surface, damages, manner, lambda: make(surface, damages, thickness, seed), thickness)
    wall = replace(drawn_wall(rng), thickness_mm=thickness)
    if mix.slow:
        wall = replace(wall, modulus_pa=rng.uniform(20e9, 35e9), density_kg_m3=1900.0)
    patches: tuple[Patch, ...] = ()
    if mix.furnished:
        x_lo, x_hi = np.sort(rng.uniform(0, surface.length_mm, 2))
        start = rng.uniform(0, 0.6) * surface.width_mm
        wall = replace(wall, ply_drop=(rng.uniform(0.25, 0.75), rng.choice([0.75, 1.3])))
        if surface.girth_mm is None:
            wall = replace(wall, doubler=(x_lo, min(x_hi, x_lo + 60)))
        else:
            wall = replace(wall, insert=(x_lo, min(x_hi, x_lo + 50), start, start + 0.35 * surface.width_mm))
        at = rng.uniform(0, 0.7) * surface.length_mm
        painted = (at, at + rng.uniform(30, 90)), (start, start + rng.uniform(0.25, 0.5) * surface.width_mm)
        patches = (Patch(*painted, softness=rng.uniform(0.3, 0.7)),)
    return Case(surface, damages, manner, lambda: Ringing(surface, wall, damages, seed), thickness, patches)


def _damages(mix: Mix, surface: Surface, rng: Rng) -> tuple[Damage, ...]:
    radius = mix.radius_mm
    if radius is None:
        pitch = max(surface.station_pitch_mm, surface.width_mm / surface.positions)
        most = min(0.22 * surface.width_mm, 0.25 * surface.length_mm)
        radius = min(1.4 * pitch, 0.8 * most), min(2.6 * pitch, most)
    return draw_damages(
        rng,
        surface,
        int(rng.integers(*mix.count, endpoint=True)),
        radius_mm=radius,
        depth_mm=mix.depth_mm,
        kinds=mix.kinds,
        longest=mix.longest,
    )


def _at(snr_db: float, **changes: object) -> Callable[[Rng], Manner]:
    return lambda rng: replace(tidy(rng), snr_db=snr_db, **changes)  # type: ignore[arg-type]


def _anyhow(rng: Rng) -> Manner:
    low, high = np.sort(rng.integers(1, 6, 2))
    return replace(messy(rng), snr_db=rng.uniform(18, 40), taps=(int(low), int(high)))


def _faintly(rng: Rng) -> Manner:
    """A loud shop: a typical tap's peak is 19 to 36 dB above the noise, its first 20 ms 6 to 20 dB."""
    return replace(messy(rng), snr_db=rng.uniform(6, 20))


def _taper(rng: Rng) -> Surface:
    start = rng.uniform(110, 170)
    return replace(TUBE, girth_mm=(start, start * rng.uniform(0.65, 0.9)))


def _panel(rng: Rng) -> Surface:
    return Surface(int(rng.integers(20, 36)), int(rng.integers(14, 24)), girth_mm=None)


def _anything(rng: Rng) -> Surface:
    """Tube, taper or panel of 8 to 60 stations and 6 to 24 positions, pitch 5 to 20 mm."""
    while True:
        stations, positions = int(rng.integers(8, 61)), int(rng.integers(6, 25))
        pitch = np.exp(rng.uniform(np.log(5), np.log(20), 2)).round(1)
        width, length = positions * pitch[1], stations * pitch[0]
        if 80 <= stations * positions <= 900 and 80 <= width <= 300 and 100 <= length <= 600:
            break
    what = rng.choice(["tube", "taper", "panel"])
    girth = None if what == "panel" else (width, width * (rng.uniform(0.7, 0.9) if what == "taper" else 1.0))
    return Surface(stations, positions, float(pitch[0]), girth, float(pitch[1]))


def _anything_round(rng: Rng) -> Surface:
    """As above, but no panel."""
    while (surface := _anything(rng)).girth_mm is None:
        pass
    return surface


def _third(rng: Rng, surface: Surface) -> tuple[Damage, ...]:
    """Open delaminations that together take a third of the part."""
    many = draw_damages(rng, surface, 40, radius_mm=(18, 30), depth_mm=(0.4, 0.8), gap_mm=2)
    share = np.cumsum([d.area_mm2 for d in many]) / surface.length_mm / surface.width_mm
    return many[: int(np.searchsorted(share, 0.33)) + 1]


def _ends_and_seam(rng: Rng, surface: Surface) -> tuple[Damage, ...]:
    """One over the edge of an end, one across the seam, one anywhere between."""
    size = rng.uniform(14, 24, 2)
    end = Damage(rng.uniform(0, 0.7) * size[0], rng.uniform(20, 100), (size[0],) * 2, rng.uniform(0.4, 0.8))
    if rng.uniform() < 0.5:
        end = replace(end, x_mm=surface.length_mm - end.x_mm)
    seam = Damage(rng.uniform(120, 280), rng.uniform(-5, 5), (size[1],) * 2, rng.uniform(0.4, 0.8))
    return end, seam


def _two_depths(rng: Rng, surface: Surface) -> tuple[Damage, ...]:
    """One just below the surface and one in the middle of the wall."""
    first, second = (0.3, 0.45), (0.75, 1.0)
    shallow = draw_damages(rng, replace(surface, stations=20), 1, radius_mm=(12, 20), depth_mm=first)
    deep = draw_damages(rng, replace(surface, stations=20), 1, radius_mm=(16, 26), depth_mm=second)
    return (*shallow, *(replace(d, x_mm=d.x_mm + surface.length_mm / 2) for d in deep))


def _all_round(rng: Rng, _: Surface) -> tuple[Damage, ...]:
    """A band all round the tube."""
    return (Damage(rng.uniform(60, 340), 0.0, (rng.uniform(10, 18), 600.0), rng.uniform(0.4, 0.8)),)


def _half_round(rng: Rng, surface: Surface) -> tuple[Damage, ...]:
    """One that covers four to seven tenths of the girth."""
    share = rng.uniform(0.4, 0.7)
    x_mm = rng.uniform(0.15, 0.85) * surface.length_mm
    radii = rng.uniform(10, 16), share * surface.width_mm / 2
    return (Damage(x_mm, rng.uniform(0, surface.width_mm), radii, rng.uniform(0.4, 0.8)),)


def _short_taper(rng: Rng) -> Surface:
    return replace(_taper(rng), stations=int(rng.integers(9, 18)))


def _uneven_panel(rng: Rng) -> Surface:
    """Another pitch along than across."""
    along, across = rng.uniform(7, 15, 2).round(1)
    return Surface(int(rng.integers(16, 30)), int(rng.integers(10, 18)), float(along), None, float(across))


# Builds a part from surface, damages, thickness in mm and seed. `ringing` is drawn above: it takes more.
GENERATORS: dict[str, Callable[[Surface, tuple[Damage, ...], float, int], Generator]] = {
    "shell": shell_part,
    "modes": bare_modes,
    "demo": demo_part,
    "plates": plate_part,
    "slapping": slapping_part,
    "odd plates": odd_part,
    "lattice": lattice_part,
    "diffuse": diffuse_part,
}

MANY_KINDS = ("open", "open", "bridged", "gritty", "stack", "sliding")
ANYTHING = Mix(
    "everything drawn at random",
    surface=_anything,
    manner=_anyhow,
    thickness_mm=(1.2, 2.6),
    kinds=MANY_KINDS,
    count=(0, 4),
    radius_mm=None,
    depth_mm=(0.35, 0.9),
    longest=2.0,
)

CHOSEN_ON: dict[str, Mix] = {
    "clean": Mix("tidy hand and room, 35 dB"),
    "noisier": Mix("the same, 27 dB", manner=_at(27.0)),
    "noisy": Mix("the same, 21 dB", manner=_at(21.0)),
    "messy": Mix("any hand, any room", manner=messy),
    "bridged": Mix("rims and gaps held in part", kinds=("bridged",)),
    "uneven-taps": Mix("one to five taps a point", manner=_at(30.0, taps=(1, 5))),
    "thick-slow": Mix("thick soft wall", thickness_mm=(2.4, 3.2), slow=True, radius_mm=(16.0, 26.0)),
    "short": Mix("14 stations", surface=lambda _: replace(TUBE, stations=14), count=(1, 1)),
    "tapers": Mix("cones", surface=_taper, manner=_at(30.0)),
    "furnished": Mix("ply drop, insert, painted patch", furnished=True, manner=_at(30.0)),
    "fine": Mix("pitch 5 mm, 24 positions", surface=lambda _: Surface(50, 24, 5.0), radius_mm=(10.0, 20.0)),
    "coarse": Mix(
        "pitch 20 mm, 6 positions",
        surface=lambda rng: Surface(int(rng.integers(8, 24)), 6, 20.0),
        radius_mm=(20.0, 30.0),
        count=(1, 1),
        manner=_at(30.0, taps=(3, 5)),
    ),
    "gritty": Mix("open, full of grit or water", kinds=("gritty",), manner=_at(30.0)),
    "sliding": Mix("sheets that slide without a gap", kinds=("sliding",), manner=_at(30.0)),
    "stack": Mix("two sheets, one above the other", kinds=("stack",), manner=_at(30.0)),
    "ellipses": Mix("long delaminations at any angle", longest=3.0, manner=_at(30.0)),
    "ends-and-seam": Mix("over an end, across the seam", places=_ends_and_seam, manner=_at(30.0)),
    "two-depths": Mix("shallow and deep", places=_two_depths, thickness_mm=(1.8, 2.2), manner=_at(30.0)),
    "third": Mix("a third of the part", places=_third, manner=_at(30.0)),
    "sound": Mix("no damage, any hand", count=(0, 0), manner=messy, furnished=True),
    "panels": Mix("flat, with a doubler", surface=_panel, furnished=True, manner=_at(30.0)),
    "anything": ANYTHING,
    "shell": Mix("Sanders' shell, tidy", generator="shell", manner=_at(32.0)),
    "shell-messy": Mix("Sanders' shell, any hand", generator="shell", manner=messy, surface=_taper),
    "shell-third": Mix("Sanders' shell, a third damaged", generator="shell", places=_third),
    "shell-sound": Mix("Sanders' shell, no damage", generator="shell", count=(0, 0), manner=messy),
    "plates-sound": Mix("finite-element panels, no damage", generator="plates", surface=_panel, count=(0, 0)),
    "slapping-sound": Mix("no loose sheet to slap", generator="slapping", count=(0, 0), manner=messy),
    "demo-sound": Mix("the demo's own simulator, no damage", generator="demo", count=(0, 0), manner=messy),
    "shell-all-round": Mix("a band all round", generator="shell", places=_all_round, manner=_at(30.0)),
    "furnished-messy": Mix("ply drop, insert, painted patch, any hand", furnished=True, manner=messy),
    "furnished-cones": Mix("the same, cones, no damage", surface=_taper, count=(0, 0), furnished=True),
    "demo-messy": Mix("the demo's own simulator, any hand", generator="demo", manner=messy),
    "faint": Mix("a loud shop, 13 dB: peaks some 28 dB above the noise", manner=_at(13.0)),
    "fainter": Mix("a louder shop, 7 dB: peaks some 22 dB above the noise", manner=_at(7.0)),
    "faint-messy": Mix("a loud shop, any hand", manner=_faintly),
    "faint-bridged": Mix("the same, rims and gaps held in part", manner=_faintly, kinds=("bridged", "stack")),
    "faint-cones": Mix("the same, cones, uneven taps", manner=_at(14.0, taps=(1, 5)), surface=_taper),
    "faint-panels": Mix("the same, panels", surface=_panel, furnished=True, manner=_faintly),
    "faint-plates": Mix(
        "finite-element panels in a loud shop",
        generator="plates",
        surface=_panel,
        manner=_faintly,
        kinds=("open", "open", "sliding"),
        longest=1.8,
    ),
    "faint-anything": replace(ANYTHING, what="everything at random in a loud shop", manner=_faintly),
    "plates": Mix("finite-element panels", generator="plates", surface=_panel, manner=_at(30.0), longest=1.8),
    "plates-messy": Mix(
        "finite-element panels, any hand, many kinds",
        generator="plates",
        surface=_panel,
        manner=messy,
        kinds=("open", "bridged", "sliding", "stack"),
        longest=1.8,
    ),
    "slapping": Mix(
        "sheets that meet the wall: grit, stacks",
        generator="slapping",
        manner=_at(30.0),
        kinds=("open", "gritty", "stack"),
        longest=1.6,
    ),
    "slapping-messy": Mix(
        "the same, cones, any hand",
        generator="slapping",
        surface=_taper,
        manner=messy,
        kinds=("open", "gritty", "stack"),
        longest=1.6,
    ),
    "lattice": Mix(
        "masses and springs, sleeves, inserts", generator="lattice", manner=_at(30.0), longest=1.6
    ),
    "lattice-messy": Mix(
        "the same, cones, any hand and kind",
        generator="lattice",
        surface=_taper,
        manner=messy,
        kinds=LATTICE_KINDS,
        longest=1.6,
    ),
    "lattice-panels": Mix(
        "the same, panels",
        generator="lattice",
        surface=_panel,
        manner=messy,
        kinds=LATTICE_KINDS,
        longest=2.0,
    ),
    "lattice-sound": Mix("the same, no damage", generator="lattice", count=(0, 0), manner=messy),
    "lattice-sound-panels": Mix(
        "the same, panels, no damage", generator="lattice", surface=_panel, count=(0, 0), manner=messy
    ),
    "faint-lattice": Mix(
        "the same, a loud shop",
        generator="lattice",
        manner=_faintly,
        kinds=("open", "bridged", "gritty", "stack"),
    ),
    "shell-anything": replace(
        ANYTHING, generator="shell", surface=_anything_round, kinds=("open",), longest=1.0
    ),
    "slapping-anything": replace(ANYTHING, generator="slapping", kinds=("open", "gritty", "stack")),
    "lattice-anything": replace(ANYTHING, generator="lattice", kinds=LATTICE_KINDS),
}

KEPT_BACK: dict[str, Mix] = {
    "modes": Mix("bare modes, tidy", generator="modes", manner=_at(30.0)),
    "faint-modes": Mix("bare modes, 14 dB", generator="modes", manner=_at(14.0)),
    "faint-slapping": Mix(
        "sheets that slap, a loud shop, any hand",
        generator="slapping",
        kinds=("chatter", "open"),
        manner=_faintly,
        surface=_taper,
    ),
    "modes-messy": Mix("bare modes, any hand", generator="modes", manner=messy),
    "crushed": Mix("crushed through, no gap", kinds=("crushed",), manner=_at(30.0)),
    "chatter": Mix("sheets that slap", generator="slapping", kinds=("chatter",), manner=_at(30.0)),
    "chatter-panels": Mix(
        "sheets that slap, panels, any hand",
        generator="slapping",
        surface=_panel,
        kinds=("chatter", "crushed"),
        manner=messy,
    ),
    "filled": Mix(
        "half bonded again by resin; the bonded half counts as damage",
        generator="slapping",
        kinds=("filled",),
        manner=_at(30.0),
    ),
    "all-round": Mix("a band all round a tube", places=_all_round, manner=_at(30.0)),
    "short-cones-modes": Mix(
        "bare modes, 9 to 17 stations, any hand, any room",
        generator="modes",
        surface=_short_taper,
        manner=_anyhow,
        radius_mm=(12.0, 20.0),
        count=(1, 1),
    ),
    "half-round": Mix(
        "over half of the girth, more or less", generator="slapping", places=_half_round, manner=_at(28.0)
    ),
    "uneven-panels": Mix(
        "panels, another pitch along than across, sheets that slap or stick, any hand and room",
        generator="slapping",
        surface=_uneven_panel,
        manner=_anyhow,
        kinds=("chatter", "filled", "stack"),
        longest=1.5,
    ),
    "panels-messy": Mix("flat, any hand", surface=_panel, furnished=True, manner=messy, longest=2.0),
    "anything-else": Mix(
        "everything at random, crushed too",
        surface=_anything,
        manner=_anyhow,
        thickness_mm=(1.2, 2.6),
        kinds=(*MANY_KINDS, "crushed"),
        count=(0, 4),
        radius_mm=None,
        depth_mm=(0.35, 0.9),
        longest=2.5,
    ),
}


# A generator written after the damage class was trained. Nothing was trained on it; inputs of the class were
# judged by it, and refused.
UNSEEN: dict[str, Mix] = {
    "diffuse": Mix("random waves, rays across the sheet", generator="diffuse", manner=_at(30.0), longest=1.6),
    "diffuse-messy": Mix(
        "the same, cones, any hand and kind",
        generator="diffuse",
        surface=_taper,
        manner=messy,
        kinds=DIFFUSE_KINDS,
        longest=1.6,
    ),
    "diffuse-panels": Mix(
        "the same, panels, any hand and kind",
        generator="diffuse",
        surface=_panel,
        manner=messy,
        kinds=DIFFUSE_KINDS,
        longest=2.0,
    ),
    "faint-diffuse": Mix(
        "the same, tubes in a loud shop", generator="diffuse", manner=_faintly, kinds=DIFFUSE_KINDS[:-1]
    ),
    "diffuse-sound": Mix("the same, no damage", generator="diffuse", count=(0, 0), manner=messy),
    "diffuse-sound-panels": Mix(
        "the same, panels, no damage", generator="diffuse", surface=_panel, count=(0, 0), manner=messy
    ),
    "diffuse-anything": replace(ANYTHING, generator="diffuse", kinds=DIFFUSE_KINDS),
}


def _odd(name: str, layout: str) -> Mix:
    return Mix(
        f"{name}, points {layout}, any hand and kind",
        generator="odd plates",
        manner=messy,
        surface=lambda rng: draw_face(name, layout, rng),
        places=lambda rng, face: draw_inside(rng, face, 2, (11.0, 17.0), PLATE_KINDS),
        seed=f"odd {name}",
    )


# Plates with an odd outline, each with its points on a plain grid and, on a photo, on a bent grid and
# scattered. Judged side by side; nothing is trained on them.
ODD: dict[str, Mix] = {
    f"{name.split()[0].lower()}-{layout}": _odd(name, layout) for name in odd_names() for layout in LAYOUTS
}

FAMILIES: dict[str, Mix] = {**CHOSEN_ON, **KEPT_BACK, **UNSEEN, **ODD}


def _made(job: tuple[Path, str, int]) -> Path:
    cache, family, number = job
    mix = FAMILIES[family]
    return make_part(cache, family, number, lambda rng: draw_case(mix, rng), mix.seed)


def make_parts(cache: Path, names: Iterable[str], parts: int, jobs: int = 1) -> Iterator[Path]:
    """Yield every part's folder, made now unless it is there: the first of each family, then the next."""
    todo = [(cache, name, number) for number in range(parts) for name in names]
    if jobs == 1:
        yield from map(_made, todo)
        return
    with get_context("spawn").Pool(jobs) as pool:
        yield from pool.imap(_made, todo)
