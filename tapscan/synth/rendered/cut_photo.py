"""The photo of a cut that nobody made: the demo's seat pan along station 10, rendered.

Everything in it is invented, and SYNTHETIC is written into the picture. Places are mm in the plane of the
cut, x along the cut from the middle of the delamination, y down from the outer surface. The camera looked a
little from the side, so that only the square in the picture shows the scale.
"""

from typing import TYPE_CHECKING

import numpy as np

from tapscan.synth.rendered.picture import grey_png, write_words
from tapscan.synth.seeds import generator

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Array = NDArray[np.float64]

__all__ = [
    "PHOTO_NAME",
    "SEPARATION_MM",
    "SQUARE_MM",
    "VOID_MM",
    "VOID_RADIUS_MM",
    "WALL_MM",
    "cut_photo",
    "planar_void_mm",
    "to_px",
]

PHOTO_NAME = "photos/cut-SP-10.png"
WALL_MM = 2.4
SQUARE_MM = ((-10.0, 6.0), (10.0, 6.0), (10.0, 26.0), (-10.0, 26.0))  # its outer corners
SEPARATION_MM = (-18.0, 18.0)  # from end to end of the delamination
VOID_MM, VOID_RADIUS_MM = (9.0, 1.75), 0.24
_PLANAR_MM, _PLANAR_HALF_MM = (-13.0, 1.0), (1.6, 0.16)  # a flat void between plies, left by manufacture
_SLIT_MM = 0.09
_SIZE = (880, 600)
# From mm to pixels: 14.5 pixels a millimetre in the middle, tilted a little about both axes.
_VIEW = np.array([[14.5, 0.25, 440.0], [-0.3, 14.2, 130.0], [8e-4, 1.6e-3, 1.0]])
_FINE = 2  # numerical: rays through a pixel, each way
_PLY_MM = 0.2


def to_px(places_mm: "Array") -> "Array":
    """Where places of the cut (n, 2) are in the photo, (n, 2).

    Examples
    --------
    >>> to_px(np.array([[0.0, 0.0]])).tolist()
    [[440.0, 130.0]]
    """
    raised = np.column_stack([places_mm, np.ones(len(places_mm))]) @ _VIEW.T
    return np.asarray(raised[:, :2] / raised[:, 2:])


def planar_void_mm(count: int = 14) -> "Array":
    """Corners (count, 2) of the planar void's outline."""
    turn = np.arange(count) * 2 * np.pi / count
    return np.array(_PLANAR_MM) + np.column_stack([np.cos(turn), np.sin(turn)]) * _PLANAR_HALF_MM


def cut_photo(seed: int) -> bytes:
    """Render the photo: a PNG file, the same bytes every time."""
    rng = generator(seed, "cut photo", "SP")
    columns, rows = ((np.arange(size * _FINE) + 0.5) / _FINE - 0.5 for size in _SIZE)
    back = np.linalg.inv(_VIEW)
    x_px, y_px = np.meshgrid(columns, rows)
    seen = np.tensordot(back, np.stack([x_px, y_px, np.ones_like(x_px)]), axes=1)
    grey = _scene(seen[0] / seen[2], seen[1] / seen[2], rng)
    grey = grey.reshape(_SIZE[1], _FINE, _SIZE[0], _FINE).mean(axis=(1, 3))
    grey += 5.0 * rng.standard_normal(grey.shape)
    write_words(grey, "SYNTHETIC", (_SIZE[1] - 33, 12), 3)
    return grey_png(grey)


def _scene(x: "Array", y: "Array", rng: np.random.Generator) -> "Array":
    """Give the grey of places in mm: bench, printed square, laminate with its flaws."""
    grey = 168.0 + 0.25 * x
    paper = (np.abs(x) < 13) & (np.abs(y - 16) < 13)
    grey[paper] = 232.0
    outer, inner = ((np.abs(x) < side) & (np.abs(y - 16) < side) for side in (10, 8))
    grey[outer & ~inner] = 28.0
    # Each ply has its own grey, and bundles of fibres along it are lighter or darker.
    ply = np.floor(y / _PLY_MM).astype(int)
    shade = np.where(np.arange(12) % 2, 104.0, 84.0) + 5 * rng.standard_normal(12)
    bundles = 6 * rng.standard_normal((12, 70))
    wall = (y >= 0) & (y < WALL_MM) & (np.abs(x) < 28.5)
    at = np.clip(ply[wall], 0, 11)
    grey[wall] = shade[at] + bundles[at, np.clip(np.floor(x[wall] + 35).astype(int), 0, 69)]
    slit = (np.abs(y - _slit_mm(x)) < _SLIT_MM / 2) & (x > SEPARATION_MM[0]) & (x < SEPARATION_MM[1])
    planar = ((x - _PLANAR_MM[0]) / _PLANAR_HALF_MM[0]) ** 2 + ((y - _PLANAR_MM[1]) / _PLANAR_HALF_MM[1]) ** 2
    void = (x - VOID_MM[0]) ** 2 + (y - VOID_MM[1]) ** 2 < VOID_RADIUS_MM**2
    grey[slit | (planar < 1) | void] = 18.0
    return grey


def _slit_mm(x: "Array") -> "Array":
    """Depth of the delamination along the cut."""
    return np.asarray(1.0 + 0.02 * np.sin(x / 2.5))
