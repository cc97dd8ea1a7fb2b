"""A bar for work that lasts, on standard error, so that what a command prints stays clean."""

import sys
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from rich.progress import Progress

__all__ = ["progress_bar"]

WAIT_S = 1.0


@contextmanager
def progress_bar(text: str) -> Iterator[Callable[[int, int], None]]:
    """Yield ``report(done, total)``, which draws a bar once the work has lasted a second.

    Nothing is drawn when standard error is not a terminal. `total` may grow while the work goes on.

    Examples
    --------
    >>> with progress_bar("Reading taps") as report:
    ...     for done in range(3):
    ...         report(done + 1, 3)
    """
    started_s = time.monotonic()
    is_terminal = sys.stderr.isatty()
    bar: Progress | None = None

    def report(done: int, total: int) -> None:
        nonlocal bar
        if not is_terminal:
            return
        if bar is None and time.monotonic() - started_s >= WAIT_S:
            bar = _start(text)
        if bar is not None:
            bar.update(bar.task_ids[0], completed=done, total=total)

    try:
        yield report
    finally:
        if bar is not None:
            bar.stop()


def _start(text: str) -> "Progress":
    from rich.console import Console
    from rich.progress import BarColumn, MofNCompleteColumn, Progress, TextColumn, TimeRemainingColumn

    columns = TextColumn("{task.description}"), BarColumn(), MofNCompleteColumn(), TimeRemainingColumn()
    bar = Progress(*columns, console=Console(stderr=True), transient=True)
    bar.add_task(text)
    bar.start()
    return bar
