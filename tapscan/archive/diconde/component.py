"""What every DICONDE file says alike: the component, the inspection, the series, and what was found."""

import re
import uuid
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from pydicom.dataset import Dataset, FileDataset, FileMetaDataset
from pydicom.sequence import Sequence as Items
from pydicom.uid import UID, ExplicitVRLittleEndian
from pydicom.valuerep import format_number_as_ds

from tapscan import __version__
from tapscan.plan import Part, Zone, girth_mm

__all__ = [
    "PRIVATE",
    "Subject",
    "add_indications",
    "decimal",
    "instance",
    "item",
    "long_text",
    "spacing_mm",
    "uid",
]

PRIVATE = "TAPSCAN"
# Registered by nobody and needing no registration: a UID made of a UUID (DICOM PS3.5, annex B.2).
_NAMESPACE = uuid.UUID("6f6b7f0e-5e4c-5f0e-9b53-3a1f0c1c7a10")
_LATIN = re.compile(r"[^A-Z0-9 _]")


@dataclass(frozen=True, slots=True)
class Subject:
    """Whose inspection it is: the part, the bag's label and seal, the day (``20260314`` or empty)."""

    part: Part
    label: str
    seal: str
    day: str


def uid(*words: str) -> UID:
    """Make a unique identifier of words; the same words give the same one, so a second export is equal."""
    return UID(f"2.25.{uuid.uuid5(_NAMESPACE, '|'.join(words)).int}")


def instance(subject: Subject, zone: Zone, storage_class: UID, series: str, name: str) -> FileDataset:
    """Begin a file: its place among component, inspection and series, with everything they have in common."""
    meta = FileMetaDataset()
    meta.MediaStorageSOPClassUID = storage_class
    meta.MediaStorageSOPInstanceUID = uid(subject.seal, series, name)
    meta.TransferSyntaxUID = ExplicitVRLittleEndian
    meta.ImplementationClassUID = uid("tapscan")
    meta.ImplementationVersionName = f"TAPSCAN {__version__}"[:16]
    file = FileDataset("", {}, file_meta=meta, preamble=bytes(128))
    file.SpecificCharacterSet = "ISO_IR 192"
    file.SOPClassUID = storage_class
    file.SOPInstanceUID = meta.MediaStorageSOPInstanceUID
    _add_component(file, subject, zone)
    _add_inspection(file, subject)
    file.SeriesInstanceUID = uid(subject.seal, series)
    file.Laterality = ""  # wanted of every series, and empty: a component is not half of a pair
    file.SeriesDescription = _short(series, 64)
    file.Manufacturer = "tapscan"
    file.ManufacturerModelName = "tapscan"
    file.DeviceSerialNumber = "none"
    file.SoftwareVersions = __version__
    file.ContentDate = subject.day
    file.ContentTime = "000000"  # the plan knows the day alone
    return file


def _add_component(file: Dataset, subject: Subject, zone: Zone) -> None:
    part, wall = subject.part, zone.laminate
    # E2339 from memory: Patient's Name becomes Component Name, Patient ID Component ID Number, Patient's
    # Birth Date the day of manufacture (unknown here); a component has no sex, and DICOM wants the attribute.
    file.PatientName = _person(part.name or subject.label)
    file.PatientID = _short(part.serial or subject.label, 64)
    file.PatientBirthDate = ""
    file.PatientSex = ""
    if part.history:
        file.PatientComments = long_text(part.history)  # from memory: Component Notes
    if wall.thickness_mm is not None:
        file.MaterialThickness = decimal(wall.thickness_mm)
    # The shape's words are those of the plan; which ones E2339 lists is not known here.
    file.ComponentShape = zone.shape.upper()
    if zone.is_tube:
        file.OuterDiameter = decimal(float(girth_mm(zone).mean()) / np.pi)
    settings = {
        "in-plane bending modulus, GPa": wall.modulus_gpa,
        "Poisson": wall.poisson,
        "density, kg/m3": wall.density_kg_m3,
        "velocity through the thickness, m/s": wall.velocity_m_s,
    }
    notes = "; ".join(f"{name}: {value:g}" for name, value in settings.items() if value is not None)
    if notes:
        file.MaterialNotes = notes


def _add_inspection(file: Dataset, subject: Subject) -> None:
    file.StudyInstanceUID = uid(subject.seal)
    file.StudyDate = subject.day
    file.StudyTime = ""
    file.StudyID = _short(subject.label, 16)
    file.StudyDescription = _short(f"Inspection {subject.label}", 64)
    file.AccessionNumber = ""
    file.ReferringPhysicianName = _person(subject.part.owner_ref)  # from memory: Component Owner Name
    if subject.part.inspector:
        file.OperatorsName = _person(subject.part.inspector)  # from memory: Inspecting Operator's Name


def add_indications(file: Dataset, indications: Sequence[dict[str, Any]]) -> None:
    """Add what was found, in the module that E2339 calls NDE Indication (its nesting from memory).

    There is no disposition: the verdict stays with a person.
    """
    if not indications:
        return
    found = [
        item(
            IndicationNumber=number,
            IndicationLabel=_short(str(one["id"]), 16),
            IndicationDescription=_described(one)[:1024],
            IndicationType=_LATIN.sub(" ", str(one.get("kind", "delamination")).upper())[:16],
        )
        for number, one in enumerate(indications, start=1)
    ]
    evaluator = item(EvaluatorNumber=1, EvaluatorName="tapscan", EvaluationAttempt=1)
    evaluator.IndicationSequence = Items(found)
    file.EvaluatorSequence = Items([evaluator])


def _described(one: dict[str, Any]) -> str:
    depth = one.get("depth_mm")
    words = f"suspect area {one['area_mm2']:g} mm2 ({one['area_low_mm2']:g} to {one['area_high_mm2']:g})"
    words += f", x {one['x_mm'][0]:g} to {one['x_mm'][1]:g} mm, s {one['s_mm'][0]:g} to {one['s_mm'][1]:g} mm"
    words += "" if depth is None else f", depth {depth:g} mm"
    return f"{words}, strongest at {one['peak_point']}; points {' '.join(one['points'])}"


def spacing_mm(zone: Zone) -> tuple[float, float]:
    """Distance from row to row (stations) and from column to column (positions) of a map, unrolled.

    On a tapered tube the columns draw together; theirs is the mean over the stations.
    """
    if zone.is_tube:
        return zone.station_pitch_mm, float(girth_mm(zone).mean()) / zone.positions
    assert zone.position_pitch_mm is not None  # the plan's reader saw to it
    return zone.station_pitch_mm, zone.position_pitch_mm


def item(**attributes: Any) -> Dataset:
    """Make one item of a sequence of attributes by their DICOM keywords."""
    inner = Dataset()
    for keyword, value in attributes.items():
        setattr(inner, keyword, value)
    return inner


def decimal(value: float) -> str:
    """Write a number as a decimal string, which DICOM allows 16 characters."""
    return format_number_as_ds(float(value))


def long_text(text: str) -> str:
    """Cut a text to what an attribute of long text holds."""
    return text.replace("\r\n", "\n").replace("\n", "\r\n")[:10_240]


def _short(text: str, length: int) -> str:
    # A backslash parts values; control signs are not allowed in a line.
    return " ".join(text.replace("\\", "/").split())[:length].strip()


def _person(text: str) -> str:
    # In a person's name ^ parts its pieces and = its alphabets.
    return re.sub(r"[\^=]", " ", _short(text, 64)).strip()
