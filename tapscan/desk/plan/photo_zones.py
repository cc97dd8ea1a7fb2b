"""A zone on a photo in the plan's text: the page's draft in, the owner's comments kept.

Lists are changed in place: an entry that stays keeps its line and the comment beside it. Many points are in a
file of their own, which is never written over, so that undoing a change of the plan finds the old one.
"""

import csv
import hashlib
import io
from difflib import SequenceMatcher
from typing import TYPE_CHECKING, Any

import tomlkit
from tomlkit.items import AoT, Array

from tapscan.desk.photos import keep_new
from tapscan.desk.plan.file import add_key, parse_document, raw_text, refuse, write_plan
from tapscan.errors import TapscanError
from tapscan.plan import parse_block
from tapscan.plan.photos.reading import PHOTO_KEYS, layout_of, readable_keys
from tapscan.plan.text.mistakes import PlanMistakeError, all_of
from tapscan.plan.text.reading import PLAN_NAME, parse_plan

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence
    from pathlib import Path

__all__ = ["DRAFT_KEYS", "placed_text", "points_csv", "write_photo_zone", "zone_drafts"]

DRAFT_KEYS = frozenset({"code", "name", "same_points_as", *PHOTO_KEYS})
MOST_LISTED = 200  # policy: points that the plan lists itself; more would bury its other lines
_WIDEST = 88  # characters of a list on one line
# Keys of shapes with a grid; a photo gives each point a place of its own.
_GRID_KEYS = (
    *("stations", "positions", "station_pitch_mm", "position_pitch_mm", "datum_side"),
    *("girth_mm", "girth_start_mm", "girth_end_mm"),
)


def zone_drafts(folder: "Path") -> dict[str, Any]:
    """Give the plan's version, and every zone on a photo as the page edits it; ``was`` is its number.

    Raises
    ------
    TapscanError
        When the plan cannot be read or is not valid TOML.
    """
    text = raw_text(folder)
    tables = [dict(table) for table in parse_document(text).unwrap().get("zone", [])]
    drafts = [
        {
            "was": str(n),
            "code": str(table.get("code", "")),
            "name": str(table.get("name", "")),
            "same_points_as": str(table.get("same_points_as", "")),
            **readable_keys(table, folder),
        }
        for n, table in enumerate(tables)
        if table.get("shape") == "photo"
    ]
    return {"version": _digest(text), "zones": drafts}


def write_photo_zone(folder: "Path", version: str, was: str, draft: "Mapping[str, Any]") -> str:
    """Write a zone on a photo into the plan, as number `was` or ('') as a new one; return the new version.

    What is wrong elsewhere in the plan may stay wrong.

    Raises
    ------
    TapscanError
        When the plan is no longer the one of `version`, the draft has mistakes, or a file cannot be written.
    """
    text = raw_text(folder)
    if _digest(text) != version:
        what = "changed since this page read it; nothing was written"
        raise TapscanError(PLAN_NAME, what, "load the page again, and save the zone once more")
    tables = parse_document(text).unwrap().get("zone", [])
    at = int(was) if was else len(tables)
    _check(draft, at, folder)
    listed = placed_text(text, was, draft)
    known = {str(one) for one in _mistakes(text, folder)}
    wrong = [one for one in _mistakes(listed, folder) if _is_of(one, at) or str(one) not in known]
    if wrong:
        raise all_of(wrong)
    before = tables[at].get("points") if was else None
    if not isinstance(before, str) and len(draft["points"]) <= MOST_LISTED:
        return write_plan(folder, listed)
    content = points_csv(_text_of(folder, before), draft["points"])
    name = keep_new(folder, f"{draft['code']}_points", ".csv", content.encode("utf-8"))
    text = placed_text(text, was, {**draft, "points": name})
    if {str(one) for one in _mistakes(text, folder)} - known:
        raise refuse()
    return write_plan(folder, text)


def _check(draft: "Mapping[str, Any]", number: int, folder: "Path") -> None:
    """Refuse a draft whose values the plan's reader would not take."""
    where = f'{PLAN_NAME}: zone "{draft.get("code") or number + 1}"'
    wrong: list[TapscanError] = []

    def add(key: str, what: str, remedy: str) -> None:
        wrong.append(PlanMistakeError(("zone", number, key), where, what, remedy))

    layout_of({key: value for key, value in draft.items() if value}, folder, add)
    if wrong:
        raise all_of(wrong)


