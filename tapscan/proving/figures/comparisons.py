"""Which figures of a check must be as in the earlier checks, and what it means when they are not."""

from collections.abc import Callable, Mapping
from dataclasses import dataclass

import numpy as np

from tapscan.plan import SetupLimits

__all__ = ["COMPARED", "Compared"]


@dataclass(frozen=True, slots=True)
class Compared:
    """A figure that must be as in the earlier checks, on a scale on which it scatters evenly.

    `lower` and `higher` say what a change means, with what to do; `notice` the change that must not slip
    through, on that scale.
    """

    figure: str
    name: str
    unit: str
    notice: Callable[[SetupLimits], float]
    lower: tuple[str, str]
    higher: tuple[str, str]
    is_ratio: bool = False


_LEVEL_TAPS = (
    (
        "taps arrive quieter than in the earlier checks",
        "put the microphone at its usual distance and the recorder at its usual gain, and strike as usual",
    ),
    (
        "taps arrive louder than in the earlier checks",
        "put the microphone at its usual distance and the recorder at its usual gain, and strike as usual",
    ),
)
_TAPPER = (
    "use the tapper of the earlier checks, look at its tip, and try another microphone; after a change on "
    "purpose, begin a new history with --anew"
)
_PROBE = "clean probe and couplant, look for a crack or a worn face, try another cable and probe"
_GAIN = "set the gain as in the earlier checks, and couple the probe anew"
_BASE = "set the time base as in the earlier checks; let a cold piece reach the room's temperature"
# What each method compares with its earlier checks.
COMPARED: Mapping[str, tuple[Compared, ...]] = {
    "tap": (
        Compared("level_db", "level of the taps", "dB", lambda limits: limits.notice_level_db, *_LEVEL_TAPS),
        Compared(
            "brightness_octaves",
            "brightness of the taps",
            "octaves",
            lambda limits: limits.notice_brightness_octaves,
            (
                "taps are duller: a heavier tapper, a softer tip, or a microphone that loses its treble",
                _TAPPER,
            ),
            ("taps are brighter: a lighter tapper or a harder tip", _TAPPER),
        ),
        Compared(
            "repeat_db",
            "scatter of the taps of one point",
            "dB",
            lambda limits: limits.notice_repeat_db * np.log(10) / 20,
            ("taps of one point agree better than they did", "make sure that no recording was copied"),
            ("taps of one point agree less than they did", "strike square to the wall, and rest the hand"),
            is_ratio=True,
        ),
    ),
    "ascan": (
        Compared(
            "level_db",
            "level of the front-surface echo",
            "dB",
            lambda limits: limits.notice_level_db,
            ("the front-surface echo is lower than in the earlier checks: the gain is lower", _GAIN),
            ("the front-surface echo is higher than in the earlier checks: the gain is higher", _GAIN),
        ),
        Compared(
            "backwall_db",
            "back wall over front surface",
            "dB",
            lambda limits: limits.notice_level_db,
            ("less of the back wall comes back: coupling, or the probe is not square to the surface", _PROBE),
            ("more of the back wall comes back than in the earlier checks", _PROBE),
        ),
        Compared(
            "bandwidth_mhz",
            "bandwidth of the pulse",
            "MHz",
            lambda limits: -np.log(1 - limits.notice_bandwidth),
            ("the pulse has lost bandwidth: the probe is cracked or has come off its backing", _PROBE),
            (
                "the pulse has more bandwidth than in the earlier checks: it is another probe or filter",
                _PROBE,
            ),
            is_ratio=True,
        ),
        Compared(
            "centre_mhz",
            "centre frequency of the pulse",
            "MHz",
            lambda limits: -np.log(1 - limits.notice_bandwidth),
            ("the pulse's centre frequency has fallen: probe, cable or filter has changed", _PROBE),
            ("the pulse's centre frequency has risen: probe, cable or filter has changed", _PROBE),
            is_ratio=True,
        ),
        Compared(
            "tof_us",
            "time base",
            "µs",
            lambda limits: limits.notice_time_base,
            (
                "the same walls' echoes come earlier than in the earlier checks: the time base has changed",
                _BASE,
            ),
            (
                "the same walls' echoes come later than in the earlier checks: the time base has changed",
                _BASE,
            ),
            is_ratio=True,
        ),
    ),
}
