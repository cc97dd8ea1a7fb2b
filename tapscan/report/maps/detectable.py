"""What could be found, by depth: the picture that `grid` and the report share, and the rows of their tables.

Sizes are widths across a round patch, since that is what a rule laid on the part shows.
"""

import textwrap
from typing import TYPE_CHECKING, Any

import numpy as np

from tapscan.records.runs import RESULTS
from tapscan.records.writing import write_bytes
from tapscan.report.maps.figures import bare, drawing, new_figure, png_bytes
from tapscan.report.maps.palette import ACCENT, CRAYON, INK, MUTED, TINT
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
_LETTERS_A_LINE = 118


def tap_rows(reached: "tuple[TapReach, ...]") -> list[tuple[str, ...]]:
    """Write what taps could detect as table rows, in the order of `TAP_HEADS`; a dash where nothing is."""
    return [
        (
            f"{one.reach.depth_mm:.2f}",
            _across(one.softness_mm),
            _across(one.note_mm),
            _across(one.reach.radius_mm) if np.isfinite(one.reach.radius_mm) else "none",
            _limit(one),
            f"{one.reach.points:.1f}" if np.isfinite(one.reach.points) else "–",
        )
        for one in reached
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
    """Say what A-scans could detect; '' when the plan does not say enough."""
    reached = ascans.detectable
    if reached is None or reached.deepest_mm <= reached.shallowest_mm:
        return ""
    depths = f"{reached.shallowest_mm:.2f} to {reached.deepest_mm:.2f} mm deep"
    return (
        f"A-scans could detect delaminations {depths}, from {_across(reached.reach.radius_mm)} mm across "
        f"(set by {reached.reach.limit}), estimated from the pulse's length."
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
    if not outlook.is_known:
        return None
    with drawing():
        png = png_bytes(draw_detectable(outlook))
    zone = outlook.zone
    alt = f"Smallest delamination that could be detected in zone {zone.code}, by depth, in mm across. "
    alt += "The same numbers are in the table." if outlook.taps and outlook.taps.detectable else ""
    caption = (
        f"{zone_name(zone)}: the smallest round delamination that could be detected, by depth, estimated "
        "before anything was collected. What is below the lines is missed or hit by chance."
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
    if outlook.taps is not None and outlook.taps.detectable:
        _draw_taps(axes, outlook.taps.detectable, top)
    if outlook.ascans is not None and outlook.ascans.detectable is not None:
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
        figure.text(0.012, y_in / height_in, line, fontsize=8, color=MUTED, va="center", gid="assumption")
    return figure


def _written(outlook: "Outlook") -> list[str]:
    """Break the assumptions into lines for the foot of the picture."""
    reached = (("Taps", outlook.taps), ("A-scans", outlook.ascans))
    texts = [f"{name}: {' '.join(part.assumptions)}" for name, part in reached if part and part.assumptions]
    return [line for text in texts for line in textwrap.wrap(f"Estimated. {text}", _LETTERS_A_LINE)]


def _draw_grid(axes: "Axes", outlook: "Outlook", wall_mm: float) -> float:
    """Mark the pitch, and what it leaves between points; return the height of the picture in mm across."""
    steps = pitch_mm(outlook.zone)
    covering_mm = float(np.hypot(*steps))
    reached = outlook.taps.detectable if outlook.taps is not None else ()
    sizes = [2 * r for one in reached for r in (one.softness_mm, one.note_mm) if np.isfinite(r)]
    if outlook.ascans is not None and outlook.ascans.detectable is not None:
        sizes.append(2 * outlook.ascans.detectable.reach.radius_mm)
    top = 1.25 * max([*sizes, 1.4 * covering_mm])
    axes.axhspan(0, covering_mm, facecolor=TINT, edgecolor="none", gid="between points")
    axes.axhline(max(steps), color=MUTED, linewidth=0.9, dashes=(2, 2), gid="pitch")
    look: dict[str, Any] = {"fontsize": 8, "color": MUTED, "ha": "right"}
    axes.text(wall_mm * 0.992, max(steps) - 0.012 * top, f"pitch {max(steps):.3g} mm", va="top", **look)
    axes.text(
        wall_mm * 0.992,
        covering_mm - 0.012 * top,
        f"narrower than {covering_mm:.3g} mm: may hold no point",
        va="top",
        **look,
    )
    return top


def _draw_taps(axes: "Axes", reached: "tuple[TapReach, ...]", top: float) -> None:
    depth = np.array([one.reach.depth_mm for one in reached])
    softness, note, smallest = (
        2 * np.array(radii)
        for radii in zip(
            *((one.softness_mm, one.note_mm, one.reach.radius_mm) for one in reached), strict=True
        )
    )
    is_found = np.isfinite(smallest)
    for values, dashes, name in (
        (softness, (5, 2), "taps: softens the tap"),
        (note, (1.5, 1.5), "taps: rings within the band"),
    ):
        seen = np.isfinite(values)
        axes.plot(depth[seen], values[seen], color=ACCENT, linewidth=1.1, dashes=dashes, label=name, gid=name)
    axes.plot(
        depth[is_found], smallest[is_found], color=INK, linewidth=2.0, marker="o", markersize=4,
        label="taps: detected, and met by the grid", gid="taps detected",
    )  # fmt: skip
    for at in depth[~is_found]:
        axes.text(
            at,
            0.96 * top,
            "none\ndetected",
            ha="center",
            va="top",
            color=INK,
            fontsize=8,
            gid="none detected",
        )


def _draw_ascans(axes: "Axes", ascans: "AScanOutlook") -> None:
    reached = ascans.detectable
    assert reached is not None  # the caller has looked
    if reached.deepest_mm <= reached.shallowest_mm:
        return
    reach, across = (reached.shallowest_mm, reached.deepest_mm), 2 * reached.reach.radius_mm
    axes.plot(
        reach, (across, across), color=CRAYON, linewidth=2.0, marker="|", markersize=9,
        label="A-scans: detected", gid="ascans detected",
    )  # fmt: skip
    for at, ha in zip(reach, ("left", "right"), strict=True):
        axes.text(at, across * 1.04, f"{at:.2f} mm", ha=ha, va="bottom", color=CRAYON, fontsize=8)
