"""The section drawing: what had been called and what cutting showed, on one unrolled sheet.

Grey is what nobody has cut: not known. White windows in it are the cuts. On them are the findings, and
a sign for what each point turned out to be; the crayon lines are the indications that had been drawn before.
"""

from typing import TYPE_CHECKING, Any

import numpy as np

from tapscan.plan.surfaces import s_mm, x_mm
from tapscan.report.maps.figures import WIDTH_IN, halo, new_figure
from tapscan.report.maps.layers import KEY_LOOK
from tapscan.report.maps.palette import ACCENT, CRAYON, HAIRLINE, INK, MUTED, PAPER, UNREAD_HATCH
from tapscan.report.maps.unrolled import (
    BOTTOM_IN,
    CROWDED,
    CROWDED_PT,
    LEAST_BESIDE_IN,
    NUMBER_PT,
    TOP_IN,
    Strip,
    draw_blocks,
    draw_datum,
    draw_indications,
    label_edges,
    place_strip,
)
from tapscan.report.marking.sheets import BETWEEN_IN, LEFT_IN, RIGHT_IN, layout_of, sheet_of, turned
from tapscan.report.words import METHOD_NAMES
from tapscan.sectioning import outcomes
from tapscan.sectioning.findings.recorded import (
    FROM_CUTTING,
    NOT_CUT,
    SEPARATIONS,
    SOUND,
    Finding,
    defects_of,
    points_of,
)

if TYPE_CHECKING:
    from collections.abc import Sequence

    from matplotlib.artist import Artist
    from matplotlib.figure import Figure
    from numpy.typing import NDArray

    from tapscan.plan.zones import Zone
    from tapscan.sectioning.outcomes import Compared

    Grid = NDArray[np.float64]

__all__ = ["SIGNS", "draw_section", "section_key"]

_KEY_IN = 0.55
_RING_STEPS = 73
_SEPARATION: dict[str, Any] = {"facecolor": PAPER, "edgecolor": ACCENT, "linewidth": 0.4, "hatch": "||||"}
_OTHER: dict[str, Any] = {"facecolor": PAPER, "edgecolor": ACCENT, "linewidth": 0.4, "hatch": "...."}
_BY_SAW: dict[str, Any] = {"facecolor": PAPER, "edgecolor": MUTED, "linewidth": 0.4, "hatch": "xx"}
_UNKNOWN: dict[str, Any] = {"facecolor": HAIRLINE, "edgecolor": "none"}
_UNREAD: dict[str, Any] = {"facecolor": PAPER, "edgecolor": MUTED, "linewidth": 0.4}
# Outcome of a point: marker, filled with, size over that of a usual sign.
SIGNS: dict[str, tuple[str, str, float]] = {
    outcomes.HIT: ("o", INK, 1.0),
    outcomes.MISS: ("X", INK, 1.6),
    outcomes.FALSE_CALL: ("D", PAPER, 1.0),
    outcomes.ANOTHER_FLAW: ("s", PAPER, 0.9),
    outcomes.AGREED: ("o", MUTED, 0.35),
}
_WORDS = {
    outcomes.HIT: "hit: called, and a separation there",
    outcomes.MISS: "miss: clear, and a separation there",
    outcomes.FALSE_CALL: "false call: suspect, and sound there",
    outcomes.ANOTHER_FLAW: "another flaw there",
    outcomes.AGREED: "clear, and sound there",
}


def draw_section(compared: "Compared", findings: "Sequence[Finding]") -> "Figure":
    """Draw one zone by one method beside its findings.

    Parts of the picture carry a `gid` (``indication …``, ``defect …``, ``not cut``, ``hit``, ``miss``,
    ``false call``, …), so that what a picture holds can be asked of it.
    """
    screened = compared.screened
    sheet = sheet_of(screened)
    layout = layout_of(sheet)
    strips_in = len(layout.strips) * (sheet.height_mm * layout.in_per_mm + BETWEEN_IN) - BETWEEN_IN
    height_in = TOP_IN + strips_in + BOTTOM_IN
    height_in = max(height_in, LEAST_BESIDE_IN + 0.5) if layout.key_beside else height_in + _KEY_IN
    figure = new_figure(height_in)
    for number in range(len(layout.strips)):
        strip = place_strip(figure, sheet, layout, number)
        _draw_strip(strip, compared, findings)
        label_edges(strip, is_first=number == 0, is_last=number == len(layout.strips) - 1)
    line_y = 1 - 0.06 / height_in
    title = f"{screened.zone.code}  ·  {METHOD_NAMES[screened.method]} and what cutting showed"
    figure.text(0.02, line_y, title, va="top", fontsize=9, fontweight="bold")
    view = "unrolled, seen from outside" if sheet.zone.is_tube else "seen from outside"
    figure.text(0.98, line_y, view, ha="right", va="top", color=MUTED)
    entries = section_key(compared, findings)
    if layout.key_beside:
        long_mm = sheet.zone.stations * sheet.zone.station_pitch_mm
        left = (LEFT_IN + long_mm * layout.in_per_mm + RIGHT_IN) / WIDTH_IN
        place = (left, 1 - (TOP_IN - 0.06) / height_in)
        figure.legend(handles=entries, loc="upper left", bbox_to_anchor=place, ncols=1, **KEY_LOOK)
    else:
        place = (0.01, 0.02 / height_in)
        figure.legend(handles=entries, loc="lower left", bbox_to_anchor=place, ncols=3, **KEY_LOOK)
    return figure


