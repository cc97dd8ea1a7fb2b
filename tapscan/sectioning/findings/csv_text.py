"""The text of ``findings.csv``, to findings and back, with precise errors.

A header line, then one finding a line. `kind` and `where` must be there; the other columns may be left out,
and their order is free. Comma, semicolon or tab between columns; with the latter two a decimal comma is
understood. Units are in the header.
"""

import csv
import math
from collections.abc import Iterable, Iterator, Mapping, Sequence
from pathlib import PurePosixPath
from typing import Any

from tapscan.errors import TapscanError, nearest
from tapscan.plan.zones import Plan
from tapscan.records.tables import FORMULA_STARTS, csv_rows, csv_text
from tapscan.sectioning.findings.places import parse_places
from tapscan.sectioning.findings.recorded import CAUSES, KINDS, Cause, Finding, Kind

__all__ = [
    "COLUMNS",
    "findings_text",
    "parse_cause",
    "parse_findings",
    "parse_kind",
    "parse_photo",
    "parse_row",
    "parse_size",
    "separator",
]

COLUMNS = (
    "kind",
    "where",
    "defect",
    "depth_mm",
    "length_mm",
    "width_mm",
    "thickness_mm",
    "area_mm2",
    "photo",
    "seen_by",
    "note",
    "cause",
    "starts_at",
)
_NEEDED = ("kind", "where")
_NUMBERS = ("depth_mm", "length_mm", "width_mm", "thickness_mm", "area_mm2")
_TEXTS = ("defect", "seen_by", "note", "starts_at")
_SMALLEST, _LARGEST = 1e-6, 1e6  # in mm and mm²: a nanometre to a kilometre
_DELIMITERS = (",", ";", "\t")


def findings_text(findings: Sequence[Finding]) -> str:
    """Spell findings as the file has them.

    Examples
    --------
    >>> from tapscan.plan.points import Block
    >>> print(findings_text([Finding("void", "BM", (Block(7, 11, 9, 2),), depth_mm=0.4)]), end="")
    kind,where,defect,depth_mm,length_mm,width_mm,thickness_mm,area_mm2,photo,seen_by,note,cause,starts_at
    void,BM-07-11:09-02,,0.4,,,,,,,,unknown,
    """
    return csv_text({name: [getattr(one, name) for one in findings] for name in COLUMNS})


def parse_findings(text: str, plan: Plan, where: str) -> tuple[Finding, ...]:
    r"""Turn the text of a table into findings; `where` is how its file is called in what is said.

    Raises
    ------
    TapscanError
        At the first thing that is wrong.

    Examples
    --------
    >>> from tapscan.plan.text.reading import parse_plan
    >>> plan = parse_plan('zone = [{code = "BM", shape = "tube", stations = 9, positions = 12, '
    ...                   'station_pitch_mm = 10.0, girth_mm = 120.0}]')
    >>> found = parse_findings("where;kind;depth_mm\nBM-07-11:09-02;resin pool;0,4\n", plan, "found.csv")
    >>> found[0].kind, found[0].where, found[0].depth_mm
    ('resin pool', 'BM-07-11:09-02', 0.4)
    """
    if not text.strip():
        raise TapscanError(where, "is empty", f"begin it with the line: {','.join(COLUMNS)}")
    delimiter = separator(text)
    lines = _lines(text, delimiter, where)
    number, cells = next(lines)
    columns = _columns(cells, f"{where}: line {number}")
    found = []
    for number, cells in lines:
        place = f"{where}: line {number}"
        if any(cell.strip() for cell in cells[len(columns) :]):
            what = f"has {len(cells)} cells, and the header names {len(columns)} columns"
            raise TapscanError(place, what, "put text that holds the separator in double quotes")
        row = {name: _bare(cell) for name, cell in zip(columns, cells, strict=False)}
        found.append(parse_row(row, plan, place, number, is_comma_free=delimiter != ","))
    return tuple(found)


def separator(text: str) -> str:
    r"""Say what separates the columns of a table: what its first line has most of.

    Examples
    --------
    >>> separator("kind;where;note\nvoid;BM-07-05;a, b, c, d\n")
    ';'
    """
    head = next((line for line in text.splitlines() if line.strip()), "")
    return max(_DELIMITERS, key=head.count)


def _lines(text: str, delimiter: str, where: str) -> Iterator[tuple[int, list[str]]]:
    """Yield each row that is not blank with the number of the line it begins on."""
    try:
        for number, cells in csv_rows(text, delimiter, strict=True):
            if any(cell.strip() for cell in cells):
                yield number, cells
    except csv.Error as error:
        number, reason = error.args
        what = "its quotes do not match" if "quote" in reason or "expected" in reason else reason
        place = f"{where}: line {number}"
        raise TapscanError(place, what, "write a quote inside a text twice") from None


def _columns(cells: Sequence[str], where: str) -> list[str]:
    """Check the header; empty cells at its end are a spreadsheet's own."""
    names = [cell.strip().strip("\"'").lower().replace(" ", "_") for cell in cells]
    while names and not names[-1]:
        names.pop()
    _check_known(names, where)
    for name in names:
        if names.count(name) > 1:
            raise TapscanError(where, f"column {name} is there twice", "take one of them out")
    for name in _NEEDED:
        if name not in names:
            remedy = f"begin the file with the line: {','.join(COLUMNS)}"
            raise TapscanError(where, f"has no column {name}", remedy)
    return names


