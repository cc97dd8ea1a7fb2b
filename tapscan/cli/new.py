"""``tapscan new``: start an inspection folder."""

import shlex
from pathlib import Path

import click

from tapscan.records.starting import start_inspection
from tapscan.records.tables import json_text

__all__ = ["command"]


@click.command("new")
@click.argument("folder", metavar="DIR", type=click.Path(path_type=Path))
@click.option("--json", "as_json", is_flag=True, help="Print the paths as JSON.")
def command(folder: Path, *, as_json: bool) -> None:
    """Start an inspection in DIR: a commented plan to fill in, and folders for readings.

    A plan that is there already is never replaced.

    \b
    Example:  tapscan new my-part
    """  # noqa: D301 - \b is click's mark for lines kept as they are
    plan = start_inspection(folder)
    if as_json:
        click.echo(json_text({"folder": str(folder), "plan": str(plan)}), nl=False)
        return
    click.echo(f"Wrote {plan}: fill in what is 0 or ?, then run: tapscan grid {shlex.quote(str(folder))}")