def _draw_strip(strip: Strip, compared: "Compared", findings: "Sequence[Finding]") -> None:
    sheet, axes, screened = strip.sheet, strip.axes, compared.screened
    pitch, widest = sheet.zone.station_pitch_mm, float(sheet.edge_step_mm.max())
    axes.set_xlim(strip.first * pitch, strip.last * pitch)
    axes.set_ylim((sheet.index[-1] + 0.5) * widest, (sheet.index[0] - 0.5) * widest)
    for side in axes.spines.values():
        side.set_visible(False)
    uncut = compared.shown == NOT_CUT
    bad = np.isin(compared.shown, list(SEPARATIONS))
    draw_blocks(strip, uncut, "not cut", _UNKNOWN)
    draw_blocks(strip, compared.outcome == outcomes.UNREAD_THERE, "unread", _unread(compared))
    by_saw = compared.shown == FROM_CUTTING
    draw_blocks(strip, by_saw, FROM_CUTTING, _BY_SAW)
    draw_blocks(strip, ~uncut & ~bad & ~by_saw & (compared.shown != SOUND), "another flaw", _OTHER)
    draw_blocks(strip, bad, "separation", _SEPARATION)
    _draw_outcomes(strip, compared)
    draw_datum(strip)
    for names, ring in _rings(sheet.zone, findings):
        _draw_defect(strip, names, ring)
    font_pt = CROWDED_PT if len(screened.indications) > CROWDED else NUMBER_PT
    signs = np.isin(compared.outcome, list(SIGNS)) & (compared.outcome != outcomes.AGREED)
    draw_indications(strip, screened.indications, signs, font_pt)


def _unread(compared: "Compared") -> dict[str, Any]:
    return {**_UNREAD, "hatch": UNREAD_HATCH[compared.screened.method]}


def _draw_outcomes(strip: Strip, compared: "Compared") -> None:
    """Put on each point of a cut what it turned out to be; on the sheet proper only."""
    size_pt = float(np.clip(0.42 * strip.cell_in * 72, 1.0, 6.5))
    along = x_mm(strip.sheet.zone)
    for outcome, (marker, fill, times) in SIGNS.items():
        station, position = np.nonzero((compared.outcome == outcome)[strip.first : strip.last])
        if not station.size:
            continue
        x = along[station + strip.first, 0]
        strip.axes.scatter(
            x,
            strip.sheet.step_mm(x) * position,
            s=(0.8 * size_pt * times) ** 2,
            marker=marker,
            linewidths=min(0.8, size_pt / 6),
            facecolors=fill,
            edgecolors=PAPER if outcome == outcomes.MISS else INK if fill != MUTED else MUTED,
            gid=outcome,
            zorder=5.5 if outcome == outcomes.MISS else 4,
        )


def _rings(zone: "Zone", findings: "Sequence[Finding]") -> "list[tuple[list[str], Grid]]":
    """Gather the defects of a zone that have one outline, with their names: each outline is drawn once."""
    alike: dict[bytes, tuple[list[str], Grid]] = {}
    for name, group in defects_of(zone, findings).items():
        ring = _ring_mm(zone, group)
        alike.setdefault(ring.tobytes(), ([], ring))[0].append(name)
    return list(alike.values())


def _draw_defect(strip: Strip, names: list[str], ring: "Grid") -> None:
    """Outline defects as large as they were measured, or as the points they were seen on; name the first."""
    from matplotlib.patches import Polygon

    sheet, axes, name = strip.sheet, strip.axes, names[0]
    x_low, x_high = axes.get_xlim()
    if ring[:, 0].max() <= x_low or ring[:, 0].min() >= x_high:
        return
    count = sheet.zone.positions
    for moved, column in turned(ring, sheet):
        outline = Polygon(
            moved, fill=False, edgecolor=ACCENT, linewidth=1.3, linestyle=(0, (3, 1.5)), zorder=2.8
        )
        outline.set_gid(f"defect {name}")
        outline.set_path_effects(halo(3.0))
        axes.add_patch(outline)
        shown = (column >= -0.5) & (column <= count - 0.5)
        if shown.any():
            more = f" and {len(names) - 1} more" if len(names) > 1 else ""
            _name(strip, name + more, moved[shown])


