"""What the colours of a map can show: score, depth of an echo, level of the back wall."""

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from tapscan.report.maps.palette import INK, TINT, Ramp
from tapscan.report.words import METHOD_NAMES
from tapscan.screening.results import CLEAR, SUSPECT

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from tapscan.screening.results import Screened

    Grid = NDArray[np.float64]
    Ring = tuple[tuple[float, float], ...]

__all__ = ["Layer", "backwall_layer", "depth_layer", "score_layer", "thickness_layer"]


@dataclass(frozen=True, slots=True, eq=False)
class Layer:
    """What the colours of one map show: `values` (stations, positions), NaN where there is none.

    `read_but_empty` is what it means when a point was read and has no value; '' where that cannot be. The
    words say what outlines and marked points are; `faint_outlines` are rings drawn faintly beside them, each
    with the words beside it, or ''.
    """

    title: str
    label: str
    values: "Grid"
    low: float
    high: float
    ramp: Ramp
    dark_first: bool = False
    read_but_empty: str = ""
    empty_colour: str = TINT
    outline_words: str = "indication, with its number"
    suspect_words: str = "suspect point"
    faint_words: str = ""
    faint_outlines: "tuple[tuple[str, Ring], ...]" = ()


def score_layer(screened: "Screened") -> Layer:
    """Colour by score, whose value 1 is where a reading becomes suspect.

    The same range for every zone: clear readings keep to its light third, and a sound zone looks quiet.
    """
    score = np.where(
        screened.status == SUSPECT, np.nan_to_num(screened.score, nan=2.0, posinf=2.0), screened.score
    )
    values = np.where((screened.status == CLEAR) & np.isnan(score), 0.0, score)
    title = METHOD_NAMES[screened.method]
    return Layer(title, "score: 1 is where a reading becomes suspect", values, 0.5, 2.0, "score")


def depth_layer(screened: "Screened") -> Layer | None:
    """Colour by the depth of the first echo from inside, shallow dark; None when no depth was measured."""
    depth = screened.features.get("depth_mm")
    if depth is None or not np.isfinite(depth).any():
        return None
    wall = screened.zone.laminate.thickness_mm
    high = max(wall or 0.0, float(np.nanmax(depth)))
    return Layer(
        "C-scan, depth of the first echo from inside",
        "depth below the front surface, mm",
        depth,
        0.0,
        high,
        "depth",
        dark_first=True,
        read_but_empty="read, no echo from inside",
    )


def thickness_layer(screened: "Screened") -> Layer | None:
    """Colour by the thickness of the wall, thin dark; None when it was not measured."""
    wall = screened.features.get("thickness_mm")
    if wall is None or not np.isfinite(wall).any():
        return None
    low, high = np.quantile(wall[np.isfinite(wall)], [0.005, 0.995])
    nominal = screened.zone.laminate.thickness_mm or 0.5 * (low + high)
    return Layer(
        "C-scan, thickness of the wall",
        "thickness, mm",
        wall,
        float(min(low, 0.95 * nominal)),
        float(max(high, 1.05 * nominal)),
        "depth",
        dark_first=True,
        read_but_empty="read, back wall lost",
    )


def backwall_layer(screened: "Screened") -> Layer | None:
    """Colour by the level of the back-wall echo, weak dark; None when it was not measured."""
    level = screened.features.get("backwall_db")
    if level is None or not np.isfinite(level).any():
        return None
    finite = level[np.isfinite(level)]
    high = float(np.quantile(finite, 0.95))
    return Layer(
        "C-scan, back-wall echo",
        "level against the front-surface echo, dB",
        level,
        max(float(finite.min()), high - 24.0) if finite.min() < high else high - 1.0,
        high,
        "score",
        dark_first=True,
        read_but_empty="read, no back-wall echo",
        empty_colour=INK,
    )
