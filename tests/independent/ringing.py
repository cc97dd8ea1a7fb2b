"""Closed forms: modes of a bare shallow shell, a half-sine contact, loose sheets on a clamped rim.

Nothing is solved numerically, so a part takes a second. The wall's modes are those of a simply supported
shallow cylinder or plate (Donnell's equations; Soedel, *Vibrations of Shells and Plates*, from memory); where
the wall's stiffness changes slowly, their waves keep their flow of energy (WKB). A loose sheet is a clamped
circle's first modes, scaled to an ellipse by Rayleigh's quotient and stiffened by the wall's curvature. The
tapper is a mass on springs in series: Hertz's contact, the wall, the sheet.

Damage in this generator, each from what it does to stiffness, mass and friction at its place:

* open: the sheet yields, rings with notes of its own and isolates the wall from the strike above its first
  note; * bridged: springs across the gap, stiffer on one side; * gritty: much friction and some mass;
* stack: a second sheet below, coupled to the first by what is between them; * sliding: no gap, the two
sheets bend each for itself, friction; * crushed: no gap, the whole wall softer, with friction.
"""

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from tests.independent.loose import (
    Sheet,
    Softened,
    Wall,
    accelerance,
    drawn_wall,
    plate_yields,
    sheet_of,
    sheet_sound,
    softened,
)
from tests.independent.strikes import LEAD_S, RATE_HZ, TAP_S, Array, Damage, Strikes
from tests.independent.surfaces import Surface, elliptic

__all__ = ["RINGING_KINDS", "Ringing", "Wall", "drawn_wall"]

RINGING_KINDS = ("open", "bridged", "gritty", "stack", "sliding", "crushed")
HIGHEST_HZ = 23_000.0
FFT = 8192
THROUGH = 0.1  # of the strike reaches the wall past any loose sheet, by its higher notes
LOST = 0.25  # of the high notes, by friction where the wall slides or is crushed


@dataclass(frozen=True, slots=True, eq=False)
class _Modes:
    """The wall's modes (modes,): frequency, damping, waves along (half waves) and round, turn, loudness."""

    omega: Array
    damping: Array
    along: Array
    across: Array
    phase_rad: Array
    loudness: Array
    far: Array
    mass_kg: float


@dataclass(frozen=True, slots=True, eq=False)
class Ringing:
    """One part of this kind under the tapper."""

    surface: Surface
    wall: Wall
    damages: tuple[Damage, ...]
    seed: int
    modes: _Modes = field(init=False, repr=False)

    def __post_init__(self) -> None:
        object.__setattr__(self, "modes", _modes(self))

    def sounds(self, strikes: Strikes) -> NDArray[np.float32]:
        """Sound of each tap, as every generator gives it."""
        blocks = [slice(k, k + 256) for k in range(0, strikes.x_mm.size, 256)]
        return np.concatenate([_sounds(self, strikes, block) for block in blocks])


def _rng(part: Ringing, what: int) -> np.random.Generator:
    return np.random.default_rng([part.seed, what])


