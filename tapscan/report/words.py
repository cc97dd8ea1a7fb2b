"""Numbers and places in words: as written on the part, by the tape measure, and how many."""

from typing import TYPE_CHECKING, Any

import numpy as np

from tapscan.plan.points import Block, parse_point, span_in_words
from tapscan.plan.sides import side_in_words
from tapscan.screening.results import UNREAD

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping, Sequence

    from numpy.typing import NDArray

    from tapscan.plan.zones import Zone
    from tapscan.screening.results import Indication, Screened

__all__ = [
    "METHOD_NAMES",
    "area_text",
    "blocks_of",
    "bounds_text",
    "count_text",
    "depth_text",
    "disc_text",
    "joined",
    "kind_text",
    "length_text",
    "mm_text",
    "place_in_words",
    "range_in_mm",
    "setting_name",
    "setting_rows",
    "short_id",
    "unread_by_reason",
    "velocity_text",
    "zone_name",
]

MM_PER_INCH = 25.4
METHOD_NAMES = {"tap": "tap test", "ascan": "A-scan"}


def zone_name(zone: "Zone") -> str:
    """Name a zone as its owner does, with the code that is written on the part."""
    return f"{zone.name} ({zone.code})" if zone.name else f"zone {zone.code}"


def short_id(indication: "Indication") -> str:
    """Leave the zone out of an indication's number, for pictures that show one zone."""
    return indication.id.removeprefix(f"{indication.zone}-")


def mm_text(length_mm: float) -> str:
    """Write a length with a tenth of a millimetre where there is one.

    Examples
    --------
    >>> mm_text(115.0), mm_text(12.46), mm_text(-0.02)
    ('115', '12.5', '0')
    """
    return f"{round(length_mm, 1) + 0.0:.1f}".removesuffix(".0")  # + 0.0: no minus before a zero


def length_text(length_mm: float, zone: "Zone") -> str:
    """Write a length in mm, with inches beside it where the plan asks for them: ``10 mm (0.394 in)``."""
    return f"{mm_text(length_mm)} mm{_inches(zone, length_mm)}"


def _inches(zone: "Zone", *lengths_mm: float) -> str:
    """Write lengths in inches in brackets, three digits that count; '' unless the plan asks for them."""
    if zone.units != "in":
        return ""
    return f" ({' to '.join(f'{length_mm / MM_PER_INCH:.3g}' for length_mm in lengths_mm)} in)"


def area_text(area_mm2: float) -> str:
    """Write an area with three digits that count.

    Examples
    --------
    >>> area_text(1234.5), area_text(87.25)
    ('1,230', '87.2')
    """
    rounded = float(f"{area_mm2:.3g}")
    return f"{rounded:,.1f}".removesuffix(".0")


def bounds_text(indication: "Indication") -> str:
    """Write the bounds of an area, for example ``563 to 1,210``."""
    return f"{area_text(indication.area_low_mm2)} to {area_text(indication.area_high_mm2)}"


def disc_text(area_mm2: float, zone: "Zone") -> str:
    """Write an area as the round patch that would be as large: ``a disc 30 mm across``."""
    across_mm = 2 * np.sqrt(area_mm2 / np.pi)
    return f"a disc {across_mm:.0f} mm{_inches(zone, across_mm)} across"


def depth_text(indication: "Indication", zone: "Zone") -> str:
    """Write the depth of an indication, or why there is none.

    A tap test gives no depth; an A-scan without an echo from inside only shows that the back wall is lost.
    """
    if indication.depth_mm is None:
        return "a tap test gives no depth" if indication.method == "tap" else "no echo from inside"
    depth = f"{indication.depth_mm:.2f} mm{_inches(zone, indication.depth_mm)}"
    return f"wall of {depth}" if indication.kind == "thin" else depth


def kind_text(indication: "Indication") -> str:
    """Say what an indication may be; a tap test does not separate disbonds from delaminations."""
    if indication.kind == "thin":
        return "thin wall"
    return "delamination or disbond" if indication.method == "tap" else indication.kind


def count_text(count: int, one: str, many: str | None = None) -> str:
    """Count things in words that agree with the number.

    Examples
    --------
    >>> count_text(1, "point"), count_text(1200, "point"), count_text(0, "reading")
    ('1 point', '1,200 points', 'no readings')
    """
    word = one if count == 1 else many or f"{one}s"
    return f"{count:,} {word}" if count else f"no {word}"


def joined(parts: "Sequence[str]") -> str:
    """Join parts as a sentence does.

    Examples
    --------
    >>> joined(["a", "b", "c"]), joined(["a"]), joined([])
    ('a, b and c', 'a', '')
    """
    return " and ".join([", ".join(parts[:-1]), parts[-1]]) if len(parts) > 1 else "".join(parts)


def _arc(positions: "Iterable[int]", zone: "Zone") -> tuple[int, int]:
    """First and last position of the shortest arc that holds all of `positions`, going clockwise."""
    held = sorted(set(positions))
    if not zone.is_tube or len(held) == 1:
        return held[0], held[-1]
    gaps = [after - before for before, after in zip(held, [*held[1:], held[0] + zone.positions], strict=True)]
    widest = gaps.index(max(gaps))
    return held[(widest + 1) % len(held)], held[widest]


