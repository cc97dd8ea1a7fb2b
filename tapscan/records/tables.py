"""The one form of every table and every JSON text tapscan writes: the same numbers give the same bytes."""

import csv
import io
import json
import math
from collections.abc import Iterable, Iterator, Mapping, Sequence
from itertools import zip_longest
from typing import Any

import numpy as np
from numpy.typing import NDArray

__all__ = ["csv_lines", "csv_rows", "csv_text", "json_text"]

# No reading is good for more; fewer than the last bits that differ between machines.
SIGNIFICANT_DIGITS = 7
# Scripts may go on computing with these; still the last bits are left out.
JSON_DIGITS = 10
MOST_CELL_SIGNS = 2**31 - 1  # the most that the csv module can be set to on every system
# A spreadsheet runs a cell that begins with one of these as a formula.
FORMULA_STARTS = ("=", "+", "-", "@", "\t", "\r")

Column = Sequence[Any] | NDArray[Any]


def csv_text(columns: Mapping[str, Column]) -> str:
    r"""Write columns of equal length as a CSV table with a header line.

    Numbers have a decimal point and up to seven significant digits; whole numbers all of theirs. NaN and None
    are empty cells, truth is ``true`` or ``false``. Lines end in ``\n``. Text that a spreadsheet would run
    as a formula gets an apostrophe in front.

    Raises
    ------
    ValueError
        When the columns differ in length.

    Examples
    --------
    >>> print(csv_text({"point": ["BM-01-01", "BM-01-02"], "centroid_hz": [3120.25, float("nan")]}), end="")
    point,centroid_hz
    BM-01-01,3120.25
    BM-01-02,
    """
    hole = object()
    lists = [column.tolist() if isinstance(column, np.ndarray) else column for column in columns.values()]
    rows = list(zip_longest(*lists, fillvalue=hole))
    if any(value is hole for row in rows[-1:] for value in row):
        msg = f"columns differ in length: { {name: len(column) for name, column in columns.items()} }"
        raise ValueError(msg)
    return csv_lines([tuple(columns), *rows])


def csv_lines(rows: Iterable[Sequence[object]]) -> str:
    r"""Write rows of a table, its header line among them, by the same rules as `csv_text`.

    Examples
    --------
    >>> csv_lines([["note", "depth_mm"], ["=1+1", 0.5]])
    "note,depth_mm\n'=1+1,0.5\n"
    """
    return "".join(",".join(_cell(value) for value in row) + "\n" for row in rows)


def csv_rows(text: str, delimiter: str = ",", *, strict: bool = False) -> Iterator[tuple[int, list[str]]]:
    r"""Read the rows of a table with the number of the line that each begins on; cells of any length.

    Raises
    ------
    csv.Error
        When `strict`, and quotes do not match: the line that the row begins on, and the reason.

    Examples
    --------
    >>> list(csv_rows('kind,note\nvoid,"a,\nb"\n'))
    [(1, ['kind', 'note']), (2, ['void', 'a,\nb'])]
    """
    csv.field_size_limit(MOST_CELL_SIGNS)  # the module's own limit is 131,072, less than a long note has
    reader = csv.reader(io.StringIO(text, newline=""), delimiter=delimiter, strict=strict)
    begins = 1
    try:
        for cells in reader:
            yield begins, cells
            begins = reader.line_num + 1
    except csv.Error as error:
        raise csv.Error(begins, str(error)) from None


def json_text(value: object) -> str:
    r"""Write plain data as JSON, keys in the order given, with a line end at the end.

    NumPy arrays and scalars become lists and numbers; what is not finite becomes null, as JSON has
    no word for it.

    Raises
    ------
    TypeError
        When `value` holds something that is not plain data.

    Examples
    --------
    >>> print(json_text({"clear": np.int64(3), "depth_mm": float("nan")}), end="")
    {
      "clear": 3,
      "depth_mm": null
    }
    """
    return json.dumps(_plain(value), indent=2, ensure_ascii=False, allow_nan=False) + "\n"


def _cell(value: object) -> str:
    if isinstance(value, np.generic):
        value = value.item()
    if value is None:
        return ""
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, int):
        return str(value)
    if isinstance(value, float):
        if math.isnan(value):
            return ""
        # Adding zero turns -0.0 into 0.0.
        return f"{float(f'{value:.{SIGNIFICANT_DIGITS}g}') + 0.0:.{SIGNIFICANT_DIGITS}g}"
    text = str(value)
    text = f"'{text}" if text.startswith(FORMULA_STARTS) else text
    # Quoted by the rules of RFC 4180; the csv module leaves a lone carriage return bare.
    return '"' + text.replace('"', '""') + '"' if any(mark in text for mark in ',"\r\n') else text


def _plain(value: object) -> object:
    if isinstance(value, np.ndarray):
        value = list(value) if value.ndim else value[()]
    if isinstance(value, np.floating):
        # By way of its shortest text, so that single-precision 0.1 reads 0.1.
        value = float(str(value))
    elif isinstance(value, np.generic):
        value = value.item()
    if value is None or isinstance(value, (bool, int, str)):
        return value
    if isinstance(value, float):
        return float(f"{value:.{JSON_DIGITS}g}") + 0.0 if math.isfinite(value) else None
    if isinstance(value, Mapping):
        return {str(key): _plain(item) for key, item in value.items()}
    if isinstance(value, (list, tuple)):
        return [_plain(item) for item in value]
    msg = f"{type(value).__name__} is not plain data"
    raise TypeError(msg)