def _modes(part: Ringing) -> _Modes:
    """Every mode up to HIGHEST_HZ, frequencies and damping a little scattered, twins of a tube split."""
    surface, wall, rng = part.surface, part.wall, _rng(part, 1)
    length = (surface.length_mm + 2 * wall.margin_mm) / 1e3
    is_tube = surface.girth_mm is not None
    width = surface.width_mm / 1e3 + (0 if is_tube else 2 * wall.margin_mm / 1e3)
    along, across = np.meshgrid(np.arange(1, 120), np.arange(0 if is_tube else 1, 90), indexing="ij")
    kx, ks = np.pi * along / length, (2 if is_tube else 1) * np.pi * across / width
    thickness = wall.thickness_mm / 1e3
    mass_area = wall.density_kg_m3 * thickness
    wave = kx**2 + ks**2
    square = wall.bending_nm(thickness) / mass_area * wave**2
    if is_tube:  # Morley's correction of Donnell's equation; the wall moves along itself, too: n²/(n² + 1)
        radius = width / 2 / np.pi
        square = square * (1 - 1 / (radius**2 * wave)) ** 2
        square = square + wall.modulus_pa / wall.density_kg_m3 / radius**2 * (kx**2 / wave) ** 2
        square = square * np.where(across > 0, across**2 / (across**2 + 1.0), 1.0)
    chosen = np.argwhere(np.sqrt(square) < 2 * np.pi * HIGHEST_HZ)
    twins = np.repeat(chosen, np.where(chosen[:, 1] > 0, 2, 1) if is_tube else 1, axis=0)
    count = len(twins)
    second = np.r_[False, (twins[1:] == twins[:-1]).all(axis=1)]
    turn = rng.uniform(0, 2 * np.pi, square.shape)[tuple(twins.T)]
    moved = wall.spread * rng.standard_normal(square.shape)[tuple(twins.T)]
    split = wall.split * rng.standard_normal(count)
    omega = np.sqrt(square[tuple(twins.T)]) * np.exp(moved + split)
    damping = wall.damping * np.exp(0.25 * rng.standard_normal(count)) + 30 / omega
    return _Modes(
        omega=omega,
        damping=damping + _friction(part, kx[tuple(twins.T)], ks[tuple(twins.T)]),
        along=np.pi * (twins[:, 0]),
        across=(2 if is_tube else 1) * np.pi * twins[:, 1],
        phase_rad=turn + np.where(second, np.pi / 2, 0) if is_tube else np.full(count, -np.pi / 2),
        loudness=np.exp(0.3 * rng.standard_normal(count)),
        far=0.5 * rng.choice([-1.0, 1.0], count),
        mass_kg=mass_area * length * width / 4,
    )


def _friction(part: Ringing, kx: Array, ks: Array) -> Array:
    """What sliding and crushed places add to the damping of every mode: loss factor times share of area."""
    share = sum(
        d.area_mm2 / part.surface.length_mm / part.surface.width_mm
        for d in part.damages
        if d.kind in ("sliding", "crushed")
    )
    fine = np.hypot(kx, ks) / (np.hypot(kx, ks) + 100.0)  # long waves do not bend a small place
    return 0.05 * min(share, 0.5) * fine


def _relative_wall(part: Ringing, x_mm: Array, s_mm: Array) -> tuple[Array, Array]:
    """Bending stiffness and mass of the sound wall at places, relative to its plain part."""
    surface, wall, rng = part.surface, part.wall, _rng(part, 2)
    thick = np.ones_like(x_mm)
    turn = s_mm / (surface.width_mm if surface.girth_mm is None else surface.girth_at_mm(x_mm))
    for around, along in ((1, 0), (1, 1), (2, 1), (0, 2), (2, 3)):
        first, second = rng.uniform(0, 2 * np.pi, 2)
        wave = np.cos(2 * np.pi * around * turn + first) * np.cos(
            np.pi * along * x_mm / surface.length_mm + second
        )
        thick += wall.uneven * rng.standard_normal() * 0.9 * wave
    if wall.ply_drop is not None:
        at, ratio = wall.ply_drop
        thick *= 1 + (ratio - 1) / (1 + np.exp(-(x_mm - at * surface.length_mm) / 1.5))
    if wall.doubler is not None:
        thick *= 1 + 0.5 * _within(x_mm, *wall.doubler, 1.5)
    stiffness, mass = thick**3, thick
    if wall.insert is not None:
        x_lo, x_hi, s_lo, s_hi = wall.insert
        held = _within(x_mm, x_lo, x_hi, 2.0) * _within(s_mm, s_lo, s_hi, 2.0)
        stiffness, mass = stiffness * (1 + 6 * held), mass * (1 + 1.5 * held)
    return stiffness, mass


def _within(at: Array, low: float, high: float, soft_mm: float) -> Array:
    """1 between low and high, 0 outside, with edges as soft as a wave feels them."""
    rise = 1 / (1 + np.exp(np.clip(-(at - low) / soft_mm, -50, 50)))
    return rise / (1 + np.exp(np.clip((at - high) / soft_mm, -50, 50)))


