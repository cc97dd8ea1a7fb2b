"""The sentences of the report: what was found, what it does not mean, and what the pictures show."""

from typing import TYPE_CHECKING

import numpy as np

from tapscan.plan.points import parse_point
from tapscan.plan.surfaces import neighbours
from tapscan.report.pages.evidence import decided_by
from tapscan.report.words import (
    METHOD_NAMES,
    area_text,
    count_text,
    depth_text,
    disc_text,
    joined,
    place_in_words,
    zone_name,
)
from tapscan.screening.areas.indications import LIKELY
from tapscan.screening.echoes.thickness import dead_words
from tapscan.screening.results import CLEAR, SKIPPED, SUSPECT, UNREAD, AScanEvidence, TapEvidence

if TYPE_CHECKING:
    from collections.abc import Sequence

    from tapscan.plan.zones import Zone
    from tapscan.screening.results import Indication, Method, Screened

__all__ = [
    "chance",
    "counts",
    "evidence_alt",
    "evidence_caption",
    "evidence_intro",
    "map_alt",
    "map_caption",
    "remarks",
    "round_alt",
    "round_caption",
    "single_points",
    "summary",
]

# What is quoted of a reading: column, its name, what it is multiplied by, and how it is written.
_TOLD = (
    ("centroid_hz", "centroid", 1e-3, "{:.2f} kHz"),
    ("peak_hz", "peak frequency", 1e-3, "{:.2f} kHz"),
    ("decay_time_s", "decay time", 1e3, "{:.1f} ms"),
    ("backwall_db", "back-wall echo", 1.0, "{:.1f} dB"),
    ("thickness_mm", "thickness", 1.0, "{:.2f} mm"),
)
_MOST_PLACES = 5  # indications that a picture's description names one by one


def summary(screened: "Sequence[Screened]") -> list[str]:
    """Say what was found, the largest area first."""
    found = [(indication, part.zone) for part in screened for indication in part.indications]
    if not any(part.count(CLEAR) + part.count(SUSPECT) for part in screened):
        return ["No point could be read, so nothing is known about the part."]
    if not found:
        return [
            "No indication was raised: no area differed from the baseline.",
            "That is not proof that the part is sound.",
        ]
    if len(found) == 1:
        opening = "1 indication was raised: an area where readings differ from the baseline."
    else:
        opening = f"{len(found):,} indications were raised: areas where readings differ from the baseline."
    closing = "Treat what is outlined as damaged until a qualified person has shown otherwise."
    return [opening, _largest(*max(found, key=lambda pair: pair[0].area_mm2)), closing]


def _largest(indication: "Indication", zone: "Zone") -> str:
    below = "" if indication.kind == "thin" else " below the surface"
    deep = f", {depth_text(indication, zone)}{below}" if indication.depth_mm is not None else ""
    area, place = area_text(indication.area_mm2), place_in_words(indication, zone)
    return (
        f"The largest, {indication.id}, is on {zone_name(zone)} at {place}{deep}. "
        f"It is about {area} mm², as large as {disc_text(indication.area_mm2, zone)}."
    )


def counts(screened: "Screened") -> str:
    """Say how many points of one zone were judged by one method, and how.

    The numbers always appear together, so that *clear* is never read without *unread*.
    """
    clear, suspect, unread, skipped = (screened.count(word) for word in (CLEAR, SUSPECT, UNREAD, SKIPPED))
    planned = count_text(clear + suspect + unread, "planned point")
    left_out = (
        f"; {skipped:,} more {'was' if skipped == 1 else 'were'} left out on purpose" if skipped else ""
    )
    return (
        f"{zone_name(screened.zone)}, {METHOD_NAMES[screened.method]}: of {planned}, {clear:,} "
        f"{'is' if clear == 1 else 'are'} clear, {suspect:,} suspect and {unread:,} unread{left_out}."
    )


def single_points(screened: "Screened") -> str:
    """Say how many suspect points belong to no indication; '' when there are none."""
    zone = screened.zone
    within = np.zeros(zone.grid_shape, dtype=bool)
    for name in (point for indication in screened.indications for point in indication.points):
        point = parse_point(name)
        within[point.station - 1, point.position - 1] = True  # type: ignore[union-attr]  # names of this zone
    outside = (screened.status == SUSPECT) & ~within
    rim = outside & neighbours(zone, within)
    apart = int((outside & ~rim).sum())
    said = []
    if rim.any():
        beside = (
            "suspect point beside an indication is"
            if rim.sum() == 1
            else "suspect points beside indications are"
        )
        said.append(f"{int(rim.sum()):,} {beside} more likely sound than damaged: the rim runs there.")
    if apart:
        points = "suspect point is" if apart == 1 else "suspect points are"
        said.append(
            f"{apart:,} {points} apart from the numbered indications, as some are expected to be by chance. "
            "Read them again before you trust or dismiss them."
        )
    return " ".join(said)


