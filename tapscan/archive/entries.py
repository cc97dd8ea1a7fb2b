"""What the catalogue keeps of one bag: read from its own files, none of which is believed to be whole."""

import json
import os
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date
from pathlib import Path
from typing import Any

import numpy as np

from tapscan.archive.bags.manifests import parse_tags
from tapscan.archive.places import SETTINGS, Bag, seal_of, small_file
from tapscan.errors import TapscanError
from tapscan.plan import Part, Plan, block_mask
from tapscan.plan.text.reading import read_plan
from tapscan.records.runs import RESULTS, faults_in_run

__all__ = ["Entry", "iso_date", "read_entry"]

MOST_COUNT = 10**15  # more points than any grid has, and fewer than the catalogue's whole numbers can say
NOTE_ENDS = {".txt", ".md", ".csv", ".json"}

Row = dict[str, Any]


@dataclass(frozen=True, slots=True, eq=False)
class Entry:
    """One bag as rows of the catalogue, and the texts that can be searched for words."""

    bag: Row
    zones: tuple[Row, ...]
    indications: tuple[Row, ...]
    words: Row


def iso_date(text: str) -> str | None:
    """Return the date that a text begins with, as 2026-03-14; None when it begins with none.

    Examples
    --------
    >>> iso_date("2026-03-14, in the afternoon"), iso_date("last spring")
    ('2026-03-14', None)
    """
    try:
        return date.fromisoformat(text.strip()[:10]).isoformat()
    except ValueError:
        return None


def read_entry(bag: Bag) -> Entry:
    """Read what the catalogue keeps of a bag; what cannot be read is named in the entry's `problem`.

    Whatever the bag holds, this gives an entry that the catalogue can take.
    """
    try:
        return _read(bag)
    except OSError as error:  # a folder that may not be looked into, a disk that fails
        row = _row(bag, Part(), f"cannot be read: {error.strerror or error}")
        return Entry(row, (), (), dict.fromkeys(("part", "history", "zones", "notes", "findings"), ""))


def _read(bag: Bag) -> Entry:
    problems: list[str] = []
    try:
        plan: Plan | None = read_plan(bag.inspection)
    except TapscanError as error:
        plan = None
        problems.append(str(error))
    part = plan.part if plan is not None else Part()
    summary = _json(bag, "summary.json", dict, problems)
    found = _json(bag, "indications.json", list, problems)
    problems += _mixed(bag, summary)
    zones = _zones(plan, summary, problems)
    names = [f"{zone.code} {zone.name}" for zone in plan.zones] if plan is not None else []
    words = {
        "part": " ".join((bag.name, part.name, part.serial, part.owner_ref, part.inspector, part.date)),
        "history": part.history,
        "zones": "\n".join(names),
        "notes": "\n".join((*_plan_notes(plan), *(_text(path) for path in _notes(bag.inspection)))),
        "findings": _text(bag.inspection / "findings.csv"),
    }
    indications = tuple(_indication(one) for one in found if isinstance(one, dict))
    row = _row(bag, part, "; ".join(problems), str(summary.get("version", "")))
    return Entry(row, zones, indications, _clean(words))


def _row(bag: Bag, part: Part, problem: str, version: str = "") -> Row:
    added = iso_date(parse_tags(_text(bag.folder / "bag-info.txt")).get("Bagging-Date", ""))
    row = {
        "name": bag.name,
        "version": bag.version,
        "seal": seal_of(bag),
        "part": part.name,
        "serial": part.serial,
        "owner_ref": part.owner_ref,
        "inspector": part.inspector,
        "inspected": iso_date(part.date) or added,
        "added": added,
        "tapscan": version,
        "problem": problem,
    }
    return _clean(row)


def _clean(row: Row) -> Row:
    """Replace what is no text (half a character, from a damaged or hostile file) in a row's texts."""
    return {
        key: value.encode("utf-8", "replace").decode("utf-8").replace("\0", " ")
        if isinstance(value, str)
        else value
        for key, value in row.items()
    }


def _mixed(bag: Bag, summary: Mapping[str, Any]) -> list[str]:
    """Say when the results are not of one run, or not of the inputs that were archived with them."""
    doubts = [f"its results are not of one run: {fault}" for fault in faults_in_run(bag.inspection / RESULTS)]
    sealed = _document(bag.folder / SETTINGS)
    inputs = sealed.get("inputs") if isinstance(sealed, dict) else None
    if summary and inputs is not None and summary.get("inputs") != inputs:
        doubts.append("its results belong to other inputs than those that were archived")
    return doubts[:1]


def _zones(plan: Plan | None, summary: Mapping[str, Any], problems: list[str]) -> tuple[Row, ...]:
    """Count each zone and method; a zone that was never analysed is unread, all of it."""
    keys = ("clear", "suspect", "unread", "skipped")
    rows = []
    try:
        for one in summary.get("counts", ()):
            row = {"zone": str(one["zone"]), "method": str(one["method"])}
            rows.append(_clean({**row, **{key: _count(one[key]) for key in keys}}))
    except (KeyError, TypeError, ValueError):
        problems.append("results/summary.json: has counts that cannot be read")
    seen = {row["zone"] for row in rows}
    for zone in plan.zones if plan is not None else ():
        if zone.code not in seen:
            skipped = int(np.count_nonzero(block_mask(zone, zone.skip)))
            unread = zone.stations * zone.positions - skipped
            row = {"zone": zone.code, "method": ""}
            rows.append({**row, "clear": 0, "suspect": 0, "unread": unread, "skipped": skipped})
    return tuple(rows)


def _count(value: object) -> int:
    if isinstance(value, bool) or not isinstance(value, int) or not 0 <= value <= MOST_COUNT:
        msg = "is no count"
        raise ValueError(msg)
    return value


def _indication(one: Mapping[str, Any]) -> Row:
    words = {key: str(one.get(key, "")) for key in ("id", "zone", "method", "kind", "peak_point")}
    numbers = {key: _number(one.get(key)) for key in ("area_mm2", "depth_mm", "score")}
    return _clean({**words, **numbers})


def _number(value: object) -> float | None:
    return float(value) if isinstance(value, int | float) and abs(value) < 1e300 else None


def _plan_notes(plan: Plan | None) -> list[str]:
    return [f"{note.point} {note.text}" for zone in (plan.zones if plan else ()) for note in zone.notes]


def _notes(folder: Path) -> list[Path]:
    """Find the inspector's notes: files beside the plan whose name begins with notes."""
    if not folder.is_dir():
        return []
    found = (path for path in folder.iterdir() if path.name.lower().startswith("notes"))
    return sorted(path for path in found if path.suffix.lower() in NOTE_ENDS)


def _json(bag: Bag, name: str, kind: type, problems: list[str]) -> Any:
    path = bag.inspection / RESULTS / name
    if not os.path.lexists(path):
        return kind()
    value = _document(path)
    if not isinstance(value, kind):
        problems.append(f"results/{name}: cannot be read")
        return kind()
    return value


def _document(path: Path) -> object:
    try:
        return json.loads(small_file(path))
    except (ValueError, RecursionError):
        return None


def _text(path: Path) -> str:
    return small_file(path).decode("utf-8", errors="replace")
