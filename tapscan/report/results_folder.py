"""The ``results/`` folder of an inspection: none that leads out of it, and disk errors are reported."""

from contextlib import contextmanager
from typing import TYPE_CHECKING

from tapscan.errors import TapscanError
from tapscan.records.inspection import end_of
from tapscan.records.runs import RESULTS, Maker, new_results

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping
    from pathlib import Path

__all__ = ["results_folder"]


@contextmanager
def results_folder(home: "Path", maker: Maker, about: "Mapping[str, str] | None" = None) -> "Iterator[Path]":
    """Hand out a folder for what `maker` makes, which then becomes part of ``results/`` in one step.

    `about` is kept in the manifest; see `tapscan.records.runs.new_results`. What fails becomes a sentence.

    Raises
    ------
    TapscanError
        When ``results`` leads out of the inspection, is a file, or cannot be written.
    """
    folder = home / RESULTS
    end = end_of(folder)
    if end is None or not end.is_relative_to(home.resolve()):
        what = "is a link that leads back to itself" if end is None else "is a link out of the inspection"
        raise TapscanError(RESULTS, what, "take the link away")
    if folder.is_file():
        raise TapscanError(RESULTS, "is a file, and a folder is due there", "give the file another name")
    try:
        with new_results(home, maker, about or {}) as building:
            yield building
    except OSError as error:
        what = f"cannot be written: {error.strerror or error}"
        remedy = "make room, or make the inspection's folder writable; the results that were there are kept"
        raise TapscanError(RESULTS, what, remedy) from None
