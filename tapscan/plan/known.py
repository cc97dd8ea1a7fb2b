"""What a known piece is known for, and what a check of the setup on it must show."""

from dataclasses import dataclass
from typing import Literal

from tapscan.plan.points import Block

__all__ = ["Known", "SetupLimits", "State"]

State = Literal["sound", "delaminated"]


@dataclass(frozen=True, slots=True)
class Known:
    """What is known of some points of a known piece.

    `thickness_mm` by calliper; `depth_mm` and `size_mm` (across) of a delamination. None is not known.
    """

    points: tuple[Block, ...]
    state: State
    thickness_mm: float | None = None
    depth_mm: float | None = None
    size_mm: float | None = None


@dataclass(frozen=True, slots=True)
class SetupLimits:
    """What a setup check must show. Every value is policy: a setting of the plan, its reason beside it.

    The `notice` values say how large a change must not slip through. Half of it is the limit, since beyond
    that a figure is nearer to the changed setup than to the usual one; the scatter of the earlier checks of
    the piece widens it. Where that would let the change slip through, the check cannot say.
    """

    # One needless repeat in a hundred checks: two checks a day, one repeat in ten weeks.
    false_alarm_rate: float = 0.01
    # Noise 10 dB below a band moves its level by some 2 dB, as much as sound laminate varies.
    least_snr_db: float = 10.0
    # A tap or trace in fifty that is clipped costs nothing: it is left out, and enough others remain.
    most_clipped: float = 0.02
    # An echo counts above six times the noise (15.6 dB), and half a back wall must still be seen (6 dB).
    least_ascan_snr_db: float = 22.0
    # The known damage must be found more often than not by a single point.
    least_found: float = 0.5
    # Depths are wrong by the same share: 3 % of a 4 mm wall is one ply of 0.125 mm.
    velocity_tolerance: float = 0.03
    # Twice the distance, or half the gain.
    notice_level_db: float = 6.0
    # A tapper of twice the mass stays 1.3 times as long (Hertz): its pulse ends 0.4 octave lower. The wall's
    # own notes stay where they are and hold the mean back: it falls by 0.1 to 0.55 octave on simulated walls.
    notice_brightness_octaves: float = 0.1
    # Taps that repeat half as well need four times as many.
    notice_repeat_db: float = 6.0
    # A pulse that rings half as long again hides what is half as deep again.
    notice_bandwidth: float = 0.3
    # As the velocity: both give the depth.
    notice_time_base: float = 0.03
    # The plan's velocity is used unless the plan says otherwise: the piece may be of another laminate.
    use_measured_velocity: bool = False