def _shapes(part: Ringing, x_mm: Array, s_mm: Array) -> Array:
    """Deflection of every mode at places, (places, modes); WKB: |w|² · D · k³ stays, k ∝ (m/D)^¼."""
    surface, wall, modes = part.surface, part.wall, part.modes
    fraction = (x_mm + wall.margin_mm) / (surface.length_mm + 2 * wall.margin_mm)
    if surface.girth_mm is None:
        turn = (s_mm - surface.s_range_mm[0] + wall.margin_mm) / (surface.width_mm + 2 * wall.margin_mm)
    else:
        turn = s_mm / surface.girth_at_mm(x_mm)
    shape = np.sin(np.outer(fraction, modes.along)) * np.cos(np.outer(turn, modes.across) + modes.phase_rad)
    stiffness, mass = _relative_wall(part, x_mm, s_mm)
    size = stiffness**-0.125 * mass**-0.375
    if surface.girth_mm is not None:
        size = size * np.sqrt(surface.width_mm / surface.girth_at_mm(x_mm))
    for hold, reach, away in zip(wall.end_hold, wall.end_mm, (x_mm, surface.length_mm - x_mm), strict=True):
        size = size * (1 - hold * np.exp(-np.maximum(away, 0) / reach))
    return shape * size[:, None]


@dataclass(slots=True, eq=False)
class _Struck:
    """What a block of taps meets, added up place by place: arrays (taps,), `passed` (taps, frequencies)."""

    contact_n_m15: Array
    compliance_m_n: Array
    shape: Array  # of the wall's motion, relative to sound wall
    passed: Array  # of the strike, on to the wall
    sheets: list[tuple[Sheet, Array, Array]]  # with radius and freedom of each tap


def _sounds(part: Ringing, strikes: Strikes, block: slice) -> NDArray[np.float32]:
    """Sounds of a block of taps, in the frequency domain."""
    frequency = np.fft.rfftfreq(FFT, 1 / RATE_HZ)
    omega = 2 * np.pi * frequency
    modes, wall = part.modes, part.wall
    struck = _struck(part, strikes, block, omega)
    shapes = _shapes(part, strikes.x_mm[block], strikes.s_mm[block]) * struck.shape[:, None]
    answer = accelerance(omega, modes.omega, modes.damping)
    heard = np.exp(-((_wavenumber(part) * wall.mic_mm / 1e3) ** 2) / 4) + 0.08
    weights = shapes * (shapes * heard + wall.far_share * modes.far) * (modes.loudness / modes.mass_kg)
    sound = (weights @ answer.real + 1j * (weights @ answer.imag)) * struck.passed
    for sheet, radius, freedom in struck.sheets:
        sound += sheet_sound(sheet, wall.sheet_loudness, radius, freedom, omega)
    force = _force(strikes, block, struck, omega)
    lead = np.exp(-1j * omega * LEAD_S)
    low_pass = 1 / (1 + (frequency / 21e3) ** 12) * (frequency / np.hypot(frequency, 60))
    wave = np.fft.irfft(sound * force * lead * low_pass, FFT)[:, : round(TAP_S * RATE_HZ)]
    fade = np.ones(wave.shape[1])
    fade[-480:] = np.cos(np.linspace(0, np.pi / 2, 480)) ** 2
    return (wave * fade * RATE_HZ).astype(np.float32)


