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
def results_folder(home: "Path", inside: str = "") -> "Iterator[Path]":
    """Hand out the folder that an inspection's results are written to, and turn what fails into a sentence.

    `inside` names a folder in it.

    Raises
    ------
    TapscanError
        When ``results`` leads out of the inspection, is a file, or cannot be written.
    """
    where = f"{RESULTS}/{inside}".rstrip("/")
    folder = home / where
    if not folder.resolve().is_relative_to(home.resolve()):
        raise TapscanError(where, "is a link out of the inspection", "take the link away")
    for name in (RESULTS, where):
        if (home / name).is_file():
            raise TapscanError(name, "is a file, and a folder is due there", "give the file another name")
    try:
        yield folder
    except OSError as error:
        what = f"cannot be written: {error.strerror or error}"
        raise TapscanError(where, what, "make room, or make the folder writable") from None
