"""What could be found in a zone, before anything is collected: the plan's numbers put to the formulas."""

import math
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any

from tapscan.errors import sentence
from tapscan.physics.detectability import (
    AScanReach,
    Listening,
    Reach,
    Tapper,
    TapReach,
    ascan_reach,
    tap_reach,
)
from tapscan.physics.plates import Plate
from tapscan.plan import Plan, Zone
from tapscan.plan.surfaces import girth_mm

__all__ = [
    "AScanOutlook",
    "Outlook",
    "TapOutlook",
    "ascan_outlook",
    "outlook_of",
    "pitch_mm",
    "tap_outlook",
    "tap_reach_at",
]

DEPTHS = 8  # the wall is computed in steps of this part of it
# Where the plan is silent: quasi-isotropic laminate (from memory). It matters by a few per cent.
POISSON = 0.3


@dataclass(frozen=True, slots=True)
class TapOutlook:
    """What taps could detect in one zone, by depth; `detectable` is empty when the plan does not say enough.

    `assumptions` are sentences on what the estimate rests on. `warnings` name the keys that are missing, or a
    pitch wider than what could be found.
    """

    detectable: tuple[TapReach, ...]
    tapper: Tapper
    assumptions: tuple[str, ...]
    warnings: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class AScanOutlook:
    """What A-scans could detect in one zone; `detectable` is None when the plan does not say enough."""

    detectable: AScanReach | None
    assumptions: tuple[str, ...]
    warnings: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Outlook:
    """What could be found in one zone by the methods that are used there; None for one that is not."""

    zone: Zone
    taps: TapOutlook | None
    ascans: AScanOutlook | None

    @property
    def warnings(self) -> tuple[str, ...]:
        """The warnings of both methods."""
        return tuple(line for part in (self.taps, self.ascans) if part is not None for line in part.warnings)

    @property
    def is_known(self) -> bool:
        """Whether the plan says enough for any of the methods."""
        return bool(self.taps and self.taps.detectable) or bool(self.ascans and self.ascans.detectable)

    def document(self) -> dict[str, Any]:
        """Lay it out as plain data, lengths in mm; null where nothing of any size could be detected."""
        return {
            "pitch_mm": list(pitch_mm(self.zone)),
            "tap": None if self.taps is None else _tap_document(self.taps),
            "ascan": None if self.ascans is None else _ascan_document(self.ascans),
        }


def outlook_of(plan: Plan, zone: Zone, methods: Iterable[str]) -> Outlook:
    """Say what could be found in a zone by each of these methods, "tap" or "ascan"."""
    used = set(methods)
    return Outlook(
        zone,
        tap_outlook(plan, zone) if "tap" in used else None,
        ascan_outlook(plan, zone) if "ascan" in used else None,
    )


def pitch_mm(zone: Zone) -> tuple[float, float]:
    """Distance between points along the axis and across, where the girth is widest on a tapered tube.

    Examples
    --------
    >>> from tapscan.plan.text.reading import parse_plan
    >>> text = 'zone = [{code = "BM", shape = "tube", stations = 2, positions = 4, station_pitch_mm = 10.0, '
    >>> pitch_mm(parse_plan(text + 'girth_mm = 80.0}]').zones[0])
    (10.0, 20.0)
    """
    if not zone.is_tube:
        assert zone.position_pitch_mm is not None  # the plan's check sees to it
        return zone.station_pitch_mm, zone.position_pitch_mm
    return zone.station_pitch_mm, float(girth_mm(zone).max()) / zone.positions


