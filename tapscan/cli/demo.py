"""``tapscan demo``: the demo inspection from the simulator."""

import json
from pathlib import Path

import click

__all__ = ["command"]


@click.command("demo")
@click.argument("folder", metavar="DIR", type=click.Path(path_type=Path))
@click.option(
    "--parts",
    type=click.IntRange(min=1),
    metavar="N",
    help="Write an archive of N small sectioned parts instead.",
)
@click.option("--json", "as_json", is_flag=True, help="Print one JSON object instead of sentences.")
def command(folder: Path, *, parts: int | None, as_json: bool) -> None:
    """Write the demo inspection into DIR, a new or empty folder.

    One zone of a carbon recumbent trike is tapped, one is scanned, and so is a lug on a photo, whose
    bonded insert has come off; all are SYNTHETIC, computed by the simulator, with delaminations in known
    places and a few bad readings; so are the photo of the lug, the findings of a saw, one measured photo
    of a cut, and a known piece on which the setup was checked before and after.
    It always writes the same bytes. With --parts it writes so many small inspections, each sectioned, to
    learn a probability of detection from.

    \b
    Example:  tapscan demo my-demo
              tapscan analyse my-demo
              tapscan demo many --parts 60
    """  # noqa: D301 - \b is click's mark for lines kept as they are
    from tapscan.cli.progress import progress_bar
    from tapscan.proving.demo import setup_files
    from tapscan.sectioning.demo import cut_files
    from tapscan.synth.demo import demo_files
    from tapscan.synth.folder import check_new, write_inspection

    check_new(folder)
    if parts is not None:
        _write_parts(folder, parts, as_json=as_json)
        return
    with progress_bar("Simulating") as report:
        files = demo_files(report)
        files |= setup_files(files)
        files |= cut_files(files)
    write_inspection(folder, files)
    size = sum(map(len, files.values()))
    if as_json:
        click.echo(json.dumps({"folder": str(folder), "files": len(files), "bytes": size, "synthetic": True}))
        return
    click.echo(
        f"{folder}: a synthetic inspection of an invented part, {len(files)} files, {size / 1e6:.1f} MB."
    )
    click.echo(f"Next: tapscan analyse {folder}")


def _write_parts(folder: Path, count: int, *, as_json: bool) -> None:
    from tapscan.cli.progress import progress_bar
    from tapscan.synth.fleet import fleet
    from tapscan.synth.folder import write_inspection

    files = size = 0
    with progress_bar("Simulating") as report:
        for done, (name, content) in enumerate(fleet(count), 1):
            write_inspection(folder / name, content)
            files, size = files + len(content), size + sum(map(len, content.values()))
            report(done, count)
    if as_json:
        click.echo(json.dumps({"folder": str(folder), "files": files, "bytes": size, "synthetic": True}))
        return
    click.echo(
        f"{folder}: {count} synthetic inspections of invented parts, {files} files, {size / 1e6:.1f} MB."
    )
    click.echo(f"Next: tapscan pod {folder} --to {folder}-pod")
