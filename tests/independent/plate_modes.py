"""Panels whose modes came from a finite-element library, sound and damaged.

Flat ones are of `make_plates.py`, those with an odd outline of `make_odd_plates.py`.

Damage adds loose sheets, each a sum of its own clamped modes that move against what is beneath; one
eigenvalue problem couples them with the panel's (Rayleigh-Ritz). Where D is the bending stiffness and σ the
mass of an area, the work of a sheet's bending on that of what carries it needs no derivative: partial
integration over a clamped sheet χ gives ∫D_s κ(g):κ(χ) = D_s/D_g σ_g ω_g² ∫gχ, for any mode g of what carries
it. Carriers lose D_g - ΣD_s there. Sheets that touch slide on each other all the same.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache
from itertools import permutations
from pathlib import Path
from typing import Any

import numpy as np
from matplotlib.path import Path as Outline
from numpy.polynomial import legendre
from numpy.typing import NDArray
from scipy.interpolate import BSpline, RegularGridInterpolator, make_interp_spline
from scipy.linalg import eigh

from tests.independent.strikes import Damage

__all__ = [
    "HIGHEST_HZ",
    "PLATE_KINDS",
    "Plate",
    "Sheet",
    "coupled",
    "odd_names",
    "panel_names",
    "refuse_overlap",
    "rings_of",
    "sheets_of",
    "tables",
]

Array = NDArray[np.float64]

PLATE_KINDS = ("open", "bridged", "sliding", "stack")
HIGHEST_HZ = 19.5e3  # modes beyond are springs: the anti-alias filter's flat part ends there
INDEPENDENT = 0.02  # of the squared length of a unit mode: what less is new in it is left out
TABLES = Path(__file__).with_name("plates.npz")
ODD_TABLES = Path(__file__).with_name("odd_plates.npz")
CLAMPED = {"circle": 1.0, "wide": 0.75, "narrow": 0.5}
SWELL = 1.15  # how far an irregular rim goes beyond its ellipse
BRIDGED = ("rim bridged", "spots bridged")


@cache
def tables() -> dict[str, Any]:
    kept: dict[str, Any] = {}
    for file in (TABLES, ODD_TABLES):
        with np.load(file) as arrays:
            kept |= arrays
    return kept


@cache
def _panels(*, are_odd: bool) -> tuple[str, ...]:
    every = dict.fromkeys(key.split("/")[1] for key in tables() if key.startswith("panel/"))
    return tuple(name for name in every if are_odd == (f"panel/{name}/rings" in tables()))


def panel_names() -> tuple[str, ...]:
    """Name the rectangular panels."""
    return _panels(are_odd=False)


def odd_names() -> tuple[str, ...]:
    """Name the plates with an odd outline."""
    return _panels(are_odd=True)


def rings_of(name: str) -> list[Array]:
    """Outline and holes of an odd plate, in parts of its length; none for a rectangle."""
    count = int(tables().get(f"panel/{name}/rings", 0))
    return [tables()[f"panel/{name}/ring {n}"] for n in range(count)]


@dataclass(frozen=True, slots=True)
class Plate:
    """The sound panel, how its zone is on it, and who listens.

    `origin_mm` is the zone's first corner from the panel's, along the panel's own axes; `is_turned`: the
    panel's length runs across the zone.
    """

    name: str
    length_m: float
    wall_m: float
    origin_mm: tuple[float, float]
    is_turned: bool = False
    modulus_pa: float = 58e9
    density_kg_m3: float = 1550.0
    damping: float = 0.009
    loose_damping: float = 0.025
    contact_loss_s_m: float = 0.3
    microphone_mm: float = 25.0  # over the surface
    listening_mm: float = 18.0  # standard deviation of the region that it hears
    seed: int = 0

    @property
    def bending_n_m(self) -> float:
        """Along the panel's length."""
        return self.modulus_pa * self.wall_m**3 / 12 / (1 - 0.3**2)

    @property
    def ratios(self) -> Array:
        """D22, D12 and D66 over D11."""
        ratios: Array = tables()[f"panel/{self.name}/properties"][1:]
        return ratios

    @property
    def mean_bending_n_m(self) -> float:
        """Of an isotropic plate with as many modes: √(D11 D22)."""
        return float(self.bending_n_m * np.sqrt(self.ratios[0]))

    @property
    def mass_kg_m2(self) -> float:
        return self.density_kg_m3 * self.wall_m

    @property
    def omega_rad_s(self) -> Array:
        kappa: Array = tables()[f"panel/{self.name}/kappa"]
        return kappa / self.length_m**2 * np.sqrt(self.bending_n_m / self.mass_kg_m2)

    def place_m(self, x_mm: Array, s_mm: Array) -> Array:
        """Places of the zone on the panel, (..., 2)."""
        both = (s_mm, x_mm) if self.is_turned else (x_mm, s_mm)
        return np.stack([a + start for a, start in zip(both, self.origin_mm, strict=True)], axis=-1) / 1e3

    def thickness_m(self, place_m: Array) -> Array:
        table = tables()[f"panel/{self.name}/thickness"]
        aspect = tables()[f"panel/{self.name}/properties"][0]
        sides = (np.linspace(0, 1, table.shape[0]), np.linspace(0, aspect, table.shape[1]))
        at = RegularGridInterpolator(sides, table, bounds_error=False, fill_value=None)
        return self.wall_m * at(np.clip(place_m / self.length_m, 0, (1, aspect)))

    def is_on(self, place_m: Array) -> NDArray[np.bool_]:
        aspect = tables()[f"panel/{self.name}/properties"][0]
        found = np.all((place_m >= 0) & (place_m <= np.array([1, aspect]) * self.length_m), axis=-1)
        for number, ring in enumerate(rings_of(self.name)):
            within = Outline(ring * self.length_m).contains_points(place_m.reshape(-1, 2))
            found &= within.reshape(found.shape) != (number > 0)
        return np.asarray(found)

    @property
    def bent_rad_s(self) -> Array:
        """ω of each mode, of the work of its bending alone: what sheets take over where they are loose."""
        table = tables()
        kappa: Array = table.get(f"panel/{self.name}/bent", table[f"panel/{self.name}/kappa"])
        return kappa / self.length_m**2 * np.sqrt(self.bending_n_m / self.mass_kg_m2)

    def shapes(self, place_m: Array, derivative: tuple[int, int] = (0, 0)) -> Array:
        """Mass-normalised shapes (points, modes), or a derivative of them, at places (points, 2)."""
        table = {k: tables()[f"panel/{self.name}/{k}"] for k in ("degrees", "coefficients", "properties")}
        lengths = self.length_m * np.array([1.0, table["properties"][0]])
        at = np.clip(2 * place_m / lengths - 1, -1, 1)
        sides = []
        for k in range(2):
            count = table["degrees"][k].max() + 1
            norm = np.sqrt(2 * np.arange(count) + 1.0)
            eye = legendre.legder(np.eye(count), derivative[k]) if derivative[k] else np.eye(count)
            side = legendre.legvander(at[:, k], eye.shape[0] - 1) @ eye
            sides.append((side * norm * (2 / lengths[k]) ** derivative[k])[:, table["degrees"][k]])
        scale = 8192 * np.sqrt(self.mass_kg_m2 * self.length_m**2)
        return (sides[0] * sides[1]) @ table["coefficients"] / scale


