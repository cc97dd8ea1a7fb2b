"""The command line: one module per command, each a thin shell over one library function.

A command's module is imported when that command runs; `tapscan --help` reads the one-line texts below.
"""

import errno
import io
import sys
import warnings
from importlib import import_module

import click

from tapscan import __version__
from tapscan.cli.suggesting import SuggestingGroup
from tapscan.errors import TapscanError

__all__ = ["main"]

COMMANDS = {
    "new": "Start an inspection folder with a commented plan to fill in.",
    "grid": "Check the plan, say what it covers, write wraps to mark the grid with.",
    "setup": "Prove tapper, microphone, probe and hand on a known piece.",
    "add": "Bring recordings or traces into an inspection.",
    "capture": "Record taps live, point by point, with cues.",
    "desk": "The local page: collect, look, mark, print.",
    "analyse": "The main job: features, baseline, map, report.",
    "compare": "Find what changed between two inspections of one part.",
    "section": "Log what cutting showed, and compare it with the map.",
    "pod": "How large must a defect be to be found: probability of detection.",
    "archive": "Keep inspections for decades: check, find, compute again, export.",
    "demo": "Write the demo inspection from the simulator.",
}


class _LazyGroup(SuggestingGroup):
    def list_commands(self, ctx: click.Context) -> list[str]:  # noqa: ARG002 - click's signature
        return list(COMMANDS)

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:  # noqa: ARG002
        if cmd_name not in COMMANDS:
            return None
        command: click.Command = import_module(f"tapscan.cli.{cmd_name}").command
        return command

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:  # noqa: ARG002
        with formatter.section("Commands"):
            formatter.write_dl(list(COMMANDS.items()))

    def invoke(self, ctx: click.Context) -> object:
        for stream in (sys.stdout, sys.stderr):
            if isinstance(stream, io.TextIOWrapper):
                # On a terminal or into a pipe that has no × or ², the sentence counts more than the sign.
                stream.reconfigure(errors="replace")
        # What numpy thinks of a number is no sentence for the user; in the tests such a warning is an error.
        warnings.showwarning = lambda *_, **__: None
        try:
            return super().invoke(ctx)
        except TapscanError as error:
            for mistake in error.mistakes:
                click.echo(f"tapscan: {mistake}", err=True)
            sys.exit(1)
        except OSError as error:
            if error.errno == errno.EPIPE:
                raise  # whoever read our output has gone; click leaves without a word
            place = f"{error.filename}: " if error.filename else ""
            remedy = "check the disk and who may use it, then run this again"
            click.echo(f"tapscan: {place}{error.strerror or error} ({remedy})", err=True)
            sys.exit(1)
        except MemoryError:
            click.echo("tapscan: out of memory (close other programs, or split the zone)", err=True)
            sys.exit(1)
        except KeyboardInterrupt:
            click.echo("tapscan: stopped; nothing half-written was left behind", err=True)
            sys.exit(130)


@click.command(cls=_LazyGroup, context_settings={"help_option_names": ["-h", "--help"]})
@click.version_option(__version__, message="tapscan %(version)s")
def main() -> None:
    """Map suspected delaminations and disbonds from taps and A-scans along a marked grid.

    \b
    Example:  tapscan analyse my-part

    A clear map is not proof of soundness. Do not use a part under suspicion.
    """  # noqa: D301 - \b is click's mark for lines kept as they are
