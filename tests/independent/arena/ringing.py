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
from scipy.special import iv, jv

from tests.independent.arena.surfaces import Surface, elliptic
from tests.independent.strikes import LEAD_S, RATE_HZ, TAP_S, Array, Damage, Strikes

__all__ = ["RINGING_KINDS", "Ringing", "Wall", "drawn_wall"]

RINGING_KINDS = ("open", "bridged", "gritty", "stack", "sliding", "crushed")
HIGHEST_HZ = 23_000.0
FFT = 8192
# Clamped circle: waves round, and root of its frequency equation (Leissa 1969, from memory).
DISC_MODES = ((0, 3.19622), (1, 4.61090), (2, 5.90568), (0, 6.30644))
THROUGH = 0.1  # of the strike reaches the wall past any loose sheet, by its higher notes
LOST = 0.25  # of the high notes, by friction where the wall slides or is crushed
SHEET_AIR = 0.04  # kg/m² that a thin sheet moves along: air on both its faces


@dataclass(frozen=True, slots=True)
class Wall:
    """Laminate, supports and what is uneven on purpose."""

    thickness_mm: float = 1.6
    modulus_pa: float = 60e9
    poisson: float = 0.3
    density_kg_m3: float = 1550.0
    damping: float = 0.01
    sheet_damping: float = 0.03
    margin_mm: float = 30.0  # from the last station's edge to the support
    end_hold: tuple[float, float] = (0.4, 0.3)  # of the motion, that stiff ends take
    end_mm: tuple[float, float] = (20.0, 15.0)
    ply_drop: tuple[float, float] | None = None  # share of the length, thickness ratio beyond it
    insert: tuple[float, float, float, float] | None = None  # x and s from, to in mm: bonded behind the wall
    doubler: tuple[float, float] | None = None  # x from, to in mm: half as thick again
    uneven: float = 0.02  # smooth unevenness of thickness
    spread: float = 0.02  # of the modes' frequencies: no part is the drawing
    split: float = 0.004  # of twins: no tube is quite round
    far_share: float = 0.05  # of what the microphone hears: the whole part, not the struck place
    mic_mm: float = 10.0  # radius of surface that the microphone hears best
    sheet_held: float = 0.02  # share of the curvature's stiffness left: a loose sheet gives way in its plane
    sheet_loudness: float = 0.5  # of a loose sheet beside the wall, at the microphone

    def bending_nm(self, thickness_m: Array | float) -> Array | float:
        return self.modulus_pa * thickness_m**3 / 12 / (1 - self.poisson**2)


def drawn_wall(rng: np.random.Generator) -> Wall:
    """A part as one may meet it."""
    return Wall(
        thickness_mm=rng.uniform(1.2, 2.2),
        modulus_pa=rng.uniform(45e9, 75e9),
        damping=10 ** rng.uniform(-2.3, -1.8),
        sheet_damping=rng.uniform(0.015, 0.06),
        margin_mm=rng.uniform(25, 70),
        end_hold=(rng.uniform(0.1, 0.6), rng.uniform(0.1, 0.6)),
        end_mm=(rng.uniform(8, 30), rng.uniform(8, 30)),
        uneven=rng.uniform(0.01, 0.04),
        spread=rng.uniform(0.01, 0.04),
        split=rng.uniform(0.001, 0.006),
        far_share=rng.uniform(0.02, 0.1),
        mic_mm=rng.uniform(5, 15),
        sheet_held=10 ** rng.uniform(-3, -0.8),
        sheet_loudness=10 ** rng.uniform(-2.2, -0.2),
    )


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


@dataclass(frozen=True, slots=True, eq=False)
class _Sheet:
    """Notes of one loose place: (modes,) angular frequency, damping, loudness, and waves round and root."""

    omega: Array
    damping: Array
    share: Array  # of the struck sheet's motion in the note; below 1 where two sheets share it
    waves: NDArray[np.int64]
    root: Array
    mass_kg: float
    compliance_m_n: float
    bending_nm: float
    mass_kg_m2: float
    size: float  # its area in parts of what the microphone hears


