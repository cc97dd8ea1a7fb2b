"""``notes.csv``: what somebody noticed at a point, beside the plan, in a table that any program opens."""

import csv
import hashlib
import io
from collections.abc import Mapping
from pathlib import Path

from tapscan.errors import TapscanError
from tapscan.plan import Plan, Point, parse_point
from tapscan.records.inspection import objection
from tapscan.records.tables import FORMULA_STARTS, csv_text
from tapscan.records.writing import write_text

__all__ = ["MOST_NOTE_CHARACTERS", "NOTES_NAME", "Notes", "read_notes", "write_note"]

NOTES_NAME = "notes.csv"
MOST_NOTE_CHARACTERS = 2000
_MOST_BYTES = 10_000_000
_COLUMNS = ["point", "note"]

Notes = Mapping[Point, str]


def read_notes(folder: Path) -> tuple[dict[Point, str], str]:
    """Return the notes of an inspection, and the version of the file they stand in ('' when there is none).

    Raises
    ------
    TapscanError
        When the file leads out of the folder, is too large, or is no such table.
    """
    path = folder / NOTES_NAME
    if not path.is_file():
        return {}, ""
    if not path.resolve().is_relative_to(folder.resolve()):
        raise TapscanError(NOTES_NAME, "is a link out of the inspection", "copy the file itself there")
    if path.stat().st_size > _MOST_BYTES:
        raise TapscanError(NOTES_NAME, "is over 10 MB, too large for notes", "check the file")
    content = path.read_bytes()
    try:
        rows = list(csv.reader(io.StringIO(content.decode("utf-8-sig"), newline="")))
    except (UnicodeDecodeError, csv.Error):
        raise TapscanError(NOTES_NAME, "is no CSV table in UTF-8", "save it as one") from None
    notes: dict[Point, str] = {}
    has_names = bool(rows) and [name.strip().lower() for name in rows[0]] == _COLUMNS
    for number, row in enumerate(rows, 1):
        if row and not (number == 1 and has_names):
            point, note = _note(number, row)
            # Whoever writes by hand may write two lines for a point: both are kept.
            notes[point] = f"{notes[point]}\n{note}" if point in notes else note
    return notes, _version(content)


def _note(line: int, row: list[str]) -> tuple[Point, str]:
    point = parse_point(row[0].strip().upper())
    if point is None or len(row) != len(_COLUMNS):
        where = f"{NOTES_NAME}: line {line}"
        raise TapscanError(where, "is not a point and a note", "write it like BM-07-05,heard a rattle")
    # The apostrophe keeps spreadsheets from running a note as a formula; it is no part of the note.
    is_quoted = row[1][:1] == "'" and row[1][1:2] in FORMULA_STARTS
    return point, row[1][1:] if is_quoted else row[1]


def write_note(folder: Path, plan: Plan, version: str, point: Point, note: str) -> str:
    """Set the note at a point, or take it away when it is empty; return the file's new version.

    Raises
    ------
    TapscanError
        When the file is no longer the one of `version`, the plan has no such point, the note is too long,
        or the file cannot be written.
    """
    notes, current = read_notes(folder)
    if current != version:
        what = "changed since this page read it; nothing was written"
        raise TapscanError(NOTES_NAME, what, "load the page again, and write the note once more")
    note = note.strip()
    if len(note) > MOST_NOTE_CHARACTERS:
        what = f"a note of {len(note):,} characters is too long"
        raise TapscanError(str(point), what, f"keep it under {MOST_NOTE_CHARACTERS:,}")
    notes.pop(point, None)
    if note:
        fault = objection(plan, point)
        # A note may well say why a point is left out.
        if fault is not None and "skips" not in fault[0]:
            raise TapscanError(str(point), *fault)
        notes[point] = note
    text = _text(notes)
    try:
        write_text(folder / NOTES_NAME, text)
    except OSError as error:
        what = f"cannot be written: {error.strerror or error}"
        raise TapscanError(NOTES_NAME, what, "make room, or make the file writable") from None
    return _version(text.encode("utf-8"))


def _text(notes: Notes) -> str:
    points = sorted(notes)
    return csv_text({"point": [str(point) for point in points], "note": [notes[point] for point in points]})


def _version(content: bytes) -> str:
    return hashlib.sha256(content).hexdigest()
