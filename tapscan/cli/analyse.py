"""``tapscan analyse``: the main job."""

from pathlib import Path

import click

from tapscan.analysis import Results
from tapscan.cli.warning import warn

__all__ = ["command"]


@click.command("analyse")
@click.argument("folder", metavar="DIR", type=click.Path(path_type=Path))
@click.option(
    "--against",
    "others",
    metavar="DIR2",
    type=click.Path(path_type=Path),
    multiple=True,
    help="Compare it with another inspection: an earlier one of this part, or one of a like part. "
    "Give it again for more; they are averaged.",
)
@click.option("--json", "as_json", is_flag=True, help="Print the summary and the indications as JSON.")
def command(folder: Path, *, others: tuple[Path, ...], as_json: bool) -> None:
    """Analyse the inspection in DIR and write its results, map and report.

    Everything is written to DIR/results, which may be deleted and made again. What
    could not be read is unread, never clear.

    The baseline comes from the inspections given with --against, where they have the
    same zone; else from the mirror-image zone that the plan names; else from the zone
    itself. Points marked as reference in the plan always count. What cutting has shown of the
    others since (their findings.csv) counts before their readings.

    \b
    Example:  tapscan analyse my-part
              tapscan analyse my-part --against my-part-last-year
    """  # noqa: D301 - \b is click's mark for lines kept as they are
    import tapscan
    from tapscan.cli.progress import progress_bar
    from tapscan.records.runs import doubts_about_others

    inspection = tapscan.open_inspection(folder)
    against = [tapscan.open_inspection(other) for other in others]
    with progress_bar("Analysing") as report:
        results = tapscan.analyse(
            inspection, against, progress=lambda _what, done, total: report(done, total)
        )
        page = results.save()
    warn([*results.summary["warnings"], *doubts_about_others(inspection)])
    if as_json:
        _print_json(results, page)
    else:
        _print(results, page)


def _print_json(results: Results, page: Path) -> None:
    from dataclasses import asdict

    from tapscan.records.tables import json_text

    document = {
        **results.summary,
        "indications": [asdict(one) for one in results.indications],
        "report": str(page),
    }
    click.echo(json_text(document), nl=False)


def _print(results: Results, page: Path) -> None:
    from rich.console import Console
    from rich.table import Table

    from tapscan.report.maps.doubts import doubt_sentences
    from tapscan.report.pages.short import SHORT_NAME

    console = Console(highlight=False)
    counts = Table("Zone", "Method", "Clear", "Suspect", "Unread", "Skipped", "Indications")
    for row in results.summary["counts"]:
        keys = ("zone", "method", "clear", "suspect", "unread", "skipped", "indications")
        counts.add_row(*(str(row[key]) for key in keys))
    console.print(counts)
    if results.indications:
        table = Table("No.", "Strongest", "mm²", "bounds", "x mm", "s mm", "Depth")
        for column in table.columns:
            column.no_wrap = True
        for one in results.indications:
            table.add_row(
                one.id,
                one.peak_point,
                f"{one.area_mm2:.0f}",
                f"{round(one.area_low_mm2)} to {round(one.area_high_mm2)}",
                f"{round(one.x_mm[0])} to {round(one.x_mm[1])}",
                f"{round(one.s_mm[0])} to {round(one.s_mm[1])}",
                "" if one.depth_mm is None else f"{one.depth_mm:.2f}",
            )
        console.print(table)
    for line in doubt_sentences(results.summary):
        click.echo(line)
    click.echo(
        "A clear point is not proof of soundness, and an unread point says nothing. The verdict is yours."
    )
    click.echo(f"Report: {page}")
    click.echo(f"One page to fill in and sign: {page.with_name(SHORT_NAME)}")