def place_in_words(indication: "Indication", zone: "Zone") -> str:
    """Say where an indication is, in the numbers that are written on the part, and on which side of it.

    For example ``stations 12 to 15, positions 11 to 02, across the datum line (top, 10 to 1 o'clock)``; the
    side only where the plan says how the part is held.
    """
    points = [point for point in map(parse_point, indication.points) if point is not None]
    if not points:
        return f"at {indication.peak_point}"
    stations = [point.station for point in points]
    positions = {point.position for point in points}
    along = span_in_words("station", min(stations), max(stations))
    if zone.is_tube and len(positions) == zone.positions > 1:
        return f"{along}, all the way round"
    first, last = _arc(positions, zone)
    crossing = ", across the datum line" if first > last else ""
    side = side_in_words(zone, first, last)
    return f"{along}, {span_in_words('position', first, last)}{crossing}{f' ({side})' if side else ''}"


def range_in_mm(indication: "Indication", zone: "Zone") -> str:
    """Say where an indication is by the tape measure: ``x = 115 to 155 mm, s = 100 to 15 mm``."""
    spans = (("x", *indication.x_mm), ("s", *indication.s_mm))
    return ", ".join(
        f"{name} = {mm_text(low)} to {mm_text(high)} mm{_inches(zone, low, high)}"
        for name, low, high in spans
    )


def blocks_of(mask: "NDArray[np.bool_]") -> list[Block]:
    """Cut the marked points of a zone into few rectangles, in walking order; no point twice, none left out.

    Runs of positions that are the same at neighbouring stations are joined.

    Examples
    --------
    >>> mask = np.zeros((4, 5), dtype=bool)
    >>> mask[1:3, 2:] = True
    >>> mask[0, 0] = True
    >>> [str(block) for block in blocks_of(mask)]
    ['01-01', '02-03:03-05']
    """
    padded = np.zeros((mask.shape[0], mask.shape[1] + 2), dtype=np.int8)
    padded[:, 1:-1] = mask
    step = np.diff(padded, axis=1)
    station, first = np.nonzero(step == 1)
    last = np.nonzero(step == -1)[1]
    open_runs: dict[tuple[int, int], tuple[int, int]] = {}  # run -> stations it covers so far
    blocks = []
    for i, low, high in zip((station + 1).tolist(), (first + 1).tolist(), last.tolist(), strict=True):
        since, until = open_runs.get((low, high), (i, i - 1))
        if until < i - 1:
            blocks.append(Block(since, low, until, high))
            since = i
        open_runs[low, high] = (since, i)
    blocks += [Block(since, low, until, high) for (low, high), (since, until) in open_runs.items()]
    return sorted(blocks, key=lambda block: (block.first_station, block.first_position))


def unread_by_reason(screened: "Screened") -> list[tuple[str, int, list[Block]]]:
    """Group the unread points by their reason: (reason, how many, where), the most frequent reason first."""
    unread = screened.status == UNREAD
    groups = []
    for reason in sorted(set(screened.reason[unread].tolist())):
        mask = unread & (screened.reason == reason)
        groups.append((reason or "no reason given", int(np.count_nonzero(mask)), blocks_of(mask)))
    return sorted(groups, key=lambda group: (-group[1], group[0]))


def setting_name(key: str) -> str:
    """Turn a key of the plan into words, with its unit set off.

    Examples
    --------
    >>> setting_name("sample_rate_mhz"), setting_name("taps_per_point")
    ('sample rate, MHz', 'taps per point')
    """
    units = {"_mhz": "MHz", "_hz": "Hz", "_mm": "mm", "_us": "µs", "_db": "dB", "_g": "g"}
    for suffix, unit in units.items():
        if key.endswith(suffix):
            return f"{key.removesuffix(suffix).replace('_', ' ')}, {unit}"
    return key.replace("_", " ")


def setting_rows(settings: "Mapping[str, Any]") -> list[tuple[str, str]]:
    """Lay the settings of a summary out as pairs of words; zones and the part have their own places."""
    pairs = []
    for key, value in settings.items():
        if key in ("part", "zones") or key.startswith("has_"):
            continue
        if isinstance(value, dict):
            pairs += [(f"{key} {name}", text) for name, text in setting_rows(value)]
        else:
            pairs.append((setting_name(key), "not given" if value is None else str(value)))
    return pairs


def velocity_text(measured: "Mapping[str, Any]") -> str:
    """Say that the velocity was measured, and what the plan had assumed.

    Examples
    --------
    >>> measured = {"m_s": 2905.2, "sd_m_s": 9.0, "time": "2026-11-30T12:07:55Z", "assumed_m_s": [2950.0]}
    >>> velocity_text(measured).partition(": ")[2]
    '2905 m/s (standard uncertainty 9 m/s), instead of 2950 m/s from the plan.'
    """
    assumed = ", ".join(f"{speed:.0f}" for speed in measured["assumed_m_s"])
    instead = f", instead of {assumed} m/s from the plan" if assumed else ""
    value = f"{measured['m_s']:.0f} m/s (standard uncertainty {measured['sd_m_s']:.0f} m/s)"
    day = measured["time"][:10]
    return f"Depths use the velocity measured on the known piece on {day}: {value}{instead}."
