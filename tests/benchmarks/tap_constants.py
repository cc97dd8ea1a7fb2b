"""Move every constant of the tap screening by 30 %: ``python -m tests.benchmarks.tap_constants --cache DIR``.

Parts that the arena made in the folder, one of a family, are screened with each constant 30 % lower and 30 %
higher: mean ROC area over the damaged parts, false calls over those requested at 0.01, damages found. What is
set before a tap is in bands is moved on the first few parts, whose recordings are read again each time. The
damage class is not trained again, so that this is the worst that an ill-chosen constant does to it.
"""

import argparse
import ast
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from types import ModuleType

import numpy as np

from tapscan.plan import Zone, nearness
from tapscan.records.inspection import open_inspection
from tapscan.screening.areas import indications
from tapscan.screening.taps import baseline, calls, damage, points, readings, screen
from tapscan.signals.taps import bands
from tests.independent.arena.parts import Truth, load_truth
from tests.independent.judge import FAR_MM, roc_area

READING = (readings, bands)
SCREENING = (points, baseline, damage, calls, screen, indications, nearness)
# Counts and lengths of arrays, words, and factors that are facts: none of them is a choice.
FACTS = (
    *("N_BANDS", "DB", "NORMAL", "MIN_READINGS", "FEW_READINGS", "POLISHES", "CONCENTRATIONS"),
    *("BATCH_TAPS", "_PARTS", "_BESIDE", "_INNERMOST", "_OUTERMOST"),
)
AREA_LIMIT, CALLS_LIMIT = 0.01, 0.5  # what a constant may move

Outcome = tuple[float, float, int]


@dataclass(frozen=True, slots=True, eq=False)
class Part:
    folder: Path
    zone: Zone
    readings: readings.TapReadings
    truth: Truth


def part_of(folder: Path) -> Part:
    inspection = open_inspection(folder)
    (zone,) = inspection.plan.zones
    return Part(folder, zone, readings.read_taps(inspection, zone, [], lambda *_: None), load_truth(folder))


def constants(modules: tuple[ModuleType, ...]) -> Iterator[tuple[ModuleType, str, float]]:
    """Give the numbers that these modules state, not those that they import."""
    for module in modules:
        assert module.__file__ is not None
        tree = ast.parse(Path(module.__file__).read_text(encoding="utf-8"))
        stated = [node.targets[0] for node in tree.body if isinstance(node, ast.Assign)]
        names = [name.id for target in stated for name in ast.walk(target) if isinstance(name, ast.Name)]
        for name in names:
            value = getattr(module, name)
            if isinstance(value, int | float) and not isinstance(value, bool) and name not in FACTS:
                yield module, name, value


def lower_and_higher(value: float) -> tuple[float, float]:
    """30 % less and more; a share that would exceed one goes 30 % of its way there.

    >>> lower_and_higher(0.5), lower_and_higher(0.9)
    ((0.35, 0.65), (0.63, 0.93))
    """
    more = 1.3 * value
    return 0.7 * value, 1 - 0.7 * (1 - value) if value < 1 < more else more


def moved(module: ModuleType, name: str, value: float) -> None:
    """Set a constant where it is stated and wherever it was imported."""
    before = getattr(module, name)
    for each in (*READING, *SCREENING):
        if getattr(each, name, None) is before:
            setattr(each, name, value)


def score(parts: list[Part]) -> Outcome:
    areas, called, far_points, found = [], 0, 0, 0
    for part in parts:
        screened = screen.screen_taps(part.zone, part.readings, 0.01, [])
        nearest = part.truth.nearest_mm
        far = nearest > max(FAR_MM, part.truth.pitch_mm)
        value = np.nan_to_num(screened.score, nan=-1.0)
        if (nearest < 0).any():
            areas.append(roc_area(value[nearest < 0], value[far]))
        called += int((screened.p_value[far] < 0.01).sum())
        far_points += int(far.sum())
        listed = {name for one in screened.indications for name in one.points}
        at = np.array([f"{part.zone.code}-{i + 1:02d}-{p + 1:02d}" for i, p in np.ndindex(nearest.shape)])
        is_listed = np.isin(at, list(listed)).reshape(nearest.shape)
        found += sum(bool((is_listed & (rim < 0)).any()) for rim in part.truth.rim_mm)
    return float(np.mean(areas)), called / far_points / 0.01, found


def table(modules: tuple[ModuleType, ...], judge: Callable[[], Outcome]) -> None:
    as_is = judge()
    print("as they are: {:.4f}, {:.2f}, {}".format(*as_is), flush=True)
    for module, name, value in list(constants(modules)):
        outcomes = []
        for other in lower_and_higher(value):
            moved(module, name, other)
            outcomes.append(judge())
        moved(module, name, value)
        words = "; ".join("{:.4f}, {:.2f}, {}".format(*outcome) for outcome in outcomes)
        is_edge = any(
            abs(area - as_is[0]) >= AREA_LIMIT or abs(rate - as_is[1]) > CALLS_LIMIT * as_is[1]
            for area, rate, _ in outcomes
        )
        mark = "  <- moves" if is_edge else ""
        print(f"{module.__name__.rsplit('.', 1)[1]:12s} {name:18s} {value:<8g} {words}{mark}", flush=True)


def main() -> None:
    parser = argparse.ArgumentParser(prog="python -m tests.benchmarks.tap_constants", description=__doc__)
    parser.add_argument("--cache", type=Path, required=True)
    parser.add_argument(
        "--most",
        type=int,
        default=12,
        help="parts to screen, of families evenly chosen; with few of them one false call is half of all",
    )
    parser.add_argument("--read-again", type=int, default=3, help="parts whose recordings are read again")
    asked = parser.parse_args()
    folders = sorted(file.parent for file in asked.cache.glob("*/00/truth.npz"))
    chosen = np.unique(np.linspace(0, len(folders) - 1, min(asked.most, len(folders))).round().astype(int))
    parts = [part_of(folders[k]) for k in chosen]
    print(", ".join(part.folder.parent.name for part in parts))
    print("ROC area, false calls over requested, found; 30 % lower; 30 % higher")
    table(SCREENING, lambda: score(parts))
    few = [part.folder for part in parts if len(part.truth.rim_mm)][: asked.read_again]
    print("read again: " + ", ".join(folder.parent.name for folder in few))
    table(READING, lambda: score([part_of(folder) for folder in few]))


if __name__ == "__main__":
    main()
