"""Tap and A-scan on the same zone: one table and one small map of where they agree and who looked where."""

from typing import TYPE_CHECKING, Any

import numpy as np

from tapscan.report.maps.figures import WIDTH_IN, drawing, new_figure, png_bytes
from tapscan.report.maps.palette import CRAYON, HAIRLINE, INK, MUTED, PAPER, TINT, UNREAD_HATCH
from tapscan.report.marking.sheets import thinned
from tapscan.report.pictures import Picture
from tapscan.report.words import joined, place_in_words, zone_name
from tapscan.screening.results import SKIPPED, SUSPECT, UNREAD

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping

    from matplotlib.axes import Axes
    from matplotlib.figure import Figure
    from numpy.typing import NDArray

    from tapscan.plan.zones import Zone
    from tapscan.screening.results import Indication, Screened

__all__ = ["both_picture", "draw_both", "indication_rows", "point_rows"]

_POINTS = (
    ("both_suspect", "Both suspect"),
    ("tap_alone_suspect", "Tap suspect, A-scan clear"),
    ("ascan_alone_suspect", "A-scan suspect, tap clear"),
    ("both_clear", "Both clear"),
    ("only_tap_looked", "Only tapped: the A-scan is unread"),
    ("only_ascan_looked", "Only scanned: the tap is unread"),
    ("neither_looked", "Neither: unread by both, or left out"),
)
_TALLEST_IN, _LARGEST_CELL_IN, _LEFT_IN, _HEAD_IN, _FOOT_IN = 4.5, 0.3, 0.5, 0.32, 0.95


def point_rows(entry: "Mapping[str, Any]") -> list[tuple[str, str]]:
    """Say of how many points the two methods say what: words and count, from one entry of the agreement."""
    return [(words, f"{entry['points'][key]:,}") for key, words in _POINTS]


def indication_rows(
    entry: "Mapping[str, Any]", screened: "tuple[Screened, ...]"
) -> list[tuple[str, str, str]]:
    """List the indications of a zone by who saw them: what it is called, numbers, and the place.

    The pairs come first; an indication that shares points with several others is in several pairs.
    """
    known = {one.id: (one, part) for part in screened for one in part.indications}
    found = entry["indications"]
    rows = [("Seen by both", list(pair)) for pair in found["both"]]
    rows += [("Tap alone: scanned there, no indication", [one]) for one in found["tap_alone"]]
    rows += [("A-scan alone: tapped there, no indication", [one]) for one in found["ascan_alone"]]
    rows += [("Tap alone: not scanned there", [one]) for one in found["tap_not_looked_at"]]
    rows += [("A-scan alone: not tapped there", [one]) for one in found["ascan_not_looked_at"]]
    return [(words, joined(ids), _place(*known[ids[-1]])) for words, ids in rows]


def _place(indication: "Indication", part: "Screened") -> str:
    deep = f", {indication.depth_mm:.2f} mm deep" if indication.depth_mm is not None else ""
    return place_in_words(indication, part.zone) + deep


def both_picture(tap: "Screened", scan: "Screened") -> Picture:
    """Draw both methods on one map."""
    with drawing():
        png = png_bytes(draw_both(tap, scan))
    zone = tap.zone
    alt = (
        f"Map of zone {zone.code} with both methods: a mark at each suspect point, its left half filled "
        "where the tap is suspect, its right half where the A-scan is; hatched where one of them is unread."
    )
    caption = (
        f"{zone_name(zone)}, tap and A-scan on one map. A whole mark is suspect to both. Every cell is a "
        "point; position 1 is at the top, station 1 at the left."
    )
    return Picture(f"both_{zone.code}.png", png, alt, caption)


def draw_both(tap: "Screened", scan: "Screened") -> "Figure":
    """Draw who saw what and who looked where, cell by cell; at the widest step across in proportion."""
    zone = tap.zone
    wide_mm, high_mm = zone.station_pitch_mm, _widest_step_mm(zone)
    in_per_mm = min(
        (WIDTH_IN - 2 * _LEFT_IN) / (zone.stations * wide_mm),
        _TALLEST_IN / (zone.positions * high_mm),
        _LARGEST_CELL_IN / min(wide_mm, high_mm),
    )
    long_in, tall_in = in_per_mm * zone.stations * wide_mm, in_per_mm * zone.positions * high_mm
    height_in, cell_in = _HEAD_IN + tall_in + _FOOT_IN, in_per_mm * min(wide_mm, high_mm)
    figure = new_figure(height_in)
    box = (_LEFT_IN / WIDTH_IN, _FOOT_IN / height_in, long_in / WIDTH_IN, tall_in / height_in)
    axes = figure.add_axes(box)
    axes.set_xlim(0.5, zone.stations + 0.5)
    axes.set_ylim(zone.positions + 0.5, 0.5)
    _draw_looked(axes, tap, scan, cell_in)
    _draw_saw(axes, tap, scan, cell_in)
    stations = thinned(zone.stations, in_per_mm * wide_mm, 0.2)
    positions = thinned(zone.positions, in_per_mm * high_mm, 0.13)
    axes.set_xticks(stations, [f"{n:02d}" for n in stations])
    axes.set_yticks(positions, [f"{n:02d}" for n in positions])
    axes.tick_params(length=2, pad=1.5)
    axes.set_xlabel("station", labelpad=2)
    axes.set_ylabel("position", labelpad=2)
    figure.text(
        0.02, 1 - 0.06 / height_in, f"{zone.code}  ·  both methods", va="top", fontsize=9, fontweight="bold"
    )
    figure.legend(
        handles=list(_key()),
        loc="lower left",
        bbox_to_anchor=(0.03, 0.02 / height_in),
        ncols=3,
        frameon=False,
    )
    return figure