def remarks(screened: "Screened") -> str:
    """Say what the numbered indications leave out: single points, points less certain; and what is shared."""
    parts = (single_points(screened), noisy_points(screened), shared_readings(screened.zone))
    return " ".join(filter(None, parts))


def shared_readings(zone: "Zone") -> str:
    """Say that another zone shows the same points from another side; '' when none does."""
    if zone.same_points_as is None:
        return ""
    return (
        f"Points of zone {zone.code} with the names of points of zone {zone.same_points_as} are the same "
        "points, seen from another side: both maps show the same readings there, each beside the baseline of "
        "its own face."
    )


def noisy_points(screened: "Screened") -> str:
    """Say how many points are less certain for noise; '' when there are none."""
    noisy = int(screened.less_certain.sum())
    if not noisy:
        return ""
    are = "is" if noisy == 1 else "are"
    return (
        f"{count_text(noisy, 'point')} of zone {screened.zone.code} {are} less certain: the room's noise is "
        "larger there than the scatter of sound laminate. Tap them again in a quieter moment."
    )


def chance(false_call_rate: float, screened: "Sequence[Screened]" = ()) -> str:
    """Put the false-call rate in words, and where more must be expected.

    Examples
    --------
    >>> chance(0.01)
    'About 1 in 100 sound points is expected to be called suspect by chance.'
    """
    result = f"About 1 in {1 / false_call_rate:,.0f} sound points is expected to be called suspect by chance"
    few = [one.zone.code for one in screened if one.rests_on_few]
    return (
        f"{result}; several times as many in zone {joined(few)}, where few were read."
        if few
        else f"{result}."
    )


def map_alt(screened: "Screened", title: str) -> str:
    """Describe a map to those who cannot see it."""
    zone = screened.zone
    places = [f"{one.id} at {place_in_words(one, zone)}" for one in screened.indications[:_MOST_PLACES]]
    more = len(screened.indications) - len(places)
    places += [f"{more} more in the table"] if more > 0 else []
    kind = "Unrolled map" if zone.is_tube else "Map"
    size = f"{zone.stations} stations by {zone.positions} positions"
    if zone.layout is not None:
        kind, size = "Map over the photo", count_text(len(zone.layout.points), "point")
    outlined = f"Outlined: {joined(places)}." if places else "No indication is outlined."
    return (
        f"{kind} of zone {zone.code}, {title}: {size}. "
        f"{outlined} Hatched as unread: {count_text(screened.count(UNREAD), 'point')}."
    )


def map_caption(screened: "Screened", title: str) -> str:
    """State below a map how it is turned and, of A-scans, how much of the wall was not inspected."""
    zone = screened.zone
    laid = "The panel is seen from outside. Station 1 is at the left, and all lengths are in proportion."
    if zone.layout is not None:
        laid = "Drawn over the photo, as the camera saw the part: lengths are in proportion on the part only."
    elif zone.is_tube:
        laid = "The tube is cut open half a step before the datum line and laid flat"
        laid += "; the pale strips repeat what is beyond the cut." if zone.positions > 1 else "."
        laid += " Station 1 is at the left, and all lengths are in proportion."
    dead = dead_words(screened.evidence.dead_mm) if isinstance(screened.evidence, AScanEvidence) else ""
    return f"Zone {zone.code}, {title}. {laid} {dead}".rstrip()


def round_alt(screened: "Screened", title: str) -> str:
    """Describe the picture of the round part to those who cannot see it."""
    zone = screened.zone
    places = [f"{one.id} at {place_in_words(one, zone)}" for one in screened.indications[:_MOST_PLACES]]
    more = len(screened.indications) - len(places)
    places += [f"{more} more in the table"] if more > 0 else []
    outlined = f"Outlined: {joined(places)}." if places else "No indication is outlined."
    return (
        f"Zone {zone.code} on the round part, {title}: the tube from four sides, a quarter turn apart, with "
        f"the cells of the map. {outlined} Hatched as unread: {count_text(screened.count(UNREAD), 'point')}."
    )


