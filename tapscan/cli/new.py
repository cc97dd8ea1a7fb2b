"""``tapscan new``: start an inspection folder."""

import shlex
from pathlib import Path

import click

from tapscan.records.starting import start_inspection
from tapscan.records.tables import json_text

__all__ = ["command"]


@click.command("new")
@click.argument("folder", metavar="DIR", type=click.Path(path_type=Path))
@click.option("--known-piece", "is_known_piece", is_flag=True, help="Start a known piece instead.")
@click.option("--json", "as_json", is_flag=True, help="Print the paths as JSON.")
def command(folder: Path, *, is_known_piece: bool, as_json: bool) -> None:
    """Start an inspection in DIR: a commented plan to fill in, and folders for readings.

    A plan that is there already is never replaced.

    With --known-piece, DIR is laminate whose state is known: tapscan setup proves tapper,
    microphone, probe and hand on it. Two offcuts glued with two sheets of PTFE film between
    them make one in an afternoon; the plan says how. Cutting and sanding carbon
    needs extraction, a fitted respirator, gloves and eye protection.

    \b
    Example:  tapscan new my-part
              tapscan new my-piece --known-piece
    """  # noqa: D301 - \b is click's mark for lines kept as they are
    plan = start_inspection(folder, is_known_piece=is_known_piece)
    if as_json:
        click.echo(json_text({"folder": str(folder), "plan": str(plan)}), nl=False)
        return
    place = shlex.quote(str(folder))
    then = f"tapscan setup {place} --piece {place}" if is_known_piece else f"tapscan grid {place}"
    click.echo(f"Wrote {plan}: fill in what is 0 or ?, then run: {then}")
