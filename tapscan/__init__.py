"""Tap-test and ultrasonic A-scan maps of carbon-fibre parts.

>>> import tapscan
>>> inspection = tapscan.open_inspection("my-part")     # doctest: +SKIP
>>> results = tapscan.analyse(inspection)               # doctest: +SKIP
>>> results.save()                                      # doctest: +SKIP

Importing this module loads nothing heavy: each public name is fetched when it is first used.
"""

from collections.abc import Callable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from tapscan.errors import TapscanError

if TYPE_CHECKING:
    from tapscan.analysis import Results
    from tapscan.records import Inspection
    from tapscan.screening.change.comparison import Comparison

__all__ = ["TapscanError", "__version__", "analyse", "compare", "open_inspection"]

__version__ = "0.1.0"


def open_inspection(folder: str | Path) -> "Inspection":
    """Read the plan in `folder` and list its readings; see `tapscan.records.open_inspection`."""
    from tapscan import records

    return records.open_inspection(folder)


def analyse(
    inspection: "Inspection",
    against: "Sequence[Inspection]" = (),
    *,
    progress: Callable[[str, int, int], None] = lambda *_: None,
) -> "Results":
    """Do the main job; see `tapscan.analysis.analyse`. The results know how to save themselves.

    `against` are other open inspections to compare this one with, an earlier one of the same part or some of
    like parts. What cutting has shown of those since (their ``findings.csv``) counts before their readings:

    >>> before = tapscan.open_inspection("my-part-last-year")              # doctest: +SKIP
    >>> results = tapscan.analyse(inspection, against=[before])            # doctest: +SKIP
    """
    from tapscan import analysis
    from tapscan.report.saving import write_results
    from tapscan.sectioning.findings.learning import known_from_cuts

    cuts = [known_from_cuts(other) for other in against]
    return analysis.analyse(inspection, against, cuts, writer=write_results, progress=progress)


def compare(
    before: "Inspection",
    after: "Inspection",
    *,
    progress: Callable[[str, int, int], None] = lambda *_: None,
) -> "Comparison":
    """Find what changed between two inspections of one part; see `tapscan.screening.change.comparison`.

    >>> comparison = tapscan.compare(before, inspection)                   # doctest: +SKIP
    >>> comparison.save()                                                  # doctest: +SKIP
    """
    from tapscan.report.pages.change import write_change
    from tapscan.screening.change import comparison

    return comparison.compare(before, after, writer=write_change, progress=progress)
