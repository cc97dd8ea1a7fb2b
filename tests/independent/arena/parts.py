"""One arena part: drawn, written as an inspection folder with its truth, and kept for the next run."""

import shutil
import tempfile
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import soundfile

from tests.independent.arena.faces import Face
from tests.independent.arena.nuisances import Manner, draw_taps, recordings
from tests.independent.strikes import Array, Damage, Generator
from tests.independent.surfaces import Surface, rim_mm, visible_area_mm2

__all__ = ["Case", "Patch", "Truth", "draw_damages", "load_truth", "make_part", "part_folder"]

ZONE = "BM"


@dataclass(frozen=True, slots=True)
class Patch:
    """A painted or taped rectangle: the tapper meets a softer surface there. It is no damage."""

    x_mm: tuple[float, float]
    s_mm: tuple[float, float]
    softness: float  # contact stiffness relative to bare laminate


@dataclass(frozen=True, slots=True, eq=False)
class Case:
    """A drawn part, ready to be tapped. `build` makes its generator, which may take long."""

    surface: Surface | Face
    damages: tuple[Damage, ...]
    manner: Manner
    build: Callable[[], Generator]
    thickness_mm: float = 1.6
    patches: tuple[Patch, ...] = ()


@dataclass(frozen=True, slots=True, eq=False)
class Truth:
    """What is in a part. `rim_mm` (damages, stations, positions) is negative inside; areas as far as visible.

    NaN where the zone has no point.

    `x_mm`, `s_mm` (stations, positions); `pitch_mm` the larger of the grid's two.
    """

    rim_mm: Array
    area_mm2: Array
    kinds: tuple[str, ...]
    depth_mm: Array
    x_mm: Array
    s_mm: Array
    pitch_mm: float
    is_tube: bool

    @property
    def nearest_mm(self) -> Array:
        """Distance from the nearest rim, (stations, positions); infinite in a sound part."""
        return self.rim_mm.min(axis=0) if len(self.rim_mm) else np.full(self.x_mm.shape, np.inf)


def draw_damages(
    rng: np.random.Generator,
    surface: Surface,
    count: int,
    *,
    radius_mm: tuple[float, float],
    depth_mm: tuple[float, float],
    kinds: tuple[str, ...] = ("open",),
    longest: float = 1.0,
    gap_mm: float = 25.0,
) -> tuple[Damage, ...]:
    """Draw damages wholly on the part that keep `gap_mm` between them; on a tube any may cross the seam.

    `longest` is the largest ratio of the two radii; their geometric mean is drawn from `radius_mm`.
    """
    chosen: list[Damage] = []
    low, high = surface.s_range_mm
    for _ in range(500):
        if len(chosen) == count:
            break
        radius = rng.uniform(*radius_mm)
        ratio = np.sqrt(rng.uniform(1, longest))
        reach = radius * ratio + 3
        if surface.length_mm < 2 * reach or (surface.girth_mm is None and high - low < 2 * reach):
            continue
        s = rng.uniform(low, high) if surface.girth_mm else rng.uniform(low + reach, high - reach)
        new = Damage(
            x_mm=rng.uniform(reach, surface.length_mm - reach),
            s_mm=s,
            radii_mm=(radius * ratio, radius / ratio),
            depth_mm=rng.uniform(*depth_mm),
            kind=str(rng.choice(kinds)),
            angle_rad=rng.uniform(0, np.pi) if longest > 1 else 0.0,
        )
        apart = (
            np.hypot(*surface.away_mm(np.array(new.x_mm), np.array(new.s_mm), d)) - max(d.radii_mm) - reach
            for d in chosen
        )
        if all(float(gap) > gap_mm for gap in apart):
            chosen.append(new)
    return tuple(chosen)


def part_folder(cache: Path, family: str, number: int) -> Path:
    return cache / family / f"{number:02d}"


