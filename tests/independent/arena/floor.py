"""What an able person tries first, in forty lines: the floor under every figure of the arena.

Powers of each tap in 20 bands from 300 Hz to 20 kHz, logs relative to the tap's own total; mean over a
point's taps; less what loudness does to that shape, taken from differences within points; median polish by
station and position; Mahalanobis distance by the clipped covariance of the quieter three quarters, its log
averaged over the eight neighbours, three rounds. Nothing here comes from tapscan, not even where a tap
begins.
"""

from dataclasses import dataclass
from pathlib import Path

import numpy as np
import soundfile
from numpy.typing import NDArray
from scipy.optimize import brentq
from scipy.stats import gamma

from tests.independent.strikes import Array

__all__ = ["Floor", "Shapes", "averaged", "floor_of", "naive_p", "polished", "read_shapes"]

BANDS = 20
EDGES_HZ = np.geomspace(300, 20_000, BANDS + 1)
WINDOW_S, BEFORE_S = 0.04, 0.002
LEAST_GAP_S = 0.1


@dataclass(frozen=True, slots=True, eq=False)
class Shapes:
    """Of each point the mean of its taps: band shape in dB (stations, positions, bands), level in dB."""

    shape_db: Array
    level_db: Array


@dataclass(frozen=True, slots=True, eq=False)
class Floor:
    """Log distance of each point, plain and averaged over its neighbours, NaN where no tap was found."""

    log_distance: Array
    score: Array


def tap_starts(signal: Array, rate_hz: int) -> NDArray[np.int64]:
    """Sample where each tap begins: 12 dB over the quiet, no more than 30 dB below the loudest."""
    frame = rate_hz // 500
    sharp = np.diff(signal, prepend=signal[0])
    power = (sharp[: sharp.size // frame * frame].reshape(-1, frame) ** 2).mean(axis=1)
    loud = np.flatnonzero(power > max(16 * np.quantile(power, 0.25), 1e-3 * power.max(), 1e-14))
    starts: list[int] = []
    for k in loud:
        if not starts or (k - starts[-1]) * frame > LEAST_GAP_S * rate_hz:
            starts.append(int(k))
    return np.array(starts, dtype=int) * frame


def _tap_bands(file: Path) -> Array:
    """Log powers of every tap of a recording, (taps, bands)."""
    signal, rate = soundfile.read(file)
    length, before = round(WINDOW_S * rate), round(BEFORE_S * rate)
    starts = [s - before for s in tap_starts(signal, rate) if s >= before and s + length <= signal.size]
    frequency = np.fft.rfftfreq(length, 1 / rate)
    band = np.digitize(frequency, EDGES_HZ) - 1
    taps = np.array([signal[s : s + length] for s in starts]).reshape(-1, length)
    power = np.abs(np.fft.rfft(taps * np.hanning(2 * length)[length:])) ** 2
    return 10 * np.log10(np.stack([power[:, band == b].sum(axis=1) for b in range(BANDS)], axis=1) + 1e-20)


def read_shapes(folder: Path, grid: tuple[int, int]) -> Shapes:
    """Read every recording of a part whose grid has so many stations and positions."""
    shape, level = np.full((*grid, BANDS), np.nan), np.full(grid, np.nan)
    within_shape, within_level = [], []
    for i, p in np.ndindex(grid):
        file = folder / "taps" / f"BM-{i + 1:02d}-{p + 1:02d}.flac"
        bands = _tap_bands(file) if file.exists() else ()
        if not len(bands):
            continue
        total = 10 * np.log10((10 ** (bands / 10)).sum(axis=1))
        relative = bands - total[:, None]
        shape[i, p], level[i, p] = relative.mean(axis=0), total.mean()
        within_shape.append(relative - shape[i, p])
        within_level.append(total - level[i, p])
    louder = np.concatenate(within_level)
    slope = louder @ np.concatenate(within_shape) / max(louder @ louder, 1e-9)  # no damage can get in
    return Shapes(shape - (level - np.nanmedian(level))[..., None] * slope, level)


def polished(values: Array) -> Array:
    """Median polish of (stations, positions, ...) by station and by position, in three rounds."""
    rest = values.copy()
    with np.errstate(all="ignore"):
        for _ in range(3):
            for axis in (1, 0):
                rest = rest - np.nan_to_num(np.nanmedian(rest, axis=axis, keepdims=True))
    return rest


def averaged(values: Array, is_tube: bool) -> Array:
    """Mean over each point and its eight neighbours, weights 1, ½ and ¼, without what was not read."""
    read = np.isfinite(values)
    sums = [_blurred(np.where(read, values, 0.0), is_tube), _blurred(read.astype(float), is_tube)]
    return np.where(read, sums[0] / np.maximum(sums[1], 1e-9), np.nan)


def _blurred(values: Array, is_tube: bool) -> Array:
    across = np.pad(values, ((1, 1), (0, 0)))
    across = np.pad(across, ((0, 0), (1, 1)), mode="wrap" if is_tube else "constant")
    along = across[1:-1] + 0.5 * (across[:-2] + across[2:])
    return along[:, 1:-1] + 0.5 * (along[:, :-2] + along[:, 2:])


def floor_of(shapes: Shapes, *, is_tube: bool) -> Floor:
    """Score every point."""
    rest = polished(shapes.shape_db)
    read = np.isfinite(rest).all(axis=-1)
    points = rest[read]
    quiet = np.ones(len(points), dtype=bool)
    log_distance = np.full(read.shape, np.nan)
    for _ in range(3):
        centred = points - np.median(points[quiet], axis=0)
        values, axes = np.linalg.eigh(np.cov(centred[quiet].T))
        values = np.maximum(values, values.mean())  # clipped: the least hold noise alone
        log_distance[read] = np.log(((centred @ axes) ** 2 / values).sum(axis=1) + 1e-9)
        score = averaged(log_distance, is_tube)
        quiet = score[read] <= np.quantile(score[read], 0.75)
    return Floor(log_distance, score)


def naive_p(score: Array) -> Array:
    """Chance of so large a score on sound points: a gamma law through the lower half; NaN stays NaN.

    The law has the scores' own tenth percentile and median.
    """
    low, middle = np.nanquantile(score, (0.1, 0.5))

    def misfit(log_shape: float) -> float:
        return float(np.divide(*gamma.ppf((0.1, 0.5), np.exp(log_shape))) - low / middle)

    shape = np.exp(brentq(misfit, -2.0, 12.0))
    return np.asarray(gamma.sf(score, shape, scale=middle / gamma.ppf(0.5, shape)))
