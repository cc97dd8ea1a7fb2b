"""``tapscan demo``: the demo inspection from the simulator."""

import json
from pathlib import Path

import click

__all__ = ["command"]


@click.command("demo")
@click.argument("folder", metavar="DIR", type=click.Path(path_type=Path))
@click.option("--json", "as_json", is_flag=True, help="Print one JSON object instead of sentences.")
def command(folder: Path, *, as_json: bool) -> None:
    """Write the demo inspection into DIR, a new or empty folder.

    One zone of a carbon recumbent trike is tapped, one is scanned; both are SYNTHETIC, computed by the
    simulator, with delaminations in known places and a few bad readings. It always writes the same bytes.

    \b
    Example:  tapscan demo my-demo
              tapscan analyse my-demo
    """  # noqa: D301 - \b is click's mark for lines kept as they are
    from tapscan.cli.progress import progress_bar
    from tapscan.synth.demo import demo_files
    from tapscan.synth.folder import check_new, write_inspection

    check_new(folder)
    with progress_bar("Simulating") as report:
        files = demo_files(report)
    write_inspection(folder, files)
    size = sum(map(len, files.values()))
    if as_json:
        click.echo(json.dumps({"folder": str(folder), "files": len(files), "bytes": size, "synthetic": True}))
        return
    click.echo(
        f"{folder}: a synthetic inspection of an invented part, {len(files)} files, {size / 1e6:.1f} MB."
    )
    click.echo(f"Next: tapscan analyse {folder}")
