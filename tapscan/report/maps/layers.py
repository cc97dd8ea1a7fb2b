"""What the colours of a map can show, and the key to them and to its signs."""

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from tapscan.report.maps.palette import (
    CRAYON,
    HAIRLINE,
    INK,
    MUTED,
    PALE,
    PAPER,
    TINT,
    UNREAD_HATCH,
    Ramp,
    colour_map,
)
from tapscan.report.words import METHOD_NAMES
from tapscan.screening.results import CLEAR, SUSPECT

if TYPE_CHECKING:
    from matplotlib.artist import Artist
    from matplotlib.figure import Figure
    from numpy.typing import NDArray

    from tapscan.screening.results import Screened

    Grid = NDArray[np.float64]
    Ring = tuple[tuple[float, float], ...]

__all__ = [
    "KEY_LOOK",
    "Layer",
    "backwall_layer",
    "depth_layer",
    "draw_colour_key",
    "key_entries",
    "score_layer",
    "thickness_layer",
]

KEY_LOOK: dict[str, Any] = {
    "frameon": False,
    "handlelength": 1.8,
    "labelspacing": 0.35,
    "columnspacing": 1.4,
}


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


def key_entries(screened: "Screened", layer: Layer) -> "list[Artist]":
    """Explain the signs that a map may hold."""
    from matplotlib.lines import Line2D
    from matplotlib.patches import Patch

    sign: dict[str, Any] = {"linestyle": "none", "markersize": 4.5, "markeredgewidth": 0.7}
    entries: list[Artist] = [
        Patch(fill=False, edgecolor=CRAYON, linewidth=1.5, label=layer.outline_words),
        Line2D(
            [], [], marker="D", markerfacecolor=PAPER, markeredgecolor=INK, label=layer.suspect_words, **sign
        ),
        Patch(
            facecolor=PAPER,
            edgecolor=MUTED,
            linewidth=0.4,
            hatch=UNREAD_HATCH[screened.method],
            label="unread point",
        ),
        Patch(facecolor=PAPER, edgecolor=HAIRLINE, linewidth=0.6, label="left out on purpose"),
    ]
    if screened.zone.layout is None:
        dashes = (5, 1.5, 1.5, 1.5)
        entries.append(Line2D([], [], color=INK, linewidth=0.9, dashes=dashes, label="datum line"))
    if layer.faint_words:
        entries.append(
            Patch(fill=False, edgecolor=INK, linewidth=1.0, linestyle=(0, (3, 2)), label=layer.faint_words)
        )
    if screened.is_reference.any():
        sign |= {"markerfacecolor": "none", "markeredgecolor": MUTED}
        entries.append(Line2D([], [], marker="o", label="reference point", **sign))
    if screened.less_certain.any():
        sign |= {"markeredgecolor": MUTED}
        entries.append(Line2D([], [], marker="_", label="less certain: noise", **sign))
    if screened.zone.is_tube and screened.zone.positions > 1:
        entries.append(Patch(facecolor=HAIRLINE, alpha=PALE, label="repeated beyond the datum line"))
    if layer.read_but_empty:
        entries.append(Patch(facecolor=layer.empty_colour, edgecolor=HAIRLINE, label=layer.read_but_empty))
    return entries


def draw_colour_key(figure: "Figure", layer: Layer, place: tuple[float, float, float]) -> None:
    """Explain the colours at (left, bottom, width); pointed ends where values are beyond the ramp."""
    from matplotlib.cm import ScalarMappable
    from matplotlib.colors import Normalize
    from matplotlib.ticker import MaxNLocator

    height_in = float(figure.get_size_inches()[1])
    bar = figure.add_axes((*place, 0.12 / height_in), gid="colour bar")
    scale = ScalarMappable(
        Normalize(layer.low, layer.high), colour_map(layer.ramp, dark_first=layer.dark_first)
    )
    finite = layer.values[np.isfinite(layer.values)]
    beyond = bool((finite < layer.low).any()), bool((finite > layer.high).any())
    extend = {(True, True): "both", (True, False): "min", (False, True): "max"}.get(beyond, "neither")
    colour_bar = figure.colorbar(scale, cax=bar, orientation="horizontal", extend=extend, extendfrac=0.04)
    colour_bar.outline.set_edgecolor(HAIRLINE)
    colour_bar.locator = MaxNLocator(4, steps=[1, 2.5, 5, 10])
    colour_bar.update_ticks()
    bar.tick_params(length=2, pad=1)
    bar.set_xlabel(layer.label, labelpad=1)
