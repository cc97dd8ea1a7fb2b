"""Taps on flat panels whose modes came from a finite-element library (`make_plates.py`).

The panel is a sum of those modes. Damage adds loose sheets, each a sum of its own clamped modes that move
against what is beneath; one eigenvalue problem couples them (Rayleigh-Ritz). Where D is the bending stiffness
and σ the mass of an area, the work of a sheet's bending on that of what carries it needs no derivative:
partial integration over a clamped sheet χ gives ∫D_s κ(g):κ(χ) = D_s/D_g σ_g ω_g² ∫gχ, for any mode g of
what carries it. Carriers lose D_g - ΣD_s there. Sheets that touch slide on each other all the same.

The tapper is a mass on a Hertzian contact with a loss after Hunt & Crossley (from memory: J. Appl. Mech. 42,
1975): F = k δ^1.5 (1 + c dδ/dt). Tapper and modes are integrated together, each mode exactly from step to
step, at ten times the recordings' rate. Modes left out are a spring in series: of the panel those that an
infinite plate would have, 1/(4π√(Dσ)ω) beyond ω (from a plate's modal density, √(σ/D)/4π an area and rad/s).
The sound is the surface's acceleration over some centimetres beneath the microphone, by Rayleigh's integral.
"""

from collections.abc import Sequence
from dataclasses import dataclass, field
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np
from numpy.polynomial import legendre
from numpy.typing import NDArray
from scipy.interpolate import BSpline, RegularGridInterpolator, make_interp_spline
from scipy.linalg import eigh
from scipy.signal import firwin, upfirdn

from tests.independent.strikes import LEAD_S, RATE_HZ, TAP_S, Damage, Strikes

__all__ = ["PLATE_KINDS", "Plate", "PlateTaps", "draw"]

Array = NDArray[np.float64]

PLATE_KINDS = ("open", "bridged", "sliding", "stack")
FINER = 10  # steps of the contact to a sample
CONTACT_S, AFTER_S = 2.4e-3, 0.5e-3  # the tapper has left for good; then the panel rings alone
HIGHEST_HZ = 19.5e3  # modes beyond are springs: the anti-alias filter's flat part ends there
FILTER_HALF = 16 * FINER
SOUND_M_S = 343.0
RINGS_MM = ((0.0, 1), (8.0, 4), (18.0, 6), (32.0, 8))  # where the surface is heard, and at how many points
RING_EDGES_MM = (0.0, 4.0, 13.0, 25.0, 40.0)
INDEPENDENT = 0.02  # of the squared length of a unit mode: what less is new in it is left out
RING_SHARE = 0.1  # of the sound, that comes from right beneath the tapper
CHUNK = 256
TABLES = Path(__file__).with_name("plates.npz")
CLAMPED = {"circle": 1.0, "wide": 0.75, "narrow": 0.5}
BRIDGED = ("rim bridged", "spots bridged")


@cache
def _tables() -> dict[str, Any]:
    with np.load(TABLES) as arrays:
        return dict(arrays)


