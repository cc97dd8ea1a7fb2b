"""What differs between two computations of the same inspection, number by number."""

import json
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Any

from tapscan.records.tables import csv_rows

__all__ = ["Change", "changes"]

# Of an indication, what says which one it is; the rest is compared.
_SAME = ("zone", "method")

Tables = Mapping[str, str]
Flat = dict[str, Any]


@dataclass(frozen=True, slots=True)
class Change:
    """One value that differs: in which file, of what, and its text before and after; None where it is absent.

    Examples
    --------
    >>> Change("points.csv", "BM-03-04 tap", "score", "0.91", "0.94").size
    0.03
    """

    file: str
    of: str
    value: str
    before: str | None
    after: str | None

    @property
    def size(self) -> float | None:
        """How far a number moved; None where either is no number."""
        try:
            return round(abs(float(self.after or "") - float(self.before or "")), 12)
        except ValueError:
            return None


def changes(before: Tables, after: Tables) -> tuple[Change, ...]:
    r"""Compare two sets of results, each file's name mapped to its text.

    Rows of ``points.csv`` are compared by point and method, indications by the points they
    share, everything else by its place. Files that are equal to the byte have no change.

    Raises
    ------
    ValueError
        When a text is not what its file should hold.

    Examples
    --------
    >>> old = {"points.csv": "point,method,score\nBM-01-01,tap,0.5\n"}
    >>> new = {"points.csv": "point,method,score\nBM-01-01,tap,0.6\n"}
    >>> changes(old, new)
    (Change(file='points.csv', of='BM-01-01 tap', value='score', before='0.5', after='0.6'),)
    """
    found: list[Change] = []
    for name in sorted({*before, *after}):
        old, new = before.get(name, ""), after.get(name, "")
        if old == new:
            continue
        compare = _COMPARED.get(name, _documents)
        found += [Change(name, *each) for each in compare(old, new)]
    return tuple(found)


# What changed, which value of it, before, after.
_Told = tuple[str, str, str | None, str | None]


def _points(old: str, new: str) -> Iterator[_Told]:
    before, after = _rows(old), _rows(new)
    for key in dict.fromkeys([*before, *after]):
        if key not in after or key not in before:
            yield key, "row", *(("there", None) if key in before else (None, "there"))
            continue
        yield from _values(key, before[key], after[key])


def _rows(text: str) -> dict[str, Flat]:
    # Cells may hold line ends, so the text is not cut into lines beforehand.
    lines = (cells for _, cells in csv_rows(text) if cells)
    names = next(lines, [])
    rows = [dict(zip(names, cells, strict=False)) for cells in lines]
    return {f"{row.get('point')} {row.get('method')}": dict(row) for row in rows}


def _indications(old: str, new: str) -> Iterator[_Told]:
    before, after = json.loads(old or "[]"), json.loads(new or "[]")
    for one, other in _paired(before, after):
        if one is not None and other is not None:
            yield from _values(str(one["id"]), _flat(one), _flat(other))
        elif one is not None:
            yield str(one["id"]), "indication", "there", None
        elif other is not None:
            yield str(other["id"]), "indication", None, "there"


def _paired(before: list[Flat], after: list[Flat]) -> Iterator[tuple[Flat | None, Flat | None]]:
    """Pair the indications that share most points, first come first served; the rest have no partner."""
    left = list(after)
    for one in before:
        shared = [
            (len({*one["points"]} & {*other["points"]}), -at)
            for at, other in enumerate(left)
            if all(one[key] == other[key] for key in _SAME)
        ]
        most, at = max(shared, default=(0, 0))
        yield one, left.pop(-at) if most else None
    yield from ((None, other) for other in left)


def _documents(old: str, new: str) -> Iterator[_Told]:
    before, after = _flat(json.loads(old or "{}")), _flat(json.loads(new or "{}"))
    for _, *difference in _values("", before, after):
        place, _, value = str(difference[0]).rpartition(".")
        yield place, value, difference[1], difference[2]


def _values(of: str, before: Flat, after: Flat) -> Iterator[_Told]:
    for value in dict.fromkeys([*before, *after]):
        old, new = _text(before.get(value)), _text(after.get(value))
        if old != new:
            yield of, value, old, new


def _text(value: object) -> str | None:
    return value if value is None or isinstance(value, str) else json.dumps(value, ensure_ascii=False)


def _flat(value: object, place: str = "") -> Flat:
    """Lay out nested data by place: ``counts[0].suspect``; lists of plain values stay whole."""
    if isinstance(value, dict):
        inner = ((f"{place}.{key}" if place else str(key), item) for key, item in value.items())
    elif isinstance(value, list) and any(isinstance(item, dict) for item in value):
        inner = ((f"{place}[{at}]", item) for at, item in enumerate(value))
    else:
        return {place: value}
    return {key: leaf for where, item in inner for key, leaf in _flat(item, where).items()}


_COMPARED = {"points.csv": _points, "indications.json": _indications}