@dataclass(frozen=True, slots=True, eq=False)
class Sheet:
    """One loose sheet: a clamped outline of a table, stretched to its place. `carrier` is None: the panel."""

    table: str
    centre_m: Array
    radii_m: tuple[float, float]
    angle_rad: float
    bending_n_m: float
    mass_kg_m2: float
    carrier: "Sheet | None" = None
    is_struck: bool = True  # the tapper touches it: not one beneath another

    @property
    def _table(self) -> dict[str, Any]:
        keys = ("lambda2", "reach", "scale", "shapes", "rest", "covered", "outline")
        return {key: tables()[f"sheet/{self.table}/{key}"] for key in keys}

    @property
    def stretch_m(self) -> Array:
        return np.array([self.radii_m[0], self.radii_m[1] / self._table["outline"][0]])

    @property
    def omega_rad_s(self) -> Array:
        speed = np.sqrt(self.bending_n_m / self.mass_kg_m2)
        omega: Array = self._table["lambda2"] * speed / np.prod(self.stretch_m)
        return omega[omega < 2 * np.pi * HIGHEST_HZ]

    def _own(self, place_m: Array) -> Array:
        turn = np.array(
            [
                [np.cos(self.angle_rad), -np.sin(self.angle_rad)],
                [np.sin(self.angle_rad), np.cos(self.angle_rad)],
            ]
        )
        return (place_m - self.centre_m) @ turn / self.stretch_m

    def grid(self) -> tuple[Array, Array]:
        """Places (points, 2) on which integrals over the sheet are taken, and the area of each, m²."""
        table = self._table
        side = np.linspace(-table["reach"], table["reach"], table["covered"].shape[0])
        own = np.stack(np.meshgrid(side, side, indexing="ij"), axis=-1).reshape(-1, 2)
        turn = np.array(
            [
                [np.cos(self.angle_rad), np.sin(self.angle_rad)],
                [-np.sin(self.angle_rad), np.cos(self.angle_rad)],
            ]
        )
        area = table["covered"].ravel() * (side[1] - side[0]) ** 2 * np.prod(self.stretch_m)
        return self.centre_m + (own * self.stretch_m) @ turn, area

    def shapes(self, place_m: Array, derivative: tuple[int, int] = (0, 0)) -> Array:
        """Mass-normalised shapes (points, modes), zero outside; derivatives along its own axes."""
        table, count = self._table, self.omega_rad_s.size
        own = self._own(place_m)
        inside = np.all(np.abs(own) < table["reach"], axis=1)
        found = np.zeros((len(place_m), count))
        if inside.any() and count:
            values = table["shapes"][:, :, :count] * (table["scale"][:count] / 32767)
            found[inside] = _spline(values, table["reach"], own[inside], derivative)
        scale = np.sqrt(self.mass_kg_m2 * np.prod(self.stretch_m)) * np.prod(
            self.stretch_m ** np.array(derivative)
        )
        return found / scale

    def rest_m_n(self, place_m: Array) -> Array:
        """Compliance of the modes left out under a load at each place, (points,)."""
        table, count = self._table, self.omega_rad_s.size
        own = self._own(place_m)
        inside = np.all(np.abs(own) < table["reach"], axis=1)
        found = np.zeros(len(place_m))
        if inside.any():
            late = table["shapes"][:, :, count:] * (table["scale"][count:] / 32767)
            rest = table["rest"] + ((late / table["lambda2"][count:]) ** 2).sum(axis=2)
            found[inside] = np.maximum(_spline(rest[..., None], table["reach"], own[inside], (0, 0))[:, 0], 0)
        return found * np.prod(self.stretch_m) / self.bending_n_m


