"""``tapscan add``: bring recordings, traces and volumes into an inspection."""

import sys
from pathlib import Path
from typing import TYPE_CHECKING

import click

from tapscan.cli.progress import progress_bar
from tapscan.records.inspection import open_inspection
from tapscan.records.tables import json_text
from tapscan.records.taking.adding import Added, add_files

if TYPE_CHECKING:
    from tapscan.records.inspection import Inspection
    from tapscan.records.taking.walking import Walk

__all__ = ["command"]

LINES_SHOWN = 5


@click.command("add")
@click.argument("folder", metavar="DIR", type=click.Path(path_type=Path))
@click.argument("files", metavar="FILE...", nargs=-1, required=True, type=click.Path(path_type=Path))
@click.option("--zone", metavar="CODE", help="FILE is one long recording of taps walked along this zone.")
@click.option("--from", "first", metavar="POINT", help="Where the walk begins, such as 07-05.")
@click.option("--to", "last", metavar="POINT", help="Where the walk ends.")
@click.option("--there-and-back", is_flag=True, help="Even stations were walked from the last position down.")
@click.option("--keep-uneven", is_flag=True, help="Keep points with more or fewer taps than planned.")
@click.option("--json", "as_json", is_flag=True, help="Print what became of each file as JSON.")
def command(  # noqa: PLR0913 - one argument for each option
    folder: Path,
    files: tuple[Path, ...],
    *,
    zone: str | None,
    first: str | None,
    last: str | None,
    there_and_back: bool,
    keep_uneven: bool,
    as_json: bool,
) -> None:
    """Bring recordings or traces into the inspection in DIR.

    Files named by their point (BM-07-05.wav, BM-07-05.csv) or zone (BM.npy) are copied. A
    further recording at a point gets a number; nothing that is there is ever replaced.

    With --zone, FILE is one long recording walked along the grid in the order that
    tapscan grid DIR --walk lists; it is split at the taps, and the count must fit.

    \b
    Example:  tapscan add my-part recorder/*.wav
              tapscan add my-part walk.wav --zone BM --from 01-01 --to 06-12
    """  # noqa: D301 - \b is click's mark for lines kept as they are
    if zone is None and (first or last or there_and_back or keep_uneven):
        msg = "--from, --to, --there-and-back and --keep-uneven belong to --zone"
        raise click.UsageError(msg)
    if zone is not None and len(files) > 1:
        msg = "--zone takes one FILE: the recording of one walk"
        raise click.UsageError(msg)
    inspection = open_inspection(folder)
    if zone is None:
        added = _add_files(inspection, files)
    else:
        # Splitting needs the signal functions; copying does not.
        from tapscan.records.taking.walking import Walk

        added = _add_walk(inspection, files[0], Walk(zone, first, last, there_and_back, keep_uneven))
    if as_json:
        click.echo(json_text(_document(added)), nl=False)
    else:
        _print(added)
    for line in (*added.refused, *added.notes):
        click.echo(f"tapscan: {line}", err=True)
    if added.refused:
        sys.exit(1)


def _add_files(inspection: "Inspection", files: tuple[Path, ...]) -> Added:
    with progress_bar("Adding files") as report:
        return add_files(inspection, files, report)


def _add_walk(inspection: "Inspection", file: Path, way: "Walk") -> Added:
    from tapscan.records.taking.walking import add_walk

    with progress_bar("Splitting the walk") as report:
        return add_walk(inspection, file, way, report)


def _document(added: Added) -> dict[str, object]:
    return {
        "written": [{"from": source, "to": target} for source, target in added.written],
        "unchanged": [{"from": source, "to": target} for source, target in added.unchanged],
        "refused": list(added.refused),
        "notes": list(added.notes),
    }


def _print(added: Added) -> None:
    for what, pairs in (("Added", added.written), ("There already", added.unchanged)):
        if not pairs:
            continue
        targets = [target for _, target in pairs]
        more = f" … {targets[-1]}" if len(targets) > LINES_SHOWN else ""
        click.echo(f"{what}: {len(targets):,} ({', '.join(targets[:LINES_SHOWN])}{more})")
    if added.refused:
        click.echo(f"Refused: {len(added.refused):,}")
