"""``tapscan section``: log what cutting showed, and compare it with the map."""

from pathlib import Path
from typing import TYPE_CHECKING

import click

from tapscan.cli.section_photo import PhotoWish, measure_photo, photo_options
from tapscan.cli.warning import warn

if TYPE_CHECKING:
    from collections.abc import Sequence

    from tapscan.analysis import Results
    from tapscan.records.inspection import Inspection
    from tapscan.sectioning.cuts import PlannedCut
    from tapscan.sectioning.findings.logbook import Findings
    from tapscan.sectioning.outcomes import Compared

__all__ = ["command"]


@click.command("section")
@click.argument("folder", metavar="DIR", type=click.Path(path_type=Path))
@click.option(
    "--csv", "table", type=click.Path(path_type=Path), metavar="FILE", help="Add the findings in a table."
)
@click.option(
    "--against",
    "others",
    metavar="DIR2",
    type=click.Path(path_type=Path),
    multiple=True,
    help="Another inspection that this one was compared with, as in analyse.",
)
@click.option("--plan-cuts", is_flag=True, help="List the best places to cut, and why. Logs nothing.")
@photo_options
@click.option("--json", "as_json", is_flag=True, help="Ask nothing, print everything as JSON.")
def command(
    folder: Path,
    *,
    table: Path | None,
    others: tuple[Path, ...],
    plan_cuts: bool,
    wish: PhotoWish,
    as_json: bool,
) -> None:
    """Log what cutting the part in DIR showed, and compare it with what had been called.

    Findings are asked for one by one and kept in DIR/findings.csv, which may be edited
    by hand: kind, where, sizes in mm, photo, note. Log "nothing there" too: otherwise a
    miss looks like a point that nobody cut. Press Enter at once to see the comparison.

    \b
    Example:  tapscan section my-part --plan-cuts
              tapscan section my-part
              tapscan section my-part --csv from-the-bench.csv

    A photo of a cut is measured with a scale of two clicks on something of known length in
    the plane of the cut, or of the corners of a printed square, in pixels. Every value has
    the uncertainty that clicks and scale give it. The original is never changed; marks and
    results are kept beside it in photos/NAME.measured.json, which may be edited by hand.

    \b
    Example:  tapscan section my-part --photo cut-07.jpg --cut BM-07 --scale "120,400 520,402 20"
              tapscan section my-part --photo cut-07.jpg --find voids --where BM-07-05
                                      --region "100,50 800,50 800,300 100,300"
              tapscan section my-part --photo cut-07.jpg --accept --log
    """  # noqa: D301 - \b is click's mark for lines kept as they are
    from tapscan.records.inspection import open_inspection
    from tapscan.sectioning.findings.logbook import read_findings

    inspection = open_inspection(folder)
    if wish.photo is not None:
        if plan_cuts or table is not None:
            msg = "--photo measures one photo: leave --plan-cuts and --csv out"
            raise click.UsageError(msg)
        measure_photo(inspection, wish, as_json=as_json)
        return
    # A file that is wrong is reported before anything is asked.
    findings = read_findings(folder, inspection.plan)
    if plan_cuts and table is not None:
        msg = "--plan-cuts logs nothing: leave --csv out"
        raise click.UsageError(msg)
    if plan_cuts:
        _plan(_analysed(inspection, others), findings, as_json=as_json)
        return
    if table is not None:
        _add_table(inspection, table, quiet=as_json)
    elif not as_json:
        _caution()
        _log(inspection)
    _compare(inspection, others, as_json=as_json)


def _analysed(inspection: "Inspection", others: tuple[Path, ...]) -> "Results":
    """Analyse anew; the same readings, plan and version give what the report said."""
    import tapscan
    from tapscan.cli.progress import progress_bar
    from tapscan.records.runs import doubts_about_run
    from tapscan.sectioning.pod.gathering import baseline_warning

    against = [tapscan.open_inspection(other) for other in others]
    warn(filter(None, [baseline_warning(inspection.folder, len(against)), *doubts_about_run(inspection)]))
    with progress_bar("Analysing") as report:
        return tapscan.analyse(inspection, against, progress=lambda _what, done, total: report(done, total))


def _caution() -> None:
    from tapscan.sectioning.cautions import CUTTING_CAUTIONS

    click.echo("Before you cut:")
    for caution in CUTTING_CAUTIONS:
        click.echo(f"  - {caution}")
    click.echo()


def _add_table(inspection: "Inspection", table: Path, *, quiet: bool) -> None:
    from tapscan.records.readers.readings import file_name
    from tapscan.sectioning.findings.csv_text import parse_findings
    from tapscan.sectioning.findings.logbook import add_findings, read_text

    name = file_name(table)
    rows = parse_findings(read_text(table, name), inspection.plan, name)
    added = add_findings(inspection.folder, inspection.plan, rows)
    if not quiet:
        known = f", {len(rows) - added} were there already" if added < len(rows) else ""
        click.echo(f"{name}: {added} of {len(rows)} findings added{known}.")


