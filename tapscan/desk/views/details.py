"""What the report says of a zone beside its map, for the page: titled parts of sentences and tables."""

from typing import TYPE_CHECKING, Any

from tapscan.report import words
from tapscan.report.maps.detectable import TAP_HEADS, ascan_sentence, tap_rows
from tapscan.report.pages.both import indication_rows, point_rows
from tapscan.screening.reach import outlook_of
from tapscan.screening.results import SKIPPED

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    from tapscan.analysis import Results
    from tapscan.screening.results import Screened

__all__ = ["zone_parts"]

MOST_RANGES = 200  # unread ranges written out for one reason; the report has more


def zone_parts(results: "Results", screened: "Screened") -> list[dict[str, Any]]:
    """Gather, for one zone by one method, every part of the report that its map and table do not show."""
    parts = [
        _both(results, screened),
        _not_inspected(screened),
        _outlook(results, screened),
        _notes(results, screened),
        _settings(results),
    ]
    return [part for part in parts if part is not None]


def _part(title: str, lines: "Iterable[str]" = (), tables: "Iterable[dict[str, Any]]" = ()) -> dict[str, Any]:
    return {"title": title, "lines": list(lines), "tables": list(tables)}


def _table(caption: str, head: "Sequence[str]", rows: "Iterable[Sequence[str]]") -> dict[str, Any]:
    return {"caption": caption, "head": list(head), "rows": [list(row) for row in rows]}


def _both(results: "Results", screened: "Screened") -> dict[str, Any] | None:
    code = screened.zone.code
    entry = next((one for one in results.summary["agreement"] if one["zone"] == code), None)
    if entry is None:
        return None
    parts = tuple(one for one in results.screened if one.zone.code == code)
    tables = [_table("Points, by the result of each method.", ("Results", "Points"), point_rows(entry))]
    rows = [(ids, seen_by, place) for seen_by, ids, place in indication_rows(entry, parts)]
    if rows:
        head = ("Number", "Seen by", "Place on the part")
        tables.append(_table("Indications, by who saw them.", head, rows))
    line = "Neither method overrules the other. Where they disagree, read both again, or cut."
    return _part("Both methods", [line], tables)


def _not_inspected(screened: "Screened") -> dict[str, Any]:
    rows = [
        (f"unread: {reason}", f"{count:,}", _ranges(blocks))
        for reason, count, blocks in words.unread_by_reason(screened)
    ]
    skipped = words.blocks_of(screened.status == SKIPPED)
    if skipped:
        rows.append(("left out on purpose", f"{screened.count(SKIPPED):,}", _ranges(skipped)))
    if not rows:
        return _part("What was not inspected", ["Every point was read."])
    table = _table("Nothing is known about these points.", ("Why", "Points", "Where"), rows)
    return _part("What was not inspected", tables=[table])


def _ranges(blocks: "Sequence[Any]") -> str:
    more = f" and {len(blocks) - MOST_RANGES:,} more ranges" if len(blocks) > MOST_RANGES else ""
    return ", ".join(str(block) for block in blocks[:MOST_RANGES]) + more


def _outlook(results: "Results", screened: "Screened") -> dict[str, Any]:
    outlook = outlook_of(results.inspection.plan, screened.zone, [screened.method])
    first = outlook.taps or outlook.ascans
    lines, tables = [], []
    if outlook.taps and outlook.taps.detectable:
        caption = "Smallest round delamination that taps could detect, by depth, in mm across."
        tables.append(_table(caption, TAP_HEADS, tap_rows(outlook.taps.detectable)))
    if outlook.ascans:
        lines.append(ascan_sentence(outlook.ascans))
    lines += [*(first.assumptions if first else ()), *outlook.warnings]
    return _part("What could have been found", [line for line in lines if line], tables)


def _notes(results: "Results", screened: "Screened") -> dict[str, Any] | None:
    # The notes that the analysis saw: later ones are shown at their points.
    notes = results.inspection.plan.zone(screened.zone.code).notes
    if not notes:
        return None
    rows = [(str(note.point), note.text) for note in notes]
    return _part("Notes", tables=[_table("Written by whoever inspected.", ("Point", "Note"), rows)])


def _settings(results: "Results") -> dict[str, Any]:
    rows = words.setting_rows(results.summary["settings"])
    return _part("Settings", tables=[_table("As used for these results.", ("Setting", "Value"), rows)])
