"""What the catalogue keeps of one bag: read from its own files, none of which is believed to be whole."""

import hashlib
import json
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date
from pathlib import Path
from typing import Any

import numpy as np

from tapscan.archive.manifests import parse_tags
from tapscan.archive.places import Bag
from tapscan.errors import TapscanError
from tapscan.plan import Part, Plan, block_mask
from tapscan.plan.reading import read_plan

__all__ = ["Entry", "iso_date", "read_entry", "seal_of"]

MOST_TEXT_BYTES = 16_000_000
NOTE_ENDS = {".txt", ".md", ".csv", ".json"}
SEALS = ("tagmanifest-sha512.txt", "tagmanifest-sha256.txt")

Row = dict[str, Any]


@dataclass(frozen=True, slots=True, eq=False)
class Entry:
    """One bag as rows of the catalogue, and the texts that can be searched for words."""

    bag: Row
    zones: tuple[Row, ...]
    indications: tuple[Row, ...]
    words: Row


def seal_of(bag: Bag) -> str:
    """Return a checksum that changes when anything in the bag is sealed anew; empty when there is no seal."""
    for name in SEALS:
        content = _bytes(bag.folder / name)
        if content:
            return hashlib.sha256(content).hexdigest()
    return ""


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
    """Read what the catalogue keeps of a bag; what cannot be read stands in the entry's `problem`."""
    problems: list[str] = []
    try:
        plan: Plan | None = read_plan(bag.inspection)
    except TapscanError as error:
        plan = None
        problems.append(str(error))
    part = plan.part if plan is not None else Part()
    info = parse_tags(_text(bag.folder / "bag-info.txt"))
    summary = _json(bag, "summary.json", dict, problems)
    found = _json(bag, "indications.json", list, problems)
    added = iso_date(info.get("Bagging-Date", ""))
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
        "tapscan": str(summary.get("version", "")),
        "problem": "; ".join(problems),
    }
    zones = _zones(plan, summary, problems)
    names = [f"{zone.code} {zone.name}" for zone in plan.zones] if plan is not None else []
    words = {
        "part": " ".join((bag.name, part.name, part.serial, part.owner_ref, part.inspector, part.date)),
        "history": part.history,
        "zones": "\n".join(names),
        "notes": "\n".join((*_plan_notes(plan), *(_text(path) for path in _notes(bag.inspection)))),
        "findings": _text(bag.inspection / "findings.csv"),
    }
    return Entry(row, zones, tuple(_indication(one) for one in found if isinstance(one, dict)), words)


def _zones(plan: Plan | None, summary: Mapping[str, Any], problems: list[str]) -> tuple[Row, ...]:
    """Count each zone and method; a zone that was never analysed is unread, all of it."""
    keys = ("clear", "suspect", "unread", "skipped")
    rows = []
    try:
        for one in summary.get("counts", ()):
            row = {"zone": str(one["zone"]), "method": str(one["method"])}
            rows.append({**row, **{key: int(one[key]) for key in keys}})
    except (KeyError, TypeError, ValueError, OverflowError):
        problems.append("results/summary.json: has counts that cannot be read")
    seen = {row["zone"] for row in rows}
    for zone in plan.zones if plan is not None else ():
        if zone.code not in seen:
            skipped = int(np.count_nonzero(block_mask(zone, zone.skip)))
            unread = zone.stations * zone.positions - skipped
            row = {"zone": zone.code, "method": ""}
            rows.append({**row, "clear": 0, "suspect": 0, "unread": unread, "skipped": skipped})
    return tuple(rows)


def _indication(one: Mapping[str, Any]) -> Row:
    words = {key: str(one.get(key, "")) for key in ("id", "zone", "method", "kind", "peak_point")}
    return {**words, **{key: _number(one.get(key)) for key in ("area_mm2", "depth_mm", "score")}}


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
    path = bag.inspection / "results" / name
    if not path.is_file():
        return kind()
    try:
        value = json.loads(_bytes(path))
    except (ValueError, RecursionError):
        value = None
    if not isinstance(value, kind):
        problems.append(f"results/{name}: cannot be read")
        return kind()
    return value


def _text(path: Path) -> str:
    return _bytes(path).decode("utf-8", errors="replace").replace("\0", " ")


def _bytes(path: Path) -> bytes:
    """Read a regular file of sane size; nothing when it is no such file, for `check` is there to complain."""
    try:
        if path.is_symlink() or not path.is_file() or path.stat().st_size > MOST_TEXT_BYTES:
            return b""
        return path.read_bytes()
    except OSError:
        return b""
