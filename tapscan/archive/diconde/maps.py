"""Maps as 16-bit images: one grid point a pixel, with physical spacing, a scale, and unread kept apart."""

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray
from pydicom.dataset import FileDataset
from pydicom.uid import SecondaryCaptureImageStorage

from tapscan.archive.diconde.component import Subject, decimal, instance, long_text, spacing_mm
from tapscan.plan import Zone

__all__ = ["PADDING", "STATUS", "Map", "map_file", "maps_of", "quantised"]

# The value of a pixel that holds no reading: unread, or skipped on purpose.
PADDING = 0
_LEVELS = 65_535
# What is drawn where there are values of it, with its unit in UCUM, "1" for a pure number.
QUANTITIES = {
    "score": "1",
    "depth_mm": "mm",
    "thickness_mm": "mm",
    "tof_us": "us",
    "backwall_db": "dB",
    "echo_db": "dB",
    "centroid_hz": "Hz",
    "peak_hz": "Hz",
    "decay_time_s": "s",
    "level_db": "dB",
}
STATUS = {"unread": 1, "clear": 2, "suspect": 3}

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True, eq=False)
class Map:
    """One quantity over one zone by one method; `values` (stations, positions), NaN where there is none."""

    zone: Zone
    method: str
    name: str
    unit: str
    values: Floats


def maps_of(zone: Zone, rows: list[dict[str, Any]]) -> Iterator[Map]:
    """Lay the rows of ``points.csv`` that belong to a zone out as maps, the status first of each method."""
    for method in ("tap", "ascan"):
        own = [row for row in rows if row["zone"] == zone.code and row["method"] == method]
        if not own:
            continue
        at = tuple(np.array([[row["station"], row["position"]] for row in own], dtype=int).T - 1)
        columns: Mapping[str, list[Any]] = {name: [row.get(name) for row in own] for name in QUANTITIES}
        status = [STATUS.get(row["status"]) for row in own]
        for name, unit, column in [
            ("status", "1", status),
            *((n, QUANTITIES[n], columns[n]) for n in columns),
        ]:
            values = np.full(zone.grid_shape, np.nan)
            values[at] = np.array(column, dtype=float)
            if np.isfinite(values).any():
                yield Map(zone, method, name, unit, values)


def quantised(values: Floats) -> tuple[NDArray[np.uint16], str, str]:
    """Return pixels, slope and intercept, so that pixel · slope + intercept is the value to half a slope.

    The slope and intercept are used just as they are written, in 16 characters, so that a reader who parses
    them gets the same numbers. Pixel 0 is kept for what holds no reading.

    Examples
    --------
    >>> pixels, slope, intercept = quantised(np.array([[1.0, 2.0, np.nan]]))
    >>> (pixels * float(slope) + float(intercept)).round(6).tolist(), pixels[0, 2]
    ([[1.0, 2.0, 0.999985]], np.uint16(0))
    """
    is_read = np.isfinite(values)
    low, high = float(values[is_read].min()), float(values[is_read].max())
    # A hair wider than the values, so that rounding the scale never pushes one over the edge.
    slope = decimal((high - low) / (_LEVELS - 2) or 1.0)
    intercept = decimal(low - float(slope))
    steps = np.round((values - float(intercept)) / float(slope))
    return np.where(is_read, np.clip(steps, 1, _LEVELS), PADDING).astype(np.uint16), slope, intercept


def map_file(subject: Subject, drawn: Map, number: int) -> FileDataset:
    """Draw one map as a Secondary Capture Image: rows are stations, columns positions."""
    zone = drawn.zone
    series = f"{zone.code} {drawn.method} maps"
    file = instance(subject, zone, SecondaryCaptureImageStorage, series, drawn.name)
    file.Modality = "OT"
    file.SeriesNumber = 1
    file.InstanceNumber = number
    file.ConversionType = "WSD"
    # Type 2 of the general image: how a patient is positioned. A component does not.
    file.PatientOrientation = ""
    file.ImageType = ["DERIVED", "SECONDARY"]
    file.ImageComments = long_text(_comment(drawn))
    _add_pixels(file, drawn)
    return file


def _add_pixels(file: FileDataset, drawn: Map) -> None:
    if drawn.name == "status":
        pixels = np.nan_to_num(drawn.values, nan=PADDING).astype(np.uint16)
        slope, intercept = "1", "0"
    else:
        pixels, slope, intercept = quantised(drawn.values)
    rows, columns = spacing_mm(drawn.zone)
    file.Rows, file.Columns = pixels.shape
    file.SamplesPerPixel = 1
    file.PhotometricInterpretation = "MONOCHROME2"
    file.BitsAllocated = file.BitsStored = 16
    file.HighBit = 15
    file.PixelRepresentation = 0
    file.PixelPaddingValue = PADDING
    file.PixelSpacing = [decimal(rows), decimal(columns)]
    file.NominalScannedPixelSpacing = [decimal(rows), decimal(columns)]
    file.RescaleSlope = slope
    file.RescaleIntercept = intercept
    file.RescaleType = "US"  # DICOM's word for: a unit that has no word here; the comment names it
    shown = drawn.values[np.isfinite(drawn.values)]
    file.WindowCenter = decimal(float(shown.min() + shown.max()) / 2)
    file.WindowWidth = decimal(max(float(np.ptp(shown)), 1e-6))
    file.VOILUTFunction = "LINEAR_EXACT"  # the only one that allows a window narrower than 1
    file.PixelData = pixels.astype("<u2").tobytes()


def _comment(drawn: Map) -> str:
    zone = drawn.zone
    words = f"{drawn.name} by {drawn.method} of zone {zone.code}, unit {drawn.unit}. "
    words += "Rows are stations, columns positions of the surface unrolled at position 1. "
    if drawn.name == "status":
        words += "0 skipped, 1 unread, 2 clear, 3 suspect. "
    else:
        words += "Value = pixel x slope + intercept; pixel 0 holds no reading: unread or skipped. "
    if zone.is_tube and zone.girth_start_mm != zone.girth_end_mm:
        words += "The tube tapers; the spacing of columns is the mean. "
    return words + "A clear map is not proof of soundness."
