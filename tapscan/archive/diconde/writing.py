"""All DICONDE files of one archived inspection."""

from pathlib import Path

from pydicom.dataset import FileDataset

from tapscan.archive.bags.stored import point_rows, results_of
from tapscan.archive.diconde.ascans import ascans_file, gathered
from tapscan.archive.diconde.component import Subject, add_indications
from tapscan.archive.diconde.maps import map_file, maps_of
from tapscan.archive.entries import iso_date, read_entry
from tapscan.archive.places import Bag
from tapscan.errors import TapscanError
from tapscan.records.inspection import open_inspection

__all__ = ["write_diconde"]


def write_diconde(bag: Bag, folder: Path) -> list[Path]:
    """Write the maps and A-scans of an archived inspection into `folder` and return the files.

    The same bag gives the same bytes and the same identifiers whenever it is written.

    Raises
    ------
    TapscanError
        When the bag was never analysed, cannot be read, or its A-scans do not fit into DICOM.
    """
    tables, _, indications = results_of(bag)
    rows = point_rows(tables["points.csv"])
    inspection = open_inspection(bag.inspection)
    for zone in inspection.plan.zones:
        if zone.layout is not None:
            what = f"zone {zone.code} is on a photo, and its points are no rows and columns of an image"
            raise TapscanError(bag.label, what, "export it as csv or json")
    entry = read_entry(bag).bag
    day = iso_date(inspection.plan.part.date) or entry["added"] or ""
    subject = Subject(inspection.plan.part, bag.label, entry["seal"], day.replace("-", ""))
    files: list[Path] = []
    for zone in inspection.plan.zones:
        for number, drawn in enumerate(maps_of(zone, rows), start=1):
            file = map_file(subject, drawn, number)
            if drawn.name == "score":
                own = [
                    one for one in indications if (one["zone"], one["method"]) == (zone.code, drawn.method)
                ]
                add_indications(file, own)
            files.append(_save(file, folder / f"{zone.code}_{drawn.method}_{drawn.name}.dcm"))
        for name, traces, rate_hz in gathered(inspection, zone):
            file = ascans_file(subject, zone, name, traces, rate_hz)
            files.append(_save(file, folder / f"{name}_ascans.dcm"))
    return files


def _save(file: FileDataset, path: Path) -> Path:
    file.save_as(path, enforce_file_format=True)
    return path
