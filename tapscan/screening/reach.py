"""What could be found in a zone, before anything is collected: the plan's numbers put to the formulas."""

from dataclasses import dataclass

from tapscan.errors import sentence
from tapscan.physics.detectability import AScanReach, Tapper, TapReach, ascan_reach, tap_reach
from tapscan.physics.plates import Plate
from tapscan.plan import Plan, Zone
from tapscan.plan.surfaces import girth_mm

__all__ = ["TapOutlook", "ascan_outlook", "pitch_mm", "tap_outlook"]

DEPTHS = 8  # the wall is looked at in steps of this part of it
# Where the plan is silent: quasi-isotropic laminate (from memory). It matters by a few per cent.
POISSON = 0.3


@dataclass(frozen=True, slots=True)
class TapOutlook:
    """What taps could tell in one zone, by depth; `told` is empty when the plan does not say enough.

    `warnings` name the keys that are missing, or a pitch wider than what could be found.
    """

    told: tuple[TapReach, ...]
    tapper: Tapper
    warnings: tuple[str, ...]


def pitch_mm(zone: Zone) -> tuple[float, float]:
    """Distance between points along the axis and across, where the girth is widest on a tapered tube.

    Examples
    --------
    >>> from tapscan.plan.reading import parse_plan
    >>> text = 'zone = [{code = "BM", shape = "tube", stations = 2, positions = 4, station_pitch_mm = 10.0, '
    >>> pitch_mm(parse_plan(text + 'girth_mm = 80.0}]').zones[0])
    (10.0, 20.0)
    """
    if not zone.is_tube:
        assert zone.position_pitch_mm is not None  # the plan's check sees to it
        return zone.station_pitch_mm, zone.position_pitch_mm
    return zone.station_pitch_mm, float(girth_mm(zone).max()) / zone.positions


def tap_outlook(plan: Plan, zone: Zone) -> TapOutlook:
    """Say for each depth how small a delamination taps on this zone's grid could tell."""
    usual = Tapper()
    tapper = Tapper(plan.tapper_mass_g or usual.mass_g, plan.tapper_radius_mm or usual.radius_mm)
    wall, where = zone.laminate, f"zone {zone.code}"
    needed = {
        "thickness_mm": wall.thickness_mm,
        "modulus_gpa": wall.modulus_gpa,
        "density_kg_m3": wall.density_kg_m3,
    }
    missing = [key for key, value in needed.items() if value is None]
    if wall.thickness_mm is None or wall.modulus_gpa is None or wall.density_kg_m3 is None:
        what = f"what taps can find is not told without {', '.join(missing)}"
        remedy = "say them under [laminate]: they set the stiffness and the note of a delaminated patch"
        return TapOutlook((), tapper, (sentence(where, what, remedy),))
    plate = Plate(
        wall.thickness_mm,
        wall.modulus_gpa,
        POISSON if wall.poisson is None else wall.poisson,
        wall.density_kg_m3,
    )
    steps = pitch_mm(zone)
    told = tuple(tap_reach(plate, wall.thickness_mm * k / DEPTHS, steps, tapper) for k in range(1, DEPTHS))
    narrow = [one for one in told if 2 * one.told_mm < max(steps)]
    if not narrow:
        return TapOutlook(told, tapper, ())
    what = (
        f"points stand up to {max(steps):.3g} mm apart, and a delamination {narrow[0].reach.depth_mm:.2g} mm "
        f"deep could be told from {2 * narrow[0].told_mm:.2g} mm across: it may lie between them"
    )
    return TapOutlook(told, tapper, (sentence(where, what, "narrow the pitch"),))


def ascan_outlook(plan: Plan, zone: Zone) -> AScanReach | None:
    """Say what A-scans on this zone's grid could tell; None when the plan does not say enough.

    That takes the wall's thickness and velocity and the probe's centre frequency.
    """
    wall, frequency_mhz = zone.laminate, plan.centre_frequency_mhz
    if wall.thickness_mm is None or wall.velocity_m_s is None or frequency_mhz is None:
        return None
    return ascan_reach(wall.thickness_mm, wall.velocity_m_s, frequency_mhz, pitch_mm(zone), plan.beam_mm)