def _clamped_shape(waves: int, root: float, radius: Array) -> Array:
    """Clamped circular plate's mode over the radius, largest value about 1."""
    inside = np.minimum(radius, 1.0) * root
    size = jv(waves, inside) - jv(waves, root) / iv(waves, root) * iv(waves, inside)
    grid = np.linspace(0, 1, 60) * root
    peak = np.abs(jv(waves, grid) - jv(waves, root) / iv(waves, root) * iv(waves, grid)).max()
    return np.where(radius < 1, size / peak, 0.0)


def _notes(part: Ringing, damage: Damage, thickness_m: float) -> tuple[Array, float]:
    """Squares of angular frequency (modes,) of a clamped elliptical sheet, and its mass per area."""
    wall = part.wall
    a, b = (r / 1e3 for r in damage.radii_mm)
    mass_area = wall.density_kg_m3 * thickness_m + SHEET_AIR
    # Rayleigh: an ellipse is stiffer than the circle of equal mean radius by this factor.
    quotient = (3 / a**4 + 2 / (a * b) ** 2 + 3 / b**4) / 8
    roots = np.array([root for _, root in DISC_MODES])
    square = roots**4 * wall.bending_nm(thickness_m) / mass_area * quotient
    if part.surface.girth_mm is not None:
        radius = float(part.surface.girth_at_mm(np.array(damage.x_mm))) / 2e3 / np.pi
        square = square + 3 / 8 * wall.sheet_held * wall.modulus_pa / wall.density_kg_m3 / radius**2
    return square, mass_area


def _sheet(part: Ringing, damage: Damage, rng: np.random.Generator) -> _Sheet:
    """The notes of an open, bridged, gritty or stacked place."""
    depth_m = damage.depth_mm / 1e3
    square, mass_area = _notes(part, damage, depth_m)
    damping = np.full(square.size, part.wall.sheet_damping)
    share = np.ones(square.size)
    waves = np.array([w for w, _ in DISC_MODES])
    roots = np.array([root for _, root in DISC_MODES])
    compliance_ratio = 1.0
    if damage.kind == "bridged":
        extra = square[0] * rng.uniform(0.7, 4)
        compliance_ratio = square[0] / (square[0] + extra)
        square, damping = square + extra, damping * 1.5
    if damage.kind == "gritty":
        extra = square[0] * rng.uniform(0.1, 0.8)
        compliance_ratio = square[0] / (square[0] + extra)
        heavier = rng.uniform(1.1, 1.6)
        square, mass_area = (square + extra) / heavier, mass_area * heavier
        damping = np.full(square.size, rng.uniform(0.1, 0.25))
    if damage.kind == "stack":
        below_m = max(0.6 * depth_m, 1e-4)
        below, below_area = _notes(part, damage, below_m)
        between = square[0] * mass_area * rng.uniform(0.2, 2)
        pairs = [_pair(u, b, mass_area, below_area, between) for u, b in zip(square, below, strict=True)]
        square = np.concatenate([pair[0] for pair in pairs])
        share = np.concatenate([pair[1] for pair in pairs])
        damping, waves, roots = np.repeat(damping, 2), np.repeat(waves, 2), np.repeat(roots, 2)
    short, long = sorted(damage.radii_mm)
    area = np.pi * short * min(long, 2.5 * short) / 1e6  # a long sheet does not ring as one
    yields = 1 / (0.18 * mass_area * area * _notes(part, damage, depth_m)[0][0])
    return _Sheet(
        omega=np.sqrt(square),
        damping=damping,
        share=share,
        waves=waves,
        root=roots,
        mass_kg=0.18 * mass_area * area,  # modal mass of a clamped circle's first mode, near enough of all
        compliance_m_n=yields * compliance_ratio,
        bending_nm=float(part.wall.bending_nm(depth_m)),
        mass_kg_m2=mass_area,
        size=area / (area + np.pi * (part.wall.mic_mm / 1e3) ** 2),
    )


def _pair(upper: float, lower: float, m_up: float, m_low: float, spring: float) -> tuple[Array, Array]:
    """Two sheets one above the other with a spring between: squares of frequency, share of the upper."""
    matrix = np.array(
        [
            [upper + spring / m_up, -spring / np.sqrt(m_up * m_low)],
            [-spring / np.sqrt(m_up * m_low), lower + spring / m_low],
        ]
    )
    values, vectors = np.linalg.eigh(matrix)
    return values, vectors[0] ** 2


