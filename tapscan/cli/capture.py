"""``tapscan capture``: live taps in the terminal."""

import json
import os
import shlex
import sys
import time
from contextlib import AbstractContextManager, ExitStack, contextmanager, nullcontext, suppress
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

    from rich.live import Live

    from tapscan.capture.events import Event
    from tapscan.capture.keys import Action
    from tapscan.capture.session import Session
    from tapscan.capture.sound.sources import FileSource, SoundCard

__all__ = ["command", "record"]


@click.command("capture")
@click.argument("folder", metavar="[DIR]", required=False, type=click.Path(path_type=Path))
@click.option("--zone", "zones", metavar="CODE", multiple=True, help="Tap this zone; may be given again.")
@click.option("--there-and-back", is_flag=True, help="Walk even stations from the last position down.")
@click.option("--devices", is_flag=True, help="List what can be recorded from, and leave.")
@click.option("--device", metavar="NAME", help="Record from this one: its number or part of its name.")
@click.option("--rate", "rate_hz", metavar="HZ", type=float, help="Samples a second; else the device's own.")
@click.option("--channel", default=1, show_default=True, help="Which of the device's channels.")
@click.option("--from", "file", metavar="FILE", type=click.Path(path_type=Path), help="Hear a recording.")
@click.option("--silent", is_flag=True, help="Give no cues.")
@click.option("--json", "as_json", is_flag=True, help="Print every event as a line of JSON.")
def command(folder: Path | None, *, devices: bool, as_json: bool, silent: bool, **how: Any) -> None:
    """Record taps live, point by point along the grid of the inspection in DIR.

    Strike the point that is shown until it moves on. Every usable tap is on disk before
    its cue sounds, and a capture that was ended in any way goes on where it was.

    Space or Enter (or a foot pedal that sends one of them) pauses while the part is
    turned, and goes on. u takes the last tap back, r all taps of the point, s skips the
    point, g goes to one by its name, q ends. What was taken back is kept aside in
    DIR/capture/undone.

    Wear headphones if you can: what a loudspeaker plays, the microphone hears.

    \b
    Example:  tapscan capture my-part
              tapscan capture my-part --zone BM --device USB
              tapscan capture --devices
    """  # noqa: D301 - \b is click's mark for lines kept as they are
    if devices:
        _print_devices(as_json=as_json)
        return
    if folder is None:
        msg = "Missing argument 'DIR'."
        raise click.UsageError(msg)
    session = record(folder, how, silent=silent, as_json=as_json)
    if not as_json:
        _print_end(session, folder)


def record(folder: Path, how: dict[str, Any], *, silent: bool, as_json: bool) -> "Session":
    """Record taps into an inspection until all points are done or the person ends it.

    `how` holds zones, there_and_back, device, rate_hz, channel and file, as the command's options have them.

    Raises
    ------
    TapscanError
        When nothing can be recorded from, or the folder cannot be written.
    """
    with ExitStack() as stack:
        session, source = _open(folder, how, stack)
        sound = stack.enter_context(_sound(silent=silent or how["file"] is not None))
        front: _Lines | _Screen
        if as_json or not (sys.stdin.isatty() and sys.stdout.isatty()):
            front = _Lines(session, as_json=as_json)
        else:
            front = stack.enter_context(_screen(session, source.name))

        def show(events: "tuple[Event, ...]") -> None:
            sound(events)
            front.show(events)

        from tapscan.capture.running import run

        with suppress(KeyboardInterrupt):  # one more way to end; everything reported is on disk
            run(session, source, show, front.wishes)
    return session


def _open(folder: Path, how: dict[str, Any], stack: ExitStack) -> "tuple[Session, FileSource | SoundCard]":
    from tapscan.capture.session import Session
    from tapscan.capture.sound.sources import FileSource, SoundCard, choose, input_devices
    from tapscan.cli.progress import progress_bar
    from tapscan.records import open_inspection

    inspection = open_inspection(folder)
    source: FileSource | SoundCard
    if how["file"] is not None:
        source = FileSource(how["file"])
    else:
        device = choose(input_devices(), how["device"])
        source = stack.enter_context(SoundCard(device, how["rate_hz"], how["channel"]))
    with progress_bar("Looking at what is there") as report:
        session = Session(
            inspection,
            source.sample_rate_hz,
            zones=how["zones"],
            there_and_back=how["there_and_back"],
            source=source.name,
            progress=report,
        )
    return stack.enter_context(session), source


def _print_devices(*, as_json: bool) -> None:
    from dataclasses import asdict

    from tapscan.capture.sound.sources import input_devices
    from tapscan.records.tables import json_text

    found = input_devices()
    if as_json:
        click.echo(json_text([asdict(device) for device in found]), nl=False)
        return
    for device in found:
        channels = "1 channel" if device.channels == 1 else f"{device.channels} channels"
        default = ", taken unless another is named" if device.is_default else ""
        click.echo(
            f"{device.number:3d}  {device.name} ({channels}, {device.sample_rate_hz:,.0f} Hz{default})"
        )


