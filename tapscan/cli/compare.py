"""``tapscan compare``: what changed between two inspections of one part."""

from pathlib import Path
from typing import TYPE_CHECKING

import click

from tapscan.cli.warning import warn

if TYPE_CHECKING:
    from tapscan.screening.change.comparison import Comparison

__all__ = ["command"]


@click.command("compare")
@click.argument("before", metavar="BEFORE", type=click.Path(path_type=Path))
@click.argument("after", metavar="AFTER", type=click.Path(path_type=Path))
@click.option("--json", "as_json", is_flag=True, help="Print everything as JSON.")
def command(before: Path, after: Path, *, as_json: bool) -> None:
    """Find what changed between the inspections in BEFORE and AFTER, two folders.

    Both are analysed anew. Zones are matched by their codes, points by their place on
    the part, so the two grids need not be the same. A change counts when it goes beyond
    what readings repeat to. Indications are new, grown, unchanged, shrunk or gone.

    Map, table and page are written to AFTER/results/change; BEFORE is only read.

    \b
    Example:  tapscan compare my-part-last-year my-part
    """  # noqa: D301 - \b is click's mark for lines kept as they are
    import tapscan
    from tapscan.cli.progress import progress_bar
    from tapscan.records.runs import doubts_about_run

    then, now = (tapscan.open_inspection(folder) for folder in (before, after))
    with progress_bar("Comparing") as report:
        comparison = tapscan.compare(then, now, progress=lambda _what, done, total: report(done, total))
        page = comparison.save()
    doubts = [f"{one.folder}, {doubt}" for one in (then, now) for doubt in doubts_about_run(one)]
    warn([*comparison.summary["warnings"], *doubts])
    if as_json:
        _print_json(comparison, page)
    else:
        _print(comparison, page)


def _print_json(comparison: "Comparison", page: Path) -> None:
    from tapscan.records.tables import json_text
    from tapscan.report.pages.change import change_document

    click.echo(json_text({**change_document(comparison), "page": str(page)}), nl=False)


def _print(comparison: "Comparison", page: Path) -> None:
    from rich.console import Console
    from rich.table import Table

    from tapscan.report.pages.change_words import lead

    console = Console(highlight=False)
    counts = Table("Zone", "Method", "Unchanged", "Changed", "Unread", "Skipped")
    for row in comparison.summary["counts"]:
        keys = ("zone", "method", "unchanged", "changed", "unread", "skipped")
        counts.add_row(*(str(row[key]) for key in keys))
    console.print(counts)
    changes = [one for zone in comparison.zones for one in zone.changes]
    if changes:
        table = Table("No.", "What became of it", "Before", "Now", "mm² before", "mm² now", "Strongest at")
        for one in changes:
            table.add_row(
                one.id,
                one.kind,
                ", ".join(each.id for each in one.before),
                ", ".join(each.id for each in one.after),
                f"{one.area_before_mm2:.0f}" if one.before else "",
                f"{one.area_after_mm2:.0f}" if one.after else "",
                one.shown[0].peak_point,
            )
        console.print(table)
    for sentence in lead(comparison.zones)[:2]:
        click.echo(sentence)
    click.echo("Unchanged is not proof of soundness, and an unread point says nothing. The verdict is yours.")
    click.echo(f"Page: {page}")
