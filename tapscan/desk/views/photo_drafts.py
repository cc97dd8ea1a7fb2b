"""A zone on a photo while it is drawn on the page: how the face is seen, who is beside whom, a bent grid.

The page sends what is drawn so far, in pixels of the photo; every number comes from the plan's geometry.
"""

from typing import TYPE_CHECKING, Any

import numpy as np

from tapscan.errors import TapscanError
from tapscan.pictures import picture_facts
from tapscan.plan import parse_block
from tapscan.plan.photos.bending import bent_grid, filled_handles
from tapscan.plan.photos.cells import cells_of, inside
from tapscan.plan.photos.reading import MOST_POINTS, layout_of
from tapscan.plan.photos.scale import to_mm, to_px
from tapscan.plan.text.doubts import steep_view
from tapscan.report.marking.photo_sheets import scale_sentences, tilt_sentence

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence
    from pathlib import Path

    from numpy.typing import NDArray

    from tapscan.plan.photos.layout import PhotoLayout

__all__ = ["Bend", "draft_document", "grid_document"]

# Three by three: handles in the order of rows; corners are 0, 2, 6 and 8.
_CORNERS = (0, 2, 6, 8)
_GRID = "the grid"
Bend = list[list[float] | None]


def draft_document(draft: "Mapping[str, Any]", folder: "Path") -> dict[str, Any]:
    """Say what is wrong with what is drawn so far, how its face is seen, and which points are neighbours.

    `mistakes` has a key of the zone's table and a sentence each; what was not begun is no mistake yet.
    `pairs` are lines between neighbours, in pixels.
    """
    mistakes: list[dict[str, str]] = []

    def add(key: str, what: str, remedy: str) -> None:
        if draft.get(key):
            mistakes.append({"key": key, "words": f"{what} ({remedy})"})

    layout = _layout(draft, folder, add)
    words, pairs = [], []
    if layout is not None and draft.get("points") and draft.get("outline"):
        words = scale_sentences(layout)
        places = np.array([one.at_px for one in layout.points])
        pairs = places[cells_of(layout).pairs].reshape(-1, 4).tolist()
    else:  # how the face is seen does not wait for what is wrong with its points
        layout = _layout({**draft, "points": []}, folder, lambda *_: None)
        words = [] if layout is None else [tilt_sentence(layout)]
    steep = None if layout is None else steep_view(layout)
    if steep is not None:
        mistakes.append({"key": "scale", "words": f"{steep[0]} ({steep[1]})"})
    return {"mistakes": mistakes, "words": words, "pairs": pairs}


def grid_document(
    draft: "Mapping[str, Any]", folder: "Path", bend: Bend, count: "Sequence[int]", first: str
) -> dict[str, Any]:
    """Lay a bent grid of `count` (stations, positions) over the face; its first point is called `first`.

    `bend` has nine handles in pixels, None where the person did not put one; corners are needed. Steps are
    even in millimetres on the face, so that perspective is in them. Points outside the outline, in a hole or
    outside the picture are left out, and counted.

    Raises
    ------
    TapscanError
        When there is no scale, a corner is missing, the count is none, or `first` names no point.
    """
    name = parse_block(first)
    if name is None or ":" in first or min(name.first_station, name.first_position) < 1:
        raise TapscanError(repr(first[:40]), "is not a point", "write it like 01-01")
    stations, positions = count
    if min(count) < 1 or stations * positions > MOST_POINTS:
        what = f"{stations} × {positions} points cannot be laid"
        raise TapscanError(_GRID, what, f"give counts from 1, {MOST_POINTS:,} points at most")
    layout = _layout({**draft, "points": []}, folder, lambda *_: None)
    if layout is None:
        raise TapscanError(_GRID, "there is no scale yet", "set the scale first")
    if any(bend[n] is None for n in _CORNERS):
        raise TapscanError(_GRID, "has no four corners yet", "set its corners first")
    put = {n: to_mm(layout, np.array([place]))[0] for n, place in enumerate(bend) if place is not None}
    corners = np.array([put[n] for n in _CORNERS]).reshape(2, 2, 2)
    handles = filled_handles(corners, {divmod(n, 3): at for n, at in put.items() if n not in _CORNERS})
    places = to_px(layout, bent_grid(handles, stations, positions).reshape(-1, 2)).round(1)
    is_in = _is_inside(draft, layout, folder, places)
    names = [f"{name.first_station + i:02d}-{name.first_position + p:02d}" for i, p in np.ndindex(*count)]
    rows = [[one, *at] for one, at, kept in zip(names, places.tolist(), is_in, strict=True) if kept]
    return {
        "points": rows,
        "handles": to_px(layout, handles.reshape(-1, 2)).round(1).tolist(),
        "left_out": int((~is_in).sum()),
    }


def _layout(draft: "Mapping[str, Any]", folder: "Path", add: Any) -> "PhotoLayout | None":
    """Read a draft; what is not drawn yet is the whole picture, and a point in its middle."""
    try:
        facts = picture_facts(folder / str(draft.get("photo", "")), "the photo")
    except TapscanError:
        return None
    w, h = facts.width_px, facts.height_px
    frame = [[0, 0], [w, 0], [w, h], [0, h]]
    table = {key: value for key, value in draft.items() if value}
    if not table.get("points"):
        table = {**table, "points": [["01-01", w / 2, h / 2]], "outline": frame, "holes": []}
    return layout_of({"outline": frame, **table}, folder, add)


def _is_inside(
    draft: "Mapping[str, Any]", layout: "PhotoLayout", folder: "Path", places: "NDArray[np.float64]"
) -> "NDArray[np.bool_]":
    facts = picture_facts(folder / layout.photo, layout.photo)
    size = np.array([facts.width_px, facts.height_px])
    kept = np.isfinite(places).all(axis=1) & (places >= 0).all(axis=1) & (places <= size).all(axis=1)
    if draft.get("outline"):
        kept &= inside(places, np.array(draft["outline"], dtype=float))
    for hole in draft.get("holes") or ():
        kept &= ~inside(places, np.array(hole, dtype=float))
    return np.asarray(kept)
