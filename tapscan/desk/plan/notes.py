"""What somebody noticed at a point: written into the plan, as a line of its zone's table of notes."""

from dataclasses import replace
from typing import TYPE_CHECKING, Any

import tomlkit
from tomlkit.items import InlineTable

from tapscan.desk.plan.file import add_key, parse_document, plan_text, refuse, write_plan, zone_of
from tapscan.errors import TapscanError, sentence
from tapscan.plan import Note, parse_point
from tapscan.plan.text.reading import parse_plan
from tapscan.records.inspection import objection

if TYPE_CHECKING:
    from pathlib import Path

    from tapscan.plan import Plan, Point

__all__ = ["MOST_NOTE_CHARACTERS", "left_notes", "note_at", "noted_text", "write_note"]

MOST_NOTE_CHARACTERS = 2000


def left_notes(folder: "Path") -> list[str]:
    """Name the table that notes were in before they came into the plan; it is left as it is."""
    if not (folder / "notes.csv").is_file():
        return []
    what, remedy = "is not read any more", 'copy what counts into the plan: [zone.notes], 07-05 = "a rattle"'
    return [sentence("notes.csv", what, remedy)]


def note_at(plan: "Plan", point: "Point") -> str:
    """Return the note at a point, '' when there is none; TapscanError when the plan has no such zone."""
    notes = {note.point: note.text for note in zone_of(plan, point.zone).notes}
    return notes.get(point, "")


def write_note(folder: "Path", point: "Point", note: str, was: str) -> str:
    """Set the note at a point in the plan on disk, where it still says `was`; return the plan's new version.

    Raises
    ------
    TapscanError
        When somebody else changed this note meanwhile, or as in `noted_text` and `write_plan`.
    """
    text = plan_text(folder)
    if note_at(parse_plan(text, folder), point) != was.strip():
        what = "its note changed since this page read it; nothing was written"
        raise TapscanError(str(point), what, "copy yours, load the page again, and put both into one")
    return write_plan(folder, noted_text(text, point, note, folder))


def noted_text(text: str, point: "Point", note: str, folder: "Path | None" = None) -> str:
    r"""Return the text of the plan in `folder` with the note at `point` set, or taken away when it is empty.

    Raises
    ------
    TapscanError
        When the plan has no such point, the note is too long, or the new text would not be a plan.

    Examples
    --------
    >>> plan = '[[zone]]\ncode = "BM"\nshape = "tube"\nstations = 2\npositions = 4\n'
    >>> plan += 'station_pitch_mm = 10.0\ngirth_mm = 80.0\n'
    >>> print(noted_text(plan, parse_point("BM-1-2"), "a rattle").removeprefix(plan))
    <BLANKLINE>
    [zone.notes]
    01-02 = "a rattle"
    <BLANKLINE>
    """
    plan, note = parse_plan(text, folder), note.strip()
    if len(note) > MOST_NOTE_CHARACTERS:
        what = f"a note of {len(note):,} characters is too long"
        raise TapscanError(str(point), what, f"keep it under {MOST_NOTE_CHARACTERS:,}")
    fault = objection(plan, point)
    # A note may well say why a point is left out.
    if fault is not None and "skips" not in fault[0]:
        raise TapscanError(str(point), *fault)
    document = parse_document(text)
    zone = plan.zone(point.zone)
    _set(document["zone"][plan.zones.index(zone)], point, note)
    new_text = tomlkit.dumps(document)
    others = tuple(one for one in zone.notes if one.point != point)
    notes = sorted((*others, Note(point, note)) if note else others, key=lambda one: one.point)
    noted = replace(zone, notes=tuple(notes))
    zones = tuple(noted if one.code == zone.code else one for one in plan.zones)
    if parse_plan(new_text, folder) != replace(plan, zones=zones):
        raise refuse()
    return new_text


def _set(zone: Any, point: "Point", note: str) -> None:
    if "notes" not in zone:
        if not note:
            return
        add_key(zone, "notes", tomlkit.inline_table() if isinstance(zone, InlineTable) else tomlkit.table())
    notes = zone["notes"]
    # However the owner spelled the point, its line stays where it is.
    own = next((key for key in notes if _named(str(key), point.zone) == point), None)
    if own is not None and not note:
        del notes[own]
    elif own is not None:
        notes[own] = _string(note)
    elif note:
        add_key(notes, f"{point.station:02d}-{point.position:02d}", _string(note))


def _named(key: str, code: str) -> "Point | None":
    return parse_point(f"{code}-{key}") or parse_point(key)


def _string(note: str) -> Any:
    # Lines of a note stay lines in the plan; what has quotes or backslashes is escaped on one line.
    is_plain = not set('"\\') & set(note) and all(
        character == "\n" or character.isprintable() for character in note
    )
    return tomlkit.string(note, multiline=is_plain and "\n" in note)
