"""Taps on a wall whose loose sheet opens, closes and slaps: a contact that is not linear, step by step.

Wall and sheet are those of `axial_walls.py`. At some twenty places the sheet meets what is beneath over a gap
of micrometres: a stiff one-sided spring with a loss (chatter), a dashpot (grit), or a softening spring that is
always closed (crushed laminate). All are integrated together with the tapper by semi-implicit Euler steps of
2 µs. The microphone hears the mean over a disc beneath it.
"""

from collections.abc import Sequence
from dataclasses import dataclass, fields

import numpy as np
from numpy.typing import NDArray
from scipy.linalg import eigh
from scipy.signal import resample_poly
from scipy.special import j1

from tests.independent.axial_walls import (
    HIGHEST_HZ,
    SHEET_MODES,
    Sheet,
    Wall,
    WallModes,
    drawn_wall,
    meeting_places,
    own_axes,
    wall_modes,
)
from tests.independent.strikes import LEAD_S, RATE_HZ, TAP_S, Damage, Strikes

__all__ = ["SLAPPING_KINDS", "SlappingTaps", "draw"]

Array = NDArray[np.float64]

SLAPPING_KINDS = ("open", "chatter", "gritty", "filled", "crushed", "stack")
FINER = 10  # steps to a sample
STEP_S = 1 / (RATE_HZ * FINER)
PLAIN_S, SLAPPING_S = 2.4e-3, 8e-3  # followed step by step: on sound wall, and on or near damage
LAP_S = 0.5e-3  # of that, at the end, the tapper is gone for good
RINGING_HZ = 21e3  # modes above are not heard once the tapper has left
LEFT_MODES = 4  # of what is left of the wall beneath a sheet
NEAR = 1.6  # of a damage's radii: within, a tap is followed with its sheet
NEAREST = 0.1  # of the sound, that comes from right beneath the tapper
PUMPING_1_KHZ = 0.05  # a loose sheet rubs and pumps air, the more the faster it moves
INDEPENDENT = 0.02  # of the squared length of a unit mode
CHUNK = 256


@dataclass(frozen=True, slots=True, eq=False)
class Ground:
    """What a loose sheet meets at its places: each force acts between two functions' motions."""

    gap_m: Array  # (places,); infinite where nothing is met
    spring_n_m: float
    loss_s_m: float  # of a one-sided spring: F = k δ (1 + c dδ/dt)
    dashpot_n_s_m: float = 0.0
    soft_n_m: float = 0.0  # a spring closed always, at each place
    soft_m: float = 1e-6  # deflection that halves it


@dataclass(frozen=True, slots=True, eq=False)
class Place:
    """Wall and loose sheets around one damage as coupled modes; `meeting` (modes, places)."""

    sheets: tuple[Sheet, ...]  # the first is struck
    vectors: Array
    omega_rad_s: Array
    loose: Array
    meeting: Array
    ground: Ground


def _sheets(wall: Wall, damage: Damage, rng: np.random.Generator) -> list[Sheet]:
    """The struck sheet, perhaps one beneath, and what is left of the wall."""
    radii = (damage.radii_mm[0] / 1e3, damage.radii_mm[1] / 1e3)
    x_m = np.array(damage.x_mm / 1e3)
    wall_m = float(wall.thickness_m(x_m))
    thick_m = min(damage.depth_mm / 1e3, 0.75 * wall_m)
    # A chord, beyond which resin bonds: from half to two thirds of the place stay open.
    cut = (round(rng.uniform(-0.3, 0.0), 2), round(rng.uniform(-np.pi, np.pi), 2))
    cut = cut if damage.kind == "filled" else (-1.0, 0.0)
    curvature = 0.0 if wall.shape == "panel" else float(1 / wall.radius_m(x_m))
    left_m = wall_m - thick_m
    beneath = []
    if damage.kind == "stack":
        second_m = min(thick_m * rng.uniform(0.7, 1.4), 0.6 * left_m)
        beneath.append(Sheet(damage, radii, second_m, SHEET_MODES, cut, curvature))
        left_m -= second_m
    return [
        Sheet(damage, radii, thick_m, SHEET_MODES, cut, curvature),
        *beneath,
        Sheet(damage, radii, left_m, LEFT_MODES, cut, curvature),
    ]


