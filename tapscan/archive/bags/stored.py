"""The results that a bag holds; as its files have them."""

import json
from collections.abc import Mapping
from typing import Any

from tapscan.archive.places import Bag
from tapscan.errors import TapscanError
from tapscan.records.runs import RESULTS, faults_in_run
from tapscan.records.tables import csv_rows

__all__ = ["TABLES", "point_rows", "results_of", "stored_tables"]

TABLES = ("points.csv", "indications.json", "summary.json")
# Columns of points.csv that are words; every other one holds numbers or is a yes or no.
WORDS = {"point", "zone", "method", "status", "reason"}

Row = dict[str, Any]


def stored_tables(bag: Bag) -> dict[str, str]:
    """Return the tables that the bag holds, by name; those that are missing are left out."""
    paths = {name: bag.inspection / "results" / name for name in TABLES}
    return {name: path.read_bytes().decode("utf-8") for name, path in paths.items() if path.is_file()}


def results_of(bag: Bag) -> tuple[dict[str, str], Mapping[str, Any], list[Row]]:
    """Return the tables that a bag holds as text, its summary and its indications.

    Raises
    ------
    TapscanError
        When it was never analysed, or they cannot be read or are not of one run.
    """
    remedy = "run: tapscan archive rerun --new-version"
    try:
        tables = stored_tables(bag)
        missing = set(TABLES) - tables.keys()
        if missing:
            what = f"holds no results/{min(missing)}: it was never analysed"
            raise TapscanError(bag.label, what, f"{remedy} {bag.name}")
        summary, indications = (json.loads(tables[name]) for name in ("summary.json", "indications.json"))
        if isinstance(summary, dict) and all(_is_indication(one) for one in indications):
            mixed = faults_in_run(bag.inspection / RESULTS)
            if mixed:
                raise TapscanError(
                    bag.label, f"its results are not of one run: {mixed[0]}", f"{remedy} {bag.name}"
                )
            return tables, summary, indications
    except (ValueError, TypeError, RecursionError):
        pass
    raise TapscanError(bag.label, "its results cannot be read", f"{remedy} {bag.name}")


def _is_indication(one: object) -> bool:
    """Whether this is an indication as far as tables of them need it: two extents, and points by name."""
    if not isinstance(one, dict):
        return False
    extents, points = [one.get("x_mm"), one.get("s_mm")], one.get("points")
    are_extents = all(isinstance(extent, list) and len(extent) == 2 for extent in extents)
    return are_extents and isinstance(points, list) and all(isinstance(point, str) for point in points)


def point_rows(text: str) -> list[Row]:
    r"""Read ``points.csv``: words as they are, numbers as numbers, empty cells as None.

    Examples
    --------
    >>> point_rows("point,score,is_reference\nBM-01-01,0.5,false\nBM-01-02,,true\n")[1]
    {'point': 'BM-01-02', 'score': None, 'is_reference': True}
    """
    rows = (cells for _, cells in csv_rows(text) if cells)
    names = next(rows, [])
    return [{name: _value(name, cell) for name, cell in zip(names, cells, strict=False)} for cells in rows]


def _value(column: str, cell: str) -> object:
    if column in WORDS:
        return cell
    if cell in {"true", "false"}:
        return cell == "true"
    try:
        return int(cell) if cell.lstrip("-").isdecimal() else float(cell)
    except ValueError:
        return cell or None
