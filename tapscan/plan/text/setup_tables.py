"""The plan's tables on known pieces and on proving the setup, as they are written."""

from typing import Annotated

from pydantic import BaseModel, ConfigDict, Field

from tapscan.plan.known import SetupLimits, State

__all__ = ["SETUP_HINTS", "KnownTable", "SetupTable"]

_Millimetres = Annotated[float, Field(gt=0, le=1000, allow_inf_nan=False)]
_Share = Annotated[float, Field(gt=0, lt=1, allow_inf_nan=False)]
_Decibels = Annotated[float, Field(gt=0, le=100, allow_inf_nan=False)]
_DEFAULT = SetupLimits()


class _Strict(BaseModel):
    model_config = ConfigDict(extra="forbid", strict=True, frozen=True)


class KnownTable(_Strict):
    """``[[zone.known]]`` as it is written."""

    points: Annotated[list[str], Field(min_length=1)]
    state: State
    thickness_mm: _Millimetres | None = None
    depth_mm: _Millimetres | None = None
    size_mm: _Millimetres | None = None


class SetupTable(_Strict):
    """``[setup]`` as it is written; the defaults are those of `SetupLimits`."""

    false_alarm_rate: Annotated[float, Field(ge=1e-4, le=0.2, allow_inf_nan=False)] = (
        _DEFAULT.false_alarm_rate
    )
    least_snr_db: _Decibels = _DEFAULT.least_snr_db
    most_clipped: _Share = _DEFAULT.most_clipped
    least_ascan_snr_db: _Decibels = _DEFAULT.least_ascan_snr_db
    least_found: _Share = _DEFAULT.least_found
    velocity_tolerance: _Share = _DEFAULT.velocity_tolerance
    notice_level_db: _Decibels = _DEFAULT.notice_level_db
    notice_brightness_octaves: Annotated[float, Field(gt=0, le=3)] = _DEFAULT.notice_brightness_octaves
    notice_repeat_db: _Decibels = _DEFAULT.notice_repeat_db
    notice_bandwidth: _Share = _DEFAULT.notice_bandwidth
    notice_time_base: _Share = _DEFAULT.notice_time_base
    use_measured_velocity: bool = _DEFAULT.use_measured_velocity


SETUP_HINTS = {
    "points": 'a list of points, such as ["01-01:04-03"]',
    "state": '"sound" or "delaminated"',
    "depth_mm": "the depth of the delamination below the tapped surface, such as 0.6",
    "size_mm": "how far the delamination is across, such as 18.0",
    "false_alarm_rate": "the share of good setups that may be called not ready, such as 0.01",
    "least_found": "how often a single point must find the known damage, such as 0.5",
    "velocity_tolerance": "the share by which the velocity may be off, such as 0.03",
}
