"""``tapscan archive …``: keep inspections for decades, find them, check them, compute them again."""

import math
from collections.abc import Sequence
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from tapscan.cli.archive_copies import check, copy
from tapscan.cli.archive_shared import (
    fields,
    options,
    place,
    print_json,
    print_listed,
    print_rerun,
)
from tapscan.cli.suggesting import SuggestingGroup
from tapscan.cli.warning import warn
from tapscan.errors import TapscanError

if TYPE_CHECKING:
    from tapscan.archive.searching import Wanted

__all__ = ["command"]

FOLDER = click.Path(path_type=Path)
DAY = click.DateTime(formats=["%Y-%m-%d"])


class _Size(click.FloatRange):
    """A size; what is no number is none."""

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> Any:
        size = super().convert(value, param, ctx)
        return size if math.isfinite(size) else self.fail(f"{value} is no size", param, ctx)


SIZE = _Size(min=0.0, max=1e12)


@click.group("archive", cls=SuggestingGroup)
def command() -> None:
    """Keep inspections for decades: sealed, found again, computed again.

    Each inspection becomes a folder NAME@VERSION in the archive, with checksums of every
    file (a bag after RFC 8493). The archive is the folder given with --archive, else the
    one in the variable TAPSCAN_ARCHIVE, else tapscan-archive in your home folder.

    Checksums detect accidents, not forgery. Keep a second copy on another disk: archive copy.

    \b
    Example:  tapscan archive add my-part
              tapscan archive find garage door --depth-over 0.5
    """  # noqa: D301 - \b is click's mark for lines kept as they are


@command.command("add")
@click.argument("folder", metavar="DIR", type=FOLDER)
@click.option("--name", help="What to call it. [default: the folder's name]")
@options
def add(folder: Path, name: str | None, chosen: Path | None, *, as_json: bool) -> None:
    """Archive the inspection in DIR: all that is in it.

    The folder itself stays as it is. Adding it again makes a new version; no version is
    ever overwritten.

    \b
    Example:  tapscan archive add my-part
              tapscan archive add my-part --archive /media/stick/archive
    """  # noqa: D301 - \b is click's mark for lines kept as they are
    from tapscan.archive.bags.making import add_inspection
    from tapscan.archive.catalogue import take_in
    from tapscan.cli.progress import progress_bar

    archive = place(chosen)
    with progress_bar("Archiving") as report:
        added = add_inspection(folder, archive, name, report)
    bag = added.bag
    take_in(archive, bag)
    warn(added.warnings)
    if as_json:
        counts = {"files": added.files, "bytes": added.size_bytes, "warnings": list(added.warnings)}
        print_json({"bag": bag.label, "folder": str(bag.folder), **counts})
        return
    click.echo(f"{bag.label}: {added.files} files, {added.size_bytes / 1e6:.1f} MB, in {bag.folder}")


command.add_command(check)
command.add_command(copy)


@command.command("restore")
@click.argument("name")
@click.argument("target", metavar="TO", type=FOLDER)
@click.option("--intact-only", is_flag=True, help="Leave damaged and missing files out instead of stopping.")
@options
def restore(name: str, target: Path, chosen: Path | None, *, intact_only: bool, as_json: bool) -> None:
    """Copy the inspection NAME out to TO.

    TO is a new or empty folder. Every file is checked on the way. Paths that leave the
    folder, links, and files larger than the bag claims are refused.

    \b
    Example:  tapscan archive restore my-part my-part-again
              tapscan archive restore my-part@1 as-it-was-first
    """  # noqa: D301 - \b is click's mark for lines kept as they are
    from tapscan.archive.bags.restoring import restore_bag
    from tapscan.archive.places import find_bag
    from tapscan.cli.progress import progress_bar

    bag = find_bag(place(chosen), name)
    with progress_bar("Restoring") as report:
        restored = restore_bag(bag.folder, target, intact_only=intact_only, progress=report)
    warn(restored.left_out)
    if as_json:
        print_json({"bag": bag.label, **fields(restored), "folder": str(target)})
        return
    click.echo(f"{target}: {restored.files} files of {bag.label}, each as it was archived")


