"""A zone on a photo, as the page draws it: the picture, its points and cells, and a net of mm to pixels."""

from typing import TYPE_CHECKING, Any

import numpy as np

from tapscan.pictures import picture_facts, upright
from tapscan.plan.photos.cells import cell_rings, cells_of
from tapscan.plan.photos.scale import to_mm, to_px
from tapscan.plan.surfaces import point_index
from tapscan.report.maps.photo_maps import window_px

if TYPE_CHECKING:
    from pathlib import Path

    from tapscan.plan.zones import Zone

__all__ = ["photo_document", "photo_jpeg"]

_NET = 32  # numerical: straight between its corners, a net so fine is off by less than a pixel
_MOST_PX = 1800


def photo_document(zone: "Zone", folder: "Path") -> dict[str, Any] | None:
    """Describe the photo of a zone; None where it has none. Points and cells go by their array index."""
    layout = zone.layout
    if layout is None:
        return None
    facts = picture_facts(folder / layout.photo, layout.photo)
    index = point_index(zone).tolist()
    outline = to_mm(layout, np.array(layout.outline_px))
    rings = cell_rings(cells_of(layout).at_mm, outline)
    low, high = outline.min(axis=0), outline.max(axis=0)
    step = (high - low) / _NET
    x, s = (low[k] + step[k] * np.arange(_NET + 1) for k in (0, 1))
    corners = np.stack(np.meshgrid(x, s, indexing="ij"), axis=-1)
    net = to_px(layout, corners.reshape(-1, 2)).reshape(corners.shape)
    return {
        "address": f"/photos/{zone.code}",
        "size": [facts.width_px, facts.height_px],
        "window": [float(edge) for edge in window_px(layout)],
        "spacing_px": _spacing_px(zone),
        "points": {n: list(one.at_px) for n, one in zip(index, layout.points, strict=True)},
        "cells": {
            n: to_px(layout, ring).round(1).tolist()
            for n, ring in zip(index, rings, strict=True)
            if len(ring)
        },
        "holes": [np.asarray(hole, dtype=float).tolist() for hole in layout.holes_px],
        "net": {"from_mm": low.tolist(), "step_mm": step.tolist(), "px": net.round(2).tolist()},
    }


def _spacing_px(zone: "Zone") -> float:
    """Usual distance between neighbours on the picture."""
    assert zone.layout is not None
    at, pairs = np.array([one.at_px for one in zone.layout.points]), cells_of(zone.layout).pairs
    return float(np.median(np.linalg.norm(at[pairs[:, 0]] - at[pairs[:, 1]], axis=1))) if len(pairs) else 50.0


def photo_jpeg(zone: "Zone", folder: "Path") -> bytes:
    """Give the photo of a zone the right way up, without what the camera wrote beside it.

    Raises
    ------
    TapscanError
        When the file is gone or damaged.
    """
    from io import BytesIO

    from PIL import Image

    assert zone.layout is not None
    kept = BytesIO()
    Image.fromarray(upright(folder / zone.layout.photo, zone.layout.photo, _MOST_PX)).save(
        kept, format="JPEG"
    )
    return kept.getvalue()
