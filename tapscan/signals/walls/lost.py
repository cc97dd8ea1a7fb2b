"""What is left of back walls that no echo counted for, and what both walls return at a step of thickness.

An echo counts or it does not; what a wall has lost is a matter of degree. So the traces without one are
correlated with the pulse once more, what was found before is taken out, and the largest crest of the back
wall's polarity within what is one echo of the wall's surface is what the wall still returns.

Where a ply ends the beam is on two walls. Their echoes, half a cycle apart, cancel each other, and neither is
lost. Both times are known from the surface; the amplitudes are fitted together by least squares, and the wall
returns their sum, at most as much as the walls beside the step.
"""

from dataclasses import replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from tapscan.physics.waves import UNRESOLVED_CYCLES
from tapscan.signals.echoes.candidates import Pattern
from tapscan.signals.echoes.kernels import Kernel, correlate
from tapscan.signals.echoes.pursuit import solved, subtracted
from tapscan.signals.echoes.quality import prepared
from tapscan.signals.echoes.sampling import detrended
from tapscan.signals.walls.deciding import AScanFeatures
from tapscan.signals.walls.filling import filled
from tapscan.signals.walls.surface import Surface, repeats

__all__ = ["with_lost_walls"]

Floats = NDArray[np.float64]

_BLOCK = 2048  # traces looked at together: bounds the memory, changes no result


def with_lost_walls(
    features: AScanFeatures,
    traces: NDArray[Any],
    known: tuple[Surface, Pattern, float],
    *,
    bonded: NDArray[np.bool_],
    closed: bool,
) -> AScanFeatures:
    """Return the features with the level of every lost back wall, whose time stays unknown, and at steps.

    Shapes: `features` and `bonded` (stations, positions), `traces` (stations * positions, samples); `known`
    are the wall surface, the pattern and the sampling rate. Behind bonds, where a wall by itself returns
    something else, nothing is changed.
    """
    surface, pattern, sample_rate_hz = known
    found = np.isfinite(features.backwall_amplitude)
    steps = np.isfinite(surface.thinner)
    wanted = (features.fault == "") & np.isfinite(features.due_s) & ~bonded & (~found | steps)
    if not (wanted.any() and found.any()):
        return features
    level = filled(np.where(found & ~steps, features.backwall_db, np.nan), closed=closed).ravel()
    sign = float(np.sign(np.median(features.backwall_amplitude[found])))
    amplitude, backwall_db = features.backwall_amplitude.copy(), features.backwall_db.copy()
    rows = np.flatnonzero(wanted)
    for start in range(0, len(rows), _BLOCK):
        some = rows[start : start + _BLOCK]
        c = _correlations(traces, some, pattern)
        args = (features, some, (pattern, sign, sample_rate_hz))
        left, share = _left(*args, c)
        own = np.nan_to_num(10 ** (features.backwall_db.ravel()[some] / 20))
        is_found = found.ravel()[some]
        share = np.where(is_found, own, share)
        both = np.minimum(_both(*args, c, surface), 10 ** (level[some] / 20))
        height = features.front_amplitude.ravel()[some]
        left = np.where(is_found, sign * features.backwall_amplitude.ravel()[some], left)
        left, share = np.where(both > share, both * height, left), np.fmax(both, share)
        amplitude.ravel()[some] = sign * left
        with np.errstate(divide="ignore"):
            backwall_db.ravel()[some] = np.where(share > 0, 20 * np.log10(share), np.nan)
    return replace(features, backwall_amplitude=amplitude, backwall_db=backwall_db)


def _correlations(traces: NDArray[Any], rows: NDArray[np.intp], pattern: Pattern) -> NDArray[Any]:
    """Correlate some traces with the pulse once more."""
    values = prepared(np.asarray(traces[rows]), pattern.step)[0]
    return correlate(detrended(values) if pattern.kernel.lead else values, pattern.kernel)


def _both(
    features: AScanFeatures,
    rows: NDArray[np.intp],
    known: tuple[Pattern, float, float],
    c: NDArray[Any],
    surface: Surface,
) -> Floats:
    """Give what the walls on both sides of a step return, (n,), over the front-surface echo; 0 elsewhere."""
    kernel: Kernel = known[0].kernel
    front, height, echo = _in_steps(features, rows, known)[:3]
    at_step = np.isfinite(surface.thinner.ravel()[rows])
    low, high = (np.nan_to_num(of.ravel()[rows]) for of in (surface.thinner, surface.thicker))
    # An echo before them may be a lobe of theirs: it is fitted with them. Beyond the trace it is none.
    early = np.where(echo[:, 0] < low - surface.near, echo[:, 0], 4.0 * kernel.grid)
    at = front[:, None] + np.column_stack([early, low, np.where(at_step, high, low + 1)])
    sizes = solved(subtracted(c, front[:, None], height[:, None], kernel), np.nan_to_num(at), kernel)[:, 1:]
    return np.where(at_step, np.maximum(known[1] * sizes, 0).sum(axis=1) / height, 0.0)


def _in_steps(
    features: AScanFeatures, rows: NDArray[np.intp], known: tuple[Pattern, float, float]
) -> tuple[Floats, Floats, Floats, Floats]:
    """Give in grid steps and correlations: front, its height, the echo (n, 2), when due."""
    pattern, _, sample_rate_hz = known
    rate_hz, unit = pattern.kernel.up * sample_rate_hz, 1 / np.sqrt(pattern.kernel.energy)
    offset_s = (pattern.centre - pattern.kernel.lead) / sample_rate_hz
    front = (features.front_s.ravel()[rows] - offset_s) * rate_hz
    height, size = (of.ravel()[rows] / unit for of in (features.front_amplitude, features.echo_amplitude))
    echo = np.column_stack([features.echo_s.ravel()[rows] * rate_hz, size])
    return front, height, echo, features.due_s.ravel()[rows] * rate_hz


def _left(
    features: AScanFeatures,
    rows: NDArray[np.intp],
    known: tuple[Pattern, float, float],
    c: NDArray[Any],
) -> tuple[Floats, Floats]:
    """Amplitude (n,) of the largest crest when the wall is due, and over the front-surface echo."""
    pattern, sign, _ = known
    kernel, cycle = pattern.kernel, 1.0 / pattern.kernel.bandwidth
    unit = 1 / np.sqrt(kernel.energy)
    front, height, found, due = _in_steps(features, rows, known)
    echo, size = found.T
    rest = subtracted(c, np.column_stack([front, front + echo]), np.column_stack([height, size]), kernel)
    near = UNRESOLVED_CYCLES * cycle
    left = _crest(sign * rest, front + due, near)
    pair = (
        np.column_stack([echo, due]).astype(np.float32),
        np.abs(np.column_stack([size, left])).astype(np.float32),
    )
    left = np.where(repeats(*pair, cycle)[:, 1], 0.0, left)
    return left * unit, left / height


def _crest(rest: NDArray[Any], at: Floats, near: float) -> Floats:
    """Largest value (n,) of each row within `near` of a time, at least 0."""
    reach = max(1, round(near))
    index = np.rint(np.nan_to_num(at, nan=-1e6)).astype(np.intp)[:, None] + np.arange(-reach, reach + 1)
    inside = (index >= 0) & (index < rest.shape[1])
    near_by = np.take_along_axis(rest, np.clip(index, 0, rest.shape[1] - 1), axis=1)
    return np.asarray(np.where(inside, near_by, 0.0).max(axis=1), dtype=float)
