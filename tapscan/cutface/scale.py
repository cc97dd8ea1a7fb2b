"""Millimetres of a photo, and how the uncertainty of clicks and of the known length reaches each result."""

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from tapscan.errors import TapscanError

__all__ = [
    "CLICK_SD_PX",
    "EDGE_SD_PX",
    "LENGTH_SD_MM",
    "Quantity",
    "Scale",
    "propagated",
    "scale_of",
    "to_mm",
]

Array = NDArray[np.float64]
# Policy: how far a click is from what was meant, one standard deviation in each direction, on a zoomed photo.
CLICK_SD_PX = 1.0
# Policy: how far a blurred edge may be taken too wide or too narrow, the same all round an outline.
EDGE_SD_PX = 0.5
# Policy: how well the known length is known; half a millimetre of a rule, as ±0.25 mm uniform, is 0.14 mm.
LENGTH_SD_MM = 0.14
_NORMAL_95 = 1.959964  # derived: 97.5 % point of the normal distribution
_SCALE = "the scale"
_STEP = 1e-4  # numerical: of the central differences, in pixels or millimetres

_ToMm = Callable[[Array], Array]
Measure = Callable[[Array, _ToMm, float], Array]


@dataclass(frozen=True, slots=True)
class Quantity:
    """A measured value and its standard uncertainty, in the same unit."""

    value: float
    sd: float

    @property
    def low(self) -> float:
        """Lower end of the 95 % interval; a length or an area is never below 0."""
        return max(self.value - _NORMAL_95 * self.sd, 0.0)

    @property
    def high(self) -> float:
        """Upper end of the 95 % interval."""
        return self.value + _NORMAL_95 * self.sd


@dataclass(frozen=True, slots=True, eq=False)
class Scale:
    """Where something of known length is in the photo: two ends of a bar, or four corners of a square.

    `points_px` has shape (2, 2) or (4, 2), the corners in order round the square; `length_mm` is that of the
    bar or of a side. The square takes out perspective; with a bar the camera must have looked straight on.
    Both must be in the plane of the cut.
    """

    points_px: Array
    length_mm: float
    length_sd_mm: float = LENGTH_SD_MM
    click_sd_px: float = CLICK_SD_PX


def scale_of(
    points_px: ArrayLike,
    length_mm: float,
    length_sd_mm: float = LENGTH_SD_MM,
    click_sd_px: float = CLICK_SD_PX,
) -> Scale:
    """Check what the scale is set by.

    Raises
    ------
    TapscanError
        When the points are no bar and no square, or the length is none.

    Examples
    --------
    >>> to_mm(scale_of([[10, 10], [210, 10]], 20.0), [[10, 10], [60, 10]]).tolist()
    [[1.0, 1.0], [6.0, 1.0]]
    """
    points = np.asarray(points_px, dtype=float)
    if points.shape not in ((2, 2), (4, 2)) or not np.isfinite(points).all():
        what = "needs the two ends of a bar, or the four corners of a square"
        raise TapscanError(_SCALE, what, "click them again")
    if not (np.isfinite(length_mm) and length_mm > 0 and length_sd_mm >= 0 and click_sd_px > 0):
        what = f"{length_mm:g} mm is no length"
        raise TapscanError(_SCALE, what, "give the length in mm, as 20")
    if len(points) == 2 and np.hypot(*(points[1] - points[0])) < 1:
        what = "has both ends in one pixel"
        raise TapscanError(_SCALE, what, "click the two ends of the bar")
    if len(points) == 4:
        sides = np.roll(points, -1, axis=0) - points
        turns = (
            sides[:, 0] * np.roll(sides, -1, axis=0)[:, 1] - sides[:, 1] * np.roll(sides, -1, axis=0)[:, 0]
        )
        if not ((turns > 1).all() or (turns < -1).all()):
            what = "has corners that do not go round a square"
            raise TapscanError(_SCALE, what, "click the four corners one after the other, all round")
    return Scale(points, float(length_mm), float(length_sd_mm), float(click_sd_px))


def to_mm(scale: Scale, points_px: ArrayLike) -> Array:
    """Places on the cut in mm, shape (n, 2), of places in the photo, shape (n, 2)."""
    return _plane_mm(scale.points_px, scale.length_mm)(np.asarray(points_px, dtype=float))


def _plane_mm(points_px: Array, length_mm: float) -> _ToMm:
    """Give the function from pixels (n, 2) to mm (n, 2) that these points set."""
    if len(points_px) == 2:
        mm_per_px = length_mm / np.hypot(*(points_px[1] - points_px[0]))
        return lambda places_px: np.asarray(places_px * mm_per_px)
    ground = length_mm * np.array([[0.0, 0.0], [1.0, 0.0], [1.0, 1.0], [0.0, 1.0]])
    matrix = _homography(points_px, ground).T

    def mm(places_px: Array) -> Array:
        raised = np.column_stack([places_px, np.ones(len(places_px))]) @ matrix
        return np.asarray(raised[:, :2] / raised[:, 2:])

    return mm


def _homography(source: Array, target: Array) -> Array:
    """Plane to plane by four points: eight linear equations.

    Source: Hartley and Zisserman, Multiple View Geometry, section 4.1 (from memory).
    """
    rows = np.zeros((8, 8))
    rows[:4, :2] = rows[4:, 3:5] = source
    rows[:4, 2] = rows[4:, 5] = 1.0
    rows[:4, 6:] = -target[:, :1] * source
    rows[4:, 6:] = -target[:, 1:] * source
    return np.append(np.linalg.solve(rows, target.T.ravel()), 1.0).reshape(3, 3)


def propagated(scale: Scale, clicks_px: ArrayLike, measure: Measure) -> tuple[Quantity, ...]:
    """Measure from clicks, with the uncertainty that clicks, edges and scale give the result.

    `measure` is called with the clicks (n, 2), a function from pixels to mm, and how many pixels the edges
    are taken too wide; it returns values (k,). Errors of clicks, of the known length and of the edges are
    independent and small: u² = Σ (∂f/∂xᵢ)² u²(xᵢ).

    Source: GUM, JCGM 100:2008, 5.1.2, equation 10 (from memory).

    Examples
    --------
    A length of half the bar, known to a pixel at each of four clicks:

    >>> bar = scale_of([[0, 0], [200, 0]], 20.0, length_sd_mm=0.0)
    >>> def span(px, mm, edge_px):
    ...     return np.hypot(*np.diff(mm(px), axis=0).T)
    >>> (length,) = propagated(bar, [[0, 50], [100, 50]], span)
    >>> round(length.value, 3), round(length.sd, 3)
    (10.0, 0.158)
    """
    clicks = np.asarray(clicks_px, dtype=float)
    count = scale.points_px.size
    start = np.concatenate([scale.points_px.ravel(), [scale.length_mm, 0.0], clicks.ravel()])
    sd = np.full(start.size, scale.click_sd_px)
    sd[count], sd[count + 1] = scale.length_sd_mm, EDGE_SD_PX

    def result(values: Array) -> Array:
        points = values[:count].reshape(-1, 2)
        places = values[count + 2 :].reshape(-1, 2)
        return measure(places, _plane_mm(points, values[count]), float(values[count + 1]))

    value = result(start)
    variance = np.zeros_like(value)
    for index in range(start.size):
        step = np.zeros_like(start)
        step[index] = _STEP
        slope = (result(start + step) - result(start - step)) / (2 * _STEP)
        variance += (slope * sd[index]) ** 2
    return tuple(Quantity(float(v), float(s)) for v, s in zip(value, np.sqrt(variance), strict=True))
