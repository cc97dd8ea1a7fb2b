"""Odd plates as a person inspects them: a plain grid, or points on a photo taken by a known camera.

Three ways to lay points on one plate: `plain`, a square grid with what is off the plate left out; `bent`, a
grid laid over the photo and bent; `scattered`, points wherever there was room, their names no grid. The
camera is a pinhole. What somebody clicks is off by some pixels, what somebody measures by some tenths of a
millimetre: the same as tapscan assumes, from memory of how people click.
"""

from dataclasses import dataclass
from pathlib import Path

import numpy as np
from matplotlib.path import Path as Outline
from numpy.typing import NDArray
from PIL import Image, ImageDraw

from tests.independent.plate_modes import rings_of, tables
from tests.independent.strikes import Array, Damage

__all__ = ["LAYOUTS", "Camera", "Face", "draw_camera", "draw_face", "draw_inside"]

Rng = np.random.Generator
LAYOUTS = ("plain", "bent", "scattered")
PITCH_MM, MARGIN_MM = 10.0, 4.0
SIZE_PX, FOCAL_PX, FAR_MM = (2000, 1500), 2600.0, 480.0
CLICK_PX, PLACED_PX, RULE_MM = 2.0, 1.0, 0.25  # standard deviations
SQUARE_MM = 40.0
USUAL_WALL_MM = 1.8  # a saddle's radius follows from it


@dataclass(frozen=True, slots=True)
class Camera:
    """Turned by `tilt_rad` from square on about an axis at `axis_rad` in the picture."""

    tilt_rad: float
    axis_rad: float

    def seen_px(self, at_mm: Array) -> Array:
        """Project places (n, 3), from the plate's middle, z away from the camera."""
        cos, sin = np.cos(self.axis_rad), np.sin(self.axis_rad)
        across = at_mm[:, 0] * -sin + at_mm[:, 1] * cos  # the part at right angles to the axis
        moved = across * (np.cos(self.tilt_rad) - 1) - at_mm[:, 2] * np.sin(self.tilt_rad)
        depth = FAR_MM + across * np.sin(self.tilt_rad) + at_mm[:, 2] * np.cos(self.tilt_rad)
        flat = at_mm[:, :2] + moved[:, None] * np.array([-sin, cos])
        return np.array(SIZE_PX) / 2 + FOCAL_PX * flat / depth[:, None]


