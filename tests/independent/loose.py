"""A laminate wall, and what is loose or soft in it: closed forms that `ringing.py` puts together.

A loose sheet is a clamped circle's first modes, scaled to an ellipse by Rayleigh's quotient and stiffened by
what is left of the wall's curvature.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import iv, jv

from tests.independent.strikes import Array, Damage

__all__ = [
    "Sheet",
    "Softened",
    "Wall",
    "accelerance",
    "drawn_wall",
    "plate_yields",
    "sheet_of",
    "sheet_sound",
    "softened",
]

# Clamped circle: waves round, and root of its frequency equation (Leissa 1969, from memory).
DISC_MODES = ((0, 3.19622), (1, 4.61090), (2, 5.90568), (0, 6.30644))
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
class Sheet:
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


def _notes(wall: Wall, damage: Damage, girth_mm: float, thickness_m: float) -> tuple[Array, float]:
    """Squares of angular frequency (modes,) of a clamped elliptical sheet, and its mass per area."""
    a, b = (r / 1e3 for r in damage.radii_mm)
    mass_area = wall.density_kg_m3 * thickness_m + SHEET_AIR
    # Rayleigh: an ellipse is stiffer than the circle of equal mean radius by this factor.
    quotient = (3 / a**4 + 2 / (a * b) ** 2 + 3 / b**4) / 8
    roots = np.array([root for _, root in DISC_MODES])
    square = roots**4 * wall.bending_nm(thickness_m) / mass_area * quotient
    if np.isfinite(girth_mm):
        radius = girth_mm / 2e3 / np.pi
        square = square + 3 / 8 * wall.sheet_held * wall.modulus_pa / wall.density_kg_m3 / radius**2
    return square, mass_area


def sheet_of(wall: Wall, damage: Damage, girth_mm: float, rng: np.random.Generator) -> Sheet:
    """The notes of an open, bridged, gritty or stacked place."""
    depth_m = damage.depth_mm / 1e3
    square, mass_area = _notes(wall, damage, girth_mm, depth_m)
    damping = np.full(square.size, wall.sheet_damping)
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
        below, below_area = _notes(wall, damage, girth_mm, below_m)
        between = square[0] * mass_area * rng.uniform(0.2, 2)
        pairs = [_pair(u, b, mass_area, below_area, between) for u, b in zip(square, below, strict=True)]
        square = np.concatenate([pair[0] for pair in pairs])
        share = np.concatenate([pair[1] for pair in pairs])
        damping, waves, roots = np.repeat(damping, 2), np.repeat(waves, 2), np.repeat(roots, 2)
    short, long = sorted(damage.radii_mm)
    area = np.pi * short * min(long, 2.5 * short) / 1e6  # a long sheet does not ring as one
    yields = 1 / (0.18 * mass_area * area * _notes(wall, damage, girth_mm, depth_m)[0][0])
    return Sheet(
        omega=np.sqrt(square),
        damping=damping,
        share=share,
        waves=waves,
        root=roots,
        mass_kg=0.18 * mass_area * area,  # modal mass of a clamped circle's first mode, near enough of all
        compliance_m_n=yields * compliance_ratio,
        bending_nm=float(wall.bending_nm(depth_m)),
        mass_kg_m2=mass_area,
        size=area / (area + np.pi * (wall.mic_mm / 1e3) ** 2),
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


@dataclass(frozen=True, slots=True)
class Softened:
    """A sliding or crushed place: bending stiffness and contact over the sound wall's, and that wall's."""

    bending: float
    contact: float
    plain_nm: float


def softened(wall: Wall, damage: Damage, rng: np.random.Generator) -> Softened:
    """Crushed laminate is softer all through; sheets that slide bend each for itself."""
    plain = float(wall.bending_nm(wall.thickness_mm / 1e3))
    if damage.kind == "crushed":
        left = rng.uniform(0.25, 0.6)
        return Softened(left, rng.uniform(0.4, 0.8), plain)
    d = min(damage.depth_mm / wall.thickness_mm, 0.9)
    return Softened(float(d**3 + (1 - d) ** 3) * rng.uniform(1.0, 1.3), 1.0, plain)


def plate_yields(lasts_s: Array, bending_nm: Array | float, mass_kg_m2: Array | float) -> Array:
    """Compliance of a wide plate over half a contact: its point impedance is 8 √(D m) (Cremer & Heckl)."""
    return lasts_s / (16 * np.sqrt(bending_nm * mass_kg_m2))


def accelerance(omega: Array, natural: Array, damping: Array) -> Array:
    """Acceleration of oscillators of mass 1 under unit force, (oscillators, frequencies) complex."""
    ratio = omega / natural[:, None]
    return -(ratio**2) / (1 - ratio**2 + 2j * damping[:, None] * ratio)


def sheet_sound(sheet: Sheet, loudness: float, radius: Array, freedom: Array, omega: Array) -> Array:
    """What the loose sheet itself radiates (taps, frequencies): acceleration of its notes at the strike."""
    sound = np.zeros((radius.size, omega.size), dtype=complex)
    inside = np.flatnonzero(radius < 1)
    answer = accelerance(omega, sheet.omega, sheet.damping)
    for k, (waves, root) in enumerate(zip(sheet.waves, sheet.root, strict=True)):
        shape = _clamped_shape(int(waves), float(root), radius[inside])
        # Struck off its middle, a mode with waves round answers in the turned twin, heard right there.
        heard = shape * sheet.size * loudness * (1.0 if waves == 0 else 0.5)
        gain = shape * heard * freedom[inside] * sheet.share[k] / sheet.mass_kg
        sound[inside] += gain[:, None] * answer[k]
    return sound