def tap_reach_at(plan: Plan, zone: Zone, depth_mm: float) -> TapReach | None:
    """Say how small a delamination at this depth taps could detect; None when the plan does not say enough.

    On a tapered tube the narrowest girth counts: there a patch is stiffest.

    Raises
    ------
    ValueError
        When the depth is not within the wall.
    """
    wall = zone.laminate
    if wall.thickness_mm is None or wall.modulus_gpa is None or wall.density_kg_m3 is None:
        return None
    poisson = POISSON if wall.poisson is None else wall.poisson
    plate = Plate(wall.thickness_mm, wall.modulus_gpa, poisson, wall.density_kg_m3)
    return tap_reach(
        plate, depth_mm, pitch_mm(zone), _tapper(plan), tube_radius_mm=_narrowest_radius_mm(zone)
    )


def tap_outlook(plan: Plan, zone: Zone) -> TapOutlook:
    """Say for each depth how small a delamination taps on this zone's grid could detect."""
    tapper, where, wall_mm = _tapper(plan), f"zone {zone.code}", zone.laminate.thickness_mm or 0.0
    needed = ("thickness_mm", "modulus_gpa", "density_kg_m3")
    missing = [key for key in needed if getattr(zone.laminate, key) is None]
    if missing:
        what = f"what taps can find is not known without {', '.join(missing)}"
        remedy = "say them under [laminate]: they set the stiffness and the note of a delaminated patch"
        return TapOutlook((), tapper, (), (sentence(where, what, remedy),))
    depths = (tap_reach_at(plan, zone, wall_mm * k / DEPTHS) for k in range(1, DEPTHS))
    reached = tuple(one for one in depths if one is not None)
    narrow = _narrow(reached, where, pitch_mm(zone))
    return TapOutlook(reached, tapper, _tap_assumptions(zone, tapper), narrow)


def _tapper(plan: Plan) -> Tapper:
    usual = Tapper()
    return Tapper(plan.tapper_mass_g or usual.mass_g, plan.tapper_radius_mm or usual.radius_mm)


def _narrowest_radius_mm(zone: Zone) -> float:
    return float(girth_mm(zone).min()) / (2 * math.pi) if zone.is_tube else math.inf


