"""``results/``: the tables that other tools read, and the report that people read."""

from pathlib import Path

from tapscan.analysis import Results
from tapscan.records.writing import write_text
from tapscan.report.html import write_report
from tapscan.report.marking import write_marked
from tapscan.report.results_folder import results_folder

__all__ = ["write_results"]

SUMMARY = "summary.json"


def write_results(results: Results) -> Path:
    """Write everything into ``results/`` of the inspection folder; return the path of the report.

    Each file is replaced in one step, so that a killed program leaves whole files. ``summary.json``, with the
    digests of the readings, is written last: until it agrees with them, the others may come from two runs.

    Raises
    ------
    TapscanError
        When ``results`` leads out of the inspection, or cannot be written.
    """
    with results_folder(results.inspection.folder) as folder:
        tables = dict(results.tables)
        summary = tables.pop(SUMMARY)
        for name, text in tables.items():
            write_text(folder / name, text)
        write_marked(results.screened, folder)
        report = write_report(results, folder)
        write_text(folder / SUMMARY, summary)
        return report
