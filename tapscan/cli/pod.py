"""``tapscan pod``: how large a defect must be to be found, from parts that were sectioned."""

from pathlib import Path
from typing import TYPE_CHECKING

import click

from tapscan.cli.warning import warn

if TYPE_CHECKING:
    from collections.abc import Sequence

    from tapscan.sectioning.pod.study import Study

__all__ = ["command"]


@click.command("pod")
@click.argument("folders", metavar="DIR...", nargs=-1, required=True, type=click.Path(path_type=Path))
@click.option(
    "--to",
    "target",
    type=click.Path(path_type=Path),
    metavar="FOLDER",
    help="Write picture, page and numbers there. With one inspection they go into its results.",
)
@click.option("--json", "as_json", is_flag=True, help="Print everything as JSON.")
def command(folders: tuple[Path, ...], *, target: Path | None, as_json: bool) -> None:
    """Estimate the probability of detection from sectioned parts.

    DIR is an inspection with findings, or a folder of such. Every one is analysed anew.
    A size is given only within the sizes that were cut; the rest is named as missing.

    \b
    Example:  tapscan pod part-1 part-2 part-3 --to pod-spring
              tapscan demo parts --parts 60
              tapscan pod parts --to pod-parts
    """  # noqa: D301 - \b is click's mark for lines kept as they are
    from tapscan.cli.progress import progress_bar
    from tapscan.errors import TapscanError
    from tapscan.sectioning.pod.data import pod_document
    from tapscan.sectioning.pod.gathering import gather, inspections_in
    from tapscan.sectioning.pod.study import study
    from tapscan.sectioning.pod.trials import trials_of

    found = inspections_in(folders)
    with progress_bar("Analysing parts") as report:
        gathered = gather(found, report)
        studies = [study(trials) for trials in trials_of(gathered.parts)]
    warn(gathered.warnings)
    if not studies:
        where = str(folders[0]) if len(folders) == 1 else "these folders"
        what = "no findings that any reading can be compared with"
        raise TapscanError(where, what, "log what cutting showed: tapscan section DIR")
    page = _written(studies, gathered.warnings, found, target)
    if as_json:
        from tapscan.records.tables import json_text

        document = {**pod_document(studies, gathered.warnings), "page": None if page is None else str(page)}
        click.echo(json_text(document), nl=False)
        return
    _print(studies, len(gathered.parts))
    click.echo(f"Page: {page}" if page else "For picture, page and numbers: --to FOLDER")


def _written(
    studies: "Sequence[Study]", warnings: "Sequence[str]", found: "Sequence[Path]", target: Path | None
) -> Path | None:
    """Write page, picture and numbers where requested; else beside the results of a single part."""
    from tapscan import __version__
    from tapscan.records.digests import digests
    from tapscan.records.inspection import open_inspection
    from tapscan.records.runs import RESULTS, fingerprint
    from tapscan.report.pages.pod_page import write_pod
    from tapscan.report.results_folder import results_folder
    from tapscan.sectioning.pod.gathering import is_in_bag

    if target is not None:
        return write_pod(studies, warnings, target, __version__)
    if len(found) > 1 or is_in_bag(found[0]):
        return None
    inputs = fingerprint(digests(open_inspection(found[0])))
    with results_folder(found[0], "pod", {"inputs": inputs}) as folder:
        name = write_pod(studies, warnings, folder, __version__).name
    return found[0] / RESULTS / name


def _print(studies: "Sequence[Study]", parts: int) -> None:
    from rich.console import Console
    from rich.table import Table

    from tapscan.report.pages.pod_page import COUNTING_IS_STRICTER, better_text, curve_text, exact_text
    from tapscan.report.pages.section_page import share_text

    click.echo(f"{parts} sectioned {'part' if parts == 1 else 'parts'}")
    for one in studies:
        name = "Taps" if one.trials.method == "tap" else "A-scans"
        table = Table(name, "", show_header=True)
        table.add_row("defects found", share_text(one.found))
        table.add_row("false calls", share_text(one.false_calls))
        for link, curve in one.curves.items():
            table.add_row(f"{'log-odds' if link == 'logit' else link} curve", curve_text(curve))
        if one.why_no_curve:
            table.add_row("no curve", one.why_no_curve)
        for text in exact_text(one):
            table.add_row("by counting", text)
        if one.curves and one.exact:
            table.add_row("", COUNTING_IS_STRICTER)
        table.add_row("another limit", better_text(one.better))
        for limit in one.limits:
            table.add_row("limits", limit)
        table.columns[0].no_wrap = True
        Console(highlight=False).print(table)
    click.echo("This holds for parts like these, inspected like these. Clear is not proof of soundness.")
