"""The plan as its owner's text: what the page sets is written into it, and every comment stays.

A plan is replaced in one step, and only by a text that says what the old one said and what was set.
"""

import hashlib
from typing import TYPE_CHECKING, Any

import tomlkit
from tomlkit.exceptions import TOMLKitError
from tomlkit.items import AbstractTable, Comment, Whitespace

from tapscan.errors import TapscanError
from tapscan.plan.text.reading import MAX_PLAN_BYTES, PLAN_NAME, read_plan
from tapscan.records.writing import write_bytes

if TYPE_CHECKING:
    from pathlib import Path

    from tapscan.plan import Plan, Zone

__all__ = [
    "add_key",
    "parse_document",
    "plan_text",
    "plan_version",
    "raw_text",
    "refuse",
    "write_plan",
    "zone_of",
]

BY_HAND = "set it in a text editor"


def plan_version(folder: "Path") -> str:
    """Return the SHA-256 of the plan as it is on disk.

    Raises
    ------
    TapscanError
        When there is no plan, or it cannot be used.
    """
    read_plan(folder)  # says what is wrong with a plan better than a failed read would
    return hashlib.sha256((folder / PLAN_NAME).read_bytes()).hexdigest()


def plan_text(folder: "Path") -> str:
    """Return the text of a plan that can be used; see `plan_version` for what is raised."""
    read_plan(folder)
    return (folder / PLAN_NAME).read_bytes().decode("utf-8-sig")


def raw_text(folder: "Path") -> str:
    """Return the text of a plan, right or wrong.

    Raises
    ------
    TapscanError
        When there is none, it is no text, or it is not in the inspection.
    """
    path = folder / PLAN_NAME
    try:
        if not path.resolve().is_relative_to(folder.resolve()) or path.stat().st_size > MAX_PLAN_BYTES:
            raise TapscanError(PLAN_NAME, "is not a plan of this folder", "copy the plan itself there")
        return path.read_bytes().decode("utf-8-sig")
    except (OSError, UnicodeDecodeError) as error:
        raise TapscanError(
            PLAN_NAME, f"cannot be read: {error}", "save it again as plain text in UTF-8"
        ) from None


def write_plan(folder: "Path", text: str) -> str:
    """Replace the plan; return its new version.

    Raises
    ------
    TapscanError
        When the file cannot be written, or would be too large to be read again.
    """
    content = text.encode("utf-8")
    if len(content) > MAX_PLAN_BYTES:
        raise TapscanError(PLAN_NAME, "would be over 1 MB; nothing was written", "shorten its longest notes")
    try:
        write_bytes(folder / PLAN_NAME, content)
    except OSError as error:
        what = f"cannot be written: {error.strerror or error}"
        raise TapscanError(PLAN_NAME, what, "make room, or make the file writable") from None
    return hashlib.sha256(content).hexdigest()


def zone_of(plan: "Plan", code: str) -> "Zone":
    """Return the plan's zone with this code.

    Raises
    ------
    TapscanError
        When there is none.
    """
    try:
        return plan.zone(code)
    except KeyError:
        known = ", ".join(zone.code for zone in plan.zones)
        raise TapscanError(PLAN_NAME, f"has no zone {code}", f"zones of the plan: {known}") from None


def parse_document(text: str) -> Any:
    """Parse the plan for editing.

    Raises
    ------
    TapscanError
        When the editing parser refuses a text that the reading one took.
    """
    try:
        return tomlkit.parse(text)
    except TOMLKitError as error:
        raise TapscanError(PLAN_NAME, f"cannot be edited here: {str(error).rstrip('.')}", BY_HAND) from None


def refuse() -> TapscanError:
    """Say that a new text would not mean what was set, so that the old one stays."""
    return TapscanError(PLAN_NAME, "would not say what was set; nothing was written", BY_HAND)


def add_key(table: Any, key: str, value: object) -> None:
    """Add a key right below the last one of a table.

    To the parser the blank lines and comments before the next table belong to this one; to whoever wrote them
    they belong to the next, and stay right above it.
    """
    body = table.value.body
    keys = [
        i for i, (name, item) in enumerate(body) if name is not None and not isinstance(item, AbstractTable)
    ]
    at = keys[-1] + 1 if keys else 0
    # A comment that follows without a blank line still speaks of the key above it.
    while at < len(body) and isinstance(body[at][1], Comment):
        at += 1
    rest = body[at:]
    if all(isinstance(item, (Comment, Whitespace)) for _, item in rest):
        del body[at:]
        table.add(key, value)
        body.extend(rest)
    else:
        table.add(key, value)
