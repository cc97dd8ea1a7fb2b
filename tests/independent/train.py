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
from tapscan.screening.taps.points import TapPoints, point_means
from tapscan.screening.taps.readings import read_taps
from tapscan.screening.taps.screen import REACH_MM
from tests.independent.arena.families import CHOSEN_ON
from tests.independent.arena.parts import load_truth

__all__ = ["Example", "described", "log_odds_of", "trees_of", "written"]

Array = np.ndarray[Any, np.dtype[np.float64]]
Mask = np.ndarray[Any, np.dtype[np.bool_]]
CLASS_FILE = Path(__file__).parents[2] / "tapscan" / "screening" / "taps" / "damage_class.json"
TREES, LEAVES, RATE = 150, 12, 0.1
DIGITS = 5


@dataclass(frozen=True, slots=True, eq=False)
class Example:
    """One part: its points, the grid they are on, how near they are, and the truth (points,)."""

    generator: str
    points: TapPoints
    grid_shape: tuple[int, int]
    near: Any
    is_damaged: Mask

    def baseline(self, damaged: Mask) -> Baseline:
        """Fit the part's baseline without the damaged points."""
        none = np.zeros(self.is_damaged.size, dtype=bool)
        return fit_baseline(self.points, self.grid_shape, self.near, none, damaged)

    def rows(self) -> tuple[Array, Mask, Array]:
        """Describe the points twice, by a baseline that knows nothing and one that knows the damage.

        Gives inputs, truth and weights; a part weighs as much as any other, however many points it has.
        """
        read = self.points.read
        both = [
            inputs(self.baseline(mask), self.near)[read].astype(np.float32)
            for mask in (np.zeros_like(self.is_damaged), self.is_damaged)
        ]
        truth = np.tile(self.is_damaged[read], 2)
        return np.concatenate(both), truth, np.full(truth.size, 1 / truth.size)


def described(folder: Path, generator: str) -> Example:
    """Read one part of the cache."""
    inspection = open_inspection(folder)
    (zone,) = inspection.plan.zones
    readings = read_taps(inspection, zone, [], lambda *_: None)
    points = point_means(readings.taps, readings.reason.size)
    inside = (load_truth(folder).nearest_mm < 0).ravel()
    return Example(generator, points, zone.grid_shape, nearness(zone, REACH_MM), inside)


def log_odds_of(example: Example, trees: Any) -> tuple[Array, Baseline]:
    """Judge a part as tapscan does, in two rounds, by trees that are not calibrated: (points,), baseline."""
    damaged = np.zeros_like(example.is_damaged)
    for _ in range(2):
        baseline = example.baseline(damaged)
        alone = trees.decision_function(inputs(baseline, example.near).astype(np.float32))
        log_odds = pooled(example.near.power(2), np.where(example.points.read, alone, np.nan))
        damaged = log_odds > 0
    return log_odds, baseline


def trees_of(rows: list[tuple[Array, Mask, Array]]) -> Any:
    """Boost trees on these parts."""
    from sklearn.ensemble import HistGradientBoostingClassifier

    described, truth, weight = (np.concatenate(column) for column in zip(*rows, strict=True))
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
    ).fit(described, truth, sample_weight=weight / weight.mean())


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
        "shop_variance": 0.0,
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
    arguments.to.write_text(trained(examples), encoding="ascii")


def trained(examples: list[Example]) -> str:
    """Train on these parts, calibrate on generators left out, and give the text of the file."""
    rows = [one.rows() for one in examples]
    odds, away, truth, weight, medians = [], [], [], [], []
    for generator in sorted({one.generator for one in examples}):
        others = [row for row, one in zip(rows, examples, strict=True) if one.generator != generator]
        trees = trees_of(others)
        for one in (one for one in examples if one.generator == generator):
            log_odds, baseline = log_odds_of(one, trees)
            read = one.points.read
            odds.append(log_odds[read])
            away.append(baseline.around[read])
            truth.append(one.is_damaged[read])
            weight.append(np.full(int(read.sum()), 1 / read.sum()))
            medians.append(float(np.median(log_odds[baseline.sound])))
        print(f"judged {generator} by trees that never saw it", flush=True)
    is_damaged, each = np.concatenate(truth), np.concatenate(weight)
    offset, slope = _logistic(np.concatenate(odds), is_damaged, each)
    by_distance = _logistic(np.concatenate(away), is_damaged, each)
    usual = offset + slope * min(medians), offset + slope * max(medians)
    text = written(trees_of(rows), offset, slope, usual, by_distance)
    print(f"{len(examples)} parts; slope {slope:.3f}, offset {offset:.3f}; {len(text):,} bytes")
    return text


if __name__ == "__main__":
    main()