def _struck(part: Ringing, strikes: Strikes, block: slice, omega: Array) -> _Struck:
    """Add up what wall and damage do to the taps of a block."""
    x_mm, s_mm = strikes.x_mm[block], strikes.s_mm[block]
    wall, thickness_m = part.wall, part.wall.thickness_mm / 1e3
    stiffness, mass = _relative_wall(part, x_mm, s_mm)
    lasts = _lasts_s(strikes, block, strikes.contact_n_m15[block])
    plain = float(wall.bending_nm(thickness_m))
    struck = _Struck(
        contact_n_m15=strikes.contact_n_m15[block].copy(),
        compliance_m_n=plate_yields(lasts, plain * stiffness, wall.density_kg_m3 * thickness_m * mass),
        shape=np.ones(x_mm.size),
        passed=np.ones((x_mm.size, omega.size), dtype=complex),
        sheets=[],
    )
    for number, damage in enumerate(part.damages):
        radius, angle = elliptic(part.surface, damage, x_mm, s_mm)
        middle = np.where(radius < 1, (1 - np.minimum(radius, 1) ** 2) ** 2, 0.0)
        if not middle.any():
            continue
        rng = _rng(part, 50 + number)
        if damage.kind in ("sliding", "crushed"):
            _soften(struck, softened(wall, damage, rng), damage, radius, omega)
            continue
        sheet = sheet_of(wall, damage, float(part.surface.girth_at_mm(np.array(damage.x_mm))), rng)
        freedom = middle * _freedom(damage, radius, angle)
        moving = plate_yields(lasts, sheet.bending_nm, sheet.mass_kg_m2)  # a wide sheet is held by its mass
        struck.compliance_m_n += freedom / (1 / sheet.compliance_m_n + 1 / moving)
        local = omega * np.sqrt(freedom)[:, None] / sheet.omega[0]  # stiffer towards the rim
        passed = 1 / (1 - local**2 + 2j * sheet.damping[0] * local)
        passed /= np.maximum(np.abs(passed), 1)
        struck.passed += (1 - THROUGH) * (passed - 1)
        struck.sheets.append((sheet, radius, _freedom(damage, radius, angle)))
    return struck


def _soften(struck: _Struck, soft: Softened, damage: Damage, radius: Array, omega: Array) -> None:
    """A sliding or crushed place: it yields more, moves more, and friction takes high notes."""
    edge = 1 / (1 + np.exp(np.clip((radius - 1) * 12, -50, 50)))
    middle = np.where(radius < 1, (1 - np.minimum(radius, 1) ** 2) ** 2, 0.0)
    reach_m2 = min(damage.radii_mm) ** 2 / 1e6
    struck.contact_n_m15 *= 1 - (1 - soft.contact) * edge
    struck.compliance_m_n += middle * reach_m2 / (16 * np.pi) * (1 / soft.bending - 1) / soft.plain_nm
    struck.shape *= 1 + (soft.bending**-0.125 - 1) * edge
    struck.passed -= LOST * edge[:, None] * (omega / (omega + 2 * np.pi * 6e3))


def _freedom(damage: Damage, radius: Array, angle: Array) -> Array:
    """How freely the sheet moves there: bridges hold one side of a bridged place twice as well."""
    if damage.kind != "bridged":
        return np.ones_like(radius)
    return 0.75 + 0.25 * np.tanh(3 * np.minimum(radius, 1) * np.cos(angle))


def _lasts_s(strikes: Strikes, block: slice, contact_n_m15: Array) -> Array:
    """How long a tap lasts on a rigid wall: Hertz's contact, 2.943 (5/4 · m/k)^(2/5) v^(-1/5).

    Johnson, *Contact Mechanics* (from memory).
    """
    return 2.943 * (1.25 * strikes.mass_kg[block] / contact_n_m15) ** 0.4 * strikes.speed_m_s[block] ** -0.2


def _wavenumber(part: Ringing) -> Array:
    surface, wall = part.surface, part.wall
    length = (surface.length_mm + 2 * wall.margin_mm) / 1e3
    width = surface.width_mm / 1e3 + (2 * wall.margin_mm / 1e3 if surface.girth_mm is None else 0)
    return np.hypot(part.modes.along / length, part.modes.across / width)


def _force(strikes: Strikes, block: slice, struck: _Struck, omega: Array) -> Array:
    """Spectrum of the contact force (taps, frequencies): a half-sine as long as mass and springs take.

    The spring that gives the rigid wall's duration is put in series with wall and sheet.
    """
    mass, speed = strikes.mass_kg[block], strikes.speed_m_s[block]
    rigid_s = _lasts_s(strikes, block, struck.contact_n_m15)
    spring = 1 / (rigid_s**2 / (np.pi**2 * mass) + struck.compliance_m_n)
    lasts = np.pi * np.sqrt(mass / spring)
    peak = speed * np.sqrt(mass * spring)
    cycles = lasts[:, None] * omega / (2 * np.pi)
    size = (np.sinc(cycles + 0.5) + np.sinc(cycles - 0.5)) / 2
    return (peak * lasts)[:, None] * size * np.exp(-1j * np.pi * cycles)