@dataclass(frozen=True, slots=True, eq=False)
class Face:
    """A plate with its points; x and s in mm from the corner of its box, (stations, positions), NaN: none."""

    name: str
    length_mm: float
    layout: str
    x_mm: Array
    s_mm: Array
    camera: Camera
    by_square: bool
    seed: int
    pitch_mm: float = PITCH_MM
    girth_mm: None = None

    @property
    def rings_mm(self) -> list[Array]:
        return [ring * self.length_mm for ring in rings_of(self.name)]

    def points_mm(self) -> tuple[Array, Array]:
        """x and s of every point."""
        return self.x_mm, self.s_mm

    def away_mm(self, x_mm: Array, s_mm: Array, damage: Damage) -> tuple[Array, Array]:
        """Distance along and across from a damage's middle."""
        return np.asarray(x_mm) - damage.x_mm, np.asarray(s_mm) - damage.s_mm

    def area_mm2(self, damage: Damage) -> float:
        """Area of a damage on the face: more than that of its plan where the face slopes."""
        return damage.area_mm2 * float(np.hypot(1.0, self._slope(np.array([[damage.x_mm, damage.s_mm]]))[0]))

    def whole_area_mm2(self) -> float:
        """Area of the face within its outline."""
        step = 1.0
        box = np.stack(np.meshgrid(*(np.arange(step / 2, self.length_mm, step),) * 2), axis=-1).reshape(-1, 2)
        on = box[_within(box, self.rings_mm)]
        return float(np.hypot(1.0, self._slope(on)).sum() * step**2)

    @property
    def _per_radius(self) -> float:
        bend = float(tables()[f"panel/{self.name}/bend"])
        return bend * USUAL_WALL_MM / self.length_mm**2

    @property
    def _middle_mm(self) -> Array:
        return np.array([0.5, tables()[f"panel/{self.name}/properties"][0] / 2]) * self.length_mm

    def _slope(self, at_mm: Array) -> Array:
        return np.asarray(np.linalg.norm((at_mm - self._middle_mm) * self._per_radius, axis=1))

    def raised(self, at_mm: Array) -> Array:
        """Places (n, 2) of the plan on the face, (n, 3), from its middle."""
        away = at_mm - self._middle_mm
        return np.column_stack([away, (away[:, 0] ** 2 - away[:, 1] ** 2) * self._per_radius / 2])

    def written(self, folder: Path) -> str:
        """Write the photo, if there is one, into an inspection; return the zone's table for its plan."""
        if self.layout == "plain":
            return self._grid_text()
        (folder / "photos").mkdir()
        path = folder / "photos" / "plate.jpg"
        self._picture().save(path, quality=80)
        from tapscan.pictures import sha256_of

        return f'photo = "photos/plate.jpg"\nphoto_sha256 = "{sha256_of(path)}"\n' + self.photo_text()

    def _grid_text(self) -> str:
        stations, positions = self.x_mm.shape
        off = [f'"{i + 1:02d}-{p + 1:02d}"' for i, p in np.argwhere(np.isnan(self.x_mm))]
        return f"""shape = "panel"
stations = {stations}
positions = {positions}
station_pitch_mm = {PITCH_MM}
position_pitch_mm = {PITCH_MM}
skip = [{", ".join(off)}]
"""

    def photo_text(self) -> str:
        """Everything that was clicked and measured, as the plan has it."""
        rng = np.random.default_rng([self.seed, 3])
        there = np.argwhere(np.isfinite(self.x_mm))
        at = np.column_stack([self.x_mm[tuple(there.T)], self.s_mm[tuple(there.T)]])
        clicked = self._clicked(at, PLACED_PX, rng).tolist()
        names = [f"{i + 1:02d}-{p + 1:02d}" for i, p in there]
        points = ", ".join(
            f'["{name}", {x:.1f}, {y:.1f}]' for name, (x, y) in zip(names, clicked, strict=True)
        )
        outline, *holes = (_text(self._clicked(ring, CLICK_PX / 2, rng)) for ring in self.rings_mm)
        scale = self._square_text(rng) if self.by_square else self._lengths_text(rng)
        return f"""shape = "photo"
{scale}
outline = {outline}
holes = [{", ".join(holes)}]
points = [{points}]
"""

    def _clicked(self, at_mm: Array, sd_px: float, rng: Rng) -> Array:
        return self.camera.seen_px(self.raised(at_mm)) + sd_px * rng.standard_normal((len(at_mm), 2))

    def square_mm(self) -> Array:
        """Corners of the printed square, laid where the face has room for it."""
        rng = np.random.default_rng([self.seed, 4])
        corners = np.array([(-0.5, -0.5), (0.5, -0.5), (0.5, 0.5), (-0.5, 0.5)]) * SQUARE_MM
        for _ in range(1000):
            laid = corners + rng.uniform(0, self.length_mm, 2)
            if _within(laid, self.rings_mm).all():
                break
        return laid

    def _square_text(self, rng: Rng) -> str:
        clicked = _text(self._clicked(self.square_mm(), CLICK_PX, rng))
        return f"square = {{corners = {clicked}, side_mm = {SQUARE_MM}}}"

    def _lengths_text(self, rng: Rng) -> str:
        """Five distances between places far apart, measured in a straight line."""
        ends = draw_points(self.rings_mm, self.length_mm, 60, rng).reshape(-1, 2, 2)
        long = np.argsort(-np.linalg.norm(ends[:, 0] - ends[:, 1], axis=1))[:5]
        rows = []
        for pair in ends[long]:
            true = float(np.linalg.norm(np.subtract(*self.raised(pair))))
            (a, b), (c, d) = self._clicked(pair, CLICK_PX, rng).tolist()
            length = true + RULE_MM * rng.standard_normal()
            rows.append(f"{{from = [{a:.1f}, {b:.1f}], to = [{c:.1f}, {d:.1f}], length_mm = {length:.2f}}}")
        return f"scale = [{', '.join(rows)}]"

    def _picture(self) -> Image.Image:
        picture = Image.new("L", SIZE_PX, 205)
        pen = ImageDraw.Draw(picture)
        for ring, shade in zip(self.rings_mm, (70, *(205,) * 9), strict=False):
            pen.polygon([tuple(at) for at in self.camera.seen_px(self.raised(_finer(ring)))], fill=shade)
        if self.by_square:
            corners = self.camera.seen_px(self.raised(self.square_mm()))
            pen.polygon([tuple(at) for at in corners], fill=240)
        on = np.isfinite(self.x_mm)
        for x, y in self.camera.seen_px(self.raised(np.column_stack([self.x_mm[on], self.s_mm[on]]))):
            pen.ellipse((x - 3, y - 3, x + 3, y + 3), fill=160)
        return picture


def _finer(ring: Array) -> Array:
    """Sides of a ring in short pieces, so that curved ones are drawn curved."""
    share = np.linspace(0, 1, 20, endpoint=False)[:, None]
    return np.concatenate([a + share * (b - a) for a, b in zip(ring, np.roll(ring, -1, axis=0), strict=True)])


def _text(places: Array) -> str:
    return "[" + ", ".join(f"[{x:.1f}, {y:.1f}]" for x, y in places.tolist()) + "]"


def _within(at_mm: Array, rings_mm: list[Array], margin_mm: float = 0.0) -> NDArray[np.bool_]:
    """Whether places are within the first ring, outside the others, and so far from each."""
    found = np.ones(len(at_mm), dtype=bool)
    for number, ring in enumerate(rings_mm):
        found &= Outline(ring).contains_points(at_mm) != (number > 0)
        if margin_mm:
            found &= _from_ring_mm(at_mm, ring) > margin_mm
    return found