def _spline(values: Array, reach: float, at: Array, derivative: tuple[int, int]) -> Array:
    """Cubic spline through values (side, side, functions) on a square, at points (points, 2) within."""
    side = np.linspace(-reach, reach, values.shape[0])
    along = make_interp_spline(side, values, axis=0)
    both = make_interp_spline(side, along.c, axis=1)
    coefficients = np.moveaxis(both.c, 0, 1)  # a spline's own axis comes first
    bases = [BSpline(both.t, np.eye(side.size), 3)(at[:, k], nu=derivative[k]) for k in range(2)]
    return np.einsum("pi,pj,ijm->pm", *bases, coefficients, optimize=True)


def refuse_overlap(damages: Sequence[Damage]) -> None:
    """Raise ValueError where two places of damage overlap: the same sheet would be lost twice."""
    angle = np.linspace(0, 2 * np.pi, 64)
    for one, other in permutations(damages, 2):
        rims = (
            np.outer((0, 1), np.cos(angle)) * one.radii_mm[0],
            np.outer((0, 1), np.sin(angle)) * one.radii_mm[1],
        )
        cos, sin = np.cos(one.angle_rad), np.sin(one.angle_rad)
        dx = one.x_mm - other.x_mm + rims[0] * cos - rims[1] * sin
        ds = one.s_mm - other.s_mm + rims[0] * sin + rims[1] * cos
        cos, sin = np.cos(other.angle_rad), np.sin(other.angle_rad)
        away = np.hypot((dx * cos + ds * sin) / other.radii_mm[0], (ds * cos - dx * sin) / other.radii_mm[1])
        if away.min() < SWELL**2:
            msg = f"damages at {one.x_mm:g} and {other.x_mm:g} mm overlap: give one of kind stack instead"
            raise ValueError(msg)


