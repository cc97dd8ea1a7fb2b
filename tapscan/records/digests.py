"""Checksums that tie results to the very bytes they were computed from."""

import hashlib
from pathlib import Path

from tapscan.plan.reading import PLAN_NAME
from tapscan.records.inspection import Inspection

__all__ = ["digests"]


def digests(inspection: Inspection, more: str = "") -> dict[str, str]:
    """SHA-256 of the plan and of every reading's file, by path within the inspection, sorted.

    `more` names one further file of the inspection that results rest on; '' for none. A file that has gone
    or cannot be read meanwhile has an empty checksum.
    """
    readings = [path for paths in inspection.tap_files.values() for path in paths]
    readings += [*inspection.volumes.values(), *inspection.trace_files.values()]
    paths = {path.relative_to(inspection.folder).as_posix(): path for path in readings}
    paths[PLAN_NAME] = inspection.folder / PLAN_NAME
    if more:
        paths[more] = inspection.folder / more
    return {name: _sha256(paths[name]) for name in sorted(paths)}


def _sha256(path: Path) -> str:
    try:
        with path.open("rb") as stream:
            return hashlib.file_digest(stream, "sha256").hexdigest()
    except OSError:
        return ""