@command.command("list")
@click.option("--versions", is_flag=True, help="Every version, not only the newest of each.")
@options
def list_(chosen: Path | None, *, versions: bool, as_json: bool) -> None:
    """List what the archive holds, the newest version of each.

    \b
    Example:  tapscan archive list
    """  # noqa: D301 - \b is click's mark for lines kept as they are
    from tapscan.archive.searching import Wanted

    _search(place(chosen), Wanted(every_version=versions), as_json=as_json)


@command.command("find")
@click.argument("words", nargs=-1)
@click.option("--zone", metavar="CODE", help="Has this zone; the wishes below then mean this zone.")
@click.option("--after", type=DAY, metavar="DATE", help="Inspected on this day or later, as 2026-03-14.")
@click.option("--before", type=DAY, metavar="DATE", help="Inspected on this day or earlier.")
@click.option("--area-over", type=SIZE, metavar="MM2", help="Has an indication larger than this.")
@click.option("--depth-over", type=SIZE, metavar="MM", help="Has an indication deeper than this.")
@click.option(
    "--status",
    type=click.Choice(["clear", "suspect", "unread"]),
    help="Has suspect points; has unread points, or was never analysed; or has clear points alone.",
)
@click.option("--versions", is_flag=True, help="Search every version, not only the newest of each.")
@options
def find(words: tuple[str, ...], chosen: Path | None, *, as_json: bool, **wishes: Any) -> None:
    """Find archived inspections by words and measures.

    WORDS are looked for in part, history, zones, notes and findings; all of them must
    occur, each perhaps as the beginning of a longer one. The day is the plan's date where
    that begins like 2026-03-14, else the day of archiving. With both --area-over and
    --depth-over one indication must be over both.

    \b
    Example:  tapscan archive find garage door
              tapscan archive find --zone BM --area-over 200 --after 2026-01-01
    """  # noqa: D301 - \b is click's mark for lines kept as they are
    from tapscan.archive.searching import Wanted

    wanted = Wanted(
        words=words,
        zone=wishes["zone"],
        after=_day(wishes["after"]),
        before=_day(wishes["before"]),
        area_over_mm2=wishes["area_over"],
        depth_over_mm=wishes["depth_over"],
        status=wishes["status"],
        every_version=wishes["versions"],
    )
    _search(place(chosen), wanted, as_json=as_json)


def _day(moment: datetime | None) -> Any:
    return None if moment is None else moment.date()


def _search(archive: Path, wanted: "Wanted", *, as_json: bool) -> None:
    from tapscan.archive.catalogue import ask
    from tapscan.archive.searching import search
    from tapscan.cli.progress import progress_bar

    with progress_bar("Reading bags") as report:
        found, warnings = ask(archive, lambda connection: search(connection, wanted), report)
    warn(warnings)
    if as_json:
        print_json({"archive": str(archive), "bags": [fields(one) for one in found]})
    else:
        print_listed(archive, found)


@command.command("rebuild")
@options
def rebuild(chosen: Path | None, *, as_json: bool) -> None:
    """Make the catalogue again from the bags.

    The bags stay as they are. It is needed seldom: the catalogue repairs itself.

    \b
    Example:  tapscan archive rebuild
    """  # noqa: D301 - \b is click's mark for lines kept as they are
    from tapscan.archive.catalogue import rebuild as make_again
    from tapscan.archive.places import list_bags
    from tapscan.cli.progress import progress_bar

    archive = place(chosen)
    with progress_bar("Reading bags") as report:
        warnings = make_again(archive, report)
    warn(warnings)
    count = len(list_bags(archive))
    if as_json:
        print_json({"archive": str(archive), "bags": count, "warnings": list(warnings)})
        return
    click.echo(f"{archive}: the catalogue was made again from {count} bags")


