"""The smallest delamination that could be detected, by depth: an estimate made beforehand.

Taps
----
A light tapper of mass m meets the contact's spring and whatever yields beneath it. Over a round delamination
the sub-laminate bends like a clamped plate, ``k_d = 16πD/a²``, in series with all that; the contact then
lasts ``√(1 + k₀/k_d)`` times as long as on good laminate, where the stiffness felt is k₀. What a tap can
detect is a *share* of the contact time, so the stiffest patch that it can detect is in proportion to k₀.
Cawley & Adams (Journal of Sound and Vibration 122(2) 1988, 299-316, abstract) measured it: about 30 MN/m, on
aluminium. There k₀ was the Hertz contact of their tapper on aluminium, taken as not yielding otherwise; here
it is that of the same tapper on laminate, and the wall yields too:

    ``limit = 30 MN/m · k₀(laminate, wall) / k₀(aluminium, rigid)``

That the two tappers are alike is an assumption; with the same mass, radius and force on both sides only the
materials and the wall are left in the ratio.

A large plate yields to a tap like a dashpot of ``Z = 8 √(D ρh)`` (Cremer, Heckl & Ungar, Structure-Borne
Sound, from memory): under a half-sine of length τ it has given way, at the peak of the force F, by
``F τ / (πZ)``, as a spring of ``πZ/τ`` would. With ``τ = π √(m/k₀)`` that is a quadratic equation for τ.

A patch whose lowest note is within the band that is scored is detected by that note as well, however stiff
it feels. A tap detects a patch that does the one or the other.

On a tube the patch is curved, which makes it stiffer and its note higher: `tapscan.physics.patches` says by
how much. A patch wider than half the girth is outside these formulas; where only such a one could be
detected, none is promised.

A-scans
-------
An echo that is nearer to the front surface or to the back wall than the pulse rings is not resolved; a
patch narrower than the beam returns only a share of its echo.

Grid
----
A patch that holds no point of the grid is not met at all, whatever the method.
"""

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from tapscan.physics.grids import covering_radius_mm, expected_points, missed_share
from tapscan.physics.patches import curved_circle_hz, curved_point_stiffness_n_m
from tapscan.physics.plates import (
    Plate,
    clamped_circle_hz,
    clamped_point_stiffness_n_m,
    flexural_rigidity_newton_m,
)

if TYPE_CHECKING:
    from collections.abc import Callable

__all__ = [
    "AScanReach",
    "Listening",
    "Reach",
    "TapReach",
    "Tapper",
    "ascan_reach",
    "contact_stiffness_n_m",
    "stiffness_limit_n_m",
    "tap_reach",
    "yielding_stiffness_n_m",
]

MEASURED_LIMIT_N_M = 30e6  # Cawley & Adams 1988, abstract
ALUMINIUM_GPA, ALUMINIUM_POISSON = 70.0, 0.33
STEEL_GPA, STEEL_POISSON = 210.0, 0.29
# Below ten thicknesses across, shear makes a patch softer than the thin-plate formulas say.
LEAST_RADIUS_TO_DEPTH = 5.0
# From half the girth across no patch is judged; from a tube's radius on the shallow-shell strains are rough.
MOST_RADIUS_TO_TUBE = np.pi / 2
SHALLOW_RADIUS_TO_TUBE = 1.0


@dataclass(frozen=True, slots=True)
class Tapper:
    """A steel ball, or a tip like one. `force_n` is the peak force at which the contact's spring is taken.

    The mass of a small coin; a ball of this radius weighs as much.
    """

    mass_g: float = 4.1
    radius_mm: float = 5.0
    force_n: float = 30.0


@dataclass(frozen=True, slots=True)
class Listening:
    """The top of the band that is listened to, and the laminate's stiffness under a small contact.

    `contact_gpa` is the modulus through the thickness over 1 - ν², that of carbon fibre in epoxy
    (from memory).
    """

    highest_hz: float = 16_000.0
    contact_gpa: float = 10.0


@dataclass(frozen=True, slots=True)
class Reach:
    """The smallest delamination at one depth; `limit` says what sets it.

    `radius_mm` is infinite where none of any size could be detected. `points` is how many points of the grid
    such a patch holds on average. `missed_share` is how often one
    that the method by itself would detect holds none.
    """

    depth_mm: float
    radius_mm: float
    limit: str
    points: float
    missed_share: float


