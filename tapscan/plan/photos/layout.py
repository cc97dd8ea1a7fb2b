"""What the plan says of a zone on a photo. Pixels count from the upper left corner, x right and y down."""

from dataclasses import dataclass

__all__ = ["KnownLength", "PhotoLayout", "PhotoPoint", "Pixel", "PrintedSquare"]

Pixel = tuple[float, float]


@dataclass(frozen=True, slots=True)
class KnownLength:
    """Two places on the photo and the distance between them on the part."""

    start_px: Pixel
    end_px: Pixel
    length_mm: float


@dataclass(frozen=True, slots=True)
class PrintedSquare:
    """The four corners of a printed square that is on the part, clockwise as seen, and its side."""

    corners_px: tuple[Pixel, Pixel, Pixel, Pixel]
    side_mm: float


@dataclass(frozen=True, slots=True)
class PhotoPoint:
    """One marked spot: station and position are the two numbers of its name."""

    station: int
    position: int
    at_px: Pixel


@dataclass(frozen=True, slots=True)
class PhotoLayout:
    """A photo with its scale, the outline of what is inspected, and the points on it.

    Either `square` or `lengths` gives the scale. `holes_px` are outlines of holes. `points_file` is where the
    points were read from when they are not in the plan itself.
    """

    photo: str
    sha256: str
    lengths: tuple[KnownLength, ...]
    square: PrintedSquare | None
    outline_px: tuple[Pixel, ...]
    holes_px: tuple[tuple[Pixel, ...], ...]
    points: tuple[PhotoPoint, ...]
    points_file: str = ""
