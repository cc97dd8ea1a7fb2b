"""An archived inspection's numbers for a spreadsheet or a script: plain CSV and JSON."""

from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any

from tapscan.archive.bags.folders import new_folder
from tapscan.archive.bags.stored import point_rows, results_of
from tapscan.archive.places import Bag
from tapscan.errors import TapscanError
from tapscan.records.tables import csv_lines, csv_rows, csv_text, json_text
from tapscan.sectioning.findings.csv_text import separator
from tapscan.sectioning.findings.logbook import read_text

__all__ = ["FORMS", "export_bag"]

Row = dict[str, Any]


def export_bag(bag: Bag, target: Path, form: str) -> list[Path]:
    """Write an archived inspection into `target`, a new or empty folder, and return the files.

    `form` is ``csv`` (points, indications, findings), ``json`` (all of it in one file), or ``diconde``.

    Raises
    ------
    TapscanError
        When the bag holds no results or cannot be read, the target is taken, or what the form needs is not
        installed.

    Examples
    --------
    >>> export_bag(find_bag(archive, "my-part"), Path("for-anna"), "csv")     # doctest: +SKIP
    [PosixPath('for-anna/indications.csv'), PosixPath('for-anna/points.csv')]
    """
    write = FORMS[form]
    with new_folder(target) as building:
        write(bag, building)
        names = sorted(path.name for path in building.iterdir())
    return [target / name for name in names]


def _write_csv(bag: Bag, folder: Path) -> None:
    tables, _, indications = results_of(bag)
    _write(folder / "points.csv", tables["points.csv"])
    _write(folder / "indications.csv", _indications_csv(indications))
    findings = bag.inspection / "findings.csv"
    if findings.is_file():
        text = read_text(findings, f"{bag.label}/{findings.name}")
        _write(folder / findings.name, csv_lines(cells for _, cells in csv_rows(text, separator(text))))


def _indications_csv(indications: list[Row]) -> str:
    """Lay indications out as a table: points in one cell, ranges in two; the outline is in JSON alone."""
    words = ("id", "zone", "method", "kind", "peak_point")
    numbers = ("area_mm2", "area_low_mm2", "area_high_mm2", "depth_mm", "score")
    columns: dict[str, list[Any]] = {name: [one.get(name) for one in indications] for name in words}
    columns |= {name: [one.get(name) for one in indications] for name in numbers}
    for axis in ("x_mm", "s_mm"):
        for at, end in enumerate(("from", "to")):
            columns[f"{axis.removesuffix('_mm')}_{end}_mm"] = [one[axis][at] for one in indications]
    columns["points"] = [" ".join(one["points"]) for one in indications]
    return csv_text(columns)


def _write_json(bag: Bag, folder: Path) -> None:
    tables, summary, indications = results_of(bag)
    document = {
        "bag": bag.label,
        **summary,
        "indications": indications,
        "points": point_rows(tables["points.csv"]),
    }
    findings = bag.inspection / "findings.csv"
    if findings.is_file():
        text = read_text(findings, f"{bag.label}/{findings.name}")
        head, *rows = [cells for _, cells in csv_rows(text, separator(text)) if cells] or [[]]
        document["findings"] = [dict(zip(head, cells, strict=False)) for cells in rows]
    _write(folder / "inspection.json", json_text(document))


def _write_diconde(bag: Bag, folder: Path) -> None:
    try:
        from tapscan.archive.diconde import write_diconde
    except ModuleNotFoundError as error:
        if error.name != "pydicom":
            raise
        what = "needs pydicom, which is not installed"
        raise TapscanError(bag.label, f"as DICONDE {what}", "pip install 'tapscan[diconde]'") from None
    write_diconde(bag, folder)


def _write(path: Path, text: str) -> None:
    path.write_bytes(text.encode("utf-8"))


FORMS: Mapping[str, Callable[[Bag, Path], None]] = {
    "csv": _write_csv,
    "json": _write_json,
    "diconde": _write_diconde,
}