@cache
def panel_names() -> tuple[str, ...]:
    return tuple(dict.fromkeys(k.split("/")[1] for k in _tables() if k.startswith("panel/")))


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
        ratios: Array = _tables()[f"panel/{self.name}/properties"][1:]
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
        kappa: Array = _tables()[f"panel/{self.name}/kappa"]
        return kappa / self.length_m**2 * np.sqrt(self.bending_n_m / self.mass_kg_m2)

    def place_m(self, x_mm: Array, s_mm: Array) -> Array:
        """Places of the zone on the panel, (..., 2)."""
        both = (s_mm, x_mm) if self.is_turned else (x_mm, s_mm)
        return np.stack([a + start for a, start in zip(both, self.origin_mm, strict=True)], axis=-1) / 1e3

    def thickness_m(self, place_m: Array) -> Array:
        table = _tables()[f"panel/{self.name}/thickness"]
        aspect = _tables()[f"panel/{self.name}/properties"][0]
        sides = (np.linspace(0, 1, table.shape[0]), np.linspace(0, aspect, table.shape[1]))
        at = RegularGridInterpolator(sides, table, bounds_error=False, fill_value=None)
        return self.wall_m * at(np.clip(place_m / self.length_m, 0, (1, aspect)))

    def is_on(self, place_m: Array) -> NDArray[np.bool_]:
        aspect = _tables()[f"panel/{self.name}/properties"][0]
        return np.all((place_m >= 0) & (place_m <= np.array([1, aspect]) * self.length_m), axis=-1)

    def shapes(self, place_m: Array, derivative: tuple[int, int] = (0, 0)) -> Array:
        """Mass-normalised shapes (points, modes), or a derivative of them, at places (points, 2)."""
        table = {k: _tables()[f"panel/{self.name}/{k}"] for k in ("degrees", "coefficients", "properties")}
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
        return {key: _tables()[f"sheet/{self.table}/{key}"] for key in keys}

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
    coefficients = both.c if both.c.shape == values.shape else np.moveaxis(both.c, 0, 1)
    bases = [BSpline(both.t, np.eye(side.size), 3)(at[:, k], nu=derivative[k]) for k in range(2)]
    return np.einsum("pi,pj,ijm->pm", *bases, coefficients, optimize=True)


def draw(
    rng: np.random.Generator,
    *,
    stations: int,
    positions: int,
    pitch_mm: float,
    shape: str = "panel",
    damages: Sequence[Damage] = (),
    across_mm: float | None = None,
) -> "PlateTaps":
    """A panel as one may meet it, with a zone of `stations` · `pitch_mm` by `across_mm` somewhere on it.

    `across_mm` is `positions` · `pitch_mm` when None. Of the damages, kinds in `PLATE_KINDS` are known.
    Raises ValueError where the zone is too large for the modes at hand, or the shape is no panel.
    """
    if shape != "panel":
        msg = f'shape "{shape}": these generators are panels'
        raise ValueError(msg)
    size = np.array([stations * pitch_mm, positions * pitch_mm if across_mm is None else across_mm])
    name = str(rng.choice(panel_names()))
    aspect = float(_tables()[f"panel/{name}/properties"][0])
    is_turned = bool(size[1] > size[0])
    along, across = size[::-1] if is_turned else size
    margins = rng.uniform(8, 20, 2)
    length_mm = max(along + 2 * margins[0], (across + 2 * margins[1]) / aspect)
    spare = np.array([length_mm - along, length_mm * aspect - across])
    plate = Plate(
        name=name,
        length_m=length_mm / 1e3,
        wall_m=1.0,
        origin_mm=tuple(rng.uniform(np.minimum(8, spare / 2), np.maximum(spare - 8, spare / 2))),
        is_turned=is_turned,
        modulus_pa=rng.uniform(45e9, 75e9),
        density_kg_m3=rng.uniform(1500, 1600),
        damping=rng.uniform(0.006, 0.013),
        loose_damping=rng.uniform(0.015, 0.035),
        contact_loss_s_m=rng.uniform(0.1, 0.6),
        microphone_mm=rng.uniform(15, 35),
        listening_mm=rng.uniform(12, 20),
        seed=int(rng.integers(2**31)),
    )
    # ω grows as the wall: the thinnest whose modes at hand reach 11 kHz, or 1.2 mm.
    thinnest = max(1.2e-3, 2 * np.pi * 11e3 / plate.omega_rad_s[-1])
    if thinnest > 4e-3:
        msg = f"a zone of {size[0]:g} by {size[1]:g} mm is too large: modes at hand do not reach 11 kHz"
        raise ValueError(msg)
    wall_m = rng.uniform(thinnest, max(3e-3, 1.2 * thinnest))
    fields = {name: getattr(plate, name) for name in Plate.__dataclass_fields__}
    return PlateTaps.of(Plate(**(fields | {"wall_m": wall_m})), damages)


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