@dataclass(frozen=True, slots=True)
class TapReach:
    """What taps can detect at one depth. Radii of round patches.

    `softness_mm` is the smallest that softens the contact enough, `note_mm` the smallest whose lowest note
    is within the band; `detectable_mm` the smaller of the two. Any of them is infinite where no patch up to
    half the girth across does it. `is_thin` and `is_shallow` say whether the formulas for thin plates and for
    shallow shells hold there. `reach` takes the grid in as well.
    """

    softness_mm: float
    note_mm: float
    detectable_mm: float
    is_thin: bool
    is_shallow: bool
    reach: Reach


@dataclass(frozen=True, slots=True)
class AScanReach:
    """What A-scans can detect: depths from `shallowest_mm` to `deepest_mm`, and how wide a patch must be.

    `radius_mm` is half the beam; None where nobody said how wide the beam is.
    """

    shallowest_mm: float
    deepest_mm: float
    radius_mm: float | None
    reach: Reach


def contact_stiffness_n_m(tapper: Tapper, contact_gpa: float) -> float:
    """Spring of a steel ball on a surface at the stated force, ``dF/dδ = (6 E*² R F)^(1/3)``.

    The derivative of Hertz's law ``F = 4/3 E* √R δ^(3/2)``; `contact_gpa` is E/(1 - ν²) of the surface.
    Source: Johnson, Contact Mechanics, section 4.2 (from memory).

    Examples
    --------
    >>> round(contact_stiffness_n_m(Tapper(), 10.0) / 1e6, 2)
    4.36
    """
    steel_gpa = STEEL_GPA / (1 - STEEL_POISSON**2)
    both_pa = 1e9 / (1 / contact_gpa + 1 / steel_gpa)
    return float((6 * both_pa**2 * tapper.radius_mm * 1e-3 * tapper.force_n) ** (1 / 3))


def yielding_stiffness_n_m(tapper: Tapper, contact_n_m: float, wall: Plate) -> float:
    """Stiffness that a tap feels on good wall: the contact's spring behind a wall that gives way.

    ``τ = π √(m (1/k_c + τ/πZ))`` solved for τ, and ``k₀ = m (π/τ)²``; see the module's head.

    Examples
    --------
    A wall a thousand times as thick does not yield:

    >>> wall = Plate(1600.0, 60.0, 0.3, 1550.0)
    >>> round(yielding_stiffness_n_m(Tapper(), 5e6, wall) / 5e6, 3)
    1.0
    """
    mass_kg = tapper.mass_g * 1e-3
    impedance = 8 * np.sqrt(flexural_rigidity_newton_m(wall) * wall.mass_kg_m2)
    half = np.pi * mass_kg / impedance / 2
    duration_s = half + np.sqrt(half**2 + np.pi**2 * mass_kg / contact_n_m)
    return float(mass_kg * (np.pi / duration_s) ** 2)


def stiffness_limit_n_m(tapper: Tapper, wall: Plate, contact_gpa: float) -> float:
    """Stiffest patch that this tapper still detects in this wall: the measured limit, scaled.

    Source: Cawley & Adams 1988 for the 30 MN/m (abstract); the scaling is derived in the module's head.

    Examples
    --------
    On thick aluminium it is the measured limit itself:

    >>> aluminium = Plate(1000.0, 70.0, 0.33, 2700.0)
    >>> round(stiffness_limit_n_m(Tapper(), aluminium, 70.0 / (1 - 0.33**2)) / 1e6, 2)
    30.0
    """
    measured_on = contact_stiffness_n_m(tapper, ALUMINIUM_GPA / (1 - ALUMINIUM_POISSON**2))
    here = yielding_stiffness_n_m(tapper, contact_stiffness_n_m(tapper, contact_gpa), wall)
    return MEASURED_LIMIT_N_M * here / measured_on


