"""What is left of back walls that no echo counted for: how much comes back when they are due.

An echo counts or it does not; what a wall has lost is a matter of degree. So the traces without one are
correlated with the pulse once more, what was found before is taken out, and the largest crest of the back
wall's polarity within what is one echo of the wall's surface is what the wall still returns. Where the
front-surface echo is off those beside it, the crest is looked for behind where that should be, too: noise may
have been taken for it.
"""

from dataclasses import replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from tapscan.signals.candidates import Pattern, prepared
from tapscan.signals.deciding import AScanFeatures
from tapscan.signals.filling import ROUGH, filled, roughness
from tapscan.signals.kernels import correlate
from tapscan.signals.pulses import detrended
from tapscan.signals.pursuit import subtracted
from tapscan.signals.walls import UNRESOLVED_CYCLES, repeats

__all__ = ["with_lost_walls"]

Floats = NDArray[np.float64]

_BLOCK = 2048  # traces looked at together: bounds the memory, changes no result


def with_lost_walls(
    features: AScanFeatures,
    traces: NDArray[Any],
    pattern: Pattern,
    sample_rate_hz: float,
    *,
    bonded: NDArray[np.bool_],
    closed: bool,
) -> AScanFeatures:
    """Return the features with the level of every lost back wall, whose time stays unknown.

    Shapes: `features` and `bonded` (stations, positions), `traces` (stations * positions, samples). Behind
    bonds, where a wall by itself returns something else, nothing is changed.
    """
    lost = np.isnan(features.tof_s) & (features.fault == "") & np.isfinite(features.due_s) & ~bonded
    found = np.isfinite(features.backwall_amplitude)
    if not (lost.any() and found.any()):
        return features
    there, usual = (
        filled(np.where(found, of, np.nan), closed=closed).ravel()
        for of in (features.front_s, features.front_amplitude)
    )
    rough_s = ROUGH * roughness(np.where(found, features.front_s, np.nan))
    off = np.abs(features.front_s.ravel() - there) > rough_s
    there = np.where(off, there, np.nan)
    sign = float(np.sign(np.median(features.backwall_amplitude[found])))
    amplitude, level = features.backwall_amplitude.copy(), features.backwall_db.copy()
    rows = np.flatnonzero(lost)
    for start in range(0, len(rows), _BLOCK):
        some = rows[start : start + _BLOCK]
        left, share = _left(
            features, traces, some, (there[some], usual[some]), (pattern, sign, sample_rate_hz)
        )
        amplitude.ravel()[some] = sign * left
        with np.errstate(divide="ignore"):
            level.ravel()[some] = np.where(share > 0, 20 * np.log10(share), np.nan)
    return replace(features, backwall_amplitude=amplitude, backwall_db=level)


def _left(
    features: AScanFeatures,
    traces: NDArray[Any],
    rows: NDArray[np.intp],
    beside: tuple[Floats, Floats],
    known: tuple[Pattern, float, float],
) -> tuple[Floats, Floats]:
    """Amplitude (n,) of the largest crest when the wall is due, and over the front-surface echo."""
    pattern, sign, sample_rate_hz = known
    kernel, cycle = pattern.kernel, 1.0 / pattern.kernel.bandwidth
    rate_hz, unit = kernel.up * sample_rate_hz, 1 / np.sqrt(kernel.energy)
    values = prepared(np.asarray(traces[rows]), pattern.step)[0]
    c = correlate(detrended(values) if kernel.lead else values, kernel)
    offset_s = (pattern.centre - kernel.lead) / sample_rate_hz
    front, there = ((at_s - offset_s) * rate_hz for at_s in (features.front_s.ravel()[rows], beside[0]))
    due, echo = (of.ravel()[rows] * rate_hz for of in (features.due_s, features.echo_s))
    height, size = (of.ravel()[rows] / unit for of in (features.front_amplitude, features.echo_amplitude))
    rest = subtracted(c, np.column_stack([front, front + echo]), np.column_stack([height, size]), kernel)
    near = UNRESOLVED_CYCLES * cycle
    left = _crest(sign * rest, front + due, near)
    pair = (
        np.column_stack([echo, due]).astype(np.float32),
        np.abs(np.column_stack([size, left])).astype(np.float32),
    )
    left = np.where(repeats(*pair, cycle)[:, 1], 0.0, left)
    share = left / height
    there = np.where(np.abs(there - front) > near, there, np.nan)
    behind = _crest(sign * c, there + due, near)
    is_more = behind * unit > left * unit * beside[1] / np.maximum(height * unit, 1e-300)
    left = np.where(is_more, behind, left) * unit
    return left, np.where(is_more, behind * unit / beside[1], share)


def _crest(rest: NDArray[Any], at: Floats, near: float) -> Floats:
    """Largest value (n,) of each row within `near` of a time, at least 0."""
    reach = max(1, round(near))
    index = np.rint(np.nan_to_num(at, nan=-1e6)).astype(np.intp)[:, None] + np.arange(-reach, reach + 1)
    inside = (index >= 0) & (index < rest.shape[1])
    near_by = np.take_along_axis(rest, np.clip(index, 0, rest.shape[1] - 1), axis=1)
    return np.asarray(np.where(inside, near_by, 0.0).max(axis=1), dtype=float)
