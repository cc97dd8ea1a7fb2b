"""Checksums that tie results to the very bytes they were computed from."""

import hashlib
from pathlib import Path

from tapscan.plan.text.reading import PLAN_NAME
from tapscan.records.inspection import SETUP, Inspection, end_of

__all__ = ["digests", "setup_checks"]


def digests(inspection: Inspection, more: str = "") -> dict[str, str]:
    """SHA-256 of the plan, every reading's file and every check of the setup, by path, sorted.

    `more` names one further file of the inspection that results rest on; '' for none. A file that has gone
    or cannot be read meanwhile has an empty checksum.
    """
    readings = [path for paths in inspection.tap_files.values() for path in paths]
    readings += [*inspection.volumes.values(), *inspection.trace_files.values()]
    readings += setup_checks(inspection.folder)
    paths = {path.relative_to(inspection.folder).as_posix(): path for path in readings}
    paths[PLAN_NAME] = inspection.folder / PLAN_NAME
    for zone in inspection.plan.zones:
        if zone.layout is not None:
            names = (zone.layout.photo, zone.layout.points_file)
            paths |= {name: inspection.folder / name for name in names if name}
    if more:
        paths[more] = inspection.folder / more
    return {name: _sha256(paths[name]) for name in sorted(paths)}


def setup_checks(part: Path) -> list[Path]:
    """List the checks of the setup that an inspection folder holds, ``setup/TIME/check.json``, sorted."""
    inside = part.resolve()
    found = (path for path in (part / SETUP).glob("*/check.json") if path.is_file())
    return sorted(path for path in found if (end_of(path) or path).is_relative_to(inside))


def _sha256(path: Path) -> str:
    try:
        with path.open("rb") as stream:
            return hashlib.file_digest(stream, "sha256").hexdigest()
    except OSError:
        return ""
