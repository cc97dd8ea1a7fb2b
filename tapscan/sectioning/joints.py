"""The joint on a measured photo: its adhesive over the length, face by face, and how the faces compare."""

from dataclasses import dataclass

import numpy as np

from tapscan.cutface.joint import FaceSpread, joint_spread, thicker_by
from tapscan.cutface.measures import measure_thickness
from tapscan.cutface.scale import Quantity
from tapscan.sectioning.measured import ADHESIVE, Marked

__all__ = ["Joint", "joint_of"]

_LEAST = 2  # places: of one alone there is no spread


@dataclass(frozen=True, slots=True, eq=False)
class Joint:
    """The adhesive of each face, the mean of each, and by how much the face below is thicker than that above.

    `faces` and `means_mm` are in the same order; `thicker_mm` is None where there are not both faces.
    """

    faces: tuple[FaceSpread, ...]
    means_mm: tuple[Quantity, ...]
    thicker_mm: Quantity | None


def joint_of(marked: Marked) -> Joint | None:
    """Gather the accepted adhesive of a photo, face by face; None where fewer than two places are measured.

    Marks of one face are one layer, whichever places of the grid they have.
    """
    scale = marked.scale.scale()
    pairs = {
        face: np.array([pair for mark in marks for pair in mark.px], dtype=float)
        for face in ("above", "", "below")
        if (
            marks := [
                one for one in marked.marks if (one.kind, one.state, one.face) == (ADHESIVE, "accepted", face)
            ]
        )
    }
    if sum(map(len, pairs.values())) < _LEAST:
        return None
    both = "above" in pairs and "below" in pairs
    return Joint(
        joint_spread(scale, pairs, marked.surface_px),
        tuple(measure_thickness(scale, one).mean_mm for one in pairs.values()),
        thicker_by(scale, pairs["below"], pairs["above"]) if both else None,
    )
