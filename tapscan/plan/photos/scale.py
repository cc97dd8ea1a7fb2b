"""Pixels of a photo to millimetres on a part's face, back again, and how sure that is.

A printed square gives a homography: the exact view of a flat face by any camera without distortion (Hartley &
Zisserman, *Multiple View Geometry*, ch. 2, from memory). Known lengths give a scale without perspective; four
or more give one that changes smoothly over the picture, `f'(z) = exp(a + b z)`, the conformal map whose scale
is log-linear. Pixels are complex numbers there, z = x + i y.
"""

from dataclasses import dataclass
from functools import lru_cache
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

if TYPE_CHECKING:
    from tapscan.plan.photos.layout import PhotoLayout

__all__ = ["area_share", "mm_per_px", "polygon_area", "tilt_deg", "to_mm", "to_px"]

Floats = NDArray[np.float64]

CLICK_PX = 2.0  # policy: standard deviation of a place clicked on a photo
RULE_MM = 0.25  # policy: standard deviation of a length read off a rule with millimetres
UNSEEN_TILT_DEG = 15.0  # policy: a view so far from square on is not noticed by eye
SURE = 2.0  # standard deviations: 95 of 100
IN_A_ROW = 0.05  # numerical: across lengths that are all in a row the scale is taken as constant
GRADIENT_FROM = 4  # lengths: three unknowns, and one length to see whether they agree


@dataclass(frozen=True, slots=True, eq=False)
class _Map:
    """Pixels to mm: a homography `matrix` (3, 3), or the conformal map with `log_scale` and `bend`.

    `centre_px` is taken off first; `turn` and `shift_mm` put the picture's right along x and the outline's
    upper left corner at 0.
    """

    centre_px: complex
    matrix: Floats | None
    log_scale: float
    bend: complex
    turn: complex = 1.0 + 0.0j
    shift_mm: complex = 0.0j


def to_mm(layout: "PhotoLayout", at_px: Floats) -> Floats:
    """Turn pixels (n, 2) into mm (n, 2) on the face, from the outline's upper left corner."""
    return _pairs(_forward(_fitted(layout), _complex(at_px)))


def to_px(layout: "PhotoLayout", at_mm: Floats) -> Floats:
    """Turn mm (n, 2) on the face into pixels (n, 2) of the upright photo."""
    fit = _fitted(layout)
    flat = (_complex(at_mm) + fit.shift_mm) / fit.turn
    if fit.matrix is not None:
        moved = _projected(np.asarray(np.linalg.inv(fit.matrix), dtype=float), flat)
    elif abs(fit.bend) < _STRAIGHT:
        moved = flat * np.exp(-fit.log_scale)
    else:
        moved = np.log1p(flat * fit.bend * np.exp(-fit.log_scale)) / fit.bend
    return _pairs(moved + fit.centre_px)


def mm_per_px(layout: "PhotoLayout", at_px: Floats) -> Floats:
    """Local scale at pixels (n, 2): the square root of the area in mm² that a pixel shows, (n,)."""
    wide, high = _steps(layout, at_px)
    return np.sqrt(np.abs(wide[:, 0] * high[:, 1] - wide[:, 1] * high[:, 0]))


def tilt_deg(layout: "PhotoLayout") -> float | None:
    """Estimate the angle between the view and square on, at the middle of the outline; None when unknown.

    A face turned by t is seen shortened by cos(t) in one direction. With a square that is the ratio of the
    two principal scales. Lengths in several directions disagree by as much; one length does not show it.
    """
    if layout.square is not None:
        wide, high = _steps(layout, np.mean(layout.outline_px, axis=0)[None])
        most, least = np.linalg.svd(np.stack([wide[0], high[0]]), compute_uv=False)
        return float(np.degrees(np.arccos(min(least / most, 1.0))))
    if len(layout.lengths) < 2:
        return None
    off = _length_errors(layout)
    return float(np.degrees(np.arccos(np.exp(-np.ptp(off)))))


def area_share(layout: "PhotoLayout") -> float:
    """Give the share by which an area may be wrong because of the scale, 95 times in 100.

    Every clicked place is moved by `CLICK_PX` and every length by `RULE_MM`, one by one; what that changes of
    the outline's area adds up in squares (propagation of errors). Lengths that disagree add their scatter,
    and a tilt that lengths do not show adds the shortening of `UNSEEN_TILT_DEG`.
    """
    clicks, lengths_mm = _givens(layout)
    outline = _complex(np.array(layout.outline_px))
    is_square = layout.square is not None

    def log_area(clicks: Floats, lengths_mm: Floats) -> float:
        fit = _fit(clicks, lengths_mm, is_square=is_square)
        return float(np.log(abs(polygon_area(_pairs(_forward(fit, outline))))))

    usual = log_area(clicks, lengths_mm)
    square = 0.0
    for at in np.ndindex(clicks.shape):
        moved = clicks.copy()
        moved[at] += CLICK_PX
        square += (log_area(moved, lengths_mm) - usual) ** 2
    for n in range(lengths_mm.size):
        longer = lengths_mm.copy()
        longer[n] += RULE_MM
        square += (log_area(clicks, longer) - usual) ** 2
    if is_square:
        return SURE * float(np.sqrt(square))
    off = _length_errors(layout)
    square += 4 * float(off.var(ddof=1)) / off.size if off.size > 1 else 0.0
    return SURE * float(np.sqrt(square)) + 1 - float(np.cos(np.radians(UNSEEN_TILT_DEG)))