def _ground(wall: Wall, sheet: Sheet, kind: str, meeting: Array, rng: np.random.Generator) -> Ground:
    """What there is in the gap. The sheet's own stiffness and first mode set the scale of grit and cracks.

    `meeting` (modes, places): springs and dashpots are no stiffer there than the steps can follow.
    """
    count = meeting.shape[1]
    # 1/kg, where all places push together; 1 kg is as good as none, where no mode moves.
    lightest = max(float(np.linalg.eigvalsh(meeting.T @ meeting)[-1]), 1.0)
    stiffest, most_dashpot = (0.6 / STEP_S) ** 2 / lightest, 0.5 / STEP_S / lightest
    places, nowhere = meeting_places(sheet.cut), np.full(count, np.inf)
    radius = np.sqrt(np.prod(sheet.radii_m))
    spring = 16 * np.pi * float(wall.bending_n_m(sheet.thick_m)) / radius**2 / count
    first, mass = (
        sheet.every_omega_rad_s(wall)[0],
        wall.density_kg_m3 * sheet.thick_m * np.pi * radius**2 / count,
    )
    if kind in ("chatter", "stack"):
        depth_m = np.exp(rng.uniform(*np.log((1e-6, 25e-6))))
        bowl = np.maximum(1 - (places**2).sum(axis=1), 0.1)
        gap = depth_m * bowl * np.exp(rng.normal(0, 0.5, count))
        return Ground(gap, min(rng.uniform(2e6, 8e6), stiffest), rng.uniform(0.2, 1.0))
    if kind == "gritty":
        dashpot = min(2 * rng.uniform(0.1, 0.35) * first * mass, most_dashpot)
        return Ground(nowhere, 0.0, 0.0, dashpot, min(rng.uniform(0, 0.5) * spring, stiffest), 1.0)
    if kind == "crushed":
        # Spread over a disc, so many times its stiffness at the middle adds 16/104 as many times its first ω²
        # (16πD/a² against λ⁴ D/a⁴ over πa², λ² = 10.2).
        times = np.exp(rng.uniform(*np.log((6, 60))))
        dashpot = min(2 * rng.uniform(0.1, 0.25) * first * np.sqrt(1 + times * 16 / 104) * mass, most_dashpot)
        return Ground(nowhere, 0.0, 0.0, dashpot, min(times * spring, stiffest), rng.uniform(3e-6, 20e-6))
    return Ground(nowhere, 0.0, 0.0)


def place_of(modes: WallModes, damage: Damage, rng: np.random.Generator) -> Place:
    """Couple wall and sheets: they share mass, and each sheet bends against the wall alone."""
    if damage.kind not in SLAPPING_KINDS:
        msg = f'damage "{damage.kind}": this wall knows {", ".join(SLAPPING_KINDS)}'
        raise ValueError(msg)
    wall = modes.wall
    sheets = _sheets(wall, damage, rng)
    omegas = [modes.omega_rad_s, *(s.omega_rad_s(wall) for s in sheets)]
    ends = np.cumsum([o.size for o in omegas])
    mass, wall_count = np.eye(ends[-1]), omegas[0].size
    columns = [slice(e - o.size, e) for e, o in zip(ends, omegas, strict=True)]
    for sheet, mine in zip(sheets, columns[1:], strict=True):
        side = sheet.table[2]
        own = np.stack(np.meshgrid(side, side, indexing="ij"), axis=-1).reshape(-1, 2)
        at = own * np.array(sheet.radii_m)
        cos, sin = np.cos(damage.angle_rad), np.sin(damage.angle_rad)
        x_m = damage.x_mm / 1e3 + at[:, 0] * cos - at[:, 1] * sin
        s_m = damage.s_mm / 1e3 + at[:, 0] * sin + at[:, 1] * cos
        on_wall = (x_m >= 0) & (x_m <= wall.length_m)
        area = on_wall * (side[1] - side[0]) ** 2 * np.prod(sheet.radii_m)
        chi = sheet.shapes(wall, own) * (wall.density_kg_m3 * sheet.thick_m * area)[:, None]
        mass[:wall_count, mine] = modes.shapes(x_m, s_m).T @ chi
        mass[mine, :wall_count] = mass[:wall_count, mine].T
    # The wall's own modes follow a wide sheet nearly as its modes do: what is not independent is left out.
    lengths, axes = eigh(mass)
    axes = axes[:, lengths > INDEPENDENT] / np.sqrt(lengths[lengths > INDEPENDENT])
    values, vectors = eigh((axes.T * np.concatenate(omegas) ** 2) @ axes)
    vectors = axes @ vectors
    places = meeting_places(sheets[0].cut)
    meeting = np.zeros((len(places), ends[-1]))
    meeting[:, columns[1]] = sheets[0].shapes(wall, places)
    meeting[:, columns[2]] -= sheets[1].shapes(wall, places)
    met = (meeting @ vectors).T
    loose = np.clip((vectors[wall_count:] ** 2).sum(axis=0), 0, 1)
    ground = _ground(wall, sheets[0], damage.kind, met, rng)
    return Place(tuple(sheets), vectors, np.sqrt(values), loose, met, ground)


