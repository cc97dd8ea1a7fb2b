"""The ``results/`` folder of an inspection: none that leads out of it, and what the disk refuses is told."""

from contextlib import contextmanager
from typing import TYPE_CHECKING

from tapscan.errors import TapscanError

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

__all__ = ["RESULTS", "results_folder"]

RESULTS = "results"


@contextmanager
def results_folder(home: "Path") -> "Iterator[Path]":
    """Hand out the folder that an inspection's results are written to, and turn what fails into a sentence.

    Raises
    ------
    TapscanError
        When ``results`` leads out of the inspection, or cannot be written.
    """
    folder = home / RESULTS
    if not folder.resolve().is_relative_to(home.resolve()):
        raise TapscanError(RESULTS, "is a link out of the inspection", "take the link away")
    try:
        yield folder
    except OSError as error:
        what = f"cannot be written: {error.strerror or error}"
        raise TapscanError(RESULTS, what, "make room, or make the folder writable") from None