@command.command("rerun")
@click.argument("names", metavar="[NAME]...", nargs=-1)
@click.option("--all", "every", is_flag=True, help="The newest version of every inspection.")
@click.option("--new-version", is_flag=True, help="Archive what came out differently as a new version.")
@click.option(
    "--scheduler",
    metavar="ADDRESS",
    help="Compute at this Dask scheduler, like tcp://10.0.0.5:8786; its workers must see the archive "
    "under the same path. Needs: pip install 'tapscan[cluster]'",
)
@options
def rerun(names: tuple[str, ...], chosen: Path | None, *, as_json: bool, **wishes: Any) -> None:
    """Compute again from the inputs, report what changed.

    Every number that differs from the archived results is reported. Nothing is written unless
    you ask for --new-version; the old version stays as it is even then. A Dask scheduler
    runs whatever it is sent by anyone: keep it inside your own network.

    \b
    Example:  tapscan archive rerun my-part
              tapscan archive rerun --all --scheduler tcp://10.0.0.5:8786
    """  # noqa: D301 - \b is click's mark for lines kept as they are
    from tapscan.archive.places import find_bag, list_bags, newest
    from tapscan.archive.rerunning import add_version
    from tapscan.archive.rerunning import rerun as compute_again
    from tapscan.cli.progress import progress_bar

    if bool(names) == wishes["every"]:
        msg = "name bags, or give --all"
        raise click.UsageError(msg)
    archive = place(chosen)
    bags = newest(list_bags(archive)) if wishes["every"] else [find_bag(archive, name) for name in names]
    result = []
    with progress_bar("Computing again") as report:
        outcomes = compute_again(bags, archive, wishes["scheduler"], report)
    for outcome in outcomes:
        is_new = (
            wishes["new_version"] and not outcome.problem and (outcome.changes or not outcome.was_analysed)
        )
        new = add_version(outcome.bag, archive, _analyse) if is_new else None
        if not as_json:
            print_rerun(outcome, new)
        result.append(
            {
                "bag": outcome.bag.label,
                "problem": outcome.problem or None,
                "was_analysed": outcome.was_analysed,
                "changes": [{**fields(one), "size": one.size} for one in outcome.changes],
                "new_version": None if new is None else new.label,
            }
        )
    if as_json:
        print_json({"bags": result})
    failed = [one for one in outcomes if one.problem]
    warn([one.problem for one in failed])
    if failed:
        labels = ", ".join(one.bag.label for one in failed)
        raise TapscanError(
            str(archive), f"{len(failed)} not computed: {labels}", "fix what is reported above"
        )


def _analyse(folder: Path, against: Sequence[Path]) -> None:
    import tapscan

    others = [tapscan.open_inspection(other) for other in against]
    tapscan.analyse(tapscan.open_inspection(folder), others).save()


@command.command("export")
@click.argument("name")
@click.argument("target", metavar="OUT", type=FOLDER)
@click.option(
    "--form",
    type=click.Choice(["csv", "json", "diconde"]),
    required=True,
    help="csv for a spreadsheet, json for a script, diconde for NDT systems "
    "(needs: pip install 'tapscan[diconde]').",
)
@options
def export(name: str, target: Path, form: str, chosen: Path | None, *, as_json: bool) -> None:
    """Write the numbers of NAME for other programs.

    OUT is a new or empty folder. csv writes points, indications and findings; json all of
    it in one file; diconde one image for each map, and the A-scans to the bit.

    \b
    Example:  tapscan archive export my-part for-anna --form csv
    """  # noqa: D301 - \b is click's mark for lines kept as they are
    from tapscan.archive.exporting import export_bag
    from tapscan.archive.places import find_bag

    bag = find_bag(place(chosen), name)
    files = export_bag(bag, target, form)
    if as_json:
        print_json({"bag": bag.label, "form": form, "files": [str(path) for path in files]})
        return
    click.echo(f"{target}: {len(files)} files of {bag.label}")
