"""Train the damage class: ``python -m tests.independent.train --cache DIR``; an hour at most on two cores.

Parts come from the families of the arena that choices are made on, never from those kept back. Each point is
described as `tapscan.screening.taps.damage.inputs` does; it is damaged where it is inside a rim. Trees are
boosted by scikit-learn, then written as plain numbers.

Log odds are calibrated on generators left out: each generator's parts are judged by trees that never saw that
generator, and a logistic law through those verdicts says what log odds mean on a part of a new kind.
"""

import argparse
import json
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from tapscan.plan.nearness import nearness
from tapscan.records.inspection import open_inspection
from tapscan.screening.taps.baseline import Baseline, fit_baseline, pooled
from tapscan.screening.taps.damage import inputs
from tapscan.screening.taps.points import point_means
from tapscan.screening.taps.readings import read_taps
from tapscan.screening.taps.screen import REACH_MM
from tests.independent.arena.families import CHOSEN_ON
from tests.independent.arena.parts import load_truth

__all__ = ["Example", "described", "trees_of", "written"]

Array = np.ndarray[Any, np.dtype[np.float64]]
CLASS_FILE = Path(__file__).parents[2] / "tapscan" / "screening" / "taps" / "damage_class.json"
TREES, LEAVES, RATE = 150, 12, 0.1
DIGITS = 5


@dataclass(frozen=True, slots=True, eq=False)
class Example:
    """One part: inputs and truth of its points, its baseline, and how near its points are."""

    generator: str
    described: Array
    is_damaged: np.ndarray[Any, np.dtype[np.bool_]]
    baseline: Baseline
    read: np.ndarray[Any, np.dtype[np.bool_]]
    near: Any

    @property
    def weight(self) -> Array:
        """The same for each part, however many points it has."""
        return np.full(len(self.described), 1 / max(len(self.described), 1))


def described(folder: Path, generator: str) -> Example:
    """Read and describe one part of the cache."""
    inspection = open_inspection(folder)
    (zone,) = inspection.plan.zones
    readings = read_taps(inspection, zone, [], lambda *_: None)
    points = point_means(readings.taps, readings.reason.size)
    near = nearness(zone, REACH_MM)
    none = np.zeros(readings.reason.size, dtype=bool)
    baseline = fit_baseline(points, zone.grid_shape, near, none, none)
    inside = (load_truth(folder).nearest_mm < 0).ravel()
    read = points.read
    return Example(
        generator, inputs(baseline, near)[read].astype(np.float32), inside[read], baseline, read, near
    )


def pooled_odds(example: Example, trees: Any) -> Array:
    """Log odds by these trees, averaged with the neighbours', (read,)."""
    every = np.full(example.read.size, np.nan)
    every[example.read] = trees.decision_function(example.described)
    return pooled(example.near, every)[example.read]


def trees_of(examples: list[Example]) -> Any:
    """Boost trees on these parts."""
    from sklearn.ensemble import HistGradientBoostingClassifier

    weight = np.concatenate([one.weight for one in examples])
    return HistGradientBoostingClassifier(
        max_iter=TREES,
        learning_rate=RATE,
        max_leaf_nodes=LEAVES,
        min_samples_leaf=40,
        l2_regularization=5.0,
        max_features=0.5,
        max_bins=64,
        early_stopping=False,
        random_state=0,
    ).fit(
        np.concatenate([one.described for one in examples]),
        np.concatenate([one.is_damaged for one in examples]),
        sample_weight=weight / weight.mean(),
    )


def _logistic(log_odds: Array, is_damaged: Array, weight: Array) -> tuple[float, float]:
    """Offset and slope of a logistic law."""
    from sklearn.linear_model import LogisticRegression

    law = LogisticRegression(C=1e6).fit(log_odds[:, None], is_damaged, sample_weight=weight / weight.mean())
    return float(law.intercept_[0]), float(law.coef_[0, 0])


def written(
    trees: Any, offset: float, slope: float, usual: tuple[float, float], by_distance: tuple[float, float]
) -> str:
    """Write trees as plain numbers; every tree padded to the same number of nodes."""
    tables = [stage[0].nodes for stage in trees._predictors]
    nodes = max(len(table) for table in tables)
    columns: dict[str, list[list[float]]] = {name: [] for name in ("column", "limit", "low", "high", "value")}
    for table in tables:
        own = np.arange(nodes)
        leaf = np.ones(nodes, dtype=bool)
        leaf[: len(table)] = table["is_leaf"]
        pad = nodes - len(table)
        low, high, value, limit, column = (
            np.pad(np.asarray(table[name], dtype=float), (0, pad))
            for name in ("left", "right", "value", "num_threshold", "feature_idx")
        )
        columns["column"].append(np.where(leaf, 0, column).astype(int).tolist())
        columns["limit"].append(np.where(leaf, 0, limit).round(DIGITS).tolist())
        columns["low"].append(np.where(leaf, own, low).astype(int).tolist())
        columns["high"].append(np.where(leaf, own, high).astype(int).tolist())
        columns["value"].append(np.where(leaf, value, 0).round(DIGITS).tolist())
    kept = {
        "about": "boosted trees by python -m tests.independent.train; read by screening/taps/damage.py",
        "start": round(offset + slope * float(np.ravel(trees._baseline_prediction)[0]), DIGITS),
        "slope": round(slope, DIGITS),
        "usual": [round(value, 2) for value in usual],
        "by_distance": [round(value, DIGITS) for value in by_distance],
        "depth": int(max(table["depth"].max() for table in tables)),
        **columns,
    }
    return json.dumps(kept, separators=(",", ":")) + "\n"


def main() -> None:
    """Read the command line, train, calibrate and write."""
    parser = argparse.ArgumentParser(prog="python -m tests.independent.train", description=__doc__)
    parser.add_argument("--cache", type=Path, required=True, help="folder of parts that the arena made")
    parser.add_argument("--parts", type=int, default=12, help="of each family")
    parser.add_argument("--to", type=Path, default=CLASS_FILE)
    arguments = parser.parse_args()
    examples = []
    for name, mix in CHOSEN_ON.items():
        folders = sorted(file.parent for file in (arguments.cache / name).glob("*/truth.npz"))
        examples += [described(folder, mix.generator) for folder in folders[: arguments.parts]]
        print(f"{name}: {len(examples)} parts so far", flush=True)
    left_out: list[tuple[Example, Array]] = []
    for generator in sorted({one.generator for one in examples}):
        trees = trees_of([one for one in examples if one.generator != generator])
        own = [one for one in examples if one.generator == generator]
        left_out += [(one, pooled_odds(one, trees)) for one in own]
        print(f"judged {generator} by trees that never saw it", flush=True)
    weight = np.concatenate([one.weight for one, _ in left_out])
    truth = np.concatenate([one.is_damaged for one, _ in left_out])
    offset, slope = _logistic(np.concatenate([log_odds for _, log_odds in left_out]), truth, weight)
    around = np.concatenate([one.baseline.around[one.read] for one, _ in left_out])
    by_distance = _logistic(around, truth, weight)
    medians = [
        offset + slope * float(np.median(log_odds[one.baseline.sound[one.read]]))
        for one, log_odds in left_out
    ]
    text = written(trees_of(examples), offset, slope, (min(medians), max(medians)), by_distance)
    arguments.to.write_text(text, encoding="ascii")
    print(f"{len(examples)} parts; slope {slope:.3f}, offset {offset:.3f}; {len(text):,} bytes")


if __name__ == "__main__":
    main()
