"""Train the damage class: ``python -m tests.independent.train --cache DIR``; an hour at most on two cores.

Parts come from the families of the arena that choices are made on, never from those kept back. Each point is
described as `tapscan.screening.taps.damage.inputs` does; it is damaged where it is inside a rim. Trees are
boosted by scikit-learn, then written as plain numbers.

Log odds are calibrated on generators left out: each generator's parts are judged by trees that never saw that
generator, and a logistic law through those verdicts says what log odds mean on a part of a new kind.

How much shops differ is measured on generators left out, too: within each family every other part teaches the
class, as a sectioned part would, and the variance is kept that judges the remaining parts best.
"""

import argparse
import json
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np

from tapscan.plan.nearness import nearness
from tapscan.records.inspection import open_inspection
from tapscan.screening.taps.baseline import Baseline, fit_baseline, pooled
from tapscan.screening.taps.damage import DamageClass, inputs, parsed
from tapscan.screening.taps.points import N_BANDS, TapPoints, point_means
from tapscan.screening.taps.readings import read_taps
from tapscan.screening.taps.screen import REACH_MM
from tapscan.screening.taps.shop import SectionedPart, retrained
from tests.independent.arena.families import CHOSEN_ON
from tests.independent.arena.parts import load_truth

__all__ = ["Example", "described", "log_odds_of", "trees_of", "written"]

Array = np.ndarray[Any, np.dtype[np.float64]]
Mask = np.ndarray[Any, np.dtype[np.bool_]]
CLASS_FILE = Path(__file__).parents[2] / "tapscan" / "screening" / "taps" / "damage_class.json"
TREES, LEAVES, RATE = 150, 12, 0.1
# Generators that are left out of training together, to judge their parts by trees that never saw them.
LEFT_OUT = (("ringing",), ("shell",), ("slapping",), ("plates", "demo"), ("lattice",))
# Bands, of a quarter of an octave. Where damage shows in the spectrum goes with its size, the wall and the
# tapper; parts that sound higher or lower teach that no band is special.
SHIFTS = (-3, -1, 0, 1, 3)
DIGITS = 5
VARIANCES = np.geomspace(1e-3, 1, 7)  # of leaves from shop to shop, in log odds squared
CUT_STATIONS = 3  # every third is cut in a part that teaches


@dataclass(frozen=True, slots=True, eq=False)
class Example:
    """One part: its points, the grid they are on, how near they are, and the truth (points,)."""

    family: str
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
        """Describe the points by a baseline that knows nothing and one that knows the damage, at each shift.

        Gives inputs, truth and weights; a part weighs as much as any other, however many points it has.
        """
        read = self.points.read
        all_ways = [
            inputs(_shifted(baseline, bands), self.near)[read].astype(np.float32)
            for baseline in map(self.baseline, (np.zeros_like(self.is_damaged), self.is_damaged))
            for bands in SHIFTS
        ]
        truth = np.tile(self.is_damaged[read], len(all_ways))
        return np.concatenate(all_ways), truth, np.full(truth.size, 1 / truth.size)


def _shifted(baseline: Baseline, bands: int) -> Baseline:
    """Give the part as it would sound this many bands higher; the bands at the rim are mirrored."""
    most = max(map(abs, SHIFTS))
    order = np.pad(np.arange(N_BANDS), most, mode="reflect")[most - bands :][:N_BANDS]
    columns = np.concatenate([order, np.arange(N_BANDS, baseline.off_db.shape[1])])
    return replace(
        baseline,
        off_db=baseline.off_db[:, columns],
        spread_db=baseline.spread_db[:, columns],
        station_db=baseline.station_db[:, columns],
        station_spread_db=baseline.station_spread_db[columns],
    )


def described(folder: Path, family: str, generator: str) -> Example:
    """Read one part of the cache."""
    inspection = open_inspection(folder)
    (zone,) = inspection.plan.zones
    readings = read_taps(inspection, zone, [], lambda *_: None)
    points = point_means(readings.taps, readings.reason.size)
    inside = (load_truth(folder).nearest_mm < 0).ravel()
    return Example(family, generator, points, zone.grid_shape, nearness(zone, REACH_MM), inside)


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


