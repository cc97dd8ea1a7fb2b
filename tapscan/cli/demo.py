"""``tapscan demo``: the demo inspection from the simulator."""

import json
import sys
from pathlib import Path

import click

__all__ = ["command"]


@click.command(name="demo", short_help="Write the demo inspection from the simulator.")
@click.argument("folder", metavar="DIR", type=click.Path(path_type=Path))
@click.option("--json", "as_json", is_flag=True, help="Print one JSON object instead of sentences.")
def command(folder: Path, as_json: bool) -> None:
    r"""Write the demo inspection into DIR, a new or empty folder.

    One zone of a carbon recumbent trike is tapped, one is scanned; both are SYNTHETIC, computed by the
    simulator, with delaminations in known places and a few bad readings. It always writes the same bytes.

    \b
    Example:  tapscan demo my-demo
              tapscan analyse my-demo
    """
    from rich.console import Console
    from rich.progress import Progress

    from tapscan.synth.demo import demo_files
    from tapscan.synth.folder import check_new, write_inspection

    check_new(folder)
    console = Console(stderr=True)
    with Progress(console=console, transient=True, disable=not sys.stderr.isatty()) as bar:
        task = bar.add_task("simulating", total=None)
        files = demo_files(lambda done, total: bar.update(task, completed=done, total=total))
    write_inspection(folder, files)
    size = sum(map(len, files.values()))
    if as_json:
        click.echo(json.dumps({"folder": str(folder), "files": len(files), "bytes": size, "synthetic": True}))
        return
    click.echo(
        f"{folder}: a synthetic inspection of an invented part, {len(files)} files, {size / 1e6:.1f} MB."
    )
    click.echo(f"Next: tapscan analyse {folder}")