def make_part(
    cache: Path, family: str, number: int, draw: Callable[[np.random.Generator], Case], seed: str = ""
) -> Path:
    """Return the folder of a family's part, made now unless it is there. Equal numbers, equal parts.

    Families with one `seed` draw alike; without one a family's own name is its seed.
    """
    folder = part_folder(cache, family, number)
    if (folder / "truth.npz").exists():
        return folder
    rng = np.random.default_rng([number, *(seed or family).encode()])
    case = draw(rng)
    folder.parent.mkdir(parents=True, exist_ok=True)
    with tempfile.TemporaryDirectory(dir=folder.parent) as made:
        _write(Path(made) / "part", case, rng, f"{family} {number}")
        if folder.exists():  # another process was quicker
            shutil.rmtree(Path(made) / "part")
        else:
            (Path(made) / "part").rename(folder)
    return folder


def _write(folder: Path, case: Case, rng: np.random.Generator, name: str) -> None:
    (folder / "taps").mkdir(parents=True)
    x_mm, s_mm = case.surface.points_mm()
    softness = np.ones(x_mm.shape)
    for patch in case.patches:
        inside = (x_mm >= patch.x_mm[0]) & (x_mm <= patch.x_mm[1])
        inside &= (s_mm >= patch.s_mm[0]) & (s_mm <= patch.s_mm[1])
        softness[inside] *= patch.softness
    there = np.isfinite(x_mm)
    names = np.argwhere(there) + 1
    # Where the zone has gaps its points are walked in a row.
    walked = (x_mm, s_mm, softness) if there.all() else [a[there][:, None] for a in (x_mm, s_mm, softness)]
    taps = draw_taps(case.manner, *walked, rng)
    for (station, position), one in zip(names, recordings(case.build(), taps, case.manner, rng), strict=True):
        file = folder / "taps" / f"{ZONE}-{station:02d}-{position:02d}.flac"
        soundfile.write(file, one.samples, one.rate_hz, subtype="PCM_16", compression_level=0.2)
    surface = case.surface
    shape = surface.written(folder) if isinstance(surface, Face) else _shape(surface)
    (folder / "inspection.toml").write_text(_plan(case, shape, name), encoding="utf-8")
    rims = [rim_mm(case.surface, d, x_mm, s_mm) for d in case.damages]
    np.savez(
        folder / "truth.npz",
        rim_mm=np.array(rims).reshape(-1, *x_mm.shape),
        area_mm2=np.array([_area_mm2(surface, d) for d in case.damages]),
        kinds=np.array([d.kind for d in case.damages], dtype=str),
        depth_mm=np.array([d.depth_mm for d in case.damages]),
        x_mm=x_mm,
        s_mm=s_mm,
        pitch_mm=surface.pitch_mm,
        is_tube=surface.girth_mm is not None,
    )


def _area_mm2(surface: Surface | Face, damage: Damage) -> float:
    return surface.area_mm2(damage) if isinstance(surface, Face) else visible_area_mm2(surface, damage)


def _shape(surface: Surface) -> str:
    """Shape and grid of a zone, as its plan has them."""
    if surface.girth_mm is None:
        shape = f'shape = "panel"\nposition_pitch_mm = {surface.position_pitch_mm}'
    elif surface.girth_mm[0] == surface.girth_mm[1]:
        shape = f'shape = "tube"\ngirth_mm = {surface.girth_mm[0]}'
    else:
        start, end = surface.girth_mm
        shape = f'shape = "tube"\ngirth_start_mm = {start}\ngirth_end_mm = {end}'
    return f"""stations = {surface.stations}
positions = {surface.positions}
station_pitch_mm = {surface.station_pitch_mm}
{shape}
"""


def _plan(case: Case, shape: str, name: str) -> str:
    return f"""[part]
name = "{name}"

[laminate]
thickness_mm = {case.thickness_mm:.6g}

[[zone]]
code = "{ZONE}"
{shape}
[tap]
taps_per_point = {case.manner.taps[1]}
"""


def load_truth(folder: Path) -> Truth:
    """Read a part's truth."""
    with np.load(folder / "truth.npz") as kept:
        return Truth(
            rim_mm=kept["rim_mm"],
            area_mm2=kept["area_mm2"],
            kinds=tuple(kept["kinds"].tolist()),
            depth_mm=kept["depth_mm"],
            x_mm=kept["x_mm"],
            s_mm=kept["s_mm"],
            pitch_mm=float(kept["pitch_mm"]),
            is_tube=bool(kept["is_tube"]),
        )