def _widest_step_mm(zone: "Zone") -> float:
    if zone.position_pitch_mm is not None:
        return zone.position_pitch_mm
    return max(zone.girth_start_mm or 0.0, zone.girth_end_mm or 0.0) / zone.positions


def _draw_looked(axes: "Axes", tap: "Screened", scan: "Screened", cell_in: float) -> None:
    """Tint what was read by both, hatch what one of them did not read, leave empty what was left out."""
    from matplotlib.colors import ListedColormap

    skipped = (tap.status == SKIPPED) | (scan.status == SKIPPED)
    edges = (np.arange(n + 1) + 0.5 for n in tap.zone.grid_shape)
    axes.pcolormesh(
        *edges, np.where(skipped, 0.0, 1.0).T, cmap=ListedColormap([PAPER, TINT]), vmin=0, vmax=1,
        edgecolors=HAIRLINE, linewidth=0.3 if cell_in > 0.05 else 0, gid="cells",
    )  # fmt: skip
    for one, hatch in ((tap, UNREAD_HATCH["tap"]), (scan, UNREAD_HATCH["ascan"])):
        unread = one.status == UNREAD
        if unread.any():
            _hatch(axes, unread, hatch, f"unread {one.method}")


def _hatch(axes: "Axes", mask: "NDArray[np.bool_]", hatch: str, gid: str) -> None:
    from matplotlib.patches import PathPatch
    from matplotlib.path import Path

    cells = [
        Path(
            [(i + 0.5, p + 0.5), (i + 1.5, p + 0.5), (i + 1.5, p + 1.5), (i + 0.5, p + 1.5), (0, 0)],
            closed=True,
        )
        for i, p in np.argwhere(mask).tolist()
    ]
    axes.add_patch(
        PathPatch(
            Path.make_compound_path(*cells),
            facecolor="none",
            edgecolor=MUTED,
            linewidth=0.3,
            hatch=hatch,
            gid=gid,
        )
    )


def _draw_saw(axes: "Axes", tap: "Screened", scan: "Screened", cell_in: float) -> None:
    tapped, scanned = tap.status == SUSPECT, scan.status == SUSPECT
    size_pt = float(np.clip(0.55 * cell_in * 72, 1.0, 9.0))
    for name, mask in (
        ("both", tapped & scanned),
        ("tap", tapped & ~scanned),
        ("ascan", scanned & ~tapped),
    ):
        station, position = np.nonzero(mask)
        axes.plot(station + 1, position + 1, markersize=size_pt, gid=f"suspect {name}", **_mark(name))


def _mark(name: str) -> dict[str, Any]:
    """Return the look of a suspect point: whole, left half for the tap, right half for the A-scan."""
    fill = {"both": "full", "tap": "left", "ascan": "right"}[name]
    return {
        "linestyle": "none",
        "marker": "D",
        "fillstyle": fill,
        "markerfacecolor": CRAYON,
        "markerfacecoloralt": PAPER,
        "markeredgecolor": INK,
        "markeredgewidth": 0.6,
    }


def _key() -> "Iterator[Any]":
    from matplotlib.lines import Line2D
    from matplotlib.patches import Patch

    for name, words in (
        ("both", "suspect to both"),
        ("tap", "to the tap alone"),
        ("ascan", "to the A-scan alone"),
    ):
        yield Line2D([], [], markersize=6, label=words, **_mark(name))
    yield Patch(facecolor=TINT, edgecolor=MUTED, linewidth=0.4, hatch=UNREAD_HATCH["tap"], label="tap unread")
    yield Patch(
        facecolor=TINT, edgecolor=MUTED, linewidth=0.4, hatch=UNREAD_HATCH["ascan"], label="A-scan unread"
    )
    yield Patch(facecolor=PAPER, edgecolor=HAIRLINE, linewidth=0.6, label="left out on purpose")
