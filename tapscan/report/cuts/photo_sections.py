"""The section drawing of a zone on a photo: what had been called and what cutting showed, over it."""

from typing import TYPE_CHECKING, Any

import numpy as np

from tapscan.plan.photos.cells import cell_rings, cells_of
from tapscan.plan.photos.scale import to_mm, to_px
from tapscan.plan.surfaces import point_index
from tapscan.report.cuts.sections import SIGNS, section_key
from tapscan.report.maps.figures import WIDTH_IN, halo, new_figure
from tapscan.report.maps.layers import KEY_LOOK
from tapscan.report.maps.palette import ACCENT, CRAYON, HAIRLINE, INK, MUTED, PAPER
from tapscan.report.maps.photo_maps import draw_photo, name_points, window_px
from tapscan.report.maps.unrolled import NUMBER_PT, write_numbers
from tapscan.report.words import METHOD_NAMES
from tapscan.sectioning import outcomes
from tapscan.sectioning.findings.recorded import NOT_CUT, SEPARATIONS, SOUND

if TYPE_CHECKING:
    from collections.abc import Sequence
    from pathlib import Path

    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

    from tapscan.sectioning.findings.recorded import Finding
    from tapscan.sectioning.outcomes import Compared

__all__ = ["draw_photo_section"]

_TOP_IN, _KEY_IN, _HIGHEST_IN, _SIDE_IN = 0.4, 0.75, 7.0, 0.1


def draw_photo_section(compared: "Compared", findings: "Sequence[Finding]", home: "Path") -> "Figure":
    """Draw one zone by one method beside its findings, over its photo in the inspection folder `home`."""
    screened = compared.screened
    layout = screened.zone.layout
    assert layout is not None
    window = window_px(layout)
    wide, high = window[1] - window[0], window[3] - window[2]
    in_per_px = min((WIDTH_IN - 2 * _SIDE_IN) / wide, _HIGHEST_IN / high)
    height_in = _TOP_IN + high * in_per_px + _KEY_IN
    figure = new_figure(height_in)
    box = (
        _SIDE_IN / WIDTH_IN,
        _KEY_IN / height_in,
        wide * in_per_px / WIDTH_IN,
        high * in_per_px / height_in,
    )
    axes = figure.add_axes(box, gid="picture")
    draw_photo(axes, layout, home, window)
    _draw_cells(axes, compared)
    name_points(axes, screened.zone, in_per_px)
    _draw_outcomes(axes, compared)
    _draw_outlines(axes, compared, in_per_px)
    line_y = 1 - 0.06 / height_in
    title = f"{screened.zone.code}  ·  {METHOD_NAMES[screened.method]} and what cutting showed"
    figure.text(0.02, line_y, title, va="top", fontsize=9, fontweight="bold")
    figure.text(0.98, line_y, "over the photo", ha="right", va="top", color=MUTED)
    figure.legend(
        handles=section_key(compared, findings),
        loc="lower left",
        bbox_to_anchor=(0.01, 0.02 / height_in),
        ncols=3,
        **KEY_LOOK,
    )
    return figure


def _draw_cells(axes: "Axes", compared: "Compared") -> None:
    """Cover what nobody has cut in grey, and hatch what was found on the cuts."""
    from matplotlib.collections import PolyCollection

    zone = compared.screened.zone
    assert zone.layout is not None
    outline = to_mm(zone.layout, np.array(zone.layout.outline_px))
    rings = cell_rings(cells_of(zone.layout).at_mm, outline)
    shown = compared.shown.ravel()[point_index(zone)]
    bad = np.isin(shown, list(SEPARATIONS))
    looks: list[tuple[str, Any, dict[str, Any]]] = [
        ("not cut", shown == NOT_CUT, {"facecolors": HAIRLINE, "edgecolors": "none", "alpha": 0.7}),
        ("sound", shown == SOUND, {"facecolors": PAPER, "edgecolors": ACCENT, "linewidths": 0.4}),
        ("separation", bad, {"facecolors": PAPER, "edgecolors": ACCENT, "linewidths": 0.4, "hatch": "||||"}),
        (
            "another flaw",
            ~bad & (shown != NOT_CUT) & (shown != SOUND),
            {"facecolors": PAPER, "edgecolors": ACCENT, "linewidths": 0.4, "hatch": "...."},
        ),
    ]
    for gid, mask, look in looks:
        chosen = [
            to_px(zone.layout, ring) for ring, is_in in zip(rings, mask, strict=True) if is_in and len(ring)
        ]
        if chosen:
            axes.add_collection(PolyCollection(chosen, gid=gid, zorder=1, **look))


def _draw_outcomes(axes: "Axes", compared: "Compared") -> None:
    """Put on each point of a cut what it turned out to be."""
    zone = compared.screened.zone
    assert zone.layout is not None
    at, outcome = (
        np.array([one.at_px for one in zone.layout.points]),
        compared.outcome.ravel()[point_index(zone)],
    )
    for word, (marker, fill, times) in SIGNS.items():
        chosen = at[outcome == word]
        if len(chosen):
            axes.scatter(
                chosen[:, 0],
                chosen[:, 1],
                s=(4.5 * times) ** 2,
                marker=marker,
                linewidths=0.7,
                facecolors=fill,
                edgecolors=PAPER if word == outcomes.MISS else INK if fill != MUTED else MUTED,
                gid=word,
                zorder=4,
            )


def _draw_outlines(axes: "Axes", compared: "Compared", in_per_px: float) -> None:
    from matplotlib.patches import Polygon

    zone = compared.screened.zone
    assert zone.layout is not None
    numbered = []
    for one in compared.screened.indications:
        rings = [to_px(zone.layout, np.array(ring)) for ring in one.outline]
        for ring in rings:
            edge = Polygon(ring, fill=False, edgecolor=CRAYON, linewidth=1.5, joinstyle="round", zorder=2.7)
            edge.set(gid=f"indication {one.id}", path_effects=halo(3.4))
            axes.add_patch(edge)
        numbered.append((one, (rings[0],)))
    cut = np.isin(compared.outcome.ravel()[point_index(zone)], list(SIGNS))
    places = np.array([one.at_px for one in zone.layout.points])[cut]
    write_numbers(axes, numbered, places, NUMBER_PT, in_per_px)
