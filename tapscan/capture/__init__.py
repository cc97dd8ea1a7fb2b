"""Live taps: a pure state machine, the disk behind it, and the sources that feed it."""

from tapscan.capture.engine import State, advance, begin
from tapscan.capture.session import COMMANDS, Session

__all__ = ["COMMANDS", "Session", "State", "advance", "begin"]
