"""What damage does to a tap, relative to the sound laminate around it, learned from many simulated parts.

A point is described by how far it and its neighbours are from the zone's own baseline, in standard deviations
of sound readings. So described, damage is much alike on all parts, whatever rings. Boosted trees separate it
from sound laminate (Friedman, Ann. Statist. 29, 2001, 1189-1232, from memory). They are trained by
``python -m tests.independent.train`` and kept as plain numbers in ``damage_class.json``; here they are only
evaluated.
"""

import hashlib
import json
from dataclasses import dataclass
from functools import lru_cache
from importlib.resources import files
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from tapscan.screening.taps.baseline import Baseline
from tapscan.screening.taps.points import N_BANDS

if TYPE_CHECKING:
    from scipy.sparse import csr_array

__all__ = ["DamageClass", "damage_class", "damage_class_sha256", "inputs", "parsed"]

Floats = NDArray[np.float64]

THIRDS = tuple(slice(a, b) for a, b in ((0, 7), (7, 14), (14, N_BANDS)))
RINGING, LEVEL = slice(N_BANDS, -1), slice(-1, None)
MOST = 20.0  # standard deviations; what is farther out is as far out as can be


def inputs(baseline: Baseline, near: "csr_array") -> Floats:
    """Describe every point for the damage class, (points, columns); rows of unread points mean nothing.

    Columns: each feature's distance from the baseline in standard deviations; its mean over the neighbours,
    the mean of its size there, and its mean over the neighbours' neighbours, too, where noise averages out;
    mean square, largest, and means over low, middle and high bands; the log distance, alone, with the
    neighbours' and with theirs; how near an end or edge is, where sound readings differ most; and how far
    the station's level is from the others', in those three, in how much rings on, in the level and in the
    mean square, by which damage all round a station is seen (band by band, trees know stations by heart).
    """
    read = np.isfinite(baseline.distance)
    away = np.where(read[:, None], np.clip(baseline.off_db / baseline.spread_db, -MOST, MOST), 0.0)
    distance = np.nan_to_num(baseline.distance)
    station = np.clip(baseline.station_db / baseline.station_spread_db, -MOST, MOST)
    others, farther = near - _diagonal(near), near @ near
    beside, about = (np.maximum(weight @ read.astype(float), 1e-12)[:, None] for weight in (others, farther))
    bands = away[:, :N_BANDS]
    return np.column_stack(
        [
            away,
            (others @ away) / beside,
            (others @ np.abs(away)) / beside,
            (farther @ away) / about,
            np.mean(bands**2, axis=1),
            np.abs(bands).max(axis=1),
            *(bands[:, part].mean(axis=1) for part in THIRDS),
            distance,
            np.nan_to_num(baseline.around),
            (farther @ distance) / about[:, 0],
            _at_edge(farther),
            *(station[:, part].mean(axis=1) for part in (*THIRDS, RINGING, LEVEL)),
            np.mean(station[:, :N_BANDS] ** 2, axis=1),
        ]
    )


def _at_edge(farther: "csr_array") -> Floats:
    """Share of its neighbours, and of theirs, that a point lacks: 0 inside a zone, most at a corner."""
    about = farther @ np.ones(farther.shape[0])
    # Rounded: a turned datum changes the order of the sums, and trees ask whether this is zero.
    return np.asarray((1 - about / about.max()).round(3))


def _diagonal(near: "csr_array") -> "csr_array":
    from scipy.sparse import diags_array

    return diags_array(near.diagonal()).tocsr()


@dataclass(frozen=True, slots=True, eq=False)
class DamageClass:
    """Boosted trees. Arrays over nodes (trees, nodes): `column`, `limit`, `low`, `high`, `value`.

    A point goes to `low` where its column is at most the limit, else to `high`; leaves point to themselves.
    `start` and `slope` make its log odds those of parts that it was not trained on. `usual` is the range of
    the median log odds of the sound readings of a part; `by_distance` (offset, slope) gives log odds from the
    pooled distance alone. `shop_variance` is by how much a leaf's log odds differ from shop to shop (see
    `shop`); `cut` how many sound and damaged points of sectioned parts have retrained the class.
    """

    start: float
    slope: float
    usual: tuple[float, float]
    by_distance: tuple[float, float]
    column: NDArray[np.intp]
    limit: Floats
    low: NDArray[np.intp]
    high: NDArray[np.intp]
    value: Floats
    depth: int
    shop_variance: float
    cut: tuple[int, int] = (0, 0)

    def reached(self, described: Floats) -> NDArray[np.intp]:
        """Leaf of each tree that each point goes to, (points, trees)."""
        trees = np.arange(len(self.column))
        node = np.zeros((len(described), trees.size), dtype=np.intp)
        rows = np.arange(len(described))[:, None]
        for _ in range(self.depth):
            goes_low = described[rows, self.column[trees, node]] <= self.limit[trees, node]
            node = np.where(goes_low, self.low[trees, node], self.high[trees, node])
        return node

    def log_odds(self, described: Floats) -> Floats:
        """Log odds of damage, (points,), at the odds that the training parts had."""
        leaves = self.value[np.arange(len(self.value)), self.reached(described)]
        return np.asarray(self.start + self.slope * leaves.sum(axis=1))

    def log_odds_in(self, described: Floats, baseline: Baseline) -> tuple[Floats, bool]:
        """Give log odds of a zone's points, NaN where unread, and whether it is like the training parts.

        The sound readings of any part look much the same in standard deviations. Where they do not, the trees
        are asked about what they have never seen, and the distance alone decides.
        """
        log_odds = self.log_odds(described)
        is_familiar = bool(self.usual[0] <= np.median(log_odds[baseline.sound]) <= self.usual[1])
        if not is_familiar:
            log_odds = self.by_distance[0] + self.by_distance[1] * baseline.around
        return np.where(np.isfinite(baseline.distance), log_odds, np.nan), is_familiar


def damage_class_sha256() -> str:
    """Give the hash of the trees that tapscan carries: results depend on them."""
    return hashlib.sha256(_kept()).hexdigest()


def _kept() -> bytes:
    return files("tapscan.screening.taps").joinpath("damage_class.json").read_bytes()


@lru_cache(maxsize=1)
def damage_class() -> DamageClass:
    """Give the trees that tapscan carries."""
    return parsed(_kept())


def parsed(content: bytes) -> DamageClass:
    """Read trees as `tests/independent/train.py` writes them."""
    kept = json.loads(content)
    return DamageClass(
        start=kept["start"],
        slope=kept["slope"],
        usual=tuple(kept["usual"]),
        by_distance=tuple(kept["by_distance"]),
        column=np.array(kept["column"]),
        limit=np.array(kept["limit"]),
        low=np.array(kept["low"]),
        high=np.array(kept["high"]),
        value=np.array(kept["value"]),
        depth=kept["depth"],
        shop_variance=kept["shop_variance"],
    )