def _table_for(damage: Damage, aspect: float, rng: np.random.Generator) -> str:
    if damage.kind == "bridged":
        return str(rng.choice(BRIDGED))
    if aspect > 0.7 and rng.uniform() < 0.4:
        return "irregular"
    return min(CLAMPED, key=lambda name: abs(np.log(CLAMPED[name] / aspect)))


def sheets_of(plate: Plate, damage: Damage, rng: np.random.Generator) -> list[Sheet]:
    """The sheets that a place of damage sets loose."""
    if damage.kind not in PLATE_KINDS:
        msg = f'damage "{damage.kind}": panels know {", ".join(PLATE_KINDS)}'
        raise ValueError(msg)
    centre = plate.place_m(np.array(damage.x_mm), np.array(damage.s_mm))
    wall_m = float(plate.thickness_m(centre[None])[0])
    bending = plate.mean_bending_n_m * (wall_m / plate.wall_m) ** 3
    radii, angle = np.array(damage.radii_mm) / 1e3, damage.angle_rad
    angle = np.pi / 2 - angle if plate.is_turned else angle
    if radii[1] > radii[0]:
        radii, angle = radii[::-1], angle + np.pi / 2
    table = _table_for(damage, radii[1] / radii[0], rng)
    upper = min(damage.depth_mm / 1e3, 0.8 * wall_m) / wall_m
    plies = np.exp(rng.uniform(-0.2, 0.2))  # which way the plies of the upper sheet run

    def sheet(share: float, **more: Any) -> Sheet:
        stiffness = bending * min(share**3 * plies, 0.9 * share)
        at = {"centre_m": centre, "radii_m": tuple(radii), "table": table} | more
        return Sheet(
            angle_rad=angle,
            mass_kg_m2=plate.density_kg_m3 * wall_m * share,
            **({"bending_n_m": stiffness} | at),
        )

    if damage.kind == "sliding":
        return [sheet(1.0, bending_n_m=bending * (upper**3 + (1 - upper) ** 3))]
    if damage.kind != "stack":
        return [sheet(upper), sheet(1 - upper, is_struck=False)]
    # The deeper one is the larger, and it is a plain ellipse: the upper one's rim is on a loose sheet itself.
    second = min(upper * rng.uniform(1.6, 2.4), (1 + upper) / 2)
    plain = min(CLAMPED, key=lambda name: abs(np.log(CLAMPED[name] / (radii[1] / radii[0]))))
    both = sheet(second, table=plain)
    smaller = {
        "carrier": both,
        "centre_m": centre + rng.uniform(-0.1, 0.1, 2) * radii.min(),
        "radii_m": tuple(radii * rng.uniform(0.6, 0.8)),
    }
    return [
        both,
        sheet(1 - second, table=plain, is_struck=False),
        sheet(upper, **smaller),
        sheet(second - upper, is_struck=False, **smaller),
    ]


