"""What could be found, by depth: the picture that `grid` and the report share, and the rows of their tables.

Sizes are widths across a round patch, since that is what a rule laid on the part shows.
"""

import textwrap
from typing import TYPE_CHECKING, Any

import numpy as np

from tapscan.records.runs import RESULTS
from tapscan.records.writing import write_bytes
from tapscan.report.figures import bare, drawing, new_figure, png_bytes
from tapscan.report.palette import ACCENT, CRAYON, INK, MUTED, TINT
from tapscan.report.pictures import Picture
from tapscan.report.results_folder import results_folder
from tapscan.report.words import mm_text, zone_name
from tapscan.screening.reach import pitch_mm

if TYPE_CHECKING:
    from collections.abc import Iterable
    from pathlib import Path

    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

    from tapscan.physics.detectability import TapReach
    from tapscan.screening.reach import AScanOutlook, Outlook

__all__ = [
    "TAP_HEADS",
    "ascan_sentence",
    "detectable_picture",
    "draw_detectable",
    "tap_rows",
    "write_detectable",
]

TAP_HEADS = ("Depth, mm", "Softens the tap", "Rings", "Smallest", "Set by", "Points in it")
_LETTERS_A_LINE = 148


def tap_rows(told: "tuple[TapReach, ...]") -> list[tuple[str, ...]]:
    """Write what taps could tell as table rows, in the order of `TAP_HEADS`; a dash where nothing is told."""
    return [
        (
            f"{one.reach.depth_mm:.2f}",
            _across(one.softness_mm),
            _across(one.note_mm),
            _across(one.reach.radius_mm) if np.isfinite(one.reach.radius_mm) else "none",
            _limit(one),
            f"{one.reach.points:.1f}" if np.isfinite(one.reach.points) else "–",
        )
        for one in told
    ]


def _across(radius_mm: float) -> str:
    return mm_text(2 * radius_mm) if np.isfinite(radius_mm) else "–"


def _limit(one: "TapReach") -> str:
    """Say what sets the size, and where the formulas are rough."""
    if not np.isfinite(one.detectable_mm):
        return one.reach.limit
    rough = [] if one.is_thin else ["too thick for the formula"]
    rough += [] if one.is_shallow else ["reaches far round the tube"]
    return f"{one.reach.limit} (rough: {' and '.join(rough)})" if rough else one.reach.limit


def ascan_sentence(ascans: "AScanOutlook") -> str:
    """Say what A-scans could tell; '' when the plan does not say enough."""
    told = ascans.told
    if told is None or told.deepest_mm <= told.shallowest_mm:
        return ""
    return (
        f"A-scans could tell delaminations {told.shallowest_mm:.2f} to {told.deepest_mm:.2f} mm deep, from "
        f"{_across(told.reach.radius_mm)} mm across (set by {told.reach.limit}), estimated from the "
        "pulse's length."
    )


def write_detectable(outlooks: "Iterable[Outlook]", folder: "Path") -> "list[Path]":
    """Write the picture of every zone that has one into ``results/`` of the inspection; return the paths.

    Raises
    ------
    TapscanError
        When ``results`` leads out of the inspection, or cannot be written.
    """
    written = []
    with results_folder(folder, "outlook") as results:
        for picture in map(detectable_picture, outlooks):
            if picture is not None:
                write_bytes(results / picture.name, picture.png)
                written.append(folder / RESULTS / picture.name)
    return written


def detectable_picture(outlook: "Outlook") -> Picture | None:
    """Draw what could be found in a zone; None when the plan does not say enough."""
    if not outlook.is_told:
        return None
    with drawing():
        png = png_bytes(draw_detectable(outlook))
    zone = outlook.zone
    alt = f"Smallest delamination that could be told in zone {zone.code}, by depth, in mm across. "
    alt += "The same numbers stand in the table." if outlook.taps and outlook.taps.told else ""
    caption = (
        f"{zone_name(zone)}: the smallest round delamination that could be told, by depth, estimated before "
        "anything was collected. What lies below the lines is missed or met by chance."
    )
    return Picture(f"detectable_{zone.code}.png", png, alt.rstrip(), caption)


