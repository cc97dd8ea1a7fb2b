"""``results/``: the tables that other tools read, and the report that people read."""

from pathlib import Path

from tapscan.analysis import Results
from tapscan.records.writing import write_text
from tapscan.report.html import write_report
from tapscan.report.marking import write_marked
from tapscan.report.results_folder import results_folder

__all__ = ["write_results"]


def write_results(results: Results) -> Path:
    """Write everything into ``results/`` of the inspection folder; return the path of the report.

    Each file is replaced in one step, so that a killed program leaves whole files.

    Raises
    ------
    TapscanError
        When ``results`` leads out of the inspection, or cannot be written.
    """
    with results_folder(results.inspection.folder) as folder:
        for name, text in results.tables.items():
            write_text(folder / name, text)
        write_marked(results.screened, folder)
        return write_report(results, folder)