def coupled(plate: Plate, sheets: tuple[Sheet, ...]) -> tuple[Array, Array, Array]:
    """ω (modes,), vectors (functions, modes) and how much of each mode's motion is loose, 0 to 1."""
    own = plate.omega_rad_s
    counts = [own.size, *(s.omega_rad_s.size for s in sheets)]
    ends = np.cumsum(counts)
    columns = [slice(e - c, e) for e, c in zip(ends, counts, strict=True)]
    mass, stiffness = np.eye(ends[-1]), np.diag(np.concatenate([own, *(s.omega_rad_s for s in sheets)]) ** 2)
    for sheet, mine in zip(sheets, columns[1:], strict=True):
        place, area = sheet.grid()
        area = area * plate.is_on(place)
        chi = sheet.shapes(place) * area[:, None]
        wall = plate.thickness_m(sheet.centre_m[None])[0] / plate.wall_m
        bending, heavier = plate.mean_bending_n_m * wall**3, _thicker(plate, sheet, place)[:, None]
        bent = plate.bent_rad_s
        carriers = [(columns[0], plate.shapes(place), heavier, bent, bending, plate.mass_kg_m2 * wall)]
        if sheet.carrier is not None:
            under = sheet.carrier
            theirs = columns[1 + sheets.index(under)]
            even = np.ones_like(heavier)
            g = under.shapes(place)
            carriers.append((theirs, g, even, under.omega_rad_s, under.bending_n_m, under.mass_kg_m2))
        for theirs, g, heavier, omega, bending, mass_kg_m2 in carriers:
            mass[theirs, mine] = sheet.mass_kg_m2 * g.T @ chi
            carried = mass_kg_m2 * (g * heavier).T @ chi
            stiffness[theirs, mine] = sheet.bending_n_m / bending * omega[:, None] ** 2 * carried
            mass[mine, theirs], stiffness[mine, theirs] = mass[theirs, mine].T, stiffness[theirs, mine].T
    for sheet in (s for s in sheets if s.is_struck):
        theirs = columns[0] if sheet.carrier is None else columns[1 + sheets.index(sheet.carrier)]
        stiffness[theirs, theirs] -= _lost_work(plate, sheet, sheets)
    values, vectors = _solved(stiffness, mass)
    # Splines and tables err a little, and a combination may come out without stiffness of its own: none such
    # is real, since three sheets keep a ninth of a wall's stiffness at least.
    kept = (values < (2 * np.pi * HIGHEST_HZ) ** 2) & (values > own[0] ** 2 / 9)
    loose = np.clip((vectors[own.size :, kept] ** 2).sum(axis=0), 0, 1)
    return np.sqrt(np.maximum(values[kept], 1.0)), vectors[:, kept], loose


def _solved(stiffness: Array, mass: Array) -> tuple[Array, Array]:
    """Eigenvalues and vectors over what is independent: panel modes and sheets overlap."""
    lengths, axes = eigh(mass)
    axes = axes[:, lengths > INDEPENDENT] / np.sqrt(lengths[lengths > INDEPENDENT])
    values, vectors = eigh(axes.T @ stiffness @ axes)
    return values, axes @ vectors


def _thicker(plate: Plate, sheet: Sheet, place_m: Array) -> Array:
    """The wall at places over that at a sheet's middle: each sheet is taken to be the same share of it."""
    middle = plate.thickness_m(sheet.centre_m[None])[0]
    return np.asarray(plate.thickness_m(place_m) / middle)


def _lost_work(plate: Plate, sheet: Sheet, sheets: tuple[Sheet, ...]) -> Array:
    """Bending work that a carrier's modes no longer find where `sheet` and its fellow are loose."""
    place, area = sheet.grid()
    left = sum(s.bending_n_m for s in sheets if s.carrier is sheet.carrier and s.centre_m is sheet.centre_m)
    if sheet.carrier is None:
        area = area * plate.is_on(place) * _thicker(plate, sheet, place) ** 3
        wall = plate.thickness_m(sheet.centre_m[None])[0] / plate.wall_m
        ratios, whole = plate.ratios, plate.mean_bending_n_m * wall**3
        xx, yy, xy = (plate.shapes(place, d) for d in ((2, 0), (0, 2), (1, 1)))
        lost, omega = (whole - left) / np.sqrt(ratios[0]), np.maximum(plate.omega_rad_s, 1.0)
    else:
        ratios, whole, omega = np.array([1, 0.3, 0.35]), sheet.carrier.bending_n_m, sheet.carrier.omega_rad_s
        lost = whole - left
        xx, yy, xy = (sheet.carrier.shapes(place, d) for d in ((2, 0), (0, 2), (1, 1)))
    weight = area[:, None]
    cross = (xx * weight).T @ yy
    direct = (xx * weight).T @ xx + ratios[0] * (yy * weight).T @ yy + ratios[1] * (cross + cross.T)
    work = lost * (direct + 4 * ratios[2] * (xy * weight).T @ xy)
    # Over a part of the carrier no more can be lost than this share of all its work.
    share = 1 - left / whole
    values, vectors = eigh(work / np.outer(omega, omega))
    bound = (vectors * np.clip(values, 0, share)) @ vectors.T
    return np.asarray(bound * np.outer(omega, omega))
