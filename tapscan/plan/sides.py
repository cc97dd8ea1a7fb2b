"""Where positions are on the part as built in: by the clock round a tube, by its sides on a panel."""

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from tapscan.plan.zones import Zone

__all__ = ["clock_hour", "side_in_words"]

_HOURS = {"top": 0.0, "right": 3.0, "bottom": 6.0, "left": 9.0}
_ROUND = ("top", "top right", "right", "bottom right", "bottom", "bottom left", "left", "top left")
_OPPOSITE = {"top": "bottom", "bottom": "top", "left": "right", "right": "left"}


def clock_hour(zone: "Zone", position: float) -> float:
    """Return the hour (0 to 12, 12 o'clock as 0) of a position, seen from the station 1 end of a tube.

    Positions count clockwise from the datum line; `datum_side` says at which hour that is.

    Examples
    --------
    >>> from tapscan.plan.text.reading import parse_plan
    >>> text = 'zone = [{code = "BM", shape = "tube", stations = 2, positions = 12, station_pitch_mm = 10.0, '
    >>> zone = parse_plan(text + 'girth_mm = 120.0, datum_side = "right"}]').zones[0]
    >>> clock_hour(zone, 1), clock_hour(zone, 4), clock_hour(zone, 10.5)
    (3.0, 6.0, 0.5)
    """
    return (_HOURS[zone.datum_side or "top"] + 12 * (position - 1) / zone.positions) % 12


def side_in_words(zone: "Zone", first: int, last: int) -> str:
    """Say on which side positions `first` to `last` are; '' when the plan does not say how the part is held.

    On a tube `first` may be larger than `last`: the run then crosses the datum line.

    Examples
    --------
    >>> from tapscan.plan.text.reading import parse_plan
    >>> text = 'zone = [{code = "BM", shape = "tube", stations = 2, positions = 12, station_pitch_mm = 10.0, '
    >>> zone = parse_plan(text + 'girth_mm = 120.0, datum_side = "top"}]').zones[0]
    >>> side_in_words(zone, 11, 3), side_in_words(zone, 4, 4)
    ("top, 10 to 2 o'clock", "right, 3 o'clock")
    >>> text = 'zone = [{code = "SP", shape = "panel", stations = 2, positions = 9, station_pitch_mm = 10.0, '
    >>> zone = parse_plan(text + 'position_pitch_mm = 5.0, datum_side = "left"}]').zones[0]
    >>> side_in_words(zone, 1, 2), side_in_words(zone, 4, 6), side_in_words(zone, 9, 9)
    ('near the left edge', 'between left and right', 'near the right edge')
    """
    if zone.datum_side is None:
        return ""
    if not zone.is_tube:
        share = 0.0 if zone.positions == 1 else ((first + last) / 2 - 1) / (zone.positions - 1)
        if 1 / 3 <= share <= 2 / 3:
            return f"between {zone.datum_side} and {_OPPOSITE[zone.datum_side]}"
        return f"near the {zone.datum_side if share < 1 / 3 else _OPPOSITE[zone.datum_side]} edge"
    end = last if last >= first else last + zone.positions
    side = _ROUND[round(clock_hour(zone, (first + end) / 2) / 1.5) % 8]
    from_hour, to_hour = (_hour_text(clock_hour(zone, position)) for position in (first, end))
    return f"{side}, {from_hour if from_hour == to_hour else f'{from_hour} to {to_hour}'} o'clock"


def _hour_text(hour: float) -> str:
    """Write an hour to the nearest half: ``12``, ``1½``."""
    halves = round(2 * hour) % 24
    return f"{halves // 2 or 12}{'½' if halves % 2 else ''}"