def tap_reach(
    wall: Plate,
    depth_mm: float,
    pitch_mm: tuple[float, float],
    tapper: Tapper | None = None,
    listening: Listening | None = None,
    *,
    tube_radius_mm: float = float("inf"),
) -> TapReach:
    """Smallest round delamination at a depth that taps on a grid of this pitch could detect.

    `tube_radius_mm` is infinite on a flat wall.

    Raises
    ------
    ValueError
        When the depth is not within the wall.

    Examples
    --------
    >>> wall = Plate(1.6, 60.0, 0.3, 1550.0)
    >>> reach = tap_reach(wall, 0.4, (10.0, 10.0))
    >>> round(reach.softness_mm, 1), round(reach.note_mm, 1), reach.reach.limit
    (3.7, 8.7, 'the pitch')
    >>> curved = tap_reach(wall, 0.4, (10.0, 10.0), tube_radius_mm=19.1)
    >>> round(curved.softness_mm, 1), round(curved.note_mm, 1)
    (4.3, 20.1)
    """
    if not 0 < depth_mm < wall.thickness_mm:
        msg = f"a delamination is within the wall of {wall.thickness_mm} mm (got a depth of {depth_mm} mm)"
        raise ValueError(msg)
    tapper, listening = tapper or Tapper(), listening or Listening()
    patch = Plate(depth_mm, wall.modulus_gpa, wall.poisson, wall.density_kg_m3)
    limit_n_m = stiffness_limit_n_m(tapper, wall, listening.contact_gpa)
    # On a flat wall both laws fall with the radius squared: one value gives the radius for any other.
    softness_mm = _least_radius_mm(
        lambda radius_mm: curved_point_stiffness_n_m(patch, radius_mm, tube_radius_mm) / limit_n_m,
        float(np.sqrt(clamped_point_stiffness_n_m(patch, 1.0) / limit_n_m)),
        tube_radius_mm,
    )
    note_mm = _least_radius_mm(
        lambda radius_mm: curved_circle_hz(patch, radius_mm, tube_radius_mm) / listening.highest_hz,
        float(np.sqrt(clamped_circle_hz(patch, 1.0) / listening.highest_hz)),
        tube_radius_mm,
    )
    detectable_mm = min(softness_mm, note_mm)
    by = "softness" if softness_mm <= note_mm else "its note"
    return TapReach(
        softness_mm=softness_mm,
        note_mm=note_mm,
        detectable_mm=detectable_mm,
        is_thin=detectable_mm >= LEAST_RADIUS_TO_DEPTH * depth_mm,
        is_shallow=detectable_mm <= SHALLOW_RADIUS_TO_TUBE * tube_radius_mm,
        reach=_with_grid(
            depth_mm, detectable_mm, by if np.isfinite(detectable_mm) else "too stiff", pitch_mm
        ),
    )


def _least_radius_mm(excess: "Callable[[float], float]", flat_mm: float, tube_radius_mm: float) -> float:
    """Radius at which a ratio that falls with the radius is down to 1; `flat_mm` is where it is when flat.

    Curvature only ever raises the ratio. Infinite when no patch up to half the girth across gets there.
    """
    from scipy.optimize import brentq

    if np.isinf(tube_radius_mm):
        return flat_mm
    most_mm = MOST_RADIUS_TO_TUBE * tube_radius_mm
    if flat_mm >= most_mm or excess(most_mm) > 1:
        return float("inf")
    return float(brentq(lambda radius_mm: np.log(excess(radius_mm)), 0.99 * flat_mm, most_mm, rtol=1e-6))


def ascan_reach(
    thickness_mm: float,
    velocity_m_s: float,
    frequency_mhz: float,
    pitch_mm: tuple[float, float],
    beam_mm: float | None = None,
    pulse_cycles: float = 1.4,
) -> AScanReach:
    """Smallest delamination that A-scans on a grid of this pitch could detect.

    An echo must be `pulse_cycles` of the centre frequency away from the front-surface echo and from the back
    wall's: a little over one cycle for a pulse of 70 % bandwidth. Depth is half the path (ASTM E797).

    Raises
    ------
    ValueError
        When a length, the velocity or the frequency is not positive.

    Examples
    --------
    >>> scan = ascan_reach(1.6, 2950.0, 5.0, (4.0, 4.0), beam_mm=5.0)
    >>> round(scan.shallowest_mm, 2), round(scan.deepest_mm, 2), scan.reach.radius_mm, scan.reach.limit
    (0.41, 1.19, 2.83, 'the pitch')
    """
    if min(thickness_mm, velocity_m_s, frequency_mhz, pulse_cycles, *pitch_mm) <= 0:
        msg = "thickness, velocity, frequency, pulse length and pitch are all above 0"
        raise ValueError(msg)
    near_mm = pulse_cycles * velocity_m_s * 1e-3 / (2 * frequency_mhz)
    half_beam_mm = None if beam_mm is None else beam_mm / 2
    return AScanReach(
        shallowest_mm=near_mm,
        deepest_mm=thickness_mm - near_mm,
        radius_mm=half_beam_mm,
        reach=_with_grid(near_mm, half_beam_mm or 0.0, "the beam", pitch_mm),
    )


def _with_grid(depth_mm: float, detectable_mm: float, limit: str, pitch_mm: tuple[float, float]) -> Reach:
    """Say what is left of a method's reach when readings are taken at the points of a grid only."""
    grid_mm = covering_radius_mm(pitch_mm)
    radius_mm = max(detectable_mm, grid_mm)
    return Reach(
        depth_mm=depth_mm,
        radius_mm=round(radius_mm, 2),
        limit="the pitch" if grid_mm > detectable_mm else limit,
        points=expected_points(radius_mm, pitch_mm),
        missed_share=missed_share(detectable_mm, pitch_mm),
    )
