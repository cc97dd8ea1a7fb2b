"""Which candidates are the back wall and the first echo inside, decided with the whole zone in view.

Back wall: the largest echo near the time of flight that is due there. That time is what the caller expects
within 20 %, or else what the zone's largest echoes have in common; then narrowed, by a smooth surface
through the zone and what whole stations or positions share, to four standard deviations of the zone about
it, 2.5 to 10 %. One that comes half a cycle off and upside down is the back wall on the pulse's neighbouring
half-wave, and is put right. An echo at twice or three times the time of one above it, and weaker by what the
front surface lets through, is that one's next round trip and not the back wall.

Where plies may outdo the front surface's echo, one that lies a cycle off those beside it, by as much as its
back wall does, is put where they are (`tapscan.signals.slips`).

Where something is bonded behind the laminate, the glue lets what comes back from behind it follow the back
wall's own echo, and either may be the stronger. There the largest echo from half a cycle before the back wall
is due to as much later as the thickest glue takes is the back wall's, upside down or not, and the bonded
traces say nothing of when it is due while others do.

First echo inside: the earliest that counts before the back wall, or, where that is lost, before it is due.
A trace that shows neither, or nothing well before the back wall is due, and ends too early for that one, is
too short to be read.
"""

from collections.abc import Iterable
from concurrent.futures import Executor
from dataclasses import dataclass, fields, replace
from functools import partial
from typing import Any

import numpy as np
from numpy.typing import NDArray

from tapscan.signals.backwalls import back_wall_trend, spread_about, telling
from tapscan.signals.candidates import NOISE_FACTOR, Candidates, Pattern
from tapscan.signals.slips import is_outdone, slipped, usual_beside

__all__ = ["AScanFeatures", "decided", "unread"]

Floats = NDArray[np.float64]
Floats32 = NDArray[np.float32]

_TOLERANCE = 0.2  # of the expected time of flight, before the zone has narrowed it
_NARROW = 0.025  # the same, once it has
_WIDE = 0.10
_FEW_TURNED = 0.02  # of the traces: fewer than this on the wrong half-wave pull no expected time along
# Of an echo's amplitude, sent down again by the front surface: (Z - Zc) / (Z + Zc) is 0.52 under water (4.7
# and 1.5 MRayl), less under plastic delay lines.
_MOST_RETURNED = 0.6
_GLUE_S = 0.4e-6  # through half a millimetre of epoxy (2,550 m/s) and back
_ENOUGH_TURNED = 5  # traces on the wrong half-wave whose middle tells how far it lies off


@dataclass(frozen=True, slots=True, eq=False)
class AScanFeatures:
    """One value per trace, of shape (n,) or (stations, positions); NaN where there is none.

    `front_s` and `backwall_s` count from the first sample to the echo's envelope peak, `tof_s` and `echo_s`
    from the front-surface echo. Amplitudes are of the pulse's largest half-wave, in
    the traces' own units, and signed: the front-surface echo is positive, one of opposite polarity
    negative. `backwall_db` and `echo_db` are relative to the front-surface echo;
    `snr_db` is the front-surface echo over the noise. `fault` is empty or says why the trace cannot be read:
    ``not finite``, ``silent``, ``saturated``, ``too short``, ``no echo``.
    """

    front_s: Floats
    front_amplitude: Floats
    backwall_s: Floats
    backwall_amplitude: Floats
    tof_s: Floats
    echo_s: Floats
    echo_amplitude: Floats
    backwall_db: Floats
    echo_db: Floats
    snr_db: Floats
    fault: NDArray[np.str_]


def unread(fault: NDArray[np.str_]) -> AScanFeatures:
    """Return features of traces none of which can be read, given what is wrong with each."""
    names = [field.name for field in fields(AScanFeatures) if field.name != "fault"]
    return AScanFeatures(**{name: np.full(fault.shape, np.nan) for name in names}, fault=fault)


