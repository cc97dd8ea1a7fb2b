"""How a simulated part moves when it is struck: the modes of a tube or a panel between stiff ends."""

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from tapscan.physics.plates import Plate, simply_supported_rectangle_hz
from tapscan.physics.shells import Tube, free_beam_roots, tube_mode_hz
from tapscan.plan.surfaces import girth_mm

if TYPE_CHECKING:
    from numpy.typing import ArrayLike, NDArray

    from tapscan.plan.zones import Zone

__all__ = ["Modes", "heard_mm2", "mode_shapes", "wall_of", "zone_modes"]

LEAST_DECAY_PER_S = 60.0  # air, hands and joints take this much out of the slowest modes
HEARD_MM2 = 1000.0  # what is within about 2 cm of the struck place


@dataclass(frozen=True, slots=True, eq=False)
class Modes:
    """The modes of the piece of part that a zone belongs to; arrays of shape ``(modes,)``.

    A shape is a function of x times ``cos(across · u + phase)``, where u runs from 0 to 1 once round the
    girth or over the panel. `swept_mm2` is the area of the struck half-wave cell times its mean deflection,
    as far as the microphone hears it.
    """

    frequency_hz: "NDArray[np.float64]"
    damping_ratio: "NDArray[np.float64]"
    mass_kg: "NDArray[np.float64]"
    swept_mm2: "NDArray[np.float64]"
    along: "NDArray[np.float64]"
    across: "NDArray[np.float64]"
    phase_rad: "NDArray[np.float64]"
    length_mm: float
    is_clamped: bool


def wall_of(zone: "Zone") -> Plate:
    """Return the zone's wall as a plate.

    Raises
    ------
    ValueError
        When the plan does not say all that a plate needs.
    """
    laminate = zone.laminate
    values = (laminate.thickness_mm, laminate.modulus_gpa, laminate.poisson, laminate.density_kg_m3)
    if None in values:
        msg = f"zone {zone.code}: the simulator needs thickness, modulus, Poisson's ratio and density"
        raise ValueError(msg)
    return Plate(*values)  # type: ignore[arg-type]


def zone_modes(
    zone: "Zone", margin_mm: float, highest_hz: float, damping_ratio: float, rng: "np.random.Generator"
) -> Modes:
    """Compute every mode up to `highest_hz` of the part, which is stiffly held `margin_mm` beyond the zone.

    Frequencies come from the closed forms in `physics`; the generator turns each pair of tube modes to an
    angle of its own, splits it by about half a per cent (no real tube is perfectly round) and scatters the
    damping.
    """
    wall = wall_of(zone)
    length_mm = zone.stations * zone.station_pitch_mm + 2 * margin_mm
    if zone.is_tube:
        hz, along, across, area_mm2 = _tube_modes(zone, wall, length_mm, highest_hz)
    else:
        hz, along, across, area_mm2 = _panel_modes(zone, wall, (length_mm, margin_mm), highest_hz)
    count = hz.size
    split = rng.standard_normal(count) * 0.004
    loudness = np.exp(0.3 * rng.standard_normal(count))
    damping = damping_ratio * np.exp(0.25 * rng.standard_normal(count))
    turn = rng.uniform(0, 2 * np.pi, count)
    if zone.is_tube:  # twins are a quarter wave apart
        phase = np.repeat(turn[::2], 2) + np.tile([0.0, np.pi / 2], count // 2)
        hz = hz * (1 + split)
    else:
        phase = np.full(count, -np.pi / 2)
    # Both factors of a shape have a mean square of 1/2 or 1; the cell is half a wave each way.
    mean_square = 0.5 if zone.is_tube else 0.25
    cells = along / np.pi * (across / np.pi)
    return Modes(
        frequency_hz=hz,
        damping_ratio=np.maximum(damping, LEAST_DECAY_PER_S / (2 * np.pi * hz)),
        mass_kg=np.full(count, mean_square * wall.mass_kg_m2 * area_mm2 * 1e-6),
        # Where the microphone is held favours some modes; a pair's two do not sound quite alike.
        swept_mm2=heard_mm2(area_mm2 / cells * (2 / np.pi) ** 2) * loudness,
        along=along,
        across=across,
        phase_rad=phase,
        length_mm=length_mm,
        is_clamped=zone.is_tube,
    )


def heard_mm2(swept_mm2: "ArrayLike") -> "NDArray[np.float64]":
    """Part of a moving area that a microphone close by hears: of a large one no more than is near.

    Beyond those the air flows back round the part instead of sounding. (Our simplification, not a law.)
    """
    swept = np.asarray(swept_mm2, dtype=float)
    return np.asarray(swept / (1 + swept / HEARD_MM2))


_ModeTable = tuple["NDArray[np.float64]", "NDArray[np.float64]", "NDArray[np.float64]", float]


def _tube_modes(zone: "Zone", wall: Plate, length_mm: float, highest_hz: float) -> _ModeTable:
    girth = float(girth_mm(zone).mean())
    tube = Tube(girth / (2 * np.pi), wall)
    roots = free_beam_roots(int(length_mm))  # far more than there can be below any highest_hz; cut next
    waves = np.arange(1, 40)
    hz = tube_mode_hz(tube, roots[:, None] / length_mm, waves)
    chosen = np.argwhere(hz <= highest_hz)
    twice = np.repeat(chosen, 2, axis=0)
    return (
        hz[twice[:, 0], twice[:, 1]],
        roots[twice[:, 0]],
        np.asarray(2 * np.pi * waves[twice[:, 1]], dtype=float),
        length_mm * girth,
    )


def _panel_modes(
    zone: "Zone", wall: Plate, length_and_margin_mm: tuple[float, float], highest_hz: float
) -> _ModeTable:
    length_mm, margin_mm = length_and_margin_mm
    assert zone.position_pitch_mm is not None  # the plan's check sees to it
    width_mm = (zone.positions - 1) * zone.position_pitch_mm + 2 * margin_mm
    along, across = np.arange(1, 200)[:, None], np.arange(1, 200)
    hz = simply_supported_rectangle_hz(wall, (length_mm, width_mm), (along, across))
    chosen = np.argwhere(hz <= highest_hz)
    return (
        hz[chosen[:, 0], chosen[:, 1]],
        np.asarray(np.pi * (chosen[:, 0] + 1.0), dtype=float),
        np.asarray(np.pi * (chosen[:, 1] + 1.0), dtype=float),
        length_mm * width_mm,
    )


def mode_shapes(
    modes: Modes, along_mm: "NDArray[np.float64]", turns: "NDArray[np.float64]"
) -> "NDArray[np.float64]":
    """Deflection of every mode at places on the part; shape ``(places, modes)``.

    Parameters
    ----------
    along_mm
        Distance from the stiff end, shape ``(places,)``.
    turns
        Fraction of the girth or of the panel's whole width, shape ``(places,)``.
    """
    fraction = along_mm[:, None] / modes.length_mm
    argument = modes.along * fraction
    if modes.is_clamped:
        # The clamped beam's shape without its overflowing cosh: mean square 1, right to 1 % in the first
        # mode.
        sign = np.where(np.round(modes.along / np.pi - 0.5) % 2 == 0, 1.0, -1.0)
        lengthwise = np.sin(argument) - np.cos(argument) + np.exp(-argument)
        lengthwise -= sign * np.exp(-modes.along * (1 - fraction))
    else:
        lengthwise = np.sin(argument)
    return np.asarray(lengthwise * np.cos(modes.across * turns[:, None] + modes.phase_rad))
