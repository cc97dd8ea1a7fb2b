"""The one form of every table and every JSON text tapscan writes: the same numbers give the same bytes."""

import json
import math
from collections.abc import Mapping, Sequence
from itertools import zip_longest
from typing import Any

import numpy as np
from numpy.typing import NDArray

__all__ = ["csv_text", "json_text"]

# No reading is good for more; fewer than the last bits that differ between machines.
SIGNIFICANT_DIGITS = 7
# Scripts may go on computing with these; still the last bits are left out.
JSON_DIGITS = 10
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
    lines = [",".join(_cell(name) for name in columns)]
    lists = [column.tolist() if isinstance(column, np.ndarray) else column for column in columns.values()]
    for row in zip_longest(*lists, fillvalue=hole):
        if any(value is hole for value in row):
            msg = f"columns differ in length: { {name: len(column) for name, column in columns.items()} }"
            raise ValueError(msg)
        lines.append(",".join(_cell(value) for value in row))
    return "".join(f"{line}\n" for line in lines)


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
