"""A zone on a photo: the photo as a colour image, and its points, with what was measured there, beside it.

Points of a photo are no rows and columns. So they are no pixels of a map, but items of a private sequence:
name, place in the picture and on the face, status and values. Which values they are is written once.
"""

from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from pydicom.dataset import Dataset, FileDataset
from pydicom.sequence import Sequence as Items
from pydicom.uid import SecondaryCaptureImageStorage

from tapscan.archive.diconde.component import PRIVATE, Subject, instance, long_text
from tapscan.archive.diconde.maps import QUANTITIES
from tapscan.pictures import picture_facts, upright
from tapscan.plan import Zone, point_name
from tapscan.plan.photos.layout import PhotoLayout

__all__ = ["PhotoPoints", "photo_file", "points_of", "read_points"]

_GROUP = 0x0021
_QUANTITIES, _POINTS, _NAME, _PIXEL, _PLACE, _STATUS, _VALUES = range(0x10, 0x17)
_MOST_PX = 1800  # policy: of the photo's longer side


@dataclass(frozen=True, slots=True)
class PhotoPoints:
    """What one method says of a zone on a photo: rows of ``points.csv``, and the columns that have values."""

    zone: Zone
    layout: PhotoLayout
    method: str
    rows: list[dict[str, Any]]
    columns: tuple[str, ...]


def points_of(zone: Zone, layout: PhotoLayout, rows: list[dict[str, Any]]) -> list[PhotoPoints]:
    """Sort the rows of ``points.csv`` that belong to a zone by method."""
    found = []
    for method in ("tap", "ascan"):
        own = [row for row in rows if row["zone"] == zone.code and row["method"] == method]
        if own:
            columns = tuple(name for name in QUANTITIES if any(row.get(name) is not None for row in own))
            found.append(PhotoPoints(zone, layout, method, own, columns))
    return found


def photo_file(subject: Subject, points: PhotoPoints, home: Path) -> FileDataset:
    """Write the photo of a zone as a Secondary Capture Image, the right way up, with its points.

    The picture is read from the inspection folder `home`; what the camera wrote beside it, a place perhaps,
    stays out.

    Raises
    ------
    TapscanError
        When the photo is gone or damaged.
    """
    zone, layout = points.zone, points.layout
    series = f"{zone.code} {points.method} photo"
    file = instance(subject, zone, SecondaryCaptureImageStorage, series, "photo")
    file.Modality = "XC"  # DICOM's word for a photo taken from outside
    file.SeriesNumber = 3
    file.InstanceNumber = 1
    file.ConversionType = "WSD"
    file.PatientOrientation = ""
    file.ImageType = ["DERIVED", "SECONDARY"]
    file.ImageComments = long_text(_comment(points))
    picture = upright(home / layout.photo, layout.photo, _MOST_PX)
    file.Rows, file.Columns = picture.shape[:2]
    file.SamplesPerPixel = 3
    file.PhotometricInterpretation = "RGB"
    file.PlanarConfiguration = 0
    file.BitsAllocated = file.BitsStored = 8
    file.HighBit = 7
    file.PixelRepresentation = 0
    content = picture.tobytes()
    file.PixelData = content + b"\0" * (len(content) % 2)
    facts = picture_facts(home / layout.photo, layout.photo)
    _add_points(file, points, picture.shape[1] / facts.width_px)
    return file


def read_points(file: Dataset) -> dict[str, dict[str, Any]]:
    """Read the points of a file of `photo_file`: name to ``px``, ``mm``, ``status`` and the quantities."""
    block = file.private_block(_GROUP, PRIVATE)
    names = np.atleast_1d(block[_QUANTITIES].value).tolist()
    found = {}
    for one in block[_POINTS].value:
        own = one.private_block(_GROUP, PRIVATE)
        values = dict(zip(names, np.atleast_1d(own[_VALUES].value).tolist(), strict=True))
        place = {"px": list(own[_PIXEL].value), "mm": list(own[_PLACE].value), "status": own[_STATUS].value}
        found[own[_NAME].value] = place | values
    return found


def _add_points(file: FileDataset, points: PhotoPoints, shrunk: float) -> None:
    """Add each row as an item; `shrunk` is by how much the picture was made smaller."""
    code = points.zone.code
    at_px = {point_name(code, one.station, one.position): one.at_px for one in points.layout.points}
    items = []
    for row in points.rows:
        item = Dataset()
        own = item.private_block(_GROUP, PRIVATE, create=True)
        own.add_new(_NAME, "LO", row["point"])
        own.add_new(_PIXEL, "FD", [shrunk * end for end in at_px[row["point"]]])
        own.add_new(_PLACE, "FD", [float(row["x_mm"]), float(row["s_mm"])])
        own.add_new(_STATUS, "CS", row["status"].upper())
        own.add_new(_VALUES, "FD", [_number(row.get(name)) for name in points.columns])
        items.append(item)
    block = file.private_block(_GROUP, PRIVATE, create=True)
    block.add_new(_QUANTITIES, "LO", list(points.columns))
    block.add_new(_POINTS, "SQ", Items(items))


def _number(value: Any) -> float:
    return float("nan") if value is None else float(value)


def _comment(points: PhotoPoints) -> str:
    columns = ", ".join(f"{name} ({QUANTITIES[name]})" for name in points.columns)
    return (
        f"Photo of zone {points.zone.code}, with its points by {points.method} in (0021,xx{_POINTS:02X}) of "
        f"{PRIVATE}: name, pixel (right and down from the upper left corner), place on the face in mm, "
        f"status, and values of {columns}; not a number where there is none. Pixels have no one size: the "
        "face may be turned. A clear map is not proof of soundness."
    )