def decided(
    parts: list[Candidates],
    pattern: Pattern,
    bonded: NDArray[np.bool_],
    sample_rate_hz: float,
    expected_tof_s: float | None,
    pool: Executor,
) -> AScanFeatures:
    """Turn the candidates of a zone, given in parts, into its features.

    `bonded`, (stations, positions), marks where something is bonded behind the laminate. Where a trace is
    looked at alone, the pool's threads take a part each.
    """
    rate_hz, cycle = pattern.kernel.up * sample_rate_hz, 1.0 / pattern.kernel.bandwidth
    due = None if expected_tof_s is None else expected_tof_s * rate_hz
    parts = list(pool.map(_audible, parts))
    after, amplitude = _joined(pool.map(partial(_guess, due=due, cycle=cycle), parts))
    largest = pool.map(_largest, parts)  # at work while the zone's own trend is told
    grid, bond = (bonded.shape[0], bonded.shape[1]), bonded.ravel()
    tells = telling(np.isfinite(after).reshape(grid), bonded).ravel()
    after, amplitude = (np.where(tells, of, np.nan) for of in (after, amplitude))
    expected, slack = _expected(after, amplitude, grid, due, cycle)
    after, amplitude = _joined(largest)
    late = np.where(bond, np.nan, after - expected)
    is_turned = _is_turned(amplitude, late, cycle)
    shift = _lobe_shift(late, is_turned, cycle)
    slips = _slips(parts, np.where(is_turned, np.nan, late).reshape(grid), amplitude, slack, cycle)
    first = expected - slack - np.where(bond, 0.5 * cycle, 0.0)
    last = expected + slack + np.where(bond, _GLUE_S * rate_hz, 0.0)
    out = AScanFeatures(*(np.empty(len(expected), dtype) for dtype in 10 * [float] + ["U10"]))
    ends = np.cumsum([len(part.front) for part in parts])

    def decide(part: Candidates, end: int) -> None:
        span = slice(end - len(part.front), end)
        part = _put_right(_shifted(part, shift[span]), *(of[span] for of in slips))
        backwall = _backwall(part, first[span], last[span], cycle)
        echo = _first_inside(part, backwall, first[span], bond[span])
        short = (part.fault == "") & (backwall < 0) & _ends_early(part, echo, expected[span], pattern)
        if short.any():
            part = replace(part, fault=np.where(short, "too short", part.fault))
        for name, values in _in_units(part, backwall, echo, pattern, sample_rate_hz).items():
            getattr(out, name)[span] = values

    list(pool.map(decide, parts, ends))
    return AScanFeatures(*(getattr(out, field.name).reshape(grid) for field in fields(out)))


def _audible(part: Candidates) -> Candidates:
    """Leave out candidates where the front-surface echo is no more than noise."""
    weak = (part.fault == "") & ~(part.height > NOISE_FACTOR * part.noise)
    if not weak.any():
        return part
    after, amplitude = (
        np.where(weak[:, None], np.float32(np.nan), of) for of in (part.after, part.amplitude)
    )
    return replace(part, after=after, amplitude=amplitude, fault=np.where(weak, "no echo", part.fault))


def _joined(pairs: Iterable[tuple[Floats32, Floats32]]) -> tuple[Floats, Floats]:
    after, amplitude = zip(*pairs, strict=True)
    return np.concatenate(after, dtype=float), np.concatenate(amplitude, dtype=float)


def _guess(part: Candidates, due: float | None, cycle: float) -> tuple[Floats32, Floats32]:
    """Time and amplitude (n,) of the likeliest back wall before the zone has been looked at; NaN for none."""
    if due is None:
        return _largest(part)
    rows = np.arange(len(part.front))
    early, late = (np.full(len(rows), due * (1 + side * _TOLERANCE)) for side in (-1, 1))
    best = _backwall(part, early, late, cycle)
    nan, lost = np.float32(np.nan), best < 0
    return np.where(lost, nan, part.after[rows, best]), np.where(lost, nan, part.amplitude[rows, best])


def _largest(part: Candidates) -> tuple[Floats32, Floats32]:
    """Time and amplitude (n,) of the largest echo; NaN where there is none."""
    best = _largest_column(part)
    rows = np.arange(len(best))
    return part.after[rows, best], part.amplitude[rows, best]


def _largest_column(part: Candidates) -> NDArray[np.intp]:
    best = np.zeros(len(part.front), dtype=np.intp)
    rows = _several(part)
    size = np.abs(part.amplitude[rows])
    best[rows] = np.argmax(np.where(np.isnan(size), np.float32(-1.0), size), axis=1)
    return best


def _several(part: Candidates) -> NDArray[np.intp]:
    """Rows with candidates besides the first: few in a sound zone, and only there is anything to choose."""
    some = np.isfinite(part.after[:, 1])
    for later in part.after.T[2:]:
        some |= np.isfinite(later)
    return np.flatnonzero(some)


def _expected(
    times: Floats, heights: Floats, grid: tuple[int, int], due: float | None, cycle: float
) -> tuple[Floats, float]:
    """Return the expected back-wall time (n,) in grid steps, and how far the back wall may lie from it."""
    if due is None:
        due = float(np.nanmedian(times)) if np.isfinite(times).any() else np.nan
    times = np.where(_half_a_cycle_off(times, heights, grid, cycle), np.nan, times).reshape(grid)
    trend = back_wall_trend(times, min(grid) > 1)
    slack = (
        float(np.clip(4 * spread_about(times, trend), _NARROW * due, _WIDE * due))
        if np.isfinite(due)
        else 0.0
    )
    return np.where(np.isfinite(trend), trend, due).ravel(), slack