def _from_ring_mm(at_mm: Array, ring: Array) -> Array:
    """Distance of places (n, 2) from the nearest side of a ring."""
    side = np.roll(ring, -1, axis=0) - ring
    away = at_mm[:, None] - ring[None]
    share = np.clip((away * side).sum(axis=2) / (side**2).sum(axis=1), 0, 1)
    return np.asarray(np.linalg.norm(away - share[..., None] * side, axis=2).min(axis=1))


def draw_points(rings_mm: list[Array], length_mm: float, count: int, rng: Rng) -> Array:
    """Draw places (count, 2) on a plate."""
    many = rng.uniform(0, length_mm, (20 * count, 2))
    return many[_within(many, rings_mm)][:count]


def draw_camera(rng: Rng, *, by_square: bool) -> Camera:
    """A photo as somebody takes it: square on by eye; a printed square allows more tilt."""
    most = np.radians(40.0 if by_square else 12.0)
    return Camera(rng.uniform(0, most), rng.uniform(0, 2 * np.pi))


def draw_face(name: str, layout: str, rng: Rng) -> Face:
    """Draw a plate; whatever the layout, equal generators give equal plates and are left in one state."""
    length_mm, by_square = float(rng.uniform(190, 230)), bool(rng.uniform() < 0.5)
    seed = int(rng.integers(1 << 31))
    own = np.random.default_rng([seed, LAYOUTS.index(layout)])
    camera = draw_camera(np.random.default_rng([seed, 9]), by_square=by_square)
    rings = [ring * length_mm for ring in rings_of(name)]
    x_mm, s_mm = (_scattered if layout == "scattered" else _lattice)(rings, length_mm, layout, own)
    return Face(name, length_mm, layout, x_mm, s_mm, camera, by_square, seed)


def _lattice(rings: list[Array], length_mm: float, layout: str, rng: Rng) -> tuple[Array, Array]:
    """A square grid over the box, bent or not, without what is off the plate."""
    count = int(length_mm // PITCH_MM)
    at = (np.arange(-1, count + 2) + 0.5) * PITCH_MM
    x, s = np.meshgrid(at, at, indexing="ij")
    if layout == "bent":
        along, across = 2 * np.pi * x / length_mm, 2 * np.pi * s / length_mm
        phase, size = rng.uniform(0, 2 * np.pi, 2), rng.uniform(5.0, 9.0, 2)
        x, s = (
            x + size[0] * np.sin(0.7 * across + phase[0]),
            s + size[1] * np.sin(0.7 * along + phase[1]),
        )
    off = ~_within(np.stack([x, s], axis=-1).reshape(-1, 2), rings, MARGIN_MM).reshape(x.shape)
    x[off] = s[off] = np.nan
    rows, columns = (~off).any(axis=1), (~off).any(axis=0)
    return x[rows][:, columns], s[rows][:, columns]


def _scattered(rings: list[Array], length_mm: float, _layout: str, rng: Rng) -> tuple[Array, Array]:
    """As many points as a square grid has, each far from those before it, in the order of a short walk."""
    count = int(np.isfinite(_lattice(rings, length_mm, "plain", rng)[0]).sum())
    chosen = [rng.permutation(_inner(rings, length_mm, 1, rng))[0]]
    while len(chosen) < count:
        offered = _inner(rings, length_mm, 12, rng)
        apart = np.linalg.norm(offered[:, None] - np.array(chosen)[None], axis=2).min(axis=1)
        chosen.append(offered[int(np.argmax(apart))])
    left, walk = np.array(chosen), [0]
    todo = set(range(1, count))
    while todo:
        ahead = np.array(sorted(todo))
        walk.append(int(ahead[np.argmin(np.linalg.norm(left[ahead] - left[walk[-1]], axis=1))]))
        todo.remove(walk[-1])
    return left[walk, 0][None], left[walk, 1][None]


def _inner(rings: list[Array], length_mm: float, count: int, rng: Rng) -> Array:
    offered = rng.uniform(0, length_mm, (8 * count + 40, 2))
    return offered[_within(offered, rings, MARGIN_MM)][:count]


def draw_inside(
    rng: Rng, face: Face, count: int, radius_mm: tuple[float, float], kinds: tuple[str, ...]
) -> tuple[Damage, ...]:
    """Draw damages wholly on a plate, 25 mm apart."""
    chosen: list[Damage] = []
    turn = np.linspace(0, 2 * np.pi, 60, endpoint=False)
    for _ in range(500):
        radius, ratio = rng.uniform(*radius_mm), np.sqrt(rng.uniform(1, 1.8))
        place, angle, depth = rng.uniform(0, face.length_mm, 2), rng.uniform(0, np.pi), rng.uniform(0.35, 0.8)
        new = Damage(*place.tolist(), (radius * ratio, radius / ratio), depth, str(rng.choice(kinds)), angle)
        rim = place + (radius * ratio + 4.0) * np.column_stack([np.cos(turn), np.sin(turn)])
        apart = (
            np.hypot(d.x_mm - new.x_mm, d.s_mm - new.s_mm) - max(d.radii_mm) - radius * ratio for d in chosen
        )
        if len(chosen) < count and _within(rim, face.rings_mm).all() and all(gap > 25 for gap in apart):
            chosen.append(new)
    return tuple(chosen)