def _softened(part: Ringing, damage: Damage) -> tuple[float, float]:
    """Bending stiffness of a sliding or crushed place over the sound wall's, and of its contact."""
    rng = _rng(part, 50 + part.damages.index(damage))
    if damage.kind == "crushed":
        left = rng.uniform(0.25, 0.6)
        return left, rng.uniform(0.4, 0.8)
    d = min(damage.depth_mm / part.wall.thickness_mm, 0.9)
    return float(d**3 + (1 - d) ** 3) * rng.uniform(1.0, 1.3), 1.0


def _sounds(part: Ringing, strikes: Strikes, block: slice) -> NDArray[np.float32]:
    """Sounds of a block of taps, in the frequency domain."""
    x_mm, s_mm = strikes.x_mm[block], strikes.s_mm[block]
    frequency = np.fft.rfftfreq(FFT, 1 / RATE_HZ)
    omega = 2 * np.pi * frequency
    modes, wall = part.modes, part.wall
    shapes = _shapes(part, x_mm, s_mm)
    stiffness, mass = _relative_wall(part, x_mm, s_mm)
    plain = float(wall.bending_nm(wall.thickness_mm / 1e3))
    rigid_s = _rigid_s(strikes, block)
    compliance = _plate_yields(
        rigid_s, plain * stiffness, wall.density_kg_m3 * wall.thickness_mm / 1e3 * mass
    )
    contact = strikes.contact_n_m15[block].copy()
    notes: list[tuple[Array, Array, _Sheet, Array]] = []
    isolation = np.zeros((x_mm.size, omega.size), dtype=complex)
    for number, damage in enumerate(part.damages):
        radius, angle = elliptic(part.surface, damage, x_mm, s_mm)
        middle = np.where(radius < 1, (1 - np.minimum(radius, 1) ** 2) ** 2, 0.0)
        if not middle.any():
            continue
        if damage.kind in ("sliding", "crushed"):
            left, soft = _softened(part, damage)
            edge = 1 / (1 + np.exp(np.clip((radius - 1) * 12, -50, 50)))
            contact *= 1 - (1 - soft) * edge
            reach_m2 = min(damage.radii_mm) ** 2 / 1e6
            compliance = compliance + middle * reach_m2 / (16 * np.pi) * (1 / left - 1) / plain
            shapes = shapes * (1 + (left**-0.125 - 1) * edge)[:, None]
            isolation -= LOST * edge[:, None] * (frequency / (frequency + 6e3))
            continue
        sheet = _sheet(part, damage, _rng(part, 50 + number))
        side = _bridge_side(damage, radius, angle)
        moving = _plate_yields(
            rigid_s, sheet.bending_nm, sheet.mass_kg_m2
        )  # a wide sheet is held by its mass
        compliance = compliance + middle * side / (1 / sheet.compliance_m_n + 1 / moving)
        notes.append((radius, angle, sheet, side))
        local = omega * np.sqrt(middle * side)[:, None] / sheet.omega[0]  # stiffer towards the rim
        passed = 1 / (1 - local**2 + 2j * sheet.damping[0] * local)
        passed /= np.maximum(np.abs(passed), 1)
        isolation += (1 - THROUGH) * (passed - 1)
    force = _force(strikes, block, contact, compliance, omega)
    answer = _accelerance(omega, modes.omega, modes.damping)
    heard = np.exp(-((_wavenumber(part) * wall.mic_mm / 1e3) ** 2) / 4) + 0.08
    weights = shapes * (shapes * heard + wall.far_share * modes.far) * (modes.loudness / modes.mass_kg)
    sound = (weights @ answer.real + 1j * (weights @ answer.imag)) * (1 + isolation)
    for radius, angle, sheet, side in notes:
        sound += _sheet_sound(part, radius, angle, sheet, side, omega)
    lead = np.exp(-1j * omega * LEAD_S)
    low_pass = 1 / (1 + (frequency / 21e3) ** 12) * (frequency / np.hypot(frequency, 60))
    wave = np.fft.irfft(sound * force * lead * low_pass, FFT)[:, : round(TAP_S * RATE_HZ)]
    fade = np.ones(wave.shape[1])
    fade[-480:] = np.cos(np.linspace(0, np.pi / 2, 480)) ** 2
    return (wave * fade * RATE_HZ).astype(np.float32)


