"""Checks and studies in words and as plain data, for the terminal, the report and programs."""

from dataclasses import asdict
from typing import Any

from tapscan.proving.figures.hands import HandStudy
from tapscan.proving.figures.shown import Figures
from tapscan.proving.judging import Item

__all__ = [
    "OUTCOME_SIGNS",
    "found_sentences",
    "hands_document",
    "hands_sentences",
    "limit_text",
    "value_text",
]

OUTCOME_SIGNS = {"ready": "ok", "not ready": "NOT READY", "cannot say": "cannot say"}
UNIT_DIGITS = {"m/s": 0, "Hz": 0, "points": 0, "dB": 1, "octaves": 2, "MHz": 2}
RATIO_WORDS = ("share", "probability", "points")  # units that go without saying
NAMES = {
    "part": "from point to point",
    "repeatability": "from strike to strike",
    "operator": "from person to person",
    "interaction": "persons differing from point to point",
}


def value_text(item: Item) -> str:
    """Write what was measured, with its unit.

    Examples
    --------
    >>> value_text(Item("velocity", "ready", 2951.3, 2860.0, 3040.0, "m/s"))
    '2951 m/s'
    """
    return "" if item.value is None else _number(item.value, item.unit)


def limit_text(item: Item) -> str:
    """Write what it had to be.

    Examples
    --------
    >>> limit_text(Item("velocity", "ready", 2951.3, 2860.0, 3040.0, "m/s"))
    '2860 to 3040 m/s'
    >>> limit_text(Item("clipped taps", "ready", 0.0, None, 0.0, "share"))
    'at most 0.000'
    """
    if item.low is None and item.high is None:
        return "not known yet"
    if item.low is None:
        return f"at most {_number(item.high or 0.0, item.unit)}"
    if item.high is None:
        return f"at least {_number(item.low, item.unit)}"
    low, high = _number(item.low, item.unit), _number(item.high, item.unit)
    return low if low == high else f"{low.removesuffix(f' {item.unit}')} to {high}"


def _number(value: float, unit: str) -> str:
    if unit == "Hz" and value >= 1e6:
        return f"{value / 1e6:g} MHz"
    text = f"{value:,.0f}" if unit == "Hz" else f"{value:.{UNIT_DIGITS.get(unit, 3)}f}"
    return text if unit in RATIO_WORDS else f"{text} {unit}"


def found_sentences(figures: Figures) -> list[str]:
    """Say how often each known delamination was found.

    Examples
    --------
    >>> from tapscan.proving.figures.shown import FoundDamage
    >>> found = (FoundDamage(18.0, 0.6, 20, 20),)
    >>> found_sentences(Figures("tap", 20, 7, 27, {}, found=found))
    ['On your piece, 18 mm at 0.6 mm depth was found by 20 of 20 taps.']
    """
    word = "taps" if figures.method == "tap" else "A-scans"
    lines = []
    for one in figures.found:
        size = "a delamination" if one.size_mm is None else f"{one.size_mm:g} mm"
        depth = "" if one.depth_mm is None else f" at {one.depth_mm:g} mm depth"
        lines.append(f"On your piece, {size}{depth} was found by {one.found} of {one.readings} {word}.")
    return lines


def hands_document(found: HandStudy) -> dict[str, Any]:
    """Lay a study of hands out as plain data."""
    return {
        "operators": list(found.operators),
        "points": list(found.points),
        "taps_each": found.scores.shape[2],
        "table": [asdict(row) for row in found.study.table],
        "components": [
            {**asdict(one), "share": found.study.share(one.name)} for one in found.study.components
        ],
        "interaction_pooled": found.study.is_pooled,
    }


def hands_sentences(found: HandStudy) -> list[str]:
    """Say how much of a tap's score is the point, the strike and the person."""
    points, persons, trials = found.scores.shape
    who = f"{' and '.join(found.operators)}: {points} points, {trials} taps each by {persons} persons."
    lines = [f"{who} Of the variance of a tap's score:"]
    for name, words in NAMES.items():
        one = found.study.component(name)
        spread = f"{one.variance**0.5:.2f} dB ({one.low**0.5:.2f} to {one.high**0.5:.2f})"
        lines.append(f"  {100 * found.study.share(name):.0f} % {words}: standard deviation {spread}")
    gauge = found.study.component("gauge")
    spread = f"{gauge.variance**0.5:.2f} dB ({gauge.low**0.5:.2f} to {gauge.high**0.5:.2f})"
    lines.append(
        f"Strike and person together: {spread}, {100 * found.study.share('gauge'):.0f} % of the variance. "
        "Intervals hold 95 %; that of two persons is wide."
    )
    return lines
