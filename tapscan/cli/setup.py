"""``tapscan setup``: prove tapper, microphone, probe and hand on a known piece."""

import shlex
import shutil
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from tapscan.cli.warning import warn
from tapscan.errors import TapscanError

if TYPE_CHECKING:
    from tapscan.proving.checks import About, Check
    from tapscan.proving.figures.hands import HandStudy
    from tapscan.records.inspection import Inspection

__all__ = ["command"]


class _Command(click.Command):
    """Lets ``--operators A B C`` mean ``--operators A --operators B --operators C``."""

    def parse_args(self, ctx: click.Context, args: list[str]) -> list[str]:
        if "--operators" in args:
            start = args.index("--operators")
            names = args[start + 1 :]
            count = next((n for n, word in enumerate(names) if word.startswith("-")), len(names))
            spread = [word for name in names[:count] for word in ("--operators", name)]
            args = [*args[:start], *(spread or ["--operators"]), *names[count:]]
        return super().parse_args(ctx, args)


@click.command("setup", cls=_Command)
@click.argument("folder", metavar="DIR", type=click.Path(path_type=Path))
@click.argument("files", metavar="[FILE...]", nargs=-1, type=click.Path(path_type=Path))
@click.option("--piece", metavar="PIECE", type=click.Path(path_type=Path), help="The known piece's folder.")
@click.option("--walk", is_flag=True, help="FILE is one long recording of taps walked along the piece.")
@click.option("--operator", metavar="NAME", default="", help="Who tapped or scanned.")
@click.option("--operators", metavar="A B...", multiple=True, help="Compare the hands of these; comes last.")
@click.option("--before", is_flag=True, help="The check was made before the readings that DIR holds.")
@click.option("--anew", "is_anew", is_flag=True, help="Tapper or instrument was changed on purpose.")
@click.option("--time", "time", metavar="TIME", help="When the check was made, UTC: 2026-11-30T12:07:55.")
@click.option("--device", metavar="NAME", help="Record from this one, as tapscan capture has it.")
@click.option("--rate", "rate_hz", metavar="HZ", type=float, help="Samples a second; else the device's own.")
@click.option("--channel", default=1, show_default=True, help="Which of the device's channels.")
@click.option("--from", "file", metavar="FILE", type=click.Path(path_type=Path), help="Hear a recording.")
@click.option("--silent", is_flag=True, help="Give no cues.")
@click.option("--json", "as_json", is_flag=True, help="Print the check as JSON.")
def command(
    folder: Path,
    files: tuple[Path, ...],
    *,
    piece: Path | None,
    operators: tuple[str, ...],
    as_json: bool,
    **how: Any,
) -> None:
    """Check the setup for the part in DIR on a known piece, before and after the work.

    FILEs are recordings or traces named by the piece's points, as tapscan add takes them;
    without any, taps are recorded live, as by tapscan capture. Check again when hand,
    tapper, probe, couplant or room change. The check is kept in DIR/setup, and its
    figures in PIECE/history: the first five or so checks of a new piece, everything put
    down and set up anew in between, show how much it varies from check to check. Until
    then the answer is "cannot say". DIR may be the piece itself.

    Says ready, not ready because of what and what to do, or cannot say. Ready means
    that the known damage of the piece was found; it is no statement about the part.
    The limits are under [setup] in the plan of DIR.

    With --operators, the last checks by these persons are compared: how much of a
    tap's score is the point, the strike and the person. It comes last on the line.

    \b
    Example:  tapscan setup my-part --piece my-piece
              tapscan setup my-part --piece my-piece recorder/*.wav --operator Ann
              tapscan setup my-part --operators Ann Ben
    """  # noqa: D301 - \b is click's mark for lines kept as they are
    if operators:
        _compare_hands(folder, operators, as_json=as_json)
        return
    if piece is None:
        msg = "Missing option '--piece'."
        raise click.UsageError(msg)
    if how["walk"] and len(files) != 1:
        msg = "--walk takes one FILE: the recording of one walk"
        raise click.UsageError(msg)
    check, place, warnings = _check(folder, piece, files, how, as_json=as_json)
    if as_json:
        from tapscan.proving.checks import check_text

        click.echo(check_text(check), nl=False)
    else:
        _print(check, place, folder)
    warn(warnings)


