"""The ceiling of the arena: gradient boosting trained on ten other parts of the same family, truth known.

Its inputs at a point are what is left of band shape and level after a median polish, in units of the part's
own robust scatter; their mean and mean size over the four neighbours; their energy, largest, and means over
low, middle and high bands; and the floor's log distance, plain and averaged. Its log-odds are averaged over
the neighbours as the floor's are.
"""

from collections.abc import Sequence
from typing import Any

import numpy as np

from tests.independent.arena.floor import Floor, Shapes, averaged, polished
from tests.independent.strikes import Array

__all__ = ["TRAINED_ON", "ceiling_scores", "features"]

TRAINED_ON = 10  # parts


def features(shapes: Shapes, floor: Floor, *, is_tube: bool) -> Array:
    """Inputs of every point, (stations, positions, inputs); NaN where no tap was found."""
    rest = polished(np.concatenate([shapes.shape_db, shapes.level_db[..., None]], axis=-1))
    size = 1.4826 * np.nanmedian(np.abs(rest), axis=(0, 1))
    units = rest / np.maximum(size, 1e-6)
    bands = units[..., :-1]
    third = bands.shape[-1] // 3
    low, middle, high = bands[..., :third], bands[..., third:-third], bands[..., -third:]
    summary = [
        np.log((bands**2).sum(axis=-1)),
        np.abs(bands).max(axis=-1),
        low.mean(axis=-1),
        middle.mean(axis=-1),
        high.mean(axis=-1),
        floor.log_distance,
        floor.score,
    ]
    beside = [_four(units, is_tube), _four(np.abs(units), is_tube)]
    return np.concatenate([units, *beside, np.stack(summary, axis=-1)], axis=-1)


def _four(values: Array, is_tube: bool) -> Array:
    """Mean over the four neighbours, without those that were not read."""
    padded = np.pad(values, ((1, 1), (0, 0), (0, 0)), constant_values=np.nan)
    wide = np.pad(padded, ((0, 0), (1, 1), (0, 0)), mode="wrap") if is_tube else None
    if wide is None:
        wide = np.pad(padded, ((0, 0), (1, 1), (0, 0)), constant_values=np.nan)
    near = np.stack([wide[:-2, 1:-1], wide[2:, 1:-1], wide[1:-1, :-2], wide[1:-1, 2:]])
    read = np.isfinite(near)
    return np.where(read, near, 0).sum(axis=0) / np.maximum(read.sum(axis=0), 1)


def ceiling_scores(
    inputs: Sequence[Array], nearest_mm: Sequence[Array], far_mm: float, is_tube: Sequence[bool]
) -> list[Array]:
    """Averaged log-odds of every part's points by a classifier that never met that part.

    Points between the rim and `far_mm` from it are left out of training. A part is judged by one trained on
    ten others of the family, or on all others where there are fewer; NaN where there is nothing to learn.
    """
    count = len(inputs)
    aside = max(count - TRAINED_ON, 1)  # judged together by one classifier
    scores: list[Array] = [np.full(n.shape, np.nan) for n in nearest_mm]
    for start in range(0, count, aside):
        judged = range(start, min(start + aside, count))
        others = [k for k in range(count) if k not in judged][:TRAINED_ON]
        trained = _trained([inputs[k] for k in others], [nearest_mm[k] for k in others], far_mm)
        if trained is None:
            continue
        for k in judged:
            odds = trained.decision_function(inputs[k].reshape(-1, inputs[k].shape[-1]))
            read = np.isfinite(inputs[k][..., -1])
            scores[k] = averaged(np.where(read, odds.reshape(read.shape), np.nan), is_tube[k])
    return scores


def _trained(inputs: list[Array], nearest_mm: list[Array], far_mm: float) -> Any:
    from sklearn.ensemble import HistGradientBoostingClassifier

    if not inputs:
        return None
    rows = np.concatenate([values.reshape(-1, values.shape[-1]) for values in inputs])
    rim = np.concatenate([values.ravel() for values in nearest_mm])
    used = np.isfinite(rows[:, -1]) & ((rim < 0) | (rim > far_mm))
    if not (rim[used] < 0).any():
        return None
    return HistGradientBoostingClassifier(random_state=0).fit(rows[used], rim[used] < 0)