def polygon_area(ring: Floats) -> float:
    """Signed area of a ring (n, 2), closed or not (shoelace formula).

    Examples
    --------
    >>> polygon_area(np.array([[0.0, 0.0], [2.0, 0.0], [2.0, 3.0], [0.0, 3.0]]))
    6.0
    """
    if len(ring) < 3:
        return 0.0
    x, y = (ring - ring[0]).T
    return float(0.5 * np.sum(x * np.roll(y, -1) - np.roll(x, -1) * y))


_STRAIGHT = 1e-12  # numerical: bends below it are none


def _complex(pairs: Floats) -> NDArray[np.complex128]:
    return np.asarray(pairs[:, 0] + 1j * pairs[:, 1])


def _pairs(places: NDArray[np.complex128]) -> Floats:
    return np.column_stack([places.real, places.imag])


def _givens(layout: "PhotoLayout") -> tuple[Floats, Floats]:
    """Clicked places (n, 2), and the lengths that go with them."""
    if layout.square is not None:
        return np.array(layout.square.corners_px, dtype=float), np.array([layout.square.side_mm])
    ends = [end for one in layout.lengths for end in (one.start_px, one.end_px)]
    return np.array(ends, dtype=float), np.array([one.length_mm for one in layout.lengths])


@lru_cache(maxsize=64)
def _fitted(layout: "PhotoLayout") -> _Map:
    """Fit the scale, then turn and move the face so that it is as the picture shows it."""
    fit = _fit(*_givens(layout), is_square=layout.square is not None)
    outline = _complex(np.array(layout.outline_px, dtype=float))
    middle = outline.mean()
    ahead = _forward(fit, np.array([middle + 0.5])) - _forward(fit, np.array([middle - 0.5]))
    turned = _Map(fit.centre_px, fit.matrix, fit.log_scale, fit.bend, turn=abs(ahead[0]) / ahead[0])
    flat = _forward(turned, outline)
    corner = complex(flat.real.min(), flat.imag.min())
    return _Map(fit.centre_px, fit.matrix, fit.log_scale, fit.bend, turned.turn, corner)


def _forward(fit: _Map, at_px: NDArray[np.complex128]) -> NDArray[np.complex128]:
    moved = at_px - fit.centre_px
    if fit.matrix is not None:
        flat = _projected(fit.matrix, moved)
    elif abs(fit.bend) < _STRAIGHT:
        flat = moved * np.exp(fit.log_scale)
    else:
        flat = np.exp(fit.log_scale) * np.expm1(fit.bend * moved) / fit.bend
    return np.asarray(flat * fit.turn - fit.shift_mm)


def _projected(matrix: Floats, at: NDArray[np.complex128]) -> NDArray[np.complex128]:
    x, y, w = matrix @ np.stack([at.real, at.imag, np.ones(at.size)])
    return np.asarray((x + 1j * y) / w)


def _fit(clicks: Floats, lengths_mm: Floats, *, is_square: bool) -> _Map:
    centre = complex(*clicks.mean(axis=0))
    moved = _complex(clicks) - centre
    if is_square:
        return _Map(centre, _homography(moved, float(lengths_mm[0])), 0.0, 0.0j)
    start, end = moved[::2], moved[1::2]
    scales = np.log(lengths_mm) - np.log(np.abs(end - start))
    if lengths_mm.size < GRADIENT_FROM:
        return _Map(centre, None, float(scales.mean()), 0.0j)
    # A chord's scale is that of its middle, but for terms of the second order.
    middle, size = (start + end) / 2, float(np.abs(moved).max())
    rows = np.column_stack([np.ones(middle.size), middle.real / size, -middle.imag / size])
    usual, along, down = np.linalg.lstsq(rows, scales, rcond=IN_A_ROW)[0]
    return _Map(centre, None, float(usual), complex(along, down) / size)


def _homography(corners: NDArray[np.complex128], side_mm: float) -> Floats:
    """Solve for the map of four corners onto a square, (3, 3) with 1 in the last place."""
    size = float(np.abs(corners).max())
    x, y = corners.real / size, corners.imag / size
    u, v = side_mm * np.array([0.0, 1.0, 1.0, 0.0]), side_mm * np.array([0.0, 0.0, 1.0, 1.0])
    one, nil = np.ones(4), np.zeros(4)
    rows = np.vstack(
        [
            np.column_stack([x, y, one, nil, nil, nil, -u * x, -u * y]),
            np.column_stack([nil, nil, nil, x, y, one, -v * x, -v * y]),
        ]
    )
    matrix = np.append(np.linalg.solve(rows, np.concatenate([u, v])), 1.0).reshape(3, 3)
    return np.asarray(matrix @ np.diag([1 / size, 1 / size, 1.0]))


def _length_errors(layout: "PhotoLayout") -> Floats:
    """Log of each known length as the scale has it over what was measured."""
    clicks, lengths_mm = _givens(layout)
    ends = _complex(to_mm(layout, clicks))
    return np.asarray(np.log(np.abs(ends[1::2] - ends[::2])) - np.log(lengths_mm))


def _steps(layout: "PhotoLayout", at_px: Floats) -> tuple[Floats, Floats]:
    """How far a pixel to the right and a pixel down lead on the face, (n, 2) each."""
    half = np.eye(2) / 2
    return tuple(to_mm(layout, at_px + step) - to_mm(layout, at_px - step) for step in half)  # type: ignore[return-value]