def _check(
    folder: Path, piece: Path, files: tuple[Path, ...], how: dict[str, Any], *, as_json: bool
) -> tuple["Check", Path, list[str]]:
    from tapscan.cli.progress import progress_bar
    from tapscan.proving.figures.shown import known_zone
    from tapscan.proving.keeping import has_readings, start_check
    from tapscan.records.inspection import open_inspection
    from tapscan.report.maps.setup_chart import conclude_check

    part, known = open_inspection(folder), open_inspection(piece)
    known_zone(known.plan, piece.as_posix())
    about = _about(part, how)
    warnings: list[str] = []
    place = start_check(folder, known, about.time)
    try:
        _take(place, files, how, as_json=as_json)
        with progress_bar("Measuring") as report:
            report(0, 1)
            check = conclude_check(part, piece, place, about, warnings)
            report(1, 1)
    except TapscanError:
        if not has_readings(place):
            shutil.rmtree(place)
        raise
    return check, place, [*warnings, *check.warnings]


def _about(part: "Inspection", how: dict[str, Any]) -> "About":
    from tapscan.proving.checks import About
    from tapscan.proving.keeping import reading_marks
    from tapscan.records.digests import digests

    moment = datetime.now(UTC)
    if how["time"] is not None:
        try:
            moment = datetime.fromisoformat(how["time"])
        except ValueError:
            remedy = "write it as 2026-11-30T12:07:55"
            where, what = "--time", f"{how['time']!r} is no time"
            raise TapscanError(where, what, remedy) from None
        moment = moment.astimezone(UTC) if moment.tzinfo else moment.replace(tzinfo=UTC)
    readings = {} if how["before"] else reading_marks(digests(part))
    return About(moment.strftime("%Y-%m-%dT%H:%M:%SZ"), how["operator"], readings, how["is_anew"])


def _take(place: Path, files: tuple[Path, ...], how: dict[str, Any], *, as_json: bool) -> None:
    """Bring the check's readings into its folder, from files or live."""
    from tapscan.records.inspection import open_inspection

    check = open_inspection(place)
    if not files:
        from tapscan.cli.capture import record

        live = {name: how[name] for name in ("device", "rate_hz", "channel", "file")}
        record(place, {**live, "zones": (), "there_and_back": False}, silent=how["silent"], as_json=as_json)
        return
    if how["walk"]:
        from tapscan.proving.figures.shown import known_zone
        from tapscan.records.taking.walking import Walk, add_walk

        zone = known_zone(check.plan, place.as_posix())
        add_walk(check, files[0], Walk(zone.code, None, None, False, False), lambda *_: None)
        return
    from tapscan.records.taking.adding import add_files

    added = add_files(check, files)
    for line in (*added.refused, *added.notes):
        click.echo(f"tapscan: {line}", err=True)


def _print(check: "Check", place: Path, folder: Path) -> None:
    from rich.console import Console
    from rich.table import Table

    from tapscan.proving.proof import METHOD_WORDS
    from tapscan.proving.words import OUTCOME_SIGNS, found_sentences, limit_text, value_text

    for one in check.judged:
        table = Table("Checked", "Measured", "Must be", "")
        for item in one.items:
            table.add_row(item.name, value_text(item), limit_text(item), OUTCOME_SIGNS[item.outcome])
        click.echo(f"{METHOD_WORDS[one.figures.method]} on {check.piece}")
        Console(highlight=False).print(table)
        for line in found_sentences(one.figures):
            click.echo(f"  {line}")
        for line in (*one.because, *one.changes):
            click.echo(f"  {line}")
    click.echo(f"{check.outcome.upper() if check.outcome == 'not ready' else check.outcome.capitalize()}.")
    click.echo(f"Kept in {place}. tapscan analyse {shlex.quote(str(folder))} states it on the first page.")


def _compare_hands(folder: Path, operators: tuple[str, ...], *, as_json: bool) -> None:
    from tapscan.proving.figures.hands import study_hands
    from tapscan.proving.keeping import part_checks
    from tapscan.proving.words import hands_document, hands_sentences
    from tapscan.records.inspection import SETUP, open_inspection
    from tapscan.records.tables import json_text

    warnings: list[str] = []
    checks = part_checks(folder, warnings)
    latest: dict[str, Inspection] = {}
    for name in operators:
        own = [one for one in checks if one.about.operator == name and one.of("tap")]
        if not own:
            remedy = f"make one: tapscan setup {shlex.quote(str(folder))} --piece PIECE --operator {name}"
            where = f"{folder}/{SETUP}"
            raise TapscanError(where, f"holds no check of taps by {name}", remedy)
        latest[name] = open_inspection(folder / SETUP / own[-1].about.time.replace(":", ""))
    found: HandStudy = study_hands(latest, warnings)
    if as_json:
        click.echo(json_text(hands_document(found)), nl=False)
    else:
        for line in hands_sentences(found):
            click.echo(line)
    warn(warnings)
