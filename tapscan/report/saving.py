"""``results/``: the tables that other tools read, and the report that people read."""

from dataclasses import asdict
from pathlib import Path

from tapscan.analysis import Results
from tapscan.records.tables import csv_text, json_text
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
        write_text(folder / "points.csv", csv_text(results.points))
        write_text(folder / "indications.json", json_text([asdict(one) for one in results.indications]))
        write_text(folder / "summary.json", json_text(results.summary))
        write_marked(results.screened, folder)
        return write_report(results, folder)