def placed_text(text: str, was: str, draft: "Mapping[str, Any]") -> str:
    r"""Return the plan's text with a zone on a photo in it.

    Raises
    ------
    TapscanError
        When the plan has no zone of this number.

    Examples
    --------
    >>> text = '[[zone]]\ncode = "LG"\nshape = "photo"\npoints = [\n    ["01-01", 8, 9],  # rivet\n]\n'
    >>> draft = {"code": "LG", "points": [["01-01", 8, 9], ["01-02", 30.5, 9]]}
    >>> print(placed_text(text, "0", draft), end="")
    [[zone]]
    code = "LG"
    shape = "photo"
    points = [
        ["01-01", 8, 9],  # rivet
        ["01-02", 30.5, 9],
    ]
    """
    document = parse_document(text)
    if "zone" not in document:
        document.add("zone", tomlkit.aot())
    zones = document["zone"]
    if was and int(was) >= len(zones):
        raise TapscanError(PLAN_NAME, "has other zones than this page", "load the page again")
    is_table = isinstance(zones, AoT)
    table = zones[int(was)] if was else tomlkit.table() if is_table else tomlkit.inline_table()
    for key in _GRID_KEYS:
        table.pop(key, None)
    shown = {"code": draft.get("code"), "name": draft.get("name"), "shape": "photo"}
    for key, value in {**shown, **draft}.items():
        if value in ("", [], None) and (key != "name" or key not in table):
            table.pop(key, None)
        else:
            _set(table, key, value)
    if not was:
        zones.append(table)
    return tomlkit.dumps(document)


def _set(table: Any, key: str, value: Any) -> None:
    """Set what differs, and nothing else."""
    if key not in table:
        add_key(table, key, _item(value))
        return
    old = table[key]
    plain = old.unwrap() if hasattr(old, "unwrap") else old
    if plain == value:
        return
    if isinstance(old, Array) and isinstance(value, list):
        _merge(old, value)
        plain = old.unwrap()
    if plain != value:
        table[key] = _item(value)


def _merge(entries: Array, wanted: "Sequence[Any]") -> None:
    """Change a list in place, so that entries that stay keep their lines and comments."""
    old, new = (list(map(_written, values)) for values in (entries.unwrap(), wanted))
    for kind, a, b, c, d in reversed(SequenceMatcher(None, old, new, autojunk=False).get_opcodes()):
        if kind == "equal":
            continue
        shared = min(b - a, d - c)
        for at in range(b - 1, a + shared - 1, -1):
            del entries[at]
        for value in reversed(wanted[c + shared : d]):
            entries.insert(a + shared, _item(value))
        for n in range(shared):
            entries[a + n] = _item(wanted[c + n])


def _item(value: Any) -> Any:
    text = _written(value)
    if isinstance(value, list) and value and isinstance(value[0], list | dict):
        lines = "".join(f"    {_written(one)},\n" for one in value)
        # Lists of names, and what is too long, have a line for each entry, with room for a comment.
        if len(text) > _WIDEST or isinstance(value[0], dict) or isinstance(value[0][0], str):
            text = f"[\n{lines}]"
    return tomlkit.parse(f"value = {text}\n")["value"]


def _written(value: Any) -> str:
    """Write a value as TOML; whole numbers without a point."""
    if isinstance(value, list):
        return f"[{', '.join(map(_written, value))}]"
    if isinstance(value, dict):
        return f"{{{', '.join(f'{key} = {_written(one)}' for key, one in value.items())}}}"
    if isinstance(value, str):
        return tomlkit.string(value).as_string()
    return str(int(value)) if float(value).is_integer() else repr(float(value))


def points_csv(before: str, points: "Sequence[Sequence[Any]]") -> str:
    r"""Write points as a table; lines of `before` that are comments stay where they are.

    Examples
    --------
    >>> before = "# top\npoint,x_px,y_px\n1-1,8,9\n# low\n2-1,8,50\n"
    >>> points_csv(before, [["02-01", 9, 50], ["02-02", 30.5, 50]])
    '# top\npoint,x_px,y_px\n# low\n02-01,9,50\n02-02,30.5,50\n'
    """
    rows = {_name(str(row[0])): f"{row[0]},{_written(row[1])},{_written(row[2])}" for row in points}
    lines = []
    for line in before.splitlines() or ["point,x_px,y_px"]:
        cells = next(csv.reader(io.StringIO(line)), [])
        if line.lstrip().startswith("#") or not cells or parse_block(cells[0].strip()) is None:
            lines.append(line)
        elif (row := rows.pop(_name(cells[0].strip()), None)) is not None:
            lines.append(row)
    return "\n".join([*lines, *rows.values(), ""])


def _name(text: str) -> str:
    block = parse_block(text)
    return text if block is None else str(block)


def _text_of(folder: "Path", name: object) -> str:
    try:
        return (folder / name).read_text(encoding="utf-8-sig") if isinstance(name, str) else ""
    except (OSError, UnicodeDecodeError):
        return ""


def _mistakes(text: str, folder: "Path") -> "Sequence[TapscanError]":
    try:
        parse_plan(text, folder)
    except TapscanError as error:
        return getattr(error, "mistakes", (error,))
    return ()


def _is_of(mistake: TapscanError, number: int) -> bool:
    return tuple(getattr(mistake, "path", ()))[:2] == ("zone", number)


def _digest(text: str) -> str:
    return hashlib.sha256(text.encode("utf-8")).hexdigest()
