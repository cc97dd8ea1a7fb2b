"""``results/``: the tables that other tools read, and the report that people read."""

from pathlib import Path

from tapscan.analysis import Results
from tapscan.records.arrays import npz_bytes
from tapscan.records.runs import RESULTS
from tapscan.records.writing import write_bytes, write_text
from tapscan.report.marking.files import write_marked
from tapscan.report.pages.html import REPORT_NAME, write_report
from tapscan.report.point_arrays import POINT_ARRAYS_NAME, point_arrays
from tapscan.report.results_folder import results_folder

__all__ = ["write_results"]


def write_results(results: Results) -> Path:
    """Write everything into ``results/`` of the inspection folder; return the path of the report.

    All of it takes its place in one step: whatever stops the program, ``results/`` holds the new run or the
    one before, never parts of both. What other commands made there stays.

    Raises
    ------
    TapscanError
        When ``results`` leads out of the inspection, or cannot be written.
    """
    home = results.inspection.folder
    with results_folder(home, "analyse", results.origin) as folder:
        for name, text in results.tables.items():
            write_text(folder / name, text)
        write_bytes(folder / POINT_ARRAYS_NAME, npz_bytes(point_arrays(results.screened)))
        write_marked(results.screened, folder, home)
        write_report(results, folder)
    return home / RESULTS / REPORT_NAME