@dataclass(frozen=True, slots=True, eq=False)
class PlateTaps:
    """A panel with its damage: `vectors` (functions, modes) of panel and sheets; rates λ = -ζω + iω_d."""

    plate: Plate
    sheets: tuple[Sheet, ...]
    vectors: Array = field(repr=False)
    omega_rad_s: Array = field(repr=False)
    damping: Array = field(repr=False)

    @classmethod
    def of(cls, plate: Plate, damages: Sequence[Damage] = ()) -> "PlateTaps":
        rng = np.random.default_rng([plate.seed, 18])
        sheets = tuple(s for damage in damages for s in sheets_of(plate, damage, rng))
        omega, vectors, loose = _coupled(plate, sheets)
        zeta = plate.damping + (plate.loose_damping - plate.damping) * loose
        zeta = zeta * (1 + 0.015 * omega / (2e3 * np.pi))
        spread = np.random.default_rng([plate.seed, 19]).uniform(0.8, 1.25, zeta.size)
        return cls(plate, sheets, vectors, omega, zeta * spread)

    def sounds(self, strikes: Strikes) -> NDArray[np.float32]:
        """Sound of each tap, (taps, TAP_S * RATE_HZ)."""
        parts = [slice(i, i + CHUNK) for i in range(0, strikes.x_mm.size, CHUNK)]
        return np.concatenate([_heard(self, _some(strikes, part)) for part in parts])

    def forces_n(self, strikes: Strikes) -> Array:
        """Contact force of each tap at `FINER` · `RATE_HZ`, (taps, steps)."""
        return _struck(self, strikes).force_n

    def shapes(self, place_m: Array) -> Array:
        """Coupled modes at places on the surface, (points, modes)."""
        raw = [self.plate.shapes(place_m)]
        raw += [s.shapes(place_m) * s.is_struck for s in self.sheets]
        return np.hstack(raw) @ self.vectors

    def rest_m_n(self, place_m: Array) -> Array:
        """Compliance of all modes left out, (points,)."""
        plate = self.plate
        own = plate.omega_rad_s
        first = min(own[-1], 2 * np.pi * HIGHEST_HZ)
        thick = (plate.thickness_m(place_m) / plate.wall_m) ** 2
        rest = 1 / (4 * np.pi * np.sqrt(plate.mean_bending_n_m * plate.mass_kg_m2) * first * thick)
        return rest + sum(s.rest_m_n(place_m) for s in self.sheets if s.is_struck)


def _some(strikes: Strikes, part: slice) -> Strikes:
    return Strikes(*(getattr(strikes, name)[part] for name in Strikes.__dataclass_fields__))


def _coupled(plate: Plate, sheets: tuple[Sheet, ...]) -> tuple[Array, Array, Array]:
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
        bending = plate.mean_bending_n_m * wall**3
        carriers = [(columns[0], plate.shapes(place), own, bending, plate.mass_kg_m2 * wall)]
        if sheet.carrier is not None:
            under = sheet.carrier
            theirs = columns[1 + sheets.index(under)]
            carriers.append(
                (theirs, under.shapes(place), under.omega_rad_s, under.bending_n_m, under.mass_kg_m2)
            )
        for theirs, g, omega, bending, mass_kg_m2 in carriers:
            shared = g.T @ chi
            mass[theirs, mine] = sheet.mass_kg_m2 * shared
            stiffness[theirs, mine] = sheet.bending_n_m / bending * mass_kg_m2 * omega[:, None] ** 2 * shared
            mass[mine, theirs], stiffness[mine, theirs] = mass[theirs, mine].T, stiffness[theirs, mine].T
    for sheet in (s for s in sheets if s.is_struck):
        theirs = columns[0] if sheet.carrier is None else columns[1 + sheets.index(sheet.carrier)]
        stiffness[theirs, theirs] -= _lost_work(plate, sheet, sheets)
    values, vectors = _solved(stiffness, mass)
    kept = values < (2 * np.pi * HIGHEST_HZ) ** 2
    loose = np.clip((vectors[own.size :, kept] ** 2).sum(axis=0), 0, 1)
    return np.sqrt(np.maximum(values[kept], 1.0)), vectors[:, kept], loose