def _half_a_cycle_off(
    times: Floats, heights: Floats, grid: tuple[int, int], cycle: float
) -> NDArray[np.bool_]:
    """Which times were taken on the pulse's neighbouring half-wave: upside down, half a cycle off the rest.

    Where most of a station is, the rest of the zone must say where its back wall lies.
    """
    # One trace without an echo must not silence the others.
    usual = np.sign(np.nansum(heights))
    turned = np.isfinite(times) & (heights * usual < 0)
    known = np.count_nonzero(np.isfinite(times))
    if not _FEW_TURNED * known < np.count_nonzero(turned) < 0.5 * known:
        return np.zeros(len(times), dtype=bool)
    trend = back_wall_trend(np.where(turned, np.nan, times).reshape(grid), min(grid) > 1).ravel()
    off = np.abs(times - trend)
    with np.errstate(invalid="ignore"):
        return np.asarray(turned & (off > 0.25 * cycle) & (off < 0.75 * cycle))


def _lobe_shift(late: Floats, is_turned: NDArray[np.bool_], cycle: float) -> Floats:
    """How far (n,) each trace's largest echo lies on the pulse's neighbouring half-wave; 0 where it does not.

    Loss turns a pulse's half-waves into others of nearly the same size; the wrong one comes half a cycle off
    and upside down. An echo of the polarity that back walls have in this zone is never touched, so that a
    delamination just above the back wall, which turns the pulse over as the back wall does, stays one.
    """
    with np.errstate(invalid="ignore"):
        wrong = is_turned & (np.abs(late) > 0.25 * cycle) & (np.abs(late) < 0.75 * cycle)
    # Loss makes half-waves longer: where there are enough of them, they tell how far apart they lie.
    many = np.count_nonzero(wrong) >= _ENOUGH_TURNED
    step = np.median(np.abs(late[wrong])) if many else 0.5 * cycle
    return np.where(wrong, np.copysign(step, late), 0.0)


def _is_turned(amplitude: Floats, late: Floats, cycle: float) -> NDArray[np.bool_]:
    """Which echoes (n,) are upside down, as back walls are seen in this zone where they are due."""
    with np.errstate(invalid="ignore"):
        return np.asarray(amplitude * np.sign(amplitude[np.abs(late) < 0.25 * cycle].sum()) < 0)


def _slips(
    parts: list[Candidates], late: Floats, amplitude: Floats, slack: float, cycle: float
) -> tuple[Floats, Floats]:
    """Where (n,) the front-surface echo is and how high, by those beside it; NaN where it has not slipped."""
    at, high = np.full(late.size, np.nan), np.full(late.size, np.nan)
    if min(late.shape) > 1:  # else neighbours in the array may be none on the part
        front, height = (
            np.concatenate([getattr(part, name) for part in parts], dtype=float).reshape(late.shape)
            for name in ("front", "height")
        )
        with np.errstate(invalid="ignore"):
            backwall = np.where(np.abs(late) <= slack, amplitude.reshape(late.shape), np.nan)
        if is_outdone(height, backwall):
            rows, at_rows = slipped(front, late, slack, cycle)
            at[rows], high[rows] = at_rows, usual_beside(height, rows)
    return at, high


def _put_right(part: Candidates, front: Floats, height: Floats) -> Candidates:
    """Put front-surface echoes that slipped where those beside them are.

    Of the echoes the largest stays, which arrives as the back wall does; the others were told with the slip.
    """
    rows = np.flatnonzero(np.isfinite(front))
    if not len(rows):
        return part
    column = _largest_column(part)[rows]
    out = replace(
        part, **{name: getattr(part, name).copy() for name in ("front", "height", "after", "amplitude")}
    )
    out.after[rows], out.amplitude[rows] = np.nan, np.nan
    out.after[rows, column] = part.after[rows, column] + part.front[rows] - front[rows]
    out.amplitude[rows, column] = part.amplitude[rows, column]
    out.front[rows], out.height[rows] = front[rows], height[rows]
    return out


def _shifted(part: Candidates, shift: Floats) -> Candidates:
    """Put largest echoes that lie on the neighbouring half-wave on the right one, the right way up."""
    rows = np.flatnonzero(shift)
    if not len(rows):
        return part
    column, after, amplitude = _largest_column(part)[rows], part.after.copy(), part.amplitude.copy()
    after[rows, column] -= shift[rows].astype(np.float32)
    amplitude[rows, column] *= -1
    return replace(part, after=after, amplitude=amplitude)


