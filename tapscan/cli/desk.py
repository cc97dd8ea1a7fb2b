"""``tapscan desk``: the local page."""

from pathlib import Path
from typing import TYPE_CHECKING

import click

from tapscan.errors import TapscanError

if TYPE_CHECKING:
    from tapscan.desk.web.guard import Door

__all__ = ["command"]


@click.command("desk")
@click.argument("folder", metavar="DIR", type=click.Path(path_type=Path))
@click.option("--piece", metavar="PIECE", type=click.Path(path_type=Path), help="The known piece's folder.")
@click.option("--port", type=click.IntRange(0, 65535), help="Listen on this port.")
@click.option("--listen", "address", metavar="ADDRESS", default="127.0.0.1", help="Let other devices in.")
@click.option("--no-browser", is_flag=True, help="Only print the address.")
def command(folder: Path, *, piece: Path | None, port: int | None, address: str, no_browser: bool) -> None:
    """Open the inspection in DIR on a page in the browser: collect, look, mark, print.

    The page is served by this computer to this computer, and needs no network. Whoever has
    the address that is printed can use it until the desk is closed with Ctrl-C.

    With --listen and an address of this computer (0.0.0.0 for all of them) a phone at the part
    can collect: the page is encrypted, and a code to point the phone's camera at is printed.

    With --piece, Collect also checks the setup on that known piece, as tapscan setup does.

    \b
    Example:  tapscan desk my-part
              tapscan desk my-part --piece my-piece
              tapscan desk my-part --no-browser --port 9000
              tapscan desk my-part --listen 0.0.0.0
    """  # noqa: D301 - \b is click's mark for lines kept as they are
    from tapscan.proving.figures.shown import known_zone
    from tapscan.records.inspection import open_inspection

    try:
        from tapscan.desk.bench import Bench
        from tapscan.desk.plan.form import is_editable
        from tapscan.desk.web.serving import open_door, serve
    except ImportError as error:
        where, what = "tapscan desk", f"needs {error.name}, which is not installed"
        raise TapscanError(where, what, "run: pip install 'tapscan[desk]'") from None
    try:
        open_inspection(folder)  # what is wrong with the folder is said before a page opens
    except TapscanError as error:
        if not is_editable(folder):
            raise
        click.echo(f"tapscan: {error}\nThe page opens with the plan, to fill it in.", err=True)
    if piece is not None:
        known_zone(open_inspection(piece).plan, piece.as_posix())
    door, listener = open_door(address, port)
    click.echo(f"The desk is open at {door.url}")
    if door.is_secure:
        _invite(door)
    click.echo("Ctrl-C closes it. A clear map is not proof of soundness; the verdict is yours.")

    def show() -> None:
        if not no_browser:
            click.launch(door.url)

    serve(Bench(folder, piece), door, listener, show)
    click.echo("The desk is closed; everything that was collected is in the folder.")


def _invite(door: "Door") -> None:
    """Say how a phone opens the desk, and who else can."""
    from tapscan.desk.web.certificates import identity_for
    from tapscan.desk.web.phones import STEPS, terminal_code

    identity = identity_for(door.outward)
    click.echo(terminal_code(door.url))
    click.echo("To collect with a phone:")
    for number, step in enumerate(STEPS, 1):
        click.echo(f"  {number}. {step}")
    click.echo(f"SHA-256 fingerprint of the certificate: {identity.fingerprint}")
    click.echo(
        "tapscan: anyone on this network who learns that address can read and change this inspection "
        "(leave --listen out to keep it on this computer)",
        err=True,
    )
