"""``results/``: the tables that other tools read, and the report that people read."""

from pathlib import Path

from tapscan.analysis import Results
from tapscan.errors import TapscanError
from tapscan.records.writing import write_text
from tapscan.report.html import write_report
from tapscan.report.marking import RESULTS, write_marked

__all__ = ["write_results"]


def write_results(results: Results) -> Path:
    """Write everything into ``results/`` of the inspection folder; return the path of the report.

    Each file is replaced in one step, so that a killed program leaves whole files.

    Raises
    ------
    TapscanError
        When ``results`` leads out of the inspection, or cannot be written.
    """
    home = results.inspection.folder
    folder = home / RESULTS
    if not folder.resolve().is_relative_to(home.resolve()):
        raise TapscanError(RESULTS, "is a link out of the inspection", "take the link away")
    try:
        for name, text in results.tables.items():
            write_text(folder / name, text)
        write_marked(results.screened, folder)
        return write_report(results, folder)
    except OSError as error:
        what = f"cannot be written: {error.strerror or error}"
        raise TapscanError(RESULTS, what, "make room, or make the folder writable") from None
