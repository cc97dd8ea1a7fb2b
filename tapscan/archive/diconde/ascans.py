"""A-scans as a Parametric Map: every sample to the bit, one frame of the whole zone for each moment."""

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray
from pydicom import dcmread
from pydicom.dataset import Dataset, FileDataset
from pydicom.errors import InvalidDicomError
from pydicom.sequence import Sequence as Items
from pydicom.uid import ParametricMapStorage

from tapscan.archive.diconde.component import PRIVATE, Subject, decimal, instance, item, spacing_mm, uid
from tapscan.errors import TapscanError
from tapscan.plan import Zone
from tapscan.records.inspection import Inspection
from tapscan.records.readers import open_volume, read_trace

__all__ = ["ascans_file", "gathered", "read_ascans"]

# An even length in 32 bits is the most that one value may have (DICOM PS3.5).
MOST_BYTES = 2**32 - 2
_GROUP = 0x0021
_DTYPE, _RATE = 0x01, 0x02
# The smallest of the two floating-point forms that holds every value of a kind.
_EXACT = {"f": {2: "<f4", 4: "<f4", 8: "<f8"}, "i": {1: "<f4", 2: "<f4", 4: "<f8"}}

# The class knows only what was derived, even where nothing was; for A-scans it has no third word, and this
# one says least.
_TYPE = ["DERIVED", "PRIMARY", "MIXED", "NONE"]

Traces = NDArray[Any]


def gathered(inspection: Inspection, zone: Zone) -> Iterator[tuple[str, Traces, float]]:
    """Yield a zone's A-scans as (name, traces, rate in Hz), traces (stations, positions, samples).

    A volume is one, as it is in its file. Single traces are grouped by their sample rate, short ones
    filled up with NaN; those that cannot be read are left out.
    """
    rate_mhz = inspection.plan.sample_rate_mhz
    if zone.code in inspection.volumes and rate_mhz is not None:
        yield zone.code, open_volume(inspection.volumes[zone.code], zone), rate_mhz * 1e6
        return
    read: dict[float, dict[tuple[int, int], Traces]] = {}
    for point, path in inspection.trace_files.items():
        if point.zone == zone.code:
            try:
                trace = read_trace(path)
            except TapscanError:
                continue  # its point is unread in the results, which say why
            own = read.setdefault(round(trace.sample_rate_hz, 3), {})
            own[point.station - 1, point.position - 1] = trace.samples
    for number, (rate_hz, traces) in enumerate(sorted(read.items()), start=1):
        longest = max(samples.size for samples in traces.values())
        together = np.full((*zone.grid_shape, longest), np.nan)
        for at, samples in traces.items():
            together[at][: samples.size] = samples
        yield zone.code if len(read) == 1 else f"{zone.code}-{number}", together, rate_hz


def ascans_file(subject: Subject, zone: Zone, name: str, traces: Traces, rate_hz: float) -> FileDataset:
    """Lay the A-scans of a zone into a Parametric Map: frame i is sample i of every point.

    Rows are stations, columns positions, and each frame states its time after the first sample.

    Raises
    ------
    TapscanError
        When the values do not fit into floating point to the bit, or are too many for one file.
    """
    kept = _exact(traces, f"{name} A-scans")
    file = instance(subject, zone, ParametricMapStorage, f"{zone.code} A-scans", name)
    file.Modality = "US"
    file.SeriesNumber = 2
    file.InstanceNumber = 1
    file.ImageType = _TYPE
    file.FrameOfReferenceUID = uid(subject.seal, zone.code, "surface")
    file.PositionReferenceIndicator = ""
    file.ContentLabel = "ASCANS"
    by_name = ", by name: points on a photo" if zone.layout is not None else ""
    file.ContentDescription = f"A-scans of zone {zone.code}{by_name}"[:64]
    file.ContentCreatorName = ""
    file.ContentQualification = "RESEARCH"
    file.LossyImageCompression = "00"
    file.BurnedInAnnotation = "NO"
    file.RecognizableVisualFeatures = "NO"
    file.PresentationLUTShape = "IDENTITY"
    file.AcquisitionContextSequence = Items()
    file.NumberOfFrames = kept.shape[0]
    file.Rows, file.Columns = kept.shape[1:]
    file.SamplesPerPixel = 1
    file.PhotometricInterpretation = "MONOCHROME2"
    file.BitsAllocated = 8 * kept.dtype.itemsize
    _add_frames(file, zone, kept, rate_hz)
    block = file.private_block(_GROUP, PRIVATE, create=True)
    block.add_new(_DTYPE, "LO", np.dtype(traces.dtype).newbyteorder("=").name)
    block.add_new(_RATE, "FD", rate_hz)
    if kept.dtype.itemsize == 4:
        file.FloatPixelData = kept.tobytes()
    else:
        file.DoubleFloatPixelData = kept.tobytes()
    return file


