"""What the subcommands of ``tapscan archive`` share: their options, and how they show what they found."""

from collections.abc import Callable, Iterable, Sequence
from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

if TYPE_CHECKING:
    from tapscan.archive.changes import Change
    from tapscan.archive.places import Bag
    from tapscan.archive.rerunning import Rerun
    from tapscan.archive.searching import Listed

__all__ = ["fields", "options", "place", "plain", "print_json", "print_listed", "print_rerun"]

Function = Callable[..., None]

CHANGES_SHOWN = 20


def options(function: Function) -> Function:
    """Give a subcommand the two options that all of them have."""
    function = click.option("--json", "as_json", is_flag=True, help="Print one JSON object instead.")(
        function
    )
    result = "Where the archive is. [default: $TAPSCAN_ARCHIVE, else ~/tapscan-archive]"
    kind = click.Path(path_type=Path)
    return click.option("--archive", "chosen", metavar="DIR", type=kind, help=result)(function)


def place(chosen: Path | None) -> Path:
    """Return the archive that was chosen, else the usual one."""
    from tapscan.archive.places import archive_folder

    return archive_folder(chosen)


def plain(text: str) -> str:
    r"""Return a text from a bag on one line, without what would steer a terminal.

    Examples
    --------
    >>> plain("left\x1b[2J\nboom")
    'left [2J boom'
    """
    signs = text if text.isprintable() else "".join(sign if sign.isprintable() else " " for sign in text)
    return " ".join(signs.split())


def print_json(document: dict[str, Any]) -> None:
    """Print one JSON object."""
    from tapscan.records.tables import json_text

    click.echo(json_text(document), nl=False)


def fields(record: Any) -> dict[str, Any]:
    """Lay a flat record out as JSON wants it, paths as text."""
    return {key: str(value) if isinstance(value, Path) else value for key, value in asdict(record).items()}


def print_listed(archive: Path, found: "Sequence[Listed]") -> None:
    """Print each inspection in a few lines: what it is, what was found, and where the words are."""
    if not found:
        click.echo(f"{archive}: nothing found")
        return
    lines = []
    for one in found:
        part = ", ".join(word for word in (one.part, one.serial) if word)
        lines.append(f"{one.name}@{one.version}  {one.inspected or 'without a day'}  {plain(part)}")
        lines.append(f"    {_line(one)}")
        if one.passage:
            lines.append(f"    {plain(one.passage)}")
    click.echo("\n".join(lines))
    for one in found:
        if one.problem:
            click.echo(f"tapscan: {one.name}@{one.version}: {plain(one.problem)}", err=True)
    click.echo("A clear point is not proof of soundness, and an unread point says nothing.")


def _line(one: "Listed") -> str:
    if one.clear is None:
        return "cannot be read"
    result = f"{one.clear} clear, {one.suspect} suspect, {one.unread} unread"
    result += f"; {one.indications} indication{'' if one.indications == 1 else 's'}"
    if one.largest_mm2 is not None:
        result += f", the largest {one.largest_mm2:.0f} mm²"
    if one.deepest_mm is not None:
        result += f", the deepest {one.deepest_mm:.2f} mm"
    return result if one.tapscan else f"{result}; never analysed"


def print_rerun(outcome: "Rerun", new: "Bag | None") -> None:
    """Print what came out differently: each kind of value with its largest move, then the first ones."""
    label = outcome.bag.label
    if outcome.problem:
        return
    if not outcome.was_analysed:
        click.echo(f"{label}: was archived without results; computed now for the first time")
    elif not outcome.changes:
        click.echo(f"{label}: the same to the byte")
    else:
        click.echo(f"{label}: {len(outcome.changes)} values changed")
        _print_table(("File", "Value", "Changed", "Largest move"), _kinds(outcome.changes))
        shown = outcome.changes[:CHANGES_SHOWN]
        rows = (
            (one.of, one.value, *("absent" if v is None else v for v in (one.before, one.after)))
            for one in shown
        )
        _print_table(("Of", "Value", "Before", "Now"), rows)
        if len(outcome.changes) > len(shown):
            click.echo(f"… and {len(outcome.changes) - len(shown)} more (all of them with --json)")
    if new is not None:
        click.echo(f"{label}: archived anew as {new.label}")


def _kinds(changes: "Iterable[Change]") -> list[tuple[str, str, str, str]]:
    kinds: dict[tuple[str, str], list[Change]] = {}
    for one in changes:
        kinds.setdefault((one.file, one.value), []).append(one)
    rows = []
    for (file, value), own in kinds.items():
        sizes = [one.size for one in own if one.size is not None]
        rows.append((file, value, str(len(own)), f"{max(sizes):g}" if sizes else ""))
    return rows


def _print_table(heads: Sequence[str], rows: Iterable[Sequence[str]]) -> None:
    from rich.console import Console
    from rich.table import Table
    from rich.text import Text

    table = Table(*heads)
    table.columns[0].no_wrap = True
    for row in rows:
        # Text, not markup: a part may be called [left].
        table.add_row(*(Text(cell) for cell in row))
    Console(highlight=False).print(table)