def _backwall(part: Candidates, first: Floats, last: Floats, cycle: float) -> NDArray[np.intp]:
    """Index (n,) of the back-wall echo, from `first` to `last`, among the candidates; -1 where it is lost.

    One that may be the next round trip of an echo above it is not taken for it.
    """
    rows = _several(part)
    after, size = part.after[rows], np.abs(part.amplitude[rows])
    with np.errstate(invalid="ignore"):
        best = np.where((part.after[:, 0] >= first) & (part.after[:, 0] <= last), 0, -1)
        there = (after >= first[rows, None]) & (after <= last[rows, None])
    there &= ~_repeats(after, size, 0.5 * cycle)
    largest = np.argmax(np.where(there, size, np.float32(-1.0)), axis=1)
    best[rows] = np.where(there[np.arange(len(rows)), largest], largest, -1)
    return best


def _repeats(after: Floats32, size: Floats32, near: float) -> NDArray[np.bool_]:
    """Whether each echo may be the second or third round trip of a stronger one above it.

    Every trip but the first loses what the front surface does not send back down.
    """
    repeat = np.zeros(after.shape, dtype=bool)
    with np.errstate(invalid="ignore"):
        for parent in range(after.shape[1]):
            for trips in (2, 3):
                weaker = size < _MOST_RETURNED ** (trips - 1) * size[:, parent : parent + 1]
                repeat |= weaker & (np.abs(after - trips * after[:, parent : parent + 1]) < near)
    return repeat


def _first_inside(
    part: Candidates, backwall: NDArray[np.intp], due: Floats, bond: NDArray[np.bool_]
) -> NDArray[np.intp]:
    """Index of the first echo before the back wall, or before that may be `due`; -1 where there is none.

    Before a bond, what is as late as the back wall may be is its own first part.
    """
    rows = np.arange(len(due))
    due = np.nan_to_num(due, nan=np.inf)
    few = _several(part)
    with np.errstate(invalid="ignore"):
        due = np.where((backwall >= 0) & ~bond, part.after[rows, backwall], due)
        first = np.where(part.after[:, 0] < due, 0, -1)
        inside = part.after[few] < due[few, None]
    earliest = np.argmin(np.where(inside, part.after[few], np.inf), axis=1)
    first[few] = np.where(inside[np.arange(len(few)), earliest], earliest, -1)
    return first


def _ends_early(
    part: Candidates, echo: NDArray[np.intp], expected: Floats, pattern: Pattern
) -> NDArray[np.bool_]:
    """Whether the pulse that is due from the back wall lies not inside the trace, and nothing well before it.

    What is left of a back wall at the trace's end passes for an echo a little above it.
    """
    last = pattern.kernel.grid - 1 - part.lacking * pattern.kernel.up
    with np.errstate(invalid="ignore"):
        early = part.front + expected > last
        rows = np.flatnonzero(early)
        is_late = ~(part.after[rows, echo[rows]] < (1 - _WIDE) * expected[rows])
    early[rows] = (echo[rows] < 0) | is_late
    return np.asarray(early)


def _in_units(
    part: Candidates,
    backwall: NDArray[np.intp],
    echo: NDArray[np.intp],
    pattern: Pattern,
    sample_rate_hz: float,
) -> dict[str, NDArray[Any]]:
    """Turn grid steps into seconds and correlations into amplitudes; NaN where a trace cannot be read."""
    kernel, rows, good = pattern.kernel, np.arange(len(echo)), part.fault == ""
    step_s, unit = 1 / (kernel.up * sample_rate_hz), 1 / np.sqrt(kernel.energy)
    offset_s = (pattern.centre - kernel.lead) / sample_rate_hz

    def chosen(of: Floats32, index: NDArray[np.intp], scale: float) -> Floats:
        return np.where(good & (index >= 0), of[rows, index].astype(float) * scale, np.nan)

    tof_s, backwall_amplitude = chosen(part.after, backwall, step_s), chosen(part.amplitude, backwall, unit)
    front_s = np.where(good, part.front.astype(float) * step_s + offset_s, np.nan)
    front = np.where(good, part.height.astype(float) * unit, np.nan)
    echo_amplitude = chosen(part.amplitude, echo, unit)
    with np.errstate(divide="ignore", invalid="ignore"):
        return {
            "front_s": front_s,
            "front_amplitude": front,
            "backwall_s": front_s + tof_s,
            "backwall_amplitude": backwall_amplitude,
            "tof_s": tof_s,
            "echo_s": chosen(part.after, echo, step_s),
            "echo_amplitude": echo_amplitude,
            "backwall_db": 20 * np.log10(np.abs(backwall_amplitude / front)),
            "echo_db": 20 * np.log10(np.abs(echo_amplitude / front)),
            "snr_db": 20 * np.log10(front / part.noise),
            "fault": part.fault,
        }
