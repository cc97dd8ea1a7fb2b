"""Which other readings a zone is compared with: those of other inspections, its mirror image, or none.

Other inspections come first (they saw this very surface, or its like, point by point), then the mirror image
that the plan names, then the zone itself. Points that the plan marks as good are part of the baseline in
every case. What cannot be used is refused in words, and the next one decides.
"""

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from tapscan.errors import TapscanError, sentence
from tapscan.screening.change.datums import turned_by
from tapscan.screening.change.twins import Match, Twin, good_points, marked_points, matched
from tapscan.screening.echoes.readings import EchoReadings
from tapscan.screening.echoes.screen import screen_ascans
from tapscan.screening.echoes.twins import EchoTwin, expected_echoes, walls
from tapscan.screening.known import Known
from tapscan.screening.results import CLEAR, SUSPECT, Method, Screened
from tapscan.screening.scans import Scan, Seen
from tapscan.screening.taps.points import N_BANDS, point_means
from tapscan.screening.taps.readings import TapReadings
from tapscan.screening.taps.twins import taps_against

__all__ = ["datum_warnings", "namesake", "screen_against"]

METHOD_WORDS: dict[Method, str] = {"tap": "tapped", "ascan": "scanned"}


def screen_against(own: Seen, scan: Scan, others: Sequence[Scan], warnings: list[str]) -> Screened:
    """Screen one zone of a scan against the best baseline that there is.

    Whatever is named but cannot be used adds a sentence to `warnings`, and the next best decides.
    """
    for screen in (_against_others, _against_mirror):
        try:
            found = screen(own, scan, others, warnings)
        except TapscanError as error:
            warnings.append(str(error))
            continue
        if found is not None:
            return found
    return own.screened


def _against_others(own: Seen, scan: Scan, others: Sequence[Scan], warnings: list[str]) -> Screened | None:
    """Screen against the same zone of other inspections; None when none of them serves."""
    zone = own.screened.zone
    alike: list[tuple[Scan, Seen, Match]] = []
    for other in others:
        try:
            seen = namesake(own, other)
            alike.append((other, seen, matched(zone, seen.screened.zone)))
        except TapscanError as error:
            warnings.append(f"{other.name}, {error}")
    if not alike:
        return None
    for other, seen, match in alike:
        warnings += datum_warnings(own, other, seen, match)
    known = [other.cuts.zones.get(zone.code) for other, _, _ in alike]
    names = [_named(other.name, of_it) for (other, _, _), of_it in zip(alike, known, strict=True)]
    source = f"the inspection {names[0]}" if len(names) == 1 else f"the inspections {', '.join(names)}"
    rate = scan.inspection.plan.false_call_rate
    if isinstance(own.readings, TapReadings):
        twins = [
            Twin(seen.readings, match, good_points(seen.screened, of_it))
            for (_, seen, match), of_it in zip(alike, known, strict=True)
            if isinstance(seen.readings, TapReadings)
        ]
        return taps_against(own.screened, own.readings, twins, source, rate, scan.trees)
    echoes = [
        EchoTwin(seen.readings, match, good_points(seen.screened, of_it), marked_points(seen.screened, of_it))
        for (_, seen, match), of_it in zip(alike, known, strict=True)
        if isinstance(seen.readings, EchoReadings)
    ]
    readings, expected = expected_echoes(zone, own.readings, echoes, source)
    return screen_ascans(zone, readings, rate, warnings, expected)


def _named(name: str, known: Known | None) -> str:
    """Name an inspection, and say how many of its points are known from cutting rather than from readings."""
    if known is None:
        return name
    return (
        f"{name} (cut since: {known.good.sum()} points known to be good, {known.bad.sum()} known not to be)"
    )


def namesake(own: Seen, other: Scan) -> Seen:
    """Find the zone of the same code and method in another inspection, with at least one reading.

    Raises
    ------
    TapscanError
        When there is none.
    """
    code, method = own.screened.zone.code, own.screened.method
    where, remedy = f"zone {code}", "take it out, or name an inspection that holds this zone"
    if all(zone.code != code for zone in other.inspection.plan.zones):
        codes = ", ".join(zone.code for zone in other.inspection.plan.zones)
        raise TapscanError(where, f"is not in that plan, which has {codes}", remedy)
    seen = other.of(code, method)
    if seen is None or not np.isin(seen.screened.status, (CLEAR, SUSPECT)).any():
        raise TapscanError(where, f"was not {METHOD_WORDS[method]} there", remedy)
    return seen


def _against_mirror(own: Seen, scan: Scan, _: Sequence[Scan], __: list[str]) -> Screened | None:
    """Screen a tapped zone against its mirror image where the plan names one."""
    zone = own.screened.zone
    if zone.mirror_of is None or not isinstance(own.readings, TapReadings):
        return None
    source = f"the mirror-image zone {zone.mirror_of}"
    twin = scan.of(zone.mirror_of, "tap")
    if (
        twin is None
        or not isinstance(twin.readings, TapReadings)
        or not np.isin(twin.screened.status, (CLEAR, SUSPECT)).any()
    ):
        where, what = f"zone {zone.code}", f"{source} was not tapped"
        raise TapscanError(where, what, "tap it, or drop mirror_of")
    match = matched(zone, twin.screened.zone, is_mirror=True)
    twins = [Twin(twin.readings, match, good_points(twin.screened))]
    rate = scan.inspection.plan.false_call_rate
    return taps_against(own.screened, own.readings, twins, source, rate, scan.trees)


def datum_warnings(own: Seen, other: Scan, seen: Seen, match: Match) -> list[str]:
    """Say so when the two zones agree much better with the datum of one of them turned."""
    zone = own.screened.zone
    if not zone.is_tube:
        return []
    here, there = (_pattern(one.readings) for one in (own, seen))
    bands = min(here.shape[-1], there.shape[-1])
    by = turned_by(here[..., :bands], match.laid(there[..., :bands]))
    if by == 0:
        return []
    positions = "1 position" if abs(by) == 1 else f"{abs(by)} positions"
    what = (
        f"reads like {other.name} turned by {positions} {'clockwise' if by > 0 else 'anticlockwise'}; "
        "it was compared as it is"
    )
    remedy = "check that position 1 is on the same line in both"
    return [sentence(f"zone {zone.code}", what, remedy)]


def _pattern(readings: TapReadings | EchoReadings) -> NDArray[np.float64]:
    """Give what differs from side to side of a tube: (stations, positions, features)."""
    if not isinstance(readings, TapReadings):
        return walls(readings)
    points = point_means(readings.taps, readings.reason.size)
    return points.sound_db[:, :N_BANDS].reshape(*readings.reason.shape, N_BANDS)