def _rigid_s(strikes: Strikes, block: slice) -> Array:
    """How long a tap lasts on a rigid wall: Hertz's contact, 2.943 (5/4 · m/k)^(2/5) v^(-1/5).

    Johnson, *Contact Mechanics* (from memory).
    """
    mass, contact = strikes.mass_kg[block], strikes.contact_n_m15[block]
    return 2.943 * (1.25 * mass / contact) ** 0.4 * strikes.speed_m_s[block] ** -0.2


def _plate_yields(lasts_s: Array, bending_nm: Array | float, mass_kg_m2: Array | float) -> Array:
    """Compliance of a wide plate over half a contact: its point impedance is 8 √(D m) (Cremer & Heckl)."""
    return lasts_s / (16 * np.sqrt(bending_nm * mass_kg_m2))


def _bridge_side(damage: Damage, radius: Array, angle: Array) -> Array:
    """How freely the sheet moves there: bridges hold one side of a bridged place twice as well."""
    if damage.kind != "bridged":
        return np.ones_like(radius)
    return 0.75 + 0.25 * np.tanh(3 * np.minimum(radius, 1) * np.cos(angle))


def _wavenumber(part: Ringing) -> Array:
    surface, wall = part.surface, part.wall
    length = (surface.length_mm + 2 * wall.margin_mm) / 1e3
    width = surface.width_mm / 1e3 + (2 * wall.margin_mm / 1e3 if surface.girth_mm is None else 0)
    return np.hypot(part.modes.along / length, part.modes.across / width)


def _accelerance(omega: Array, natural: Array, damping: Array) -> Array:
    """Acceleration of oscillators of mass 1 under unit force, (oscillators, frequencies) complex."""
    ratio = omega / natural[:, None]
    return -(ratio**2) / (1 - ratio**2 + 2j * damping[:, None] * ratio)


def _force(strikes: Strikes, block: slice, contact: Array, compliance: Array, omega: Array) -> Array:
    """Spectrum of the contact force (taps, frequencies): a half-sine as long as mass and springs take.

    The spring that gives the rigid wall's duration is put in series with wall and sheet; `contact` is the
    contact's stiffness where damage changed it.
    """
    mass, speed = strikes.mass_kg[block], strikes.speed_m_s[block]
    rigid_s = _rigid_s(strikes, block) * (strikes.contact_n_m15[block] / contact) ** 0.4
    spring = 1 / (rigid_s**2 / (np.pi**2 * mass) + compliance)
    lasts = np.pi * np.sqrt(mass / spring)
    peak = speed * np.sqrt(mass * spring)
    cycles = lasts[:, None] * omega / (2 * np.pi)
    size = (np.sinc(cycles + 0.5) + np.sinc(cycles - 0.5)) / 2
    return (peak * lasts)[:, None] * size * np.exp(-1j * np.pi * cycles)


def _sheet_sound(
    part: Ringing, radius: Array, angle: Array, sheet: _Sheet, side: Array, omega: Array
) -> Array:
    """What the loose sheet itself radiates: acceleration of its notes where it is struck and heard."""
    sound = np.zeros((radius.size, omega.size), dtype=complex)
    inside = np.flatnonzero(radius < 1)
    answer = _accelerance(omega, sheet.omega, sheet.damping)
    for k, (waves, root) in enumerate(zip(sheet.waves, sheet.root, strict=True)):
        shape = _clamped_shape(int(waves), float(root), radius[inside])
        # Struck at an angle, a mode with waves round answers in the turned twin, heard right there.
        heard = shape * sheet.size * part.wall.sheet_loudness * (1.0 if waves == 0 else 0.5)
        gain = shape * heard * side[inside] * sheet.share[k] / sheet.mass_kg
        sound[inside] += gain[:, None] * answer[k]
    return sound