def _print_end(session: "Session", folder: Path) -> None:
    state = session.state
    done = sum(state.taken.get(point, 0) >= state.course.taps_per_point for point in state.course.points)
    click.echo(f"{done} of {len(state.course.points)} points are complete.")
    what = "capture" if state.at is not None else "analyse"
    then = f"goes on at {state.at}" if state.at is not None else "measures and maps them"
    click.echo(f"tapscan {what} {shlex.quote(str(folder))} {then}.")


@contextmanager
def _sound(*, silent: bool) -> "Iterator[Callable[[tuple[Event, ...]], None]]":
    """Yield what gives the cues: tones where they can be played, else the terminal's bell."""
    from tapscan.capture.sound.cues import Bell, Speaker, cue_of
    from tapscan.capture.sound.sources import sound_library

    if silent:
        yield lambda _events: None
        return
    player: Bell | Speaker
    try:
        player = Speaker(sound_library())
    except OSError:
        player = Bell()

    def play(events: "tuple[Event, ...]") -> None:
        name = cue_of(events)
        if name is not None:
            player.play(name)

    try:
        yield play
    finally:
        player.close()


class _Lines:
    """Events as lines, for a pipe or a log; ends when nothing is left to strike."""

    def __init__(self, session: "Session", *, as_json: bool) -> None:
        self._session = session
        self._as_json = as_json
        if as_json:
            click.echo(json.dumps(session.snapshot()))
        elif session.state.at is not None:
            click.echo(f"next: {session.state.at}")

    def show(self, events: "tuple[Event, ...]") -> None:
        """Print what happened."""
        from tapscan.capture.wording import in_words

        for event in events:
            text = json.dumps(event.as_document()) if self._as_json else in_words(event)
            if text:
                click.echo(text)

    def wishes(self) -> "tuple[Action, ...]":
        """End when all is done and the last tap has died away."""
        state = self._session.state
        return (("quit", ""),) if state.at is None and state.ringing is None else ()


class _Screen:
    """The screen at the bench, and the keys."""

    def __init__(self, session: "Session", source: str, live: "Live") -> None:
        from tapscan.capture.display import Seen

        self._session = session
        self._live = live
        self._seen = Seen(source)
        self._show()

    def show(self, events: "tuple[Event, ...]") -> None:
        """Show what happened."""
        from tapscan.capture.events import Level
        from tapscan.capture.wording import in_words

        for event in events:
            if isinstance(event, Level):
                self._seen = replace(self._seen, peak_db=event.peak_db, is_limited=event.is_limited)
            elif event.name != "moved" and (words := in_words(event)):
                self._seen = replace(self._seen, message=words)
        if events:
            self._show()

    def wishes(self) -> "Iterator[Action]":
        """Take the keys that were pressed since the last time."""
        from tapscan.capture.keys import press

        for key in _pressed():
            state = self._session.state
            now_s = time.monotonic()
            keys, actions = press(
                self._seen.keys, key, at_s=now_s, is_on=state.is_on, is_done=state.at is None
            )
            self._seen = replace(self._seen, keys=keys)
            yield from actions
            self._show()

    def _show(self) -> None:
        from rich.text import Text

        from tapscan.capture.display import bench_lines

        console = self._live.console
        has_blocks = (console.encoding or "").lower().startswith("utf")
        lines = bench_lines(self._session.state, self._seen, console.width, has_blocks=has_blocks)
        self._live.update(Text("\n".join(lines), no_wrap=True), refresh=True)


@contextmanager
def _screen(session: "Session", source: str) -> "Iterator[_Screen]":
    from rich.console import Console
    from rich.live import Live

    with _keys_at_once(), Live(console=Console(), auto_refresh=False, screen=True) as live:
        yield _Screen(session, source, live)


def _keys_at_once() -> "AbstractContextManager[object]":
    """Let keys come one by one and unseen, and set the terminal right again afterwards."""
    try:
        import termios
        import tty
    except ImportError:  # the other system's console gives keys one by one as it is
        return nullcontext()

    @contextmanager
    def at_once() -> "Iterator[None]":
        before = termios.tcgetattr(sys.stdin)
        tty.setcbreak(sys.stdin)
        try:
            yield
        finally:
            termios.tcsetattr(sys.stdin, termios.TCSADRAIN, before)

    return at_once()


def _pressed() -> "Iterator[str]":
    """Give the keys that wait; arrows and the like, which come as several letters, are no commands."""
    if sys.platform == "win32":
        import msvcrt

        while msvcrt.kbhit():
            yield msvcrt.getwch()
        return
    import select

    while select.select([sys.stdin], [], [], 0)[0]:
        text = os.read(sys.stdin.fileno(), 64).decode(errors="replace")
        if not text:
            yield "\x04"  # the terminal has gone
            return
        if not (text.startswith("\x1b") and len(text) > 1):
            yield from text