def sectioned(example: Example, trees: DamageClass) -> SectionedPart:
    """Cut every third station of a part, described as tapscan would by trees that never saw its generator."""
    damaged = np.zeros_like(example.is_damaged)
    close = example.near.power(2)
    for _ in range(2):
        baseline = example.baseline(damaged)
        described = inputs(baseline, example.near)
        damaged = pooled(close, np.where(example.points.read, trees.log_odds(described), np.nan)) > 0
    station = np.arange(damaged.size) // example.grid_shape[1]
    cut = station % CUT_STATIONS == CUT_STATIONS // 2
    sound = cut & ~example.is_damaged
    return SectionedPart(
        described, close, example.points.read, baseline.sound, sound, cut & example.is_damaged
    )


def shop_variance(examples: list[Example], blind: dict[str, DamageClass]) -> float:
    """Variance of leaves from shop to shop that judges the parts best which taught nothing.

    `blind` gives for each generator the class that never saw it. Every family counts alike.
    """
    gains = []
    for family in sorted({one.family for one in examples}):
        own = [one for one in examples if one.family == family]
        trained = blind[own[0].generator]
        parts = [sectioned(one, trained) for one in own]
        taught = [replace(trained, shop_variance=float(variance)) for variance in VARIANCES]
        taught = [retrained(each, parts[::2]) for each in taught]
        if any(taught[0].cut) and len(own) > 1:
            fresh = list(zip(own[1::2], parts[1::2], strict=True))
            gains.append([np.mean([_log_likelihood(each, *pair) for pair in fresh]) for each in taught])
    return float(VARIANCES[int(np.argmax(np.mean(gains, axis=0)))])


def _log_likelihood(trees: DamageClass, example: Example, part: SectionedPart) -> float:
    """Mean log likelihood of the truth at a part's points."""
    log_odds = pooled(part.close, np.where(part.read, trees.log_odds(part.described), np.nan))
    signed = np.where(example.is_damaged, 1, -1) * log_odds
    return float(-np.logaddexp(0, -signed[part.read]).mean())


def written(
    trees: Any, offset: float, slope: float, usual: tuple[float, float], by_distance: tuple[float, float]
) -> str:
    """Write trees as plain numbers; every tree padded to the same number of nodes.

    `shop_variance` is 0 until it is measured.
    """
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
        examples += [described(folder, name, mix.generator) for folder in folders[: arguments.parts]]
        print(f"{name}: {len(examples)} parts so far", flush=True)
    arguments.to.write_text(trained(examples), encoding="ascii")


def trained(examples: list[Example]) -> str:
    """Train on these parts, calibrate on generators left out, and give the text of the file."""
    rows = [one.rows() for one in examples]
    odds, away, truth, weight, medians, blind = [], [], [], [], [], {}
    for generators in LEFT_OUT:
        trees = trees_of(
            [row for row, one in zip(rows, examples, strict=True) if one.generator not in generators]
        )
        blind |= dict.fromkeys(generators, trees)
        for one in (one for one in examples if one.generator in generators):
            log_odds, baseline = log_odds_of(one, trees)
            read = one.points.read
            odds.append(log_odds[read])
            away.append(baseline.around[read])
            truth.append(one.is_damaged[read])
            weight.append(np.full(int(read.sum()), 1 / read.sum()))
            medians.append(float(np.median(log_odds[baseline.sound])))
        print(f"judged {', '.join(generators)} by trees that never saw them", flush=True)
    is_damaged, each = np.concatenate(truth), np.concatenate(weight)
    offset, slope = _logistic(np.concatenate(odds), is_damaged, each)
    by_distance = _logistic(np.concatenate(away), is_damaged, each)
    usual = offset + slope * min(medians), offset + slope * max(medians)
    laws = offset, slope, usual, by_distance
    apart = {generator: parsed(written(trees, *laws).encode()) for generator, trees in blind.items()}
    kept = json.loads(written(trees_of(rows), *laws)) | {"shop_variance": shop_variance(examples, apart)}
    text = json.dumps(kept, separators=(",", ":")) + "\n"
    print(
        f"{len(examples)} parts; slope {slope:.3f}, offset {offset:.3f}, shop variance "
        f"{kept['shop_variance']:.3g}; {len(text):,} bytes"
    )
    return text


if __name__ == "__main__":
    main()