def read_ascans(path: Path) -> tuple[Traces, float]:
    """Read A-scans back from a file that `tapscan archive export` wrote: traces and their rate in Hz.

    The traces have shape (stations, positions, samples), the dtype that they had, and the same bits.

    Raises
    ------
    TapscanError
        When the file holds no such A-scans.

    Examples
    --------
    >>> traces, rate_hz = read_ascans(Path("out/PL_ascans.dcm"))               # doctest: +SKIP
    >>> traces.shape, traces.dtype                                             # doctest: +SKIP
    ((24, 16, 400), dtype('float32'))
    """
    try:
        file = dcmread(path)
        block = file.private_block(_GROUP, PRIVATE)
        dtype, rate_hz = np.dtype(block[_DTYPE].value), float(block[_RATE].value)
        is_single = file.BitsAllocated == 32
        content = file.FloatPixelData if is_single else file.DoubleFloatPixelData
        values = np.frombuffer(content, "<f4" if is_single else "<f8").reshape(
            file.NumberOfFrames, file.Rows, file.Columns
        )
    except (OSError, InvalidDicomError, KeyError, AttributeError, ValueError, TypeError) as error:
        what = f"holds no A-scans of tapscan: {' '.join(str(error).split())[:120]}"
        raise TapscanError(path.name, what, "name a file that ends in _ascans.dcm") from None
    # From one float to another of another width the bits of a NaN's payload may move; the values do not.
    return np.ascontiguousarray(np.moveaxis(values, 0, 2).astype(dtype)), rate_hz


def _exact(traces: Traces, where: str) -> NDArray[np.floating[Any]]:
    """Turn traces into frames (samples, stations, positions) of little-endian floats that hold every bit."""
    kind = "i" if traces.dtype.kind in "iu" else traces.dtype.kind
    form = _EXACT.get(kind, {}).get(traces.dtype.itemsize)
    if form is None:
        what = f"are of type {traces.dtype}, whose values DICOM's floating point cannot all hold"
        raise TapscanError(where, what, "take them from the bag: tapscan archive restore")
    if traces.size * np.dtype(form).itemsize > MOST_BYTES:
        what = f"take {traces.size * np.dtype(form).itemsize:,} bytes, more than one DICOM file may hold"
        raise TapscanError(where, what, "take them from the bag: tapscan archive restore")
    return np.ascontiguousarray(np.moveaxis(traces, 2, 0).astype(form))


def _add_frames(file: FileDataset, zone: Zone, frames: NDArray[np.floating[Any]], rate_hz: float) -> None:
    """Say where the frames are, when each of them is, and what their values mean."""
    dimensions = uid("tapscan", "A-scans over time")
    file.DimensionOrganizationSequence = Items([item(DimensionOrganizationUID=dimensions)])
    file.DimensionIndexSequence = Items([
        item(
            DimensionOrganizationUID=dimensions,
            DimensionIndexPointer=0x00209128,  # Temporal Position Index
            FunctionalGroupPointer=0x00209111,  # Frame Content Sequence
            DimensionDescriptionLabel="Time after the first sample",
        )
    ])  # fmt: skip
    rows, columns = (decimal(length) for length in spacing_mm(zone))
    shared = Dataset()
    # The unrolled surface is the plane: x runs down the rows, s along the columns. Thickness is a must of the
    # class and has no meaning here.
    shared.PixelMeasuresSequence = Items([item(PixelSpacing=[rows, columns], SliceThickness="1")])
    shared.PlanePositionSequence = Items([item(ImagePositionPatient=["0", "0", "0"])])
    shared.PlaneOrientationSequence = Items([item(ImageOrientationPatient=["1", "0", "0", "0", "1", "0"])])
    shared.PixelValueTransformationSequence = Items(
        [item(RescaleIntercept="0", RescaleSlope="1", RescaleType="US")]
    )
    shared.FrameVOILUTSequence = Items([item(**_window(frames))])
    shared.ParametricMapFrameTypeSequence = Items([item(FrameType=_TYPE)])
    shared.RealWorldValueMappingSequence = Items([_mapping(frames)])
    file.SharedFunctionalGroupsSequence = Items([shared])
    file.PerFrameFunctionalGroupsSequence = Items([_frame(at, rate_hz) for at in range(len(frames))])


def _frame(at: int, rate_hz: float) -> Dataset:
    content = item(DimensionIndexValues=[at + 1], TemporalPositionIndex=at + 1)
    time = item(TemporalPositionTimeOffset=at / rate_hz)
    return item(FrameContentSequence=Items([content]), TemporalPositionSequence=Items([time]))


def _window(frames: NDArray[np.floating[Any]]) -> dict[str, str]:
    shown = frames[np.isfinite(frames)]
    low, high = (float(shown.min()), float(shown.max())) if shown.size else (0.0, 1.0)
    width = decimal(max(high - low, 1e-6))
    middle = decimal((low + high) / 2)
    return {"WindowCenter": middle, "WindowWidth": width, "VOILUTFunction": "LINEAR_EXACT"}


def _mapping(frames: NDArray[np.floating[Any]]) -> Dataset:
    finite = frames[np.isfinite(frames)]
    low, high = (float(finite.min()), float(finite.max())) if finite.size else (0.0, 0.0)
    unit = item(CodeValue="1", CodingSchemeDesignator="UCUM", CodeMeaning="no units")
    mapping = item(
        RealWorldValueIntercept=0.0,
        RealWorldValueSlope=1.0,
        DoubleFloatRealWorldValueFirstValueMapped=low,
        DoubleFloatRealWorldValueLastValueMapped=high,
        LUTExplanation="amplitude as recorded",
        LUTLabel="AMPLITUDE",
    )
    mapping.MeasurementUnitsCodeSequence = Items([unit])
    return mapping
