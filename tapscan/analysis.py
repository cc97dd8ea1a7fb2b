"""The main job: an inspection in, results out."""

from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from tapscan.records.inspection import Inspection
from tapscan.screening.results import Indication, Screened

__all__ = ["Results"]


@dataclass(frozen=True, slots=True, eq=False)
class Results:
    """Everything that one run of the main job found. Pure data; `save` alone touches the disk."""

    inspection: Inspection
    screened: tuple[Screened, ...]  # one per zone and method, in plan order, taps first
    summary: Mapping[str, Any]  # what becomes summary.json; summary["warnings"] is a list of sentences
    writer: Callable[["Results"], Path]

    @property
    def indications(self) -> tuple[Indication, ...]:
        """All indications, in plan order."""
        return tuple(indication for part in self.screened for indication in part.indications)

    def save(self) -> Path:
        """Write ``results/`` and return the path of the report."""
        return self.writer(self)