def _check_known(names: Iterable[str], where: str) -> None:
    for name in names:
        if name not in COLUMNS:
            close = nearest(name, COLUMNS)
            remedy = f"did you mean {close}?" if close else f"columns: {', '.join(COLUMNS)}"
            raise TapscanError(where, f"column {name!r} is not known", remedy)


def _bare(cell: str) -> str:
    """Take off the apostrophe that keeps a spreadsheet from running a text as a formula."""
    text = cell.strip()
    return text[1:] if text.startswith("'") and text[1:].startswith(FORMULA_STARTS) else text


def parse_row(
    row: Mapping[str, str], plan: Plan, place: str, number: int = 0, *, is_comma_free: bool = True
) -> Finding:
    """Turn one row, column name to text, into a finding; what is not given is not known.

    `place` names the row in what is said of it, `number` is its line, 0 for none. A form's fields go through
    here too.

    Raises
    ------
    TapscanError
        With the column that is wrong, or that is not known.

    Examples
    --------
    >>> from tapscan.plan.text.reading import parse_plan
    >>> plan = parse_plan('zone = [{code = "BM", shape = "tube", stations = 9, positions = 12, '
    ...                   'station_pitch_mm = 10.0, girth_mm = 120.0}]')
    >>> parse_row({"kind": "void", "where": "BM-07-05", "depth_mm": "0,4"}, plan, "form").depth_mm
    0.4
    """
    _check_known(row, place)
    kind = parse_kind(row.get("kind", ""), f"{place}, column kind")
    zone, blocks = parse_places(row.get("where", ""), plan, f"{place}, column where")
    values: dict[str, Any] = {name: row.get(name, "") for name in _TEXTS}
    for name in _NUMBERS:
        values[name] = parse_size(row.get(name, ""), f"{place}, column {name}", is_comma_free=is_comma_free)
    values["photo"] = parse_photo(row.get("photo", ""), f"{place}, column photo")
    values["cause"] = parse_cause(row.get("cause", ""), f"{place}, column cause")
    if kind == "none":
        for name in _NUMBERS:
            if values[name] is not None:
                cell = f"{place}, column {name}"
                what = "gives a size where kind is none, nothing found"
                raise TapscanError(cell, what, "empty the cell, or say what was found")
        if values["cause"] != "unknown" or values["starts_at"]:
            cell = f"{place}, column {'starts_at' if values['starts_at'] else 'cause'}"
            what = "says where a flaw comes from, where kind is none, nothing found"
            raise TapscanError(cell, what, "empty the cell, or say what was found")
    return Finding(kind, zone.code, blocks, line=number, **values)


def parse_kind(text: str, where: str) -> Kind:
    """Read a kind of finding, whatever its case, with spaces, hyphens or underscores.

    Raises
    ------
    TapscanError
        When it is none, with the nearest that there is.
    """
    plain = " ".join(text.lower().replace("_", " ").replace("-", " ").split())
    for kind in KINDS:
        if plain == kind:
            return kind
    if not plain:
        raise TapscanError(where, "is empty", f"one of: {', '.join(KINDS)}")
    close = nearest(plain, KINDS)
    remedy = f"did you mean {close}?" if close else f"one of: {', '.join(KINDS)}"
    raise TapscanError(where, f"{text!r} is not a kind of finding", remedy)


def parse_cause(text: str, where: str) -> Cause:
    """Read what made a flaw; an empty cell is not known.

    Raises
    ------
    TapscanError
        When it is no cause, with the nearest that there is.

    Examples
    --------
    >>> parse_cause("Impact", "form"), parse_cause("", "form")
    ('impact', 'unknown')
    """
    plain = " ".join(text.lower().split())
    for cause in CAUSES:
        if plain == cause:
            return cause
    if not plain:
        return "unknown"
    close = nearest(plain, CAUSES)
    remedy = f"did you mean {close}?" if close else f"one of: {', '.join(CAUSES)}"
    raise TapscanError(where, f"{text!r} is not a cause", remedy)


def parse_size(text: str, where: str, *, is_comma_free: bool = True) -> float | None:
    """Read a size in the unit of its column; None for an empty cell.

    Raises
    ------
    TapscanError
        When it is no number, or not above 0.
    """
    if not text:
        return None
    try:
        value = float(text.replace(",", ".") if is_comma_free else text)
    except ValueError:
        remedy = "write it like 1.6, without a unit: that is in the header"
        raise TapscanError(where, f"{text!r} is not a number", remedy) from None
    if not math.isfinite(value) or not _SMALLEST <= value <= _LARGEST:
        raise TapscanError(
            where, f"{text} is no size of anything on this part", "empty the cell, or measure again"
        )
    return value


def parse_photo(text: str, where: str) -> str:
    """Check that a photo is in the inspection folder; whether it is there yet is asked elsewhere.

    Raises
    ------
    TapscanError
        When it leads out of the folder.
    """
    if not text:
        return ""
    path = PurePosixPath(text.replace("\\", "/"))
    if not path.parts:
        raise TapscanError(where, f"{text!r} is a folder", "write the photo's name, as in photos/cut-07.jpg")
    if path.is_absolute() or ".." in path.parts or ":" in path.parts[0]:
        what = f"{text!r} leads out of the inspection folder"
        raise TapscanError(where, what, "copy the photo into the folder, and write photos/cut-07.jpg")
    return path.as_posix()