def draw_detectable(outlook: "Outlook") -> "Figure":
    """Draw smallest width against depth, with the pitch and the wall, and the assumptions below."""
    lines = _written(outlook)
    height_in = 3.3 + 0.125 * len(lines)
    figure = new_figure(height_in)
    below = (0.42 + 0.125 * len(lines)) / height_in
    axes = figure.add_axes((0.075, below, 0.905, 1 - below - 0.4 / height_in))
    wall_mm = outlook.zone.laminate.thickness_mm or 1.0
    top = _draw_grid(axes, outlook, wall_mm)
    if outlook.taps is not None and outlook.taps.told:
        _draw_taps(axes, outlook.taps.told, top)
    if outlook.ascans is not None and outlook.ascans.told is not None:
        _draw_ascans(axes, outlook.ascans)
    axes.axvline(wall_mm, color=INK, linewidth=1.6, gid="wall")
    axes.text(wall_mm * 1.008, top * 0.02, "back of the wall", rotation=90, va="bottom", color=INK)
    axes.set_xlim(0, wall_mm * 1.04)
    axes.set_ylim(0, top)
    axes.set_xlabel("depth below the surface, mm", labelpad=2)
    axes.set_ylabel("smallest delamination, mm across", labelpad=3)
    axes.grid(visible=True)
    bare(axes)
    handles, labels = axes.get_legend_handles_labels()
    figure.legend(handles, labels, loc="upper left", ncols=4, frameon=False, bbox_to_anchor=(0.06, 1.005))
    for row, line in enumerate(lines):
        y_in = 0.125 * (len(lines) - row) - 0.03
        figure.text(0.012, y_in / height_in, line, fontsize=6.3, color=MUTED, va="center", gid="assumption")
    return figure


def _written(outlook: "Outlook") -> list[str]:
    """Break the assumptions into lines for the foot of the picture."""
    told = (("Taps", outlook.taps), ("A-scans", outlook.ascans))
    texts = [f"{name}: {' '.join(part.assumptions)}" for name, part in told if part and part.assumptions]
    return [line for text in texts for line in textwrap.wrap(f"Estimated. {text}", _LETTERS_A_LINE)]


def _draw_grid(axes: "Axes", outlook: "Outlook", wall_mm: float) -> float:
    """Mark the pitch, and what it leaves between points; return the height of the picture in mm across."""
    steps = pitch_mm(outlook.zone)
    covering_mm = float(np.hypot(*steps))
    told = outlook.taps.told if outlook.taps is not None else ()
    sizes = [2 * r for one in told for r in (one.softness_mm, one.note_mm) if np.isfinite(r)]
    if outlook.ascans is not None and outlook.ascans.told is not None:
        sizes.append(2 * outlook.ascans.told.reach.radius_mm)
    top = 1.25 * max([*sizes, 1.4 * covering_mm])
    axes.axhspan(0, covering_mm, facecolor=TINT, edgecolor="none", gid="between points")
    axes.axhline(max(steps), color=MUTED, linewidth=0.9, dashes=(2, 2), gid="pitch")
    look: dict[str, Any] = {"fontsize": 6.5, "color": MUTED, "ha": "right"}
    axes.text(wall_mm * 0.992, max(steps) - 0.012 * top, f"pitch {max(steps):.3g} mm", va="top", **look)
    axes.text(
        wall_mm * 0.992,
        covering_mm - 0.012 * top,
        f"narrower than {covering_mm:.3g} mm: may hold no point",
        va="top",
        **look,
    )
    return top


def _draw_taps(axes: "Axes", told: "tuple[TapReach, ...]", top: float) -> None:
    depth = np.array([one.reach.depth_mm for one in told])
    softness, note, smallest = (
        2 * np.array(radii)
        for radii in zip(*((one.softness_mm, one.note_mm, one.reach.radius_mm) for one in told), strict=True)
    )
    is_told = np.isfinite(smallest)
    for values, dashes, name in (
        (softness, (5, 2), "taps: softens the tap"),
        (note, (1.5, 1.5), "taps: rings within the band"),
    ):
        seen = np.isfinite(values)
        axes.plot(depth[seen], values[seen], color=ACCENT, linewidth=1.1, dashes=dashes, label=name, gid=name)
    axes.plot(
        depth[is_told], smallest[is_told], color=INK, linewidth=2.0, marker="o", markersize=4,
        label="taps: told, and met by the grid", gid="taps told",
    )  # fmt: skip
    for at in depth[~is_told]:
        axes.text(
            at, 0.96 * top, "none\ntold", ha="center", va="top", color=INK, fontsize=6.5, gid="none told"
        )


def _draw_ascans(axes: "Axes", ascans: "AScanOutlook") -> None:
    told = ascans.told
    assert told is not None  # the caller has looked
    if told.deepest_mm <= told.shallowest_mm:
        return
    reach, across = (told.shallowest_mm, told.deepest_mm), 2 * told.reach.radius_mm
    axes.plot(
        reach, (across, across), color=CRAYON, linewidth=2.0, marker="|", markersize=9, label="A-scans: told",
        gid="ascans told",
    )  # fmt: skip
    for at, ha in zip(reach, ("left", "right"), strict=True):
        axes.text(at, across * 1.04, f"{at:.2f} mm", ha=ha, va="bottom", color=CRAYON, fontsize=6.5)