@dataclass(frozen=True, slots=True, eq=False)
class Motion:
    """What came of some taps: forces and heard velocity (taps, steps), modes' place and speed at the end."""

    force_n: Array
    velocity: Array
    place: Array
    speed: Array
    energy_j: Array  # of tapper and modes together, at the end


@dataclass(frozen=True, slots=True, eq=False)
class Shaken:
    """All that the steps need of some taps: shapes under the tapper and at the microphone (taps, modes)."""

    omega_rad_s: Array
    damping: Array
    shapes: Array
    heard: Array
    rest_hz: Array  # (taps, 2): where wall and sheet begin to answer as infinite plates
    impedance_n_s_m: Array
    place: Place | None


def _steps(taps: Shaken, strikes: Strikes, seconds: float) -> Motion:
    """Semi-implicit Euler steps of tapper, modes, what modes leave out, and what the sheet meets.

    Modes left out are a spring and a dashpot side by side, whose rate is that at which the wall begins to
    answer as an infinite plate of impedance Z; the spring is Z ω π/2.
    """
    count = round(seconds / STEP_S)
    fade = (1 - 2 * taps.damping * taps.omega_rad_s * STEP_S).astype(np.float32)
    pull = (taps.omega_rad_s**2 * STEP_S).astype(np.float32)
    shapes, heard = taps.shapes.astype(np.float32), taps.heard.astype(np.float32)
    meeting = None if taps.place is None else np.ascontiguousarray(taps.place.meeting, dtype=np.float32)
    place, speed, work = np.zeros((3, *shapes.shape), dtype=np.float32)
    force, velocity = np.zeros((2, len(shapes), count))
    tapper, tapper_speed = np.zeros(len(shapes)), strikes.speed_m_s.copy()
    rest = np.zeros(taps.rest_hz.shape)
    relax = np.pi**2 * taps.rest_hz
    hold = np.exp(-relax * STEP_S)
    gives = (1 - hold) / (relax * taps.impedance_n_s_m)
    for n in range(count):
        if n * STEP_S < seconds - LAP_S:
            closed = tapper - np.einsum("tk,tk->t", shapes, place) - (rest * hold).sum(axis=1)
            force[:, n] = _pressed(closed, gives.sum(axis=1), strikes.contact_n_m15)
            tapper_speed -= force[:, n] / strikes.mass_kg * STEP_S
            tapper += tapper_speed * STEP_S
            np.multiply(shapes, (force[:, n, None] * STEP_S).astype(np.float32), out=work)
            speed += work
        moved = rest * hold + force[:, n, None] * gives - rest
        rest += moved
        if meeting is not None and taps.place is not None:
            speed -= (
                _met(taps.place.ground, place @ meeting, speed @ meeting) @ meeting.T * np.float32(STEP_S)
            )
        speed *= fade
        np.multiply(place, pull, out=work)
        speed -= work
        np.multiply(speed, np.float32(STEP_S), out=work)
        place += work
        velocity[:, n] = np.einsum("tk,tk->t", heard, speed) + NEAREST * moved.sum(axis=1) / STEP_S
    energy = strikes.mass_kg * tapper_speed**2 / 2 + (
        (speed.astype(float) ** 2 + (taps.omega_rad_s * place) ** 2) / 2
    ).sum(axis=1)
    return Motion(force, velocity, place, speed, energy)


def _pressed(closed_m: Array, give_m_n: Array, stiffness: Array) -> Array:
    """Hertzian force k δ^1.5 with δ + give k δ^1.5 = closed: Newton's steps, which come down from above."""
    closed_m = np.maximum(closed_m, 0)
    soft, indent = give_m_n * stiffness, closed_m
    for _ in range(5):
        indent = indent - (indent + soft * indent**1.5 - closed_m) / (1 + 1.5 * soft * np.sqrt(indent))
    pressed: Array = stiffness * np.maximum(indent, 0) ** 1.5
    return pressed


