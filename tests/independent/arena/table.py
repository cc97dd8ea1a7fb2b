"""The arena's table, a row a family, and the table of how often stated probabilities come true."""

import json
from collections.abc import Sequence
from dataclasses import asdict
from itertools import pairwise
from pathlib import Path
from typing import Any

import numpy as np
from rich.table import Table

from tests.independent.arena.judging import Calls, Detector, FamilyRow
from tests.independent.strikes import Array

__all__ = ["family_table", "reliability", "reliability_table", "write_json"]

PROBABILITY_EDGES = (0.0, 0.01, 0.03, 0.1, 0.3, 0.5, 0.7, 0.9, 0.97, 1.0)


def family_table(rows: Sequence[FamilyRow], title: str) -> Table:
    """Lay the rows out, and below them the mean of the ROC areas and the sums."""
    table = Table(title=title, show_lines=False)
    table.add_column("family, parts")
    for name in (
        "tapscan (read)",
        "floor (read)",
        "ceiling",
        "found",
        "false ind. a zone",
        *(f"calls / asked {call.asked:g}" for call in (rows[0].false_calls if rows else ())),
        "floor's, 0.01",
        "damaged unread",
        "area / true 5, 50, 95 %",
        "bounds hold",
        "s",
    ):
        table.add_column(name, justify="right")
    for row in rows:
        table.add_row(*_cells(row))
    if len(rows) > 1:
        table.add_section()
        table.add_row(*_sums(rows))
    return table


def _cells(row: FamilyRow) -> tuple[str, ...]:
    unread = row.damaged_unread / row.damaged_points if row.damaged_points else 0.0
    return (
        f"{row.name}{' (kept back)' if row.is_kept_back else ''}, {row.parts}",
        _area(row.tapscan),
        _area(row.floor),
        f"{row.ceiling.area:.3f}",
        f"{row.found} of {row.damages}",
        f"{row.false_indications / row.parts:.2f}",
        *(_ratio(call) for call in row.false_calls),
        _ratio(row.floor_false_calls[1]),
        f"{unread:.0%}",
        "{:.2f}, {:.2f}, {:.2f}".format(*row.size_ratio),
        f"{row.covered} of {row.sized}",
        f"{row.seconds:.1f}",
    )


def _area(detector: Detector) -> str:
    return f"{detector.area:.3f} ({detector.area_read:.3f})"


def _ratio(call: Calls) -> str:
    low, high = call.interval
    return f"{call.ratio:.2f} [{low:.2f}, {high:.2f}]"


def _sums(rows: Sequence[FamilyRow]) -> tuple[str, ...]:
    zones = sum(row.parts for row in rows)

    def mean(which: str) -> Detector:
        both = np.array([(getattr(row, which).area, getattr(row, which).area_read) for row in rows])
        known = both[np.isfinite(both).all(axis=1)]
        return Detector(*known.mean(axis=0)) if len(known) else Detector(float("nan"), float("nan"))

    def pooled(which: str) -> list[Calls]:
        every = [getattr(row, which) for row in rows]
        return [
            Calls(group[0].asked, sum(c.called for c in group), sum(c.points for c in group))
            for group in zip(*every, strict=True)
        ]

    damaged = sum(row.damaged_points for row in rows)
    return (
        f"all, {zones}",
        _area(mean("tapscan")),
        _area(mean("floor")),
        f"{mean('ceiling').area:.3f}",
        f"{sum(row.found for row in rows)} of {sum(row.damages for row in rows)}",
        f"{sum(row.false_indications for row in rows) / zones:.2f}",
        *(_ratio(call) for call in pooled("false_calls")),
        _ratio(pooled("floor_false_calls")[1]),
        f"{sum(row.damaged_unread for row in rows) / max(damaged, 1):.0%}",
        "",
        f"{sum(row.covered for row in rows)} of {sum(row.sized for row in rows)}",
        f"{np.mean([row.seconds for row in rows]):.1f}",
    )


def reliability(probability: Array, is_damaged: Array) -> list[tuple[float, float, int, float, float]]:
    """Bounds of each bin, points in it, mean probability stated, share really damaged."""
    bins = []
    which = np.clip(np.searchsorted(PROBABILITY_EDGES, probability, side="right") - 1, 0, None)
    which = np.minimum(which, len(PROBABILITY_EDGES) - 2)
    for k, (low, high) in enumerate(pairwise(PROBABILITY_EDGES)):
        inside = which == k
        if inside.any():
            bins.append(
                (
                    low,
                    high,
                    int(inside.sum()),
                    float(probability[inside].mean()),
                    float(is_damaged[inside].mean()),
                )
            )
    return bins


def reliability_table(rows: Sequence[FamilyRow]) -> Table | None:
    """How often a stated probability of damage comes true; None when none is stated."""
    probability = np.concatenate([row.probability for row in rows])
    if not probability.size:
        return None
    table = Table(
        "probability", "points", "mean stated", "damaged", title="Probability of damage, as it comes true"
    )
    for low, high, count, stated, true in reliability(
        probability, np.concatenate([row.is_damaged for row in rows])
    ):
        table.add_row(f"{low:g} to {high:g}", str(count), f"{stated:.3f}", f"{true:.3f}")
    return table


def write_json(rows: Sequence[FamilyRow], file: Path) -> None:
    """Write all rows, the reliability bins in place of the points behind them."""
    kept: list[dict[str, Any]] = []
    for row in rows:
        values = asdict(row)
        values["reliability"] = reliability(values.pop("probability"), values.pop("is_damaged"))
        kept.append(values)
    file.write_text(json.dumps(kept, indent=1), encoding="utf-8")
