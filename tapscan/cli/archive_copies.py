"""``tapscan archive check`` and ``archive copy``: files as they were archived, and second copies."""

from pathlib import Path
from typing import TYPE_CHECKING

import click

from tapscan.cli.archive_shared import fields, options, place, plain, print_json
from tapscan.errors import TapscanError

if TYPE_CHECKING:
    from collections.abc import Sequence

    from tapscan.archive.places import Bag

__all__ = ["check", "copy"]

FOLDER = click.Path(path_type=Path)


@click.command("check")
@click.argument("names", metavar="[NAME]...", nargs=-1)
@click.option(
    "--from",
    "other",
    metavar="OTHER",
    type=FOLDER,
    help="Bring damaged bags back from their healthy copies in this other archive.",
)
@options
def check(names: tuple[str, ...], other: Path | None, chosen: Path | None, *, as_json: bool) -> None:
    """Compare every file with its checksum.

    What was changed, lost, added or renamed since it was archived is named. Without a NAME
    all bags are checked. NAME is the newest version; NAME@2 is the second.

    Nothing is changed unless you name another archive with --from. A damaged bag is then
    replaced by its copy from there, and kept beside it as NAME@VERSION.damaged.

    \b
    Example:  tapscan archive check
              tapscan archive check my-part@1 --from /media/stick/archive
    """  # noqa: D301 - \b is click's mark for lines kept as they are
    from tapscan.archive.bags.checking import check_bags
    from tapscan.archive.places import find_bag, list_bags
    from tapscan.cli.progress import progress_bar

    archive = place(chosen)
    bags = [find_bag(archive, name) for name in names] or list_bags(archive)
    with progress_bar("Checking, MB") as report:
        megabytes = lambda done, total: report(done // 1_000_000, total // 1_000_000)  # noqa: E731
        found = check_bags([bag.folder for bag in bags], megabytes)
    faults = {bag: found[bag.folder] for bag in bags}
    damaged = [bag for bag in bags if faults[bag]]
    kept, refused = _brought_back(damaged, other)
    if as_json:
        result = [
            {
                "bag": bag.label,
                "faults": [fields(one) for one in faults[bag]],
                **({"damaged_kept_as": str(kept[bag])} if bag in kept else {}),
            }
            for bag in bags
        ]
        print_json({"bags": result})
    for bag in bags if not as_json else ():
        click.echo(f"{bag.label}: {'damaged' if faults[bag] else 'as it was archived'}")
        for fault in faults[bag]:
            click.echo(f"  {plain(fault.path)}: {plain(fault.what)}")
        if bag in kept:
            click.echo(f"  brought back from {other}; the damaged one is kept as {kept[bag]}")
    for sentence in refused:
        click.echo(f"tapscan: {plain(sentence)}", err=True)
    left = [bag.label for bag in damaged if bag not in kept]
    if left:
        what = f"{len(left)} of {len(bags)} damaged: {', '.join(left)}"
        remedy = (
            "bring them back from a copy with --from; archive restore --intact-only takes out what is intact"
        )
        raise TapscanError(str(archive), what, remedy)


def _brought_back(damaged: "Sequence[Bag]", other: Path | None) -> "tuple[dict[Bag, Path], list[str]]":
    """Bring damaged bags back from the other archive; return where each is kept, and what went wrong."""
    from tapscan.archive.bags.copies import bring_back

    kept, refused = {}, []
    for bag in damaged if other is not None else ():
        assert other is not None
        try:
            kept[bag] = bring_back(bag, other)
        except TapscanError as error:
            refused.append(str(error))
    return kept, refused


@click.command("copy")
@click.argument("target", metavar="TO", type=FOLDER)
@options
def copy(target: Path, chosen: Path | None, *, as_json: bool) -> None:
    """Make or refresh a second copy of the archive in TO, and check it.

    Bags that TO does not have yet are copied. Then every bag there is compared with its
    checksums. No bag in TO is ever changed, and one that is damaged here is not copied.

    \b
    Example:  tapscan archive copy /media/stick/archive
    """  # noqa: D301 - \b is click's mark for lines kept as they are
    from tapscan.archive.bags.copies import copy_archive
    from tapscan.cli.progress import progress_bar

    archive = place(chosen)
    with progress_bar("Copying") as report:
        copied = copy_archive(archive, target, report)
    if as_json:
        labels = {"new": [bag.label for bag in copied.new], "same": [bag.label for bag in copied.same]}
        print_json({"archive": str(archive), "copy": str(target), **labels, "faults": list(copied.faults)})
    else:
        whole = len(copied.new) + len(copied.same)
        click.echo(f"{target}: {whole} bags, each as it was archived; {len(copied.new)} of them are new")
    for sentence in copied.faults:
        click.echo(f"tapscan: {plain(sentence)}", err=True)
    if copied.faults:
        what = f"{len(copied.faults)} bags have no healthy copy there"
        raise TapscanError(str(target), what, "do what is said above, then run this again")
