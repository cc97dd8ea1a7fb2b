"""Zones of many points as arrays, which the page draws as one picture; and B-scans along any line."""

from typing import TYPE_CHECKING, Any

import numpy as np

from tapscan.desk.views.closeups import at_of, mm_per_us, thinned
from tapscan.desk.views.documents import layer_steps, layers_of
from tapscan.errors import TapscanError
from tapscan.records.arrays import npz_bytes
from tapscan.report.point_arrays import zone_arrays
from tapscan.screening.results import AScanEvidence, Screened

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from tapscan.plan import Point

__all__ = ["line_document", "points_between", "raster_bytes"]

MOST_SHOWN = 400  # traces, and samples of each: as much as a screen shows
LEVELS = 255
BEFORE_US, AFTER_SHARE = 0.2, 1.25  # shown before the front surface, and of the deepest back wall


def raster_bytes(screened: Screened) -> bytes:
    """Give the page what it draws: status, the colour of each layer's points (255 for none), the depth."""
    arrays = zone_arrays(screened)
    kept: dict[str, NDArray[Any]] = {
        name: arrays[name] for name in ("status", "is_reference", "depth_mm") if name in arrays
    }
    for number, layer in enumerate(layers_of(screened)):
        kept[f"layer_{number}"] = np.asarray(layer_steps(layer)).astype(np.uint8)
    return npz_bytes(kept, is_packed=False)


def points_between(first: tuple[int, int], last: tuple[int, int]) -> "NDArray[np.intp]":
    """List the grid points along a straight line, (points, 2), both ends among them.

    Examples
    --------
    >>> points_between((0, 0), (3, 1)).tolist()
    [[0, 0], [1, 0], [2, 1], [3, 1]]
    """
    ends = np.array([first, last])
    count = int(np.abs(ends[1] - ends[0]).max()) + 1
    return np.asarray(np.rint(np.linspace(ends[0], ends[1], count)).astype(np.intp))


def line_document(screened: Screened, first: "Point", last: "Point") -> dict[str, Any]:
    """Cut a B-scan along a line from point to point, each trace from its own front-surface echo on.

    `levels` are rows of time, each from 0 to 255, of which every trace is one column; -1 where there is none.
    `first_us` and `last_us` count from the front-surface echo; `mm_per_us` turns them into depth.

    Raises
    ------
    TapscanError
        When the zone has no A-scans, or the ends are not in it.
    """
    evidence, zone = screened.evidence, screened.zone
    where = f"zone {zone.code}"
    if not isinstance(evidence, AScanEvidence):
        raise TapscanError(where, "has no A-scans", "choose a zone that was scanned")
    line = points_between(at_of(zone, first), at_of(zone, last))
    station, position = line.T
    # Thinned first, so that a line across a million points reads no more than a screen shows.
    every = np.unique(np.linspace(0, len(line) - 1, min(len(line), MOST_SHOWN)).astype(int))
    station, position = station[every], position[every]
    per_us = evidence.sample_rate_hz * 1e-6
    front_us = np.asarray(evidence.front_us[station, position], dtype=float)
    usual_us = float(np.nanmedian(front_us)) if np.isfinite(front_us).any() else 0.0
    begin = np.rint((np.where(np.isfinite(front_us), front_us, usual_us) - BEFORE_US) * per_us).astype(int)
    length = _samples_shown(evidence, usual_us, per_us)
    levels = np.full((len(station), length), np.nan)
    samples = int(evidence.traces.shape[2])
    for number, (i, p, start) in enumerate(zip(station, position, begin, strict=True)):
        low, high = max(start, 0), min(start + length, samples)
        if low < high:
            levels[number, low - start : high - start] = np.abs(evidence.traces[i, p, low:high])
    levels = thinned(levels, MOST_SHOWN, 1)
    finite = levels[np.isfinite(levels)]
    reach = float(np.quantile(finite, 0.995)) if finite.size else 1.0
    shown = np.clip(levels / (reach or 1.0), 0, 1) * LEVELS
    return {
        "first": str(first),
        "last": str(last),
        "traces": len(line),
        "first_us": -BEFORE_US,
        "last_us": length / per_us - BEFORE_US,
        "mm_per_us": mm_per_us(zone),
        "levels": np.where(np.isfinite(shown), np.rint(np.nan_to_num(shown)), -1).astype(int).T,
    }


def _samples_shown(evidence: AScanEvidence, front_us: float, per_us: float) -> int:
    """Give how many samples reach from before the front surface to below the deepest back wall."""
    samples = int(evidence.traces.shape[2])
    back_us = np.asarray(evidence.backwall_us, dtype=float)
    if not np.isfinite(back_us).any():
        return samples
    deepest_us = float(np.nanquantile(back_us, 0.99)) - front_us
    shown = (deepest_us * AFTER_SHARE + BEFORE_US) * per_us
    return min(max(int(shown), 16), samples)
