"""The plan as a form: its values as texts, and the same file again with what was changed in it.

What was not touched stays to the byte, comments included. A form with mistakes writes nothing: every
mistake comes back with the path of its field, such as ``zone.0.girth_mm``.
"""

import hashlib
from typing import TYPE_CHECKING, Any

import tomlkit
from tomlkit.items import AoT

from tapscan.desk.plan.file import add_key, parse_document, raw_text, write_plan
from tapscan.errors import TapscanError
from tapscan.plan.text.reading import PLAN_NAME, parse_plan
from tapscan.plan.text.tables import HINTS, TABLES

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence
    from pathlib import Path

__all__ = ["edited_text", "form_document", "is_editable", "listed_mistakes", "mistakes_in", "write_form"]

_ZONE, _WAS = "zone", "was"
_NOT_IN_THE_FORM = frozenset({"notes"})  # written beside their points on the map
# What the plan that `tapscan new` writes has where a value is still to be filled in.
_PLACEHOLDERS = ("?", 0)


def is_editable(folder: "Path") -> bool:
    """Whether the folder has a plan that a form can show, right or wrong."""
    try:
        parse_document(raw_text(folder))
    except TapscanError:
        return False
    return True


def form_document(folder: "Path") -> dict[str, Any]:
    """Give every value of the plan as text, the keys of every table in order, and a hint for each key.

    Raises
    ------
    TapscanError
        When the plan cannot be read or is not valid TOML.
    """
    text = raw_text(folder)
    document = parse_document(text)
    tables = {name: _texts(name, document.get(name, {})) for name in TABLES if name != _ZONE}
    zones = [{**_texts(_ZONE, table), _WAS: str(i)} for i, table in enumerate(document.get(_ZONE, []))]
    return {
        "version": hashlib.sha256(text.encode("utf-8")).hexdigest(),
        "keys": {name: _keys(name) for name in TABLES},
        "hints": HINTS,
        "tables": {**tables, _ZONE: zones},
        "mistakes": mistakes_in(text, folder),
    }


def write_form(folder: "Path", version: str, tables: "Mapping[str, Any]") -> str:
    """Write the form's values into the plan on disk; return the plan's new version.

    Raises
    ------
    TapscanError
        When the plan is no longer the one of `version`, the form has mistakes, or the file cannot be written.
    """
    text = raw_text(folder)
    if hashlib.sha256(text.encode("utf-8")).hexdigest() != version:
        what = "changed since this page read it; nothing was written"
        raise TapscanError(PLAN_NAME, what, "load the page again, and make the change once more")
    try:
        new_text = edited_text(text, tables)
    except IndexError:  # a zone that the plan does not have
        what = "has other zones than this form"
        raise TapscanError(PLAN_NAME, what, "load the page again") from None
    parse_plan(new_text, folder)
    return write_plan(folder, new_text)


def mistakes_in(text: str, folder: "Path | None" = None) -> list[dict[str, str]]:
    """List what is wrong with the text of the plan in `folder`: the path of each field, and a sentence."""
    try:
        parse_plan(text, folder)
    except TapscanError as error:
        return listed_mistakes(error)
    return []


def listed_mistakes(error: TapscanError) -> list[dict[str, str]]:
    """Give an error's mistakes as the page shows them beside their fields."""
    return [
        {
            "path": ".".join(str(step) for step in getattr(one, "path", ())),
            "words": f"{one.what} ({one.remedy})",
        }
        for one in getattr(error, "mistakes", (error,))
    ]


def edited_text(text: str, tables: "Mapping[str, Any]") -> str:
    r"""Return the plan's text with the form's values in it.

    `tables` maps each table to its keys and texts; ``zone`` is a list of such, each with ``was``: the number
    of the zone in the old text, or ``""`` for a new one. A zone that is not listed is taken out.

    Examples
    --------
    >>> text = '[tap]\ntaps_per_point = 3  # light\n[[zone]]\ncode = "BM"\n'
    >>> print(edited_text(text, {"tap": {"taps_per_point": "2"}, "zone": [{"was": "0", "stations": "40"}]}))
    [tap]
    taps_per_point = 2  # light
    [[zone]]
    code = "BM"
    stations = 40
    <BLANKLINE>
    """
    document = parse_document(text)
    for name, texts in tables.items():
        if name != _ZONE:
            _edit_table(document, name, texts)
    if _ZONE in tables:
        _edit_zones(document, tables[_ZONE])
    return tomlkit.dumps(document)


def _edit_table(document: Any, name: str, texts: "Mapping[str, str]") -> None:
    if name not in document:
        if not any(one.strip() for one in texts.values()):
            return
        document.add(name, tomlkit.table())
    _edit(document[name], name, texts)


def _edit_zones(document: Any, zones: "Sequence[Mapping[str, str]]") -> None:
    if _ZONE not in document:
        document.add(_ZONE, tomlkit.aot())
    tables = document[_ZONE]
    kept = [int(one[_WAS]) for one in zones if one[_WAS]]
    for one in zones:
        if one[_WAS]:
            _edit(tables[int(one[_WAS])], _ZONE, one)
    for i in reversed(range(len(tables))):
        if i not in kept:
            del tables[i]
    for one in zones:
        if not one[_WAS]:
            table = tomlkit.table() if isinstance(tables, AoT) else tomlkit.inline_table()
            _edit(table, _ZONE, one)
            tables.append(table)


def _edit(table: Any, name: str, texts: "Mapping[str, str]") -> None:
    """Set what differs, and nothing else."""
    for key in _keys(name):
        new = texts.get(key, "").strip()
        if key not in texts:
            continue
        if new == "" and _is_placeholder(table.get(key)):
            del table[key]  # nobody filled it in, and the form has no value for it
        elif new == _as_text(table.get(key)):
            continue
        elif new == "":
            del table[key]
        elif _kind(name, key) == "list":
            _edit_list(table, key, new.replace(",", " ").split())
        elif key in table:
            table[key] = _value(name, key, new)
        else:
            add_key(table, key, _value(name, key, new))


def _edit_list(table: Any, key: str, wanted: list[str]) -> None:
    """Change a list in place, so that comments beside the entries that stay do so, too."""
    if key not in table:
        add_key(table, key, wanted)
        return
    entries = table[key]
    for at in reversed(range(len(entries))):
        if str(entries[at]) in wanted:
            wanted.remove(str(entries[at]))
        else:
            del entries[at]
    for one in wanted:
        entries.append(one)


def _texts(name: str, table: "Mapping[str, Any]") -> dict[str, str]:
    return {key: _as_text(table.get(key)) for key in _keys(name)}


def _keys(name: str) -> list[str]:
    return [key for key in TABLES[name].model_fields if key not in _NOT_IN_THE_FORM]


def _kind(name: str, key: str) -> str:
    annotation = str(TABLES[name].model_fields[key].annotation)
    return next((kind for kind in ("list", "float", "int") if kind in annotation), "text")


def _as_text(value: Any) -> str:
    if value is None or _is_placeholder(value):
        return ""
    if isinstance(value, list):
        return ", ".join(str(one) for one in value)
    return str(value)


def _is_placeholder(value: Any) -> bool:
    return not isinstance(value, bool | list) and value in _PLACEHOLDERS


def _value(name: str, key: str, text: str) -> Any:
    """Read a number where one is wanted; what is none stays text, and is a mistake of its own."""
    kind = _kind(name, key)
    if kind == "text":
        return text
    try:
        return int(text) if kind == "int" else float(text.replace(",", "."))
    except ValueError:
        return text