def _solved(stiffness: Array, mass: Array) -> tuple[Array, Array]:
    """Eigenvalues and vectors over what is independent: panel modes and sheets overlap."""
    lengths, axes = eigh(mass)
    axes = axes[:, lengths > INDEPENDENT] / np.sqrt(lengths[lengths > INDEPENDENT])
    values, vectors = eigh(axes.T @ stiffness @ axes)
    if values[0] < -1e3:
        msg = f"a mode with ω² = {values[0]:.3g}: panel and sheets do not add up"
        raise ValueError(msg)
    return values, axes @ vectors


def _lost_work(plate: Plate, sheet: Sheet, sheets: tuple[Sheet, ...]) -> Array:
    """Bending work that a carrier's modes no longer find where `sheet` and its fellow are loose."""
    place, area = sheet.grid()
    left = sum(s.bending_n_m for s in sheets if s.carrier is sheet.carrier and s.centre_m is sheet.centre_m)
    if sheet.carrier is None:
        area = area * plate.is_on(place)
        wall = plate.thickness_m(sheet.centre_m[None])[0] / plate.wall_m
        ratios, whole = plate.ratios, plate.mean_bending_n_m * wall**3
        xx, yy, xy = (plate.shapes(place, d) for d in ((2, 0), (0, 2), (1, 1)))
        lost = (whole - left) / np.sqrt(ratios[0])
    else:
        ratios, lost = np.array([1, 0.3, 0.35]), sheet.carrier.bending_n_m - left
        xx, yy, xy = (sheet.carrier.shapes(place, d) for d in ((2, 0), (0, 2), (1, 1)))
    weight = area[:, None]
    cross = (xx * weight).T @ yy
    direct = (xx * weight).T @ xx + ratios[0] * (yy * weight).T @ yy + ratios[1] * (cross + cross.T)
    return lost * (direct + 4 * ratios[2] * (xy * weight).T @ xy)


@dataclass(frozen=True, slots=True, eq=False)
class _Contact:
    """Force and heard velocity (taps, steps), and the modes' state (taps, modes) after the last step."""

    force_n: Array
    velocity: Array
    state: NDArray[np.complex64]
    tapper_m_s: Array


def _rates(part: PlateTaps) -> tuple[NDArray[np.complex128], Array]:
    """λ of each mode, and its damped ω."""
    damped = part.omega_rad_s * np.sqrt(1 - part.damping**2)
    return -part.damping * part.omega_rad_s + 1j * damped, damped


def _struck(part: PlateTaps, strikes: Strikes, listening: NDArray[np.complex128] | None = None) -> _Contact:
    """Tapper and modes together, from the first touch on. A mode's displacement is Im(state) / ω_d."""
    step_s = 1 / (RATE_HZ * FINER)
    steps, loaded = (round(t / step_s) for t in (CONTACT_S + AFTER_S, CONTACT_S))
    rate, damped = _rates(part)
    place = part.plate.place_m(strikes.x_mm, strikes.s_mm)
    shapes, rest = part.shapes(place), part.rest_m_n(place)
    turn = np.exp(rate * step_s).astype(np.complex64)
    push = (shapes * step_s).astype(np.float32)
    give, moves = (shapes / damped).astype(np.float32), (shapes * rate / damped).astype(np.complex64)
    heard = (np.zeros_like(moves) if listening is None else listening * rate / damped).astype(np.complex64)
    state = np.zeros(shapes.shape, dtype=np.complex64)
    force, velocity = np.zeros((2, strikes.x_mm.size, steps))
    tapper, speed = np.zeros(strikes.x_mm.size), strikes.speed_m_s.copy()
    for n in range(steps):
        if n < loaded:
            near = np.einsum("tk,tk->t", give, state.imag)
            approach = speed - np.einsum("tk,tk->t", moves, state).imag
            stiff = strikes.contact_n_m15 * np.maximum(1 + part.plate.contact_loss_s_m * approach, 0.1)
            force[:, n] = _hertz(tapper - near, rest, stiff, force[:, n - 1] if n else np.zeros(rest.size))
            speed = speed - force[:, n] / strikes.mass_kg * step_s
            tapper = tapper + speed * step_s
            state += push * force[:, n, None].astype(np.float32)
        state *= turn
        if listening is not None:
            velocity[:, n] = np.einsum("tk,tk->t", heard, state).imag
    return _Contact(force, velocity, state, speed)


