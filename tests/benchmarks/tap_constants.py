"""Move every constant of the tap screening by 30 %: ``python -m tests.benchmarks.tap_constants --cache DIR``.

One part of each family that the arena made in the folder is read once, then screened with each constant
30 % lower and 30 % higher: mean ROC area over the damaged parts, false calls at 0.01, found damages. The
damage class is not trained again, so that this is the worst that an ill-chosen constant does to it.
"""

import argparse
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from types import ModuleType

import numpy as np

from tapscan.records.inspection import open_inspection
from tapscan.screening import indications
from tapscan.screening.taps import baseline, calls, damage, points, readings, screen
from tests.independent.arena.parts import Truth, load_truth
from tests.independent.judge import FAR_MM, roc_area

MODULES = (points, baseline, damage, calls, screen, indications)
# Counts and lengths of arrays, words, and factors that are facts: none of them is a choice.
FACTS = (
    "N_BANDS",
    "DB",
    "NORMAL",
    "MIN_READINGS",
    "FEW_READINGS",
    "POLISHES",
    "CONCENTRATIONS",
    "UNREAD_STRENGTH",
)


@dataclass(frozen=True, slots=True, eq=False)
class Part:
    readings: readings.TapReadings
    zone: object
    truth: Truth


def constants() -> Iterator[tuple[ModuleType, str, float]]:
    for module in MODULES:
        for name, value in vars(module).items():
            is_number = isinstance(value, int | float) and not isinstance(value, bool)
            if name.lstrip("_").isupper() and is_number and name not in FACTS and _owns(module, name):
                yield module, name, value


def _owns(module: ModuleType, name: str) -> bool:
    """Tell a constant that a module states from one that it imports."""
    assert module.__file__ is not None
    return f"\n{name} = " in Path(module.__file__).read_text(encoding="utf-8")


def score(parts: list[Part]) -> tuple[float, float, int]:
    areas, called, far_points, found = [], 0, 0, 0
    for part in parts:
        screened = screen.screen_taps(part.zone, part.readings, 0.01, [])  # type: ignore[arg-type]
        nearest = part.truth.nearest_mm
        far = nearest > max(FAR_MM, part.truth.pitch_mm)
        value = np.nan_to_num(screened.score, nan=-1.0)
        if (nearest < 0).any():
            areas.append(roc_area(value[nearest < 0], value[far]))
        called += int((screened.p_value[far] < 0.01).sum())
        far_points += int(far.sum())
        held = {name for one in screened.indications for name in one.points}
        at = np.array([f"{screened.zone.code}-{i + 1:02d}-{p + 1:02d}" for i, p in np.ndindex(nearest.shape)])
        listed = np.isin(at, list(held)).reshape(nearest.shape)
        found += sum(bool((listed & (rim < 0)).any()) for rim in part.truth.rim_mm)
    return float(np.mean(areas)), called / far_points / 0.01, found


def main() -> None:
    parser = argparse.ArgumentParser(prog="python -m tests.benchmarks.tap_constants", description=__doc__)
    parser.add_argument("--cache", type=Path, required=True)
    parser.add_argument("--most", type=int, default=24, help="parts")
    asked = parser.parse_args()
    parts = []
    for folder in sorted(file.parent for file in asked.cache.glob("*/00/truth.npz"))[: asked.most]:
        inspection = open_inspection(folder)
        zone = inspection.plan.zones[0]
        parts.append(
            Part(readings.read_taps(inspection, zone, [], lambda *_: None), zone, load_truth(folder))
        )
    as_is = score(parts)
    print(f"{len(parts)} parts: ROC area {as_is[0]:.4f}, false calls {as_is[1]:.2f}, found {as_is[2]}")
    for module, name, value in list(constants()):
        outcomes = []
        for share in (0.7, 1.3):
            setattr(module, name, share * value)
            outcomes.append(score(parts))
        setattr(module, name, value)
        words = "; ".join("{:.4f}, {:.2f}, {}".format(*outcome) for outcome in outcomes)
        print(f"{module.__name__.rsplit('.', 1)[1]:12s} {name:18s} {value:<8g} {words}", flush=True)


if __name__ == "__main__":
    main()