def _name(strip: Strip, name: str, corners: "Grid") -> None:
    """Set a defect's name at its lower left, where indications have none."""
    x_low, x_high = strip.axes.get_xlim()
    inside = np.clip(corners[:, 0], x_low, x_high)
    corner = int(np.argmin(inside - corners[:, 1]))
    label = strip.axes.annotate(
        name.removeprefix(f"{strip.sheet.zone.code}-"),
        (float(inside[corner]), float(corners[corner, 1])),
        xytext=(-2, -2),
        textcoords="offset points",
        ha="right",
        va="top",
        fontsize=8,
        fontweight="bold",
        color=ACCENT,
        bbox={"boxstyle": "round,pad=0.18", "facecolor": PAPER, "edgecolor": ACCENT, "linewidth": 0.7},
        zorder=6,
    )
    label.set_gid(f"name {name}")


def _ring_mm(zone: "Zone", group: "tuple[Finding, ...]") -> "Grid":
    """Ellipse of a defect's length and width about the middle of its points; corners (n, 2) in x and s.

    What was not measured is taken from the points, with half a pitch on either side.
    """
    mask = points_of(zone, group)
    station, position = np.nonzero(mask)
    step = float(s_mm(zone)[station, 1].mean()) if zone.positions > 1 else 1.0
    if not zone.is_tube:
        step = float(zone.position_pitch_mm or 1.0)
    if zone.is_tube:
        # Count positions from the widest gap on, so that points across the seam are together.
        held = np.unique(position)
        gaps = np.diff(np.append(held, held[0] + zone.positions))
        start = held[(int(np.argmax(gaps)) + 1) % held.size]
        position = start + (position - start) % zone.positions
    x = x_mm(zone)[station, 0]
    across = position * step
    lengths = [one.length_mm for one in group if one.length_mm is not None]
    widths = [one.width_mm for one in group if one.width_mm is not None]
    long = max(lengths) if lengths else float(np.ptp(x)) + zone.station_pitch_mm
    wide = max(widths) if widths else float(np.ptp(across)) + step
    angle = np.linspace(0, 2 * np.pi, _RING_STEPS)
    middle_x, middle_s = (x.min() + x.max()) / 2, (across.min() + across.max()) / 2
    return np.column_stack([middle_x + long / 2 * np.cos(angle), middle_s + wide / 2 * np.sin(angle)])


def section_key(compared: "Compared", findings: "Sequence[Finding]") -> "list[Artist]":
    """Explain the signs that this drawing holds."""
    from matplotlib.lines import Line2D
    from matplotlib.patches import Patch

    zone = compared.screened.zone
    entries: list[Artist] = [Patch(label="not cut: not known", facecolor=HAIRLINE)]
    if compared.screened.indications:
        entries.append(
            Patch(fill=False, edgecolor=CRAYON, linewidth=1.5, label="indication, with its number")
        )
    if zone.layout is None and defects_of(zone, findings):
        entries.append(
            Line2D(
                [], [], color=ACCENT, linewidth=1.3, dashes=(3, 1.5), label="defect as measured on the cut"
            )
        )
    kinds = set(compared.shown.ravel().tolist()) - {NOT_CUT, SOUND, FROM_CUTTING}
    for held, look in ((kinds & SEPARATIONS, _SEPARATION), (kinds - SEPARATIONS, _OTHER)):
        if held:
            entries.append(Patch(label=f"{' or '.join(sorted(held))} on the cut", **look))
    if compared.count(FROM_CUTTING):
        entries.append(Patch(label="done by the cut itself: not counted", **_BY_SAW))
    for outcome, (marker, fill, times) in SIGNS.items():
        if compared.count(outcome):
            entries.append(
                Line2D(
                    [],
                    [],
                    linestyle="none",
                    marker=marker,
                    markersize=5 * times,
                    markeredgewidth=0.7,
                    markerfacecolor=fill,
                    markeredgecolor=INK if fill != MUTED else MUTED,
                    label=_WORDS[outcome],
                )
            )
    if compared.count(outcomes.UNREAD_THERE):
        entries.append(Patch(label="cut, but unread or left out", **_unread(compared)))
    if zone.layout is None:
        dashes = (5, 1.5, 1.5, 1.5)
        entries.append(Line2D([], [], color=INK, linewidth=0.9, dashes=dashes, label="datum line"))
    return entries