def _narrow(reached: tuple[TapReach, ...], where: str, steps: tuple[float, float]) -> tuple[str, ...]:
    """Warn when the grid would miss more than half of the smallest patches that a tap on them could detect.

    Nearer the surface than a quarter of the wall those are narrower than any grid that somebody would tap.
    """
    missed = [one for one in reached[DEPTHS // 4 - 1 :] if one.reach.missed_share > 0.5]
    if not missed:
        return ()
    what = (
        f"points are up to {max(steps):.3g} mm apart, and a delamination {missed[0].reach.depth_mm:.2g} mm "
        f"deep can be found from {2 * missed[0].detectable_mm:.2g} mm across: "
        "most of these fall between points"
    )
    return (sentence(where, what, "narrow the pitch"),)


def _tap_assumptions(zone: Zone, tapper: Tapper) -> tuple[str, ...]:
    band_khz = Listening().highest_hz / 1000
    surface = (
        f"curved like the tube where it is narrowest ({_narrowest_radius_mm(zone):.3g} mm radius)"
        if zone.is_tube
        else "flat"
    )
    reached = (
        "Detected when it makes the contact last as much longer as the limit measured on aluminium by "
        f"Cawley & Adams (1988), or when its own lowest note is below {band_khz:g} kHz."
    )
    return (
        f"Steel tip of {tapper.mass_g:g} g and {tapper.radius_mm:g} mm radius, at {tapper.force_n:g} N.",
        f"Round patch of thin laminate, clamped at its rim, {surface}.",
        reached,
        "Smaller, deeper and edge damage is missed.",
    )


def ascan_outlook(plan: Plan, zone: Zone) -> AScanOutlook:
    """Say what A-scans on this zone's grid could detect.

    That takes the wall's thickness and velocity and the probe's centre frequency.
    """
    wall, frequency_mhz, where = zone.laminate, plan.centre_frequency_mhz, f"zone {zone.code}"
    if wall.thickness_mm is None or wall.velocity_m_s is None or frequency_mhz is None:
        needed = ("thickness_mm", wall.thickness_mm), ("velocity_m_s", wall.velocity_m_s)
        asked = (*needed, ("centre_frequency_mhz", frequency_mhz))
        missing = ", ".join(key for key, value in asked if value is None)
        what = f"what A-scans can find is not known without {missing}"
        remedy = "say them under [laminate] and [ascan]: they set how near to a surface an echo is resolved"
        return AScanOutlook(None, (), (sentence(where, what, remedy),))
    steps = pitch_mm(zone)
    reached = ascan_reach(wall.thickness_mm, wall.velocity_m_s, frequency_mhz, steps, plan.beam_mm)
    near = (
        f"An echo nearer to the front surface or the back wall than 1.4 cycles of {frequency_mhz:g} MHz "
        f"({reached.shallowest_mm:.2f} mm here) is not resolved; a lost back wall shows it, without depth."
    )
    beam = "The beam's width is not in the plan: only the pitch counts."
    if plan.beam_mm is not None:
        beam = f"Beam {plan.beam_mm:g} mm wide at -6 dB; a narrower patch returns only a share of its echo."
    assumptions = (near, beam, "Delaminations square to the beam; whatever is below a first one is hidden.")
    return AScanOutlook(reached, assumptions, _unswept(reached, where, steps, plan.beam_mm))


def _unswept(
    reached: AScanReach, where: str, steps: tuple[float, float], beam_mm: float | None
) -> tuple[str, ...]:
    """Warn when the beam leaves gaps between the points, or when the wall is too thin for the pulse."""
    warnings = []
    if reached.deepest_mm <= reached.shallowest_mm:
        what = f"the wall is thinner than two lengths of the pulse ({reached.shallowest_mm:.2g} mm each)"
        remedy = "take a probe of higher frequency: no echo from inside is resolved here"
        warnings.append(sentence(where, what, remedy))
    if beam_mm is not None and beam_mm < max(steps):
        what = (
            f"points are up to {max(steps):.3g} mm apart and the beam is {beam_mm:.3g} mm wide: "
            "a delamination may be between them"
        )
        warnings.append(sentence(where, what, "narrow the pitch to the beam's width"))
    return tuple(warnings)


def _tap_document(taps: TapOutlook) -> dict[str, Any]:
    return {
        "tapper_mass_g": taps.tapper.mass_g,
        "tapper_radius_mm": taps.tapper.radius_mm,
        "force_n": taps.tapper.force_n,
        "depths": [
            {
                **_reach_document(one.reach),
                "softness_radius_mm": _finite(one.softness_mm),
                "note_radius_mm": _finite(one.note_mm),
                "is_thin": one.is_thin,
                "is_shallow": one.is_shallow,
            }
            for one in taps.detectable
        ],
        "assumptions": list(taps.assumptions),
        "warnings": list(taps.warnings),
    }


def _ascan_document(ascans: AScanOutlook) -> dict[str, Any]:
    reached = ascans.detectable
    return {
        "shallowest_mm": reached.shallowest_mm if reached else None,
        "deepest_mm": reached.deepest_mm if reached else None,
        "beam_radius_mm": reached.radius_mm if reached else None,
        "smallest_radius_mm": reached.reach.radius_mm if reached else None,
        "set_by": reached.reach.limit if reached else None,
        "assumptions": list(ascans.assumptions),
        "warnings": list(ascans.warnings),
    }


def _reach_document(reach: Reach) -> dict[str, Any]:
    is_finite = math.isfinite(reach.radius_mm)
    return {
        "depth_mm": reach.depth_mm,
        "smallest_radius_mm": reach.radius_mm if is_finite else None,
        "set_by": reach.limit,
        "points": reach.points if is_finite else None,
        "missed_share": reach.missed_share if is_finite else None,
    }


def _finite(length_mm: float) -> float | None:
    return length_mm if math.isfinite(length_mm) else None
