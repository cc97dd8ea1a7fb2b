import io
import sys

import pytest

from tapscan.cli import progress
from tapscan.cli.progress import progress_bar


class Terminal(io.StringIO):
    def isatty(self) -> bool:
        return True


@pytest.fixture
def clock(monkeypatch):
    """A clock that the test moves."""
    now = [100.0]
    monkeypatch.setattr(progress.time, "monotonic", lambda: now[0])
    return now


def work(clock, seconds_each, steps=4):
    with progress_bar("Reading taps") as report:
        for done in range(steps):
            clock[0] += seconds_each
            report(done + 1, steps)


def test_a_bar_is_drawn_in_a_terminal_on_work_over_a_second(monkeypatch, clock):
    monkeypatch.setattr(sys, "stderr", Terminal())
    work(clock, 0.5)
    drawn = sys.stderr.getvalue()
    assert "Reading taps" in drawn
    assert "4/4" in drawn


def test_short_work_draws_nothing(monkeypatch, clock):
    monkeypatch.setattr(sys, "stderr", Terminal())
    work(clock, 0.2)
    assert sys.stderr.getvalue() == ""


def test_nothing_is_drawn_when_it_is_no_terminal(monkeypatch, clock):
    monkeypatch.setattr(sys, "stderr", io.StringIO())
    work(clock, 5.0)
    assert sys.stderr.getvalue() == ""


def test_the_bar_goes_when_the_work_fails(monkeypatch, clock):
    monkeypatch.setattr(sys, "stderr", Terminal())

    def failing():
        with progress_bar("Reading taps") as report:
            clock[0] += 2
            report(1, 2)
            report(1, 0 // 0)

    with pytest.raises(ZeroDivisionError, match="by zero"):
        failing()
    # The cursor is shown again, and the line is taken away.
    assert "\x1b[?25h" in sys.stderr.getvalue()
