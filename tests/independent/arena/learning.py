"""The learning curve: what sectioned parts of a family do for its other parts.

A part is cut where `tapscan section --plan-cuts` would have it cut, and the saw shows what is on those lines.
As for the ceiling, a part is judged with the help of others only: by the damage class as trained, then as the
findings of one, three and ten others retrained it.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from multiprocessing import get_context
from pathlib import Path
from typing import Any

import numpy as np
from rich.table import Table

from tapscan.plan import Zone
from tapscan.records.inspection import open_inspection
from tapscan.screening.known import Known
from tapscan.screening.results import Screened
from tapscan.screening.taps.damage import DamageClass
from tapscan.screening.taps.readings import TapReadings, read_taps
from tapscan.screening.taps.screen import screen_taps
from tapscan.screening.taps.shop import SectionedPart, retrained, sectioned_part
from tapscan.sectioning.cuts import plan_cuts
from tests.independent.arena.ceiling import TRAINED_ON
from tests.independent.arena.families import make_parts
from tests.independent.arena.judging import FamilyRow, row_of, verdict_of
from tests.independent.arena.parts import Truth, load_truth

__all__ = [
    "SECTIONED",
    "Curve",
    "TappedPart",
    "curve_of",
    "cut_where_planned",
    "learning_curve",
    "learning_table",
]

SECTIONED = (0, 1, 3, 10)


@dataclass(frozen=True, slots=True, eq=False)
class TappedPart:
    """One part as read, and what is in it."""

    folder: Path
    zone: Zone
    readings: TapReadings
    truth: Truth


@dataclass(frozen=True, slots=True, eq=False)
class Curve:
    """A family's row for each number of sectioned parts, and how many points the saw showed a part."""

    rows: tuple[FamilyRow, ...]
    sectioned: tuple[int, ...]
    sound: float
    damaged: float


def _read(folder: Path) -> TappedPart:
    inspection = open_inspection(folder)
    (zone,) = inspection.plan.zones
    return TappedPart(folder, zone, read_taps(inspection, zone, [], lambda *_: None), load_truth(folder))


def cut_where_planned(part: TappedPart, screened: Screened) -> Known:
    """Section a part along the lines that are planned from its own map."""
    cut = np.zeros(part.zone.grid_shape, dtype=bool)
    for one in plan_cuts([screened], []):
        station = slice(None) if one.station is None else one.station - 1
        position = slice(None) if one.position is None else one.position - 1
        cut[station, position] = True
    inside = part.truth.nearest_mm < 0
    return Known(cut & ~inside, cut & inside, cut & inside)


def curve_of(name: str, parts: Sequence[TappedPart], trained: DamageClass, *, with_ceiling: bool) -> Curve:
    """Judge every part with the help of none, some and ten others."""
    first = [screen_taps(part.zone, part.readings, 0.01, [], trained) for part in parts]
    cut: list[SectionedPart | None] = [
        sectioned_part(part.zone, part.readings, cut_where_planned(part, seen), trained)
        for part, seen in zip(parts, first, strict=True)
    ]
    aside = max(len(parts) - TRAINED_ON, 1)  # as the ceiling does: judged by the same others
    counts = tuple(count for count in SECTIONED if count < len(parts))
    rows = []
    for count in counts:
        verdicts = []
        for start in range(0, len(parts), aside):
            judged = range(start, min(start + aside, len(parts)))
            others = [one for k, one in enumerate(cut) if k not in judged and one is not None][:count]
            trees = retrained(trained, others)
            for k in judged:
                screened = screen_taps(parts[k].zone, parts[k].readings, 0.01, [], trees)
                folder = parts[k].folder if with_ceiling and count == 0 else None
                verdicts.append(verdict_of(screened, parts[k].truth, 0.0, folder))
        rows.append(row_of(name, verdicts))
    known = [one for one in cut if one is not None]
    sound, damaged = (
        float(np.mean([(getattr(one, which) & one.read).sum() for one in known]))
        for which in ("sound", "damaged")
    )
    return Curve(tuple(rows), counts, sound, damaged)


def learning_curve(
    name: str,
    parts: int,
    cache: Path,
    trained: DamageClass,
    *,
    jobs: int = 1,
    say: Callable[[str], Any] = lambda _: None,
) -> Curve:
    """Make and read the parts of a family, and judge them."""
    folders = list(make_parts(cache, [name], parts, jobs))
    with get_context("spawn").Pool(jobs) as pool:
        read = pool.map(_read, folders, chunksize=1)
    say(f"{name}: {len(read)} parts read")
    return curve_of(name, read, trained, with_ceiling=True)


def learning_table(curves: Sequence[Curve]) -> Table:
    """Lay the curves out, a row for each number of sectioned parts."""
    table = Table(title="With the findings of sectioned parts")
    for title in (
        "family, parts",
        "sectioned",
        "points cut, sound + damaged",
        "ROC area",
        "ceiling",
        "found",
        "false ind. a zone",
        "calls / asked 0.01",
    ):
        table.add_column(title, justify="left" if title.startswith("family") else "right")
    for curve in curves:
        for row, count in zip(curve.rows, curve.sectioned, strict=True):
            calls = row.false_calls[1]
            low, high = calls.interval
            table.add_row(
                f"{row.name}, {row.parts}",
                str(count),
                f"{count * curve.sound:.0f} + {count * curve.damaged:.0f}",
                f"{row.tapscan.area:.3f}",
                f"{curve.rows[0].ceiling.area:.3f}",
                f"{row.found} of {row.damages}",
                f"{row.false_indications / row.parts:.2f}",
                f"{calls.ratio:.2f} [{low:.2f}, {high:.2f}]",
            )
    return table