def _hertz(closed_m: Array, rest_m_n: Array, stiff: Array, force_n: Array) -> Array:
    """Force F = k (closed - rest F)^1.5, by Newton's method from the last step's force."""
    closed_m = np.maximum(closed_m, 0)
    for _ in range(6):
        squeezed = np.maximum(closed_m - rest_m_n * force_n, 0)
        excess = force_n - stiff * squeezed**1.5
        force_n = np.maximum(force_n - excess / (1 + 1.5 * stiff * rest_m_n * np.sqrt(squeezed)), 0)
    return force_n


def _listening(part: PlateTaps, strikes: Strikes, rate: NDArray[np.complex128]) -> NDArray[np.complex128]:
    """How loud each mode is at the microphone (taps, modes), the sound's way from each ring in its phase."""
    plate = part.plate
    place = plate.place_m(strikes.x_mm, strikes.s_mm)
    edges = np.array(RING_EDGES_MM)
    radii = np.array([r for r, _ in RINGS_MM])
    way_m = np.hypot(radii, plate.microphone_mm) / 1e3
    weight = np.diff(edges**2) * np.exp(-0.5 * (radii / plate.listening_mm) ** 2) / way_m
    weight /= weight.sum()
    heard = np.zeros((len(place), rate.size), dtype=np.complex128)
    for (radius, count), share, way in zip(RINGS_MM, weight, way_m, strict=True):
        delay = np.exp(-rate * (way - way_m[0]) / SOUND_M_S)
        for angle in (np.arange(count) + 0.25) * 2 * np.pi / count:
            at = place + radius / 1e3 * np.array([np.cos(angle), np.sin(angle)])
            heard += share / count * delay * part.shapes(at) * plate.is_on(at)[:, None]
    return heard


def _heard(part: PlateTaps, strikes: Strikes) -> NDArray[np.float32]:
    rate, damped = _rates(part)
    listening = _listening(part, strikes, rate)
    contact = _struck(part, strikes, listening)
    fine_hz = RATE_HZ * FINER
    # What the modes left out move, too: quasi-static, right beneath the tapper.
    beneath = part.rest_m_n(part.plate.place_m(strikes.x_mm, strikes.s_mm)) * RING_SHARE
    local = np.diff(contact.force_n, axis=1, prepend=0) * fine_hz * beneath[:, None]
    fine = np.diff(contact.velocity + local, axis=1, prepend=0) * fine_hz
    lead, samples = round(LEAD_S * RATE_HZ), round(TAP_S * RATE_HZ)
    low_pass = firwin(2 * FILTER_HALF + 1, 22e3, fs=fine_hz)
    coarse = upfirdn(low_pass, fine, up=1, down=FINER, axis=1)[:, : fine.shape[1] // FINER]
    # The filter delays by FILTER_HALF; sample j of `coarse` is at j - FILTER_HALF / FINER after the touch.
    start = lead - FILTER_HALF // FINER
    sound = np.zeros((len(fine), samples))
    sound[:, start : start + coarse.shape[1]] = coarse
    after = start + coarse.shape[1]
    time_s = (np.arange(after, samples) - lead) / RATE_HZ - contact.velocity.shape[1] / fine_hz
    ring = (rate[:, None] * time_s).astype(np.complex64)
    amplitude = (listening * rate**2 / damped * contact.state).astype(np.complex64)
    np.exp(ring, out=ring)
    sound[:, after:] = amplitude.real @ ring.imag + amplitude.imag @ ring.real
    fade = round(0.01 * RATE_HZ)
    sound[:, -fade:] *= np.cos(np.linspace(0, np.pi / 2, fade)) ** 2
    return sound.astype(np.float32)
