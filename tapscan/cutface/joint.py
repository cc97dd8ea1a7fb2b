"""The adhesive of a joint over its length: on each of its faces, side by side."""

from collections.abc import Callable, Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from tapscan.cutface.measures import across, along_and_below
from tapscan.cutface.scale import Quantity, Scale, propagated, to_mm

__all__ = ["FaceSpread", "joint_spread", "thicker_by"]

Array = NDArray[np.float64]


@dataclass(frozen=True, slots=True, eq=False)
class FaceSpread:
    """One face of a joint: way along it, thickness and its standard uncertainty, in mm and (n,) each."""

    face: str
    along_mm: Array
    thickness_mm: Array
    sd_mm: Array


def joint_spread(
    scale: Scale, faces: Mapping[str, ArrayLike], surface_px: ArrayLike = ()
) -> tuple[FaceSpread, ...]:
    """Where along the joint each place is, and how thick the adhesive is there; faces in the given order.

    The way runs along the outer surface where one is marked, so that a curved joint is rolled out; else along
    the direction in which the places of each face are farthest apart. It counts from the first place.

    Parameters
    ----------
    scale
        Pixels to mm.
    faces
        Name of each face to its pairs of clicks, (n, 2, 2).
    surface_px
        The outer surface, (m, 2); empty where none is marked.

    Examples
    --------
    >>> from tapscan.cutface.scale import scale_of
    >>> bar = scale_of([[0, 0], [200, 0]], 20.0)
    >>> (above,) = joint_spread(bar, {"above": [[[90, 10], [90, 14]], [[10, 10], [10, 12]]]})
    >>> above.along_mm.round(2).tolist(), above.thickness_mm.round(3).tolist()
    ([0.0, 8.0], [0.2, 0.4])
    """
    pairs = {face: np.asarray(each, dtype=float) for face, each in faces.items()}
    middles = {face: to_mm(scale, each.mean(axis=1)) for face, each in pairs.items()}
    way = _way(list(middles.values()), scale, np.asarray(surface_px, dtype=float))
    start = min(float(way(one).min()) for one in middles.values())
    found = []
    for face, each in pairs.items():
        along = way(middles[face]) - start
        thickness = propagated(scale, each.reshape(-1, 2), across)
        order = np.argsort(along, kind="stable")
        values = np.array([one.value for one in thickness])[order]
        doubts = np.array([one.sd for one in thickness])[order]
        found.append(FaceSpread(face, along[order], values, doubts))
    return tuple(found)


def thicker_by(scale: Scale, pairs_px: ArrayLike, others_px: ArrayLike) -> Quantity:
    """By how much the adhesive of one face is thicker in the mean than that of the other, in mm.

    What clicks, edges and scale do to both is not counted twice: an edge taken too wide is so on both.
    """
    one, two = (np.asarray(pairs, dtype=float).reshape(-1, 2) for pairs in (pairs_px, others_px))

    def measure(px: Array, mm: Callable[[Array], Array], edge_px: float) -> Array:
        first, second = (across(part, mm, edge_px).mean() for part in (px[: len(one)], px[len(one) :]))
        return np.array([first - second])

    return propagated(scale, np.vstack([one, two]), measure)[0]


def _way(faces: list[Array], scale: Scale, surface_px: Array) -> Callable[[Array], Array]:
    """Give the function from places in mm, (n, 2), to their way along the joint, (n,)."""
    if len(surface_px) > 1:
        surface = to_mm(scale, surface_px)
        return lambda these: along_and_below(these, surface)[0]
    # The first right singular vector is the direction in which places of one face are farthest apart; how far
    # the faces are from each other has no part in it.
    direction = np.linalg.svd(np.vstack([one - one.mean(axis=0) for one in faces]))[2][0]
    direction = direction * (np.sign(direction[np.argmax(np.abs(direction))]) or 1.0)
    return lambda these: np.asarray(these @ direction)