def _met(ground: Ground, closed_m: Array, closing_m_s: Array) -> Array:
    """Forces that push sheet and ground apart, (taps, places)."""
    inside = np.maximum(closed_m - ground.gap_m.astype(np.float32), 0)
    force = ground.spring_n_m * inside * np.maximum(1 + ground.loss_s_m * closing_m_s, 0)
    soft = ground.soft_n_m * closed_m / (1 + np.abs(closed_m) / ground.soft_m)
    return (force + soft + ground.dashpot_n_s_m * closing_m_s).astype(np.float32)


@dataclass(frozen=True, slots=True, eq=False)
class SlappingTaps:
    """A wall with its damage under the tapper."""

    modes: WallModes
    places: tuple[Place, ...]

    @classmethod
    def of(cls, wall: Wall, damages: Sequence[Damage] = ()) -> "SlappingTaps":
        modes = wall_modes(wall)
        rng = np.random.default_rng([wall.seed, 32])
        return cls(modes, tuple(place_of(modes, damage, rng) for damage in damages))

    def sounds(self, strikes: Strikes) -> NDArray[np.float32]:
        """Sound of each tap, (taps, TAP_S * RATE_HZ)."""
        found = np.zeros((strikes.x_mm.size, round(TAP_S * RATE_HZ)), dtype=np.float32)
        for index, place in self._groups(strikes):
            part = _some(strikes, index)
            taps = self._shaken(part, place)
            seconds = PLAIN_S if place is None else SLAPPING_S
            found[index] = _sound(taps, _steps(taps, part, seconds), seconds)
        return found

    def motions(self, strikes: Strikes) -> list[tuple[NDArray[np.int64], Motion]]:
        """Forces and energy of the taps, group by group, each with the indices of its taps."""
        found = []
        for index, place in self._groups(strikes):
            part = _some(strikes, index)
            found.append(
                (index, _steps(self._shaken(part, place), part, PLAIN_S if place is None else SLAPPING_S))
            )
        return found

    def _groups(self, strikes: Strikes) -> list[tuple[NDArray[np.int64], Place | None]]:
        """Taps on or near each damage, the nearest one's, and the others, CHUNK at a time."""
        wall, x_m, s_m = self.modes.wall, strikes.x_mm / 1e3, strikes.s_mm / 1e3
        reach = np.full((len(self.places) + 1, x_m.size), NEAR)
        for k, place in enumerate(self.places):
            reach[k] = np.hypot(*own_axes(wall, place.sheets[0], x_m, s_m).T)
        nearest = np.argmin(reach, axis=0)
        groups: list[tuple[NDArray[np.int64], Place | None]] = []
        for k, place in enumerate((*self.places, None)):
            index = np.flatnonzero(nearest == k)
            groups += [(index[i : i + CHUNK], place) for i in range(0, index.size, CHUNK)]
        return groups

    def _shaken(self, strikes: Strikes, place: Place | None) -> Shaken:
        wall, x_m, s_m = self.modes.wall, strikes.x_mm / 1e3, strikes.s_mm / 1e3
        shapes = self.modes.shapes(x_m, s_m)
        omega = self.modes.omega_rad_s
        # Mean over a disc of a wave of wavenumber k: 2 J1(kr) / kr.
        turns = np.sqrt(omega * np.sqrt(wall.density_kg_m3 * wall.wall_m / wall.bending_n_m(wall.wall_m)))
        disc = 2 * j1(turns * wall.radius_heard_m) / (turns * wall.radius_heard_m)
        rng = np.random.default_rng([wall.seed, 33])
        # Each mode as it is at the tap, and with one sign or another from all over the part.
        usual = np.sqrt((self.modes.axial**2).mean(axis=0) / np.where(self.modes.waves > 0, 2, 1))
        far = wall.far_share * usual * rng.normal(size=omega.size)
        heard, loose = (shapes + far) * disc, np.zeros(omega.size)
        rest_hz = np.full((x_m.size, 2), min(HIGHEST_HZ, omega[-1] / (2 * np.pi)))
        impedance = np.full((x_m.size, 2), wall.impedance_n_s_m)
        impedance[:, 1] = np.inf
        if place is not None:
            shapes, heard = (
                np.hstack(pair) for pair in zip((shapes, heard), self._loose(place, x_m, s_m), strict=True)
            )
            shapes, heard, omega, loose = (
                shapes @ place.vectors,
                heard @ place.vectors,
                place.omega_rad_s,
                place.loose,
            )
            sheet = place.sheets[0]
            rest_hz[:, 1] = sheet.rest_hz(wall)
            thin = sheet.thick_m / wall.wall_m
            # Towards its rim the sheet gives less, about as its first mode, (1 - r²)² under a load at r.
            first, middle = (
                np.abs(sheet.shapes(wall, own, 1)[:, 0])
                for own in (own_axes(wall, sheet, x_m, s_m), meeting_places(sheet.cut))
            )
            impedance[:, 1] = wall.impedance_n_s_m * thin**2 / np.maximum(first / middle.max(), 1e-4)
        khz = omega / (2e3 * np.pi)
        damping = wall.damping * (1 + 0.02 * khz) + wall.loose_damping * loose * (1 + PUMPING_1_KHZ * khz)
        return Shaken(
            omega, damping * rng.uniform(0.8, 1.25, omega.size), shapes, heard, rest_hz, impedance, place
        )

    def _loose(self, place: Place, x_m: Array, s_m: Array) -> tuple[Array, Array]:
        """Sheets' shapes under the tapper, and their means over what is heard: only the struck one counts."""
        wall = self.modes.wall
        rows, means = [], []
        for k, sheet in enumerate(place.sheets):
            own = own_axes(wall, sheet, x_m, s_m)
            at = sheet.shapes(wall, own)
            around = np.mean(
                [
                    sheet.shapes(
                        wall,
                        own + wall.radius_heard_m * 0.7 * np.array([np.cos(a), np.sin(a)]) / sheet.radii_m,
                    )
                    for a in np.arange(6) * np.pi / 3
                ],
                axis=0,
            )
            rows.append(at * (k == 0))
            means.append((0.3 * at + 0.7 * around) * (k == 0))
        return np.hstack(rows), np.hstack(means)


