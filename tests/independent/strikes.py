"""What every generator of tap recordings shares: damage, strikes, and the one function that it offers.

A *generator* is mechanics only: given where and how hard a tapper strikes, it returns the sound of each tap
at the microphone's usual place, without room, noise or a second strike. What hand, microphone and room do to
that sound is added by `tests.independent.arena.nuisances`, the same way for all generators.
"""

from dataclasses import dataclass
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

__all__ = ["KINDS", "LEAD_S", "RATE_HZ", "TAP_S", "Damage", "Generator", "Strikes", "faded"]

Array = NDArray[np.float64]

RATE_HZ = 48_000
TAP_S = 0.12  # of each sound; a tap that rings longer is faded out
LEAD_S = 1e-3  # of each sound, before the tapper touches the wall

# What a place can be that is not sound laminate:
KINDS = (
    "open",  # clamped at its rim, an air gap: the classic delamination
    "bridged",  # open, its rim held in part: fibres and resin bridge it
    "sliding",  # the sheets touch all over and slide: no note of its own, softer and more damped
    "chatter",  # open by some micrometres: the sheet slaps on what is beneath, the contact is not linear
    "gritty",  # open, filled with grit or water: much damping
    "filled",  # half filled with resin: one part is bonded again
    "stack",  # two or more delaminations, one above the other
    "crushed",  # no gap: modulus down, damping up, all through
)


@dataclass(frozen=True, slots=True)
class Damage:
    """An elliptical place of damage; `radii_mm` along its own axes, `angle_rad` from the x axis to the first.

    `s_mm` counts round the girth, or across the panel.
    """

    x_mm: float
    s_mm: float
    radii_mm: tuple[float, float]
    depth_mm: float
    kind: str = "open"
    angle_rad: float = 0.0

    @property
    def area_mm2(self) -> float:
        return float(np.pi * self.radii_mm[0] * self.radii_mm[1])


@dataclass(frozen=True, slots=True, eq=False)
class Strikes:
    """How each tap is struck, arrays (taps,): place, speed, tapper's mass, Hertzian contact stiffness."""

    x_mm: Array
    s_mm: Array
    speed_m_s: Array
    mass_kg: Array
    contact_n_m15: Array


class Generator(Protocol):
    """One part under the tapper."""

    def sounds(self, strikes: Strikes) -> NDArray[np.float32]:
        """Sound of each tap, (taps, TAP_S * RATE_HZ), one scale for the whole part, no noise."""
        ...


def faded(sounds: Array) -> NDArray[np.float32]:
    """Cut sounds (taps, samples) to the length that all generators share, the last 10 ms faded out."""
    cut = sounds[:, : round(TAP_S * RATE_HZ)].astype(np.float32)
    fade = round(0.01 * RATE_HZ)
    cut[:, -fade:] *= np.cos(np.linspace(0, np.pi / 2, fade)) ** 2
    return cut
