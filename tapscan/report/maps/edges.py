"""Numbers along the edges of a map: stations and positions as written on the part, millimetres opposite.

Each edge is one object. Matplotlib's own ticks are five each, which took a quarter of the time of a report.
"""

from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

import numpy as np

from tapscan.report.maps.figures import Setting, add_words
from tapscan.report.maps.palette import INK, MUTED

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from numpy.typing import NDArray

    Grid = NDArray[np.float64]

__all__ = ["Edge", "draw_edge", "edge_in_mm"]

_SIZE_PT, _FIGURE_EM = 8.0, 0.64  # of the words; width of a figure in DejaVu Sans
_TICK_PT, _AWAY_PT = 2.0, 3.5  # length of a tick; from the edge to its words
_LINE_PT = 8.0  # height of a line of words with the room below it

Side = Literal["bottom", "left", "top", "right"]


@dataclass(frozen=True, slots=True, eq=False)
class Edge:
    """What is written along one side: `words` at the data coordinates `at`, and a title beyond them.

    What is in `faint` is a repetition, and is written paler and slanted.
    """

    side: Side
    at: "Grid"
    words: tuple[str, ...]
    title: str = ""
    colour: str = INK
    faint: "NDArray[np.bool_] | None" = None


def draw_edge(axes: "Axes", edge: Edge) -> None:
    """Write along one side of axes whose limits are final. Its artists have the `gid` ``edge …``."""
    is_across = edge.side in ("top", "bottom")
    low, high = axes.get_ylim() if is_across else axes.get_xlim()
    beside = np.full(len(edge.at), low if edge.side in ("bottom", "left") else high)
    places = np.column_stack([edge.at, beside] if is_across else [beside, edge.at])
    away = {"bottom": (0, -1), "top": (0, 1), "left": (-1, 0), "right": (1, 0)}[edge.side]
    marker = {"bottom": 3, "top": 2, "left": 0, "right": 1}[edge.side]  # matplotlib's TICKDOWN and so on
    axes.plot(
        *places.T, linestyle="none", marker=marker, markersize=_TICK_PT, markeredgewidth=0.8,
        color=MUTED if edge.colour == INK else edge.colour, clip_on=False, gid=f"edge {edge.side} ticks",
        scalex=False, scaley=False,
    )  # fmt: skip
    faint = np.zeros(len(edge.at), dtype=bool) if edge.faint is None else edge.faint
    for mask, is_slanted in ((~faint, False), (faint, True)):
        look = Setting(
            away_pt=(away[0] * _AWAY_PT, away[1] * _AWAY_PT),
            across={"left": "right", "right": "left"}.get(edge.side, "center"),
            down={"bottom": "top", "top": "bottom"}.get(edge.side, "center"),
            colour=MUTED if is_slanted else edge.colour,
            is_slanted=is_slanted,
            is_clipped=False,
            gid=f"edge {edge.side}",
        )
        words = [edge.words[i] for i in np.flatnonzero(mask)]
        add_words(axes, places[mask], words, np.full(len(words), _SIZE_PT), look)
    if edge.title:
        _write_title(axes, edge, away)


def _write_title(axes: "Axes", edge: Edge, away: tuple[int, int]) -> None:
    is_across = edge.side in ("top", "bottom")
    widest_pt = max((len(word) for word in edge.words), default=0) * _FIGURE_EM * _SIZE_PT
    beyond = _AWAY_PT + 3.5 + (_LINE_PT if is_across else widest_pt)
    middle = {"bottom": (0.5, 0), "top": (0.5, 1), "left": (0, 0.5), "right": (1, 0.5)}[edge.side]
    axes.annotate(
        edge.title,
        middle,
        (away[0] * beyond, away[1] * beyond),
        xycoords="axes fraction",
        textcoords="offset points",
        ha="center" if is_across else {"left": "right", "right": "left"}[edge.side],
        va={"bottom": "top", "top": "bottom"}.get(edge.side, "center"),
        rotation=0 if is_across else 90,
        fontsize=_SIZE_PT,
        color=edge.colour,
        annotation_clip=False,
        gid=f"edge {edge.side} title",
    )


def edge_in_mm(side: Side, limits_mm: tuple[float, float], room_in: tuple[float, float], title: str) -> Edge:
    """Write round lengths between two limits; `room_in` is that of the edge, and of each length, on paper.

    Examples
    --------
    >>> edge_in_mm("top", (-25.0, 65.0), (2.4, 0.25), "x, mm").words
    ('−20', '−10', '0', '10', '20', '30', '40', '50', '60')
    """
    from matplotlib.ticker import MaxNLocator

    low, high = min(limits_mm), max(limits_mm)
    count = int(np.clip(room_in[0] / room_in[1], 1, 9))
    values = np.asarray(MaxNLocator(count, steps=[1, 2, 2.5, 5, 10]).tick_values(low, high), dtype=float)
    at = values[(values >= low - 1e-9) & (values <= high + 1e-9)]
    return Edge(side, at, tuple(f"{length:g}".replace("-", "−") for length in at), title, MUTED)