def round_caption(screened: "Screened", title: str) -> str:
    """Say below the picture of the round part how it is turned."""
    return (
        f"Zone {screened.zone.code}, {title}, on the round part from four sides. Station 1 is at the left "
        "and positions count downward; the dash-dotted line is the datum line. Colours are those of the map."
    )


def evidence_alt(screened: "Screened", indication: "Indication") -> str:
    """Describe a picture of evidence to those who cannot see it."""
    if screened.method == "tap":
        return (
            f"Spectrum of the taps at {indication.peak_point} over the spectrum expected there, with bands "
            "of one and two standard deviations of sound readings; below it, the distance from the baseline."
        )
    return (
        f"A-scan at {indication.peak_point} with its echoes marked, over a typical sound trace; below it the "
        "B-scan along the stations through the same point."
    )


def evidence_intro(method: "Method") -> str:
    """Say before the pictures of evidence what to look for in them."""
    if method == "tap":
        return (
            "Where the line leaves the shaded bands, the part does not sound like sound laminate: duller, "
            "or with a note of its own. The lower curve is cut off at ten standard deviations."
        )
    return "An echo between front surface and back wall, or a back wall that is lost, suggests a separation."


def evidence_caption(screened: "Screened", indication: "Indication") -> str:
    """Say below a picture of evidence where it was taken and what was measured there."""
    place = f"{indication.id}, {place_in_words(indication, screened.zone)}."
    return " ".join(
        filter(
            None,
            (
                place,
                _compared(screened, indication),
                _raised_by(screened, indication),
                _measured(screened, indication),
            ),
        )
    )


def _compared(screened: "Screened", indication: "Indication") -> str:
    """Say what decided at the strongest point where it was not the zone itself; '' elsewhere."""
    point = parse_point(indication.peak_point)
    if point is None or not isinstance(screened.evidence, TapEvidence):
        return ""
    twin = decided_by(screened.evidence, (point.station - 1, point.position - 1))
    if twin is None:
        return ""
    return (
        f"Compared with {twin.source}: the expected spectrum is the one measured there, moved by what the "
        "two usually differ by (dotted). That they differ here does not show which of them is damaged."
    )


def _raised_by(screened: "Screened", indication: "Indication") -> str:
    """Say what raised a tapped point: its bands, its neighbours, and from which false-call rate on."""
    point = parse_point(indication.peak_point)
    if point is None or not isinstance(screened.evidence, TapEvidence):
        return ""
    at = (point.station - 1, point.position - 1)
    evidence = decided_by(screened.evidence, at) or screened.evidence
    off_db = screened.evidence.spectrum_db[at] - evidence.expected_db[at]
    away = off_db / evidence.spread_db[at]
    if not np.isfinite(away).any():
        return ""
    bands = [
        f"{off_db[k]:+.0f} dB near {screened.evidence.band_hz[k] / 1e3:.1f} kHz "
        f"({away[k]:+.0f} standard deviations)"
        for k in sorted(np.argsort(-np.abs(np.nan_to_num(away)), kind="stable")[:2])
    ]
    here = np.zeros(screened.zone.grid_shape, dtype=bool)
    here[at] = True
    probability = screened.features["damage_probability"]
    beside = probability[neighbours(screened.zone, here)]
    rate = max(float(screened.p_value[at]), 1e-6)
    return (
        f"Farthest from the baseline: {joined(bands).replace('-', '−')}. Damage probability "
        f"{float(probability[at]):.2f}; {int((beside >= LIKELY).sum())} of {int(np.isfinite(beside).sum())} "
        f"neighbours are likely damaged, too. Called suspect at any false-call rate above {rate:.1g}."
    )


def _measured(screened: "Screened", indication: "Indication") -> str:
    """Give the strongest point's figures beside the median of the clear points; '' when there are none."""
    point = parse_point(indication.peak_point)
    clear = screened.status == CLEAR
    result = []
    for column, name, times, form in _TOLD:
        values = screened.features.get(column)
        if values is None or point is None:
            continue
        here = values[point.station - 1, point.position - 1]
        sound = values[clear & np.isfinite(values)]
        if np.isfinite(here) and sound.size:
            figures = f"{form.format(here * times)} ({form.format(float(np.median(sound)) * times)})"
            result.append(f"{name} {figures.replace('-', '−')}")
    if not result:
        return ""
    return f"At {indication.peak_point}, with the median of the clear points in brackets: {joined(result)}."
