"""All DICONDE files of one archived inspection."""

from collections.abc import Iterator
from pathlib import Path
from typing import Any

from pydicom.dataset import FileDataset

from tapscan.archive.bags.stored import point_rows, results_of
from tapscan.archive.diconde.ascans import ascans_file, gathered
from tapscan.archive.diconde.component import Subject, add_indications
from tapscan.archive.diconde.maps import map_file, maps_of
from tapscan.archive.diconde.photos import photo_file, points_of
from tapscan.archive.entries import iso_date, read_entry
from tapscan.archive.places import Bag
from tapscan.plan import Zone
from tapscan.records.inspection import open_inspection

__all__ = ["write_diconde"]


def write_diconde(bag: Bag, folder: Path) -> list[Path]:
    """Write the maps, photos and A-scans of an archived inspection into `folder` and return the files.

    The same bag gives the same bytes and the same identifiers whenever it is written.

    Raises
    ------
    TapscanError
        When the bag was never analysed, cannot be read, or its A-scans do not fit into DICOM.
    """
    tables, _, indications = results_of(bag)
    rows = point_rows(tables["points.csv"])
    inspection = open_inspection(bag.inspection)
    entry = read_entry(bag).bag
    day = iso_date(inspection.plan.part.date) or entry["added"] or ""
    subject = Subject(inspection.plan.part, bag.label, entry["seal"], day.replace("-", ""))
    files: list[Path] = []
    for zone in inspection.plan.zones:
        for name, file in _seen(subject, zone, rows, bag.inspection):
            if name.endswith(("score", "photo")):
                method = name.split("_")[1]
                own = [one for one in indications if (one["zone"], one["method"]) == (zone.code, method)]
                add_indications(file, own)
            files.append(_save(file, folder / f"{name}.dcm"))
        for name, traces, rate_hz in gathered(inspection, zone):
            file = ascans_file(subject, zone, name, traces, rate_hz)
            files.append(_save(file, folder / f"{name}_ascans.dcm"))
    return files


def _seen(
    subject: Subject, zone: Zone, rows: list[dict[str, Any]], home: Path
) -> Iterator[tuple[str, FileDataset]]:
    """Yield a zone's pictures with their names: its maps, or its photo with the points."""
    if zone.layout is not None:
        for points in points_of(zone, zone.layout, rows):
            yield f"{zone.code}_{points.method}_photo", photo_file(subject, points, home)
        return
    for number, drawn in enumerate(maps_of(zone, rows), start=1):
        yield f"{zone.code}_{drawn.method}_{drawn.name}", map_file(subject, drawn, number)


def _save(file: FileDataset, path: Path) -> Path:
    file.save_as(path, enforce_file_format=True)
    return path