def _log(inspection: "Inspection") -> None:
    """Ask for findings; each is on the disk before the next one."""
    from tapscan.cli.prompts import ask_findings
    from tapscan.sectioning.findings.logbook import add_findings

    for finding in ask_findings(inspection.plan):
        is_new = add_findings(inspection.folder, inspection.plan, [finding]) == 1
        click.echo(f"  {'Kept' if is_new else 'There already'}: {finding.kind} at {finding.where}")


def _plan(results: "Results", findings: "Findings", *, as_json: bool) -> None:
    from dataclasses import asdict

    from tapscan.records.runs import RESULTS
    from tapscan.records.tables import json_text
    from tapscan.report.cuts.lines import write_cuts
    from tapscan.report.results_folder import results_folder
    from tapscan.sectioning.cautions import CUTTING_CAUTIONS
    from tapscan.sectioning.cuts import plan_cuts

    cuts = plan_cuts(results.screened, findings.rows)
    home = results.inspection.folder
    with results_folder(home, "cuts", results.origin) as folder:
        names = [path.name for path in write_cuts(results.screened, cuts, folder, home)]
    pictures = [home / RESULTS / name for name in names]
    if as_json:
        document = {
            "cuts": [asdict(cut) for cut in cuts],
            "pictures": [str(path) for path in pictures],
            "cautions": CUTTING_CAUTIONS,
        }
        click.echo(json_text(document), nl=False)
        return
    _caution()
    _print_cuts(cuts)
    for path in pictures:
        click.echo(f"Drawn: {path}")


def _print_cuts(cuts: "Sequence[PlannedCut]") -> None:
    from rich.console import Console
    from rich.table import Table

    if not cuts:
        click.echo("No further cut would answer much.")
        return
    table = Table("Zone", "No.", "Cut along", "Why")
    numbers: dict[str, int] = {}  # counted zone by zone, as in the pictures
    for cut in cuts:
        numbers[cut.zone] = numbers.get(cut.zone, 0) + 1
        table.add_row(cut.zone, str(numbers[cut.zone]), cut.along, cut.reason)
    for column in table.columns[:3]:
        column.no_wrap = True
    Console(highlight=False).print(table)
    click.echo("The best cuts of each zone come first. Stop after any of them; then: tapscan section DIR")


def _compare(inspection: "Inspection", others: tuple[Path, ...], *, as_json: bool) -> None:
    import tapscan
    from tapscan.report.pages.section_page import SectionReport, write_sections
    from tapscan.sectioning.comparing import compare_all
    from tapscan.sectioning.cut_photos import cut_photos
    from tapscan.sectioning.findings.logbook import read_findings
    from tapscan.sectioning.section_data import section_document

    findings = read_findings(inspection.folder, inspection.plan)
    warn(findings.warnings)
    if not findings.rows and not as_json:
        click.echo("No findings yet: nothing is known about the inside.")
        return
    results = _analysed(inspection, others)
    compared = compare_all(results, findings.rows)
    page = None
    if findings.rows:
        photos, doubts = cut_photos(inspection.folder)
        warn(doubts)
        report = SectionReport(
            part=inspection.plan.part,
            version=tapscan.__version__,
            compared=compared,
            findings=findings.rows,
            false_call_rate=inspection.plan.false_call_rate,
            warnings=(*findings.warnings, *doubts),
            origin=results.origin,
            photos=photos,
        )
        page = write_sections(report, inspection.folder)
    if as_json:
        from tapscan.records.tables import json_text

        document = section_document(compared, findings.rows)
        document |= {"warnings": list(findings.warnings), "page": None if page is None else str(page)}
        click.echo(json_text(document), nl=False)
        return
    _print(compared, inspection.plan.false_call_rate)
    click.echo("What was not cut is not known. The verdict is yours.")
    click.echo(f"Page: {page}")


def _print(compared: "Sequence[Compared]", rate: float) -> None:
    from rich.console import Console
    from rich.table import Table

    from tapscan.report.pages.section_page import false_call_text, found_text

    console = Console(highlight=False)
    table = Table("Defect", "Kind", "Method", "Outcome", "Disc mm", "reported/true", "Depth mm")
    table.columns[0].no_wrap = table.columns[3].no_wrap = True
    for one in compared:
        for row in one.defects:
            table.add_row(
                row.id,
                row.kind,
                row.method,
                f"{row.verdict} {', '.join(row.indications)}".strip(),
                f"{row.size_mm:.0f}",
                "" if row.area_ratio is None else f"{row.area_ratio:.2f}",
                _depths(row.depth_mm, row.reported_depth_mm),
            )
    if table.row_count:
        console.print(table)
    for one in compared:
        for row in one.defects:
            if row.reason:
                click.echo(f"{row.id}, {row.method}, {row.verdict}: {row.reason}.")
    for one in compared:
        name = f"{one.screened.zone.code}, {one.screened.method}"
        click.echo(f"{name}: {found_text(one)}")
        click.echo(f"{name}: {false_call_text(one, rate)}")


def _depths(true_mm: float | None, detectable_mm: float | None) -> str:
    true = "" if true_mm is None else f"{true_mm:.2f}"
    return true if detectable_mm is None else f"{true} (reported {detectable_mm:.2f})"