def _some(strikes: Strikes, index: NDArray[np.int64]) -> Strikes:
    return Strikes(*(getattr(strikes, item.name)[index] for item in fields(strikes)))


def _sound(taps: Shaken, motion: Motion, seconds: float) -> NDArray[np.float32]:
    """Acceleration heard, as it was step by step, then as free modes decay."""
    fine_hz = RATE_HZ * FINER
    lead, samples = round(LEAD_S * RATE_HZ), round(TAP_S * RATE_HZ)
    fine = np.diff(motion.velocity, axis=1, prepend=0) * fine_hz
    padded = np.pad(fine, ((0, 0), (lead * FINER, 0)))
    coarse = resample_poly(padded, 1, FINER, axis=1)[:, : round((seconds - 0.3e-3) * RATE_HZ) + lead]
    time_s = (np.arange(coarse.shape[1], samples) - lead) / RATE_HZ - seconds
    damped = taps.omega_rad_s * np.sqrt(1 - taps.damping**2)
    rate = -taps.damping * taps.omega_rad_s + 1j * damped
    state = motion.place - 1j * (motion.speed + taps.damping * taps.omega_rad_s * motion.place) / damped
    ring = np.exp((rate[:, None] * time_s).astype(np.complex64))
    weight = taps.heard * rate**2 * state * (taps.omega_rad_s < 2 * np.pi * RINGING_HZ)
    weight = weight.astype(np.complex64)
    free = weight.real @ ring.real - weight.imag @ ring.imag
    free[:, -480:] *= np.linspace(1, 0, 480, dtype=np.float32)
    return np.hstack([coarse, free]).astype(np.float32)


def draw(
    rng: np.random.Generator,
    *,
    stations: int,
    positions: int,
    pitch_mm: float,
    shape: str = "tube",
    damages: Sequence[Damage] = (),
    girth_mm: float | tuple[float, float] | None = None,
) -> SlappingTaps:
    """A wall as one may meet it: `stations` · `pitch_mm` long; `shape` "tube", "taper" or "panel".

    `girth_mm` of a tube, of both ends of a taper, or a panel's width; `positions` · `pitch_mm` when None.
    """
    if shape not in ("tube", "taper", "panel"):
        msg = f'shape "{shape}": not one of tube, taper, panel'
        raise ValueError(msg)
    girth = positions * pitch_mm if girth_mm is None else girth_mm
    start, end = girth if isinstance(girth, tuple) else (girth, girth * (0.7 if shape == "taper" else 1.0))
    wall = drawn_wall(rng, shape, stations * pitch_mm / 1e3, (start / 1e3, end / 1e3))
    return SlappingTaps.of(wall, damages)
