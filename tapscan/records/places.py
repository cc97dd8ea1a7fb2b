"""Photos of an inspection: where they were taken, taken out of them."""

from pathlib import Path

from tapscan.pictures import picture_facts, sha256_of, without_place
from tapscan.plan.text.reading import PLAN_NAME
from tapscan.records.inspection import Inspection, open_inspection
from tapscan.records.writing import write_bytes, write_text

__all__ = ["without_place_in", "without_places"]


def without_places(inspection: Inspection) -> Inspection:
    """Take the place out of every photo that a zone is planned on, and write its new digest into the plan.

    The new photo is written beside the old one before the plan names it, so that nothing is lost when the
    program is stopped between the two: then the plan asks for the new digest.
    """
    for name in dict.fromkeys(zone.layout.photo for zone in inspection.plan.zones if zone.layout is not None):
        without_place_in(inspection.folder, name)
    return open_inspection(inspection.folder)


def without_place_in(folder: Path, name: str) -> None:
    """Take the place out of one photo, and write its new digest wherever the plan has the old one."""
    path, plan = folder / name, folder / PLAN_NAME
    if not picture_facts(path, name).has_place:
        return
    before = sha256_of(path)
    write_bytes(path, without_place(path, name))
    text = plan.read_text(encoding="utf-8")
    if before in text:
        write_text(plan, text.replace(before, sha256_of(path)))
