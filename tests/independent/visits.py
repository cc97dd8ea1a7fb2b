"""Two visits to a part of the second simulator by two hands: ``python -m tests.independent.visits``.

In each pair one delamination of 14 mm radius grows to 22 mm and one of 16 mm is new; or the one of 14 mm
stays; or the tube is sound both times. What `tapscan.compare` says of each is counted, and so are the points
of sound tubes that it calls changed.
"""

import argparse
import tempfile
from collections import Counter
from pathlib import Path

import numpy as np
from rich.console import Console
from rich.table import Table

import tapscan
from tapscan.screening.change.changes import ZoneChange
from tests.independent.shell import Defect
from tests.independent.taps import drawn, tap_inspection

__all__ = ["Pair", "compared", "drawn_pair", "kind_at"]

GROWING_X_MM = 60.0
Pair = tuple[tuple[Defect, ...], tuple[Defect, ...]]  # before and now


def compared(root: Path, pair: Pair, seed: int, stations: int) -> ZoneChange:
    """Tap one tube two times: another tapper, contact, speed, microphone room and noise the second time."""
    for visit, (name, defects) in enumerate(zip(("before", "now"), pair, strict=True)):
        hand = drawn(np.random.default_rng([seed + 50 * visit, 2]))[1]
        tap_inspection(root / name, defects=defects, seed=seed, visit=visit, hand=hand, stations=stations)
    comparison = tapscan.compare(*(tapscan.open_inspection(root / name) for name in ("before", "now")))
    (zone,) = comparison.zones
    return zone


def drawn_pair(seed: int, stations: int) -> Pair:
    """A delamination that grows and, on the other side and further along, one that is new."""
    rng = np.random.default_rng(seed)
    s_mm, depth_mm = rng.uniform(0, 120), rng.uniform(0.4, 0.8)
    small, large = (Defect(GROWING_X_MM, s_mm, radius, depth_mm) for radius in (14.0, 22.0))
    fresh = Defect(min(170.0, 10.0 * stations - 30), (s_mm + 60) % 120, 16.0, depth_mm)
    return (small,), (large, fresh)


def kind_at(zone: ZoneChange, x_mm: float) -> str:
    """What is said of the indication at this place along the tube; "nothing" where there is none."""
    reported = [
        change.kind
        for change in zone.changes
        if any(one.x_mm[0] < x_mm < one.x_mm[1] for one in change.shown)
    ]
    return " and ".join(reported) or "nothing"


def main() -> None:
    """Print the table."""
    parser = argparse.ArgumentParser(
        description="Judge what tapscan says of change with the second simulator."
    )
    parser.add_argument("--seeds", type=int, default=6, help="pairs of visits of each kind")
    parser.add_argument("--first", type=int, default=3000, help="first seed")
    parser.add_argument("--stations", type=int, nargs="*", default=[24, 40])
    arguments = parser.parse_args()
    console = Console(width=140, highlight=False)
    table = Table("stations", "grew", "is new", "stayed", "sound points called changed", title="Two visits")
    for stations in arguments.stations:
        reported: dict[str, Counter[str]] = {what: Counter() for what in ("grew", "is new", "stayed")}
        changed = points = 0
        for seed in range(arguments.first, arguments.first + arguments.seeds):
            before, now = drawn_pair(seed, stations)
            zones = []
            for pair in ((before, now), (before, before), ((), ())):
                with tempfile.TemporaryDirectory() as root:
                    zones.append(compared(Path(root), pair, seed, stations))
            reported["grew"][kind_at(zones[0], GROWING_X_MM)] += 1
            reported["is new"][kind_at(zones[0], now[1].x_mm)] += 1
            reported["stayed"][kind_at(zones[1], GROWING_X_MM)] += 1
            changed += int((zones[2].status == "changed").sum())
            points += zones[2].status.size
            console.print(stations, seed, reported, f"{changed} of {points}")
        counts = [", ".join(f"{kind} {n}" for kind, n in reported[what].most_common()) for what in reported]
        table.add_row(str(stations), *counts, f"{changed / points:.4f} ({changed} of {points})")
    console.print(table)


if __name__ == "__main__":
    main()
