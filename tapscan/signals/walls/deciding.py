"""Which echoes of each trace are the back wall and the first one inside, given the zone's wall surface.

Back wall: the largest echo near the surface (`walls.surface`), unless it belongs to a delamination
that takes its place. Loss makes the half-waves of a pulse alike; an echo half a cycle off and upside down is
the back wall on the neighbouring half-wave, and is put right. An echo at twice or three times the time of a
stronger one above it is that one's next round trip and not the back wall.

Where something is bonded behind the laminate, the glue lets what comes back from behind it follow the back
wall's own echo, and either may be the stronger. There the largest echo from half a cycle before the back wall
is due to as much later as the thickest glue takes is the back wall's, upside down or not, and the bonded
traces are no part of the surface while others are.

First echo inside: the earliest before the back wall, or, where that is lost, before it is due.
A trace that shows neither, or nothing well before the back wall is due, and ends too early for that one, is
too short to be read.
"""

from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, fields, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from tapscan.physics.waves import THINNEST_PLY_S
from tapscan.signals.echoes.candidates import NOISE_FACTOR, Candidates, Pattern, some
from tapscan.signals.walls.filling import ROUGH, filled, local_median, roughness
from tapscan.signals.walls.sheets import PLAN_TOLERANCE
from tapscan.signals.walls.surface import Surface, repeats, wall_surface

__all__ = ["AScanFeatures", "decided", "unread"]

Floats = NDArray[np.float64]
Floats32 = NDArray[np.float32]
Mask = NDArray[np.bool_]

_STRONGEST = 3  # echoes of each trace that may be the back wall: they were found in order of strength
_LEAST_FREE = 24  # traces beside the bonds that say where the wall is; with fewer, the bonded ones must
_OUTDONE = 1.2  # times the front-surface echo that back walls have: plies do not outdo a stronger one
_EARLY = 0.1  # of the wall's time: an echo that is earlier by less may be what is left of a cut back wall
_GLUE_S = 0.4e-6  # through half a millimetre of epoxy (2,550 m/s) and back


@dataclass(frozen=True, slots=True, eq=False)
class AScanFeatures:
    """One value per trace, of shape (n,) or (stations, positions); NaN where there is none.

    `front_s` and `backwall_s` count from the first sample to the echo's envelope peak, `tof_s` and `echo_s`
    from the front-surface echo. Amplitudes are of the pulse's largest half-wave, in
    the traces' own units, and signed: the front-surface echo is positive, one of opposite polarity
    negative. `due_s` is when the back wall is due after the front-surface echo by the zone's surface, also
    where it was lost. `backwall_db` and `echo_db` are relative to the front-surface echo;
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
    due_s: Floats
    fault: NDArray[np.str_]


def unread(fault: NDArray[np.str_]) -> AScanFeatures:
    """Return features of traces none of which can be read, given what is wrong with each."""
    names = [field.name for field in fields(AScanFeatures) if field.name != "fault"]
    return AScanFeatures(**{name: np.full(fault.shape, np.nan) for name in names}, fault=fault)


def decided(
    found: Candidates,
    pattern: Pattern,
    bonded: Mask,
    sample_rate_hz: float,
    prior: tuple[float | None, bool],
    workers: int,
) -> tuple[AScanFeatures, Surface]:
    """Turn the candidates of a zone into its features, and give its wall surface.

    `bonded`, (stations, positions), marks where something is bonded behind the laminate; `prior` is the time
    of flight that is expected, in seconds, and whether the zone is a tube. Where a trace is looked at alone,
    so many threads take a part each.
    """
    rate_hz, cycle = pattern.kernel.up * sample_rate_hz, 1.0 / pattern.kernel.bandwidth
    expected = None if prior[0] is None else prior[0] * rate_hz
    found = _audible(found)
    ply = THINNEST_PLY_S * rate_hz
    surface, sign, usual = _surface(found, bonded, (cycle, expected, ply), closed=prior[1])
    if usual > _OUTDONE and min(bonded.shape) > 1:
        found, surface = _unslipped(found, surface, sign, closed=prior[1])
    due, damage, bond = surface.due.ravel(), surface.damage.ravel(), bonded.ravel()
    out = AScanFeatures(*(np.empty(len(due), dtype) for dtype in 11 * [float] + ["U10"]))
    size = max(1, -(-len(due) // workers))

    def decide(start: int) -> None:
        span = slice(start, start + size)
        early = np.where(bond[span], 0.5 * cycle, surface.gate)
        late = np.where(bond[span], _GLUE_S * rate_hz, surface.gate)
        part = _upright(some(found, span), due[span], sign, cycle, bond[span])
        backwall = _backwall(part, (due[span], damage[span], bond[span]), (early, late), cycle)
        part = _joined(
            part, backwall, (surface.thinner.ravel()[span], surface.thicker.ravel()[span]), surface.near
        )
        echo = _first_inside(part, backwall, due[span] - 0.5 * cycle * bond[span], surface.near, bond[span])
        short = (part.fault == "") & (backwall < 0) & _ends_early(part, echo, due[span], pattern)
        if short.any():
            part = replace(part, fault=np.where(short, "too short", part.fault))
        for name, values in _in_units(part, backwall, echo, pattern, sample_rate_hz).items():
            getattr(out, name)[span] = values

    with ThreadPoolExecutor(workers) as pool:
        list(pool.map(decide, range(0, len(due), size)))
    out.due_s[:] = np.where(out.fault == "", due / rate_hz, np.nan)
    return AScanFeatures(*(getattr(out, field.name).reshape(bonded.shape) for field in fields(out))), surface


def _surface(
    found: Candidates, bonded: Mask, due: tuple[float, float | None, float], *, closed: bool
) -> tuple[Surface, float, float]:
    """Find the zone's wall surface, in grid steps, the sign that back walls have, and their usual size.

    `due` are the pulse's cycle, when the back wall is expected, and what the thinnest ply takes.
    """
    expected = due[1]
    after = found.after[:, :_STRONGEST]
    size = (found.amplitude / found.height[:, None])[:, :_STRONGEST]
    free = np.isfinite(after).any(axis=1) & ~bonded.ravel()
    if np.count_nonzero(free) >= _LEAST_FREE:
        after = np.where(free[:, None], after, np.float32(np.nan))
    known = np.isfinite(after)
    if expected is not None:
        with np.errstate(invalid="ignore"):
            near = known & (np.abs(after / expected - 1) <= PLAN_TOLERANCE)
        known = near if near.any() else known
    largest = np.where(known, np.abs(size), -1).argmax(axis=1)[:, None]
    height = np.where(np.take_along_axis(known, largest, 1), np.take_along_axis(size, largest, 1), np.nan)
    sign = float(np.sign(np.nansum(height))) or 1.0
    usual = np.nanmedian(sign * height) if np.isfinite(height).any() else 1.0
    upright = sign * size > 0
    after = np.where(upright, after, np.float32(np.nan))
    size = np.where(upright, np.abs(size) / np.float32(max(usual, 1e-6)), 0)
    grid = (*bonded.shape, after.shape[1])
    surface = wall_surface(after.reshape(grid), size.reshape(grid), *due, closed=closed)
    return surface, sign, float(usual)


def _unslipped(
    found: Candidates, surface: Surface, sign: float, *, closed: bool
) -> tuple[Candidates, Surface]:
    """Put front-surface echoes that were taken too early or too late where those beside them are.

    Where the front surface returns little, plies right behind it may make a crest as high as its own, or
    noise before it. Read from there the back wall is off the walls beside it, and the front surface off those
    beside it by as much the other way. Under damage and at the end of a ply only the back wall is off. Of the
    other echoes, measured from there, nothing is kept. A front-surface echo without a back wall, nearer
    to where that of those beside it is, is the back wall's: its own is lost in noise.
    """
    front, rows, grid = found.front, np.arange(len(found.front)), surface.due.shape
    best = np.where(np.isfinite(found.after), sign * found.amplitude, -1).argmax(axis=1)
    beside = local_median(surface.due, closed=closed)
    late = found.after[rows, best] - beside.ravel()
    with np.errstate(invalid="ignore"):
        sound = np.abs(late) <= surface.near
    there, usual = (
        filled(np.where(sound, of, np.nan).reshape(grid), closed=closed).ravel()
        for of in (front, found.height)
    )
    with np.errstate(invalid="ignore"):
        off = np.maximum(surface.near, ROUGH * roughness(np.where(sound, front, np.nan).reshape(grid)))
        slipped = ~sound & (np.abs(front + late - there) <= off) & (np.abs(front - there) > off)
        hidden = ~sound & ~slipped & (front - there > beside.ravel() / 2)
    only = np.full_like(found.after, np.nan)
    only[rows, best] = beside.ravel()
    found = replace(
        found,
        front=np.where(slipped, front + late, front).astype(np.float32),
        height=np.where(slipped, usual, found.height).astype(np.float32),
        after=np.where(slipped[:, None], only, found.after),
        fault=np.where(hidden & (found.fault == ""), "no echo", found.fault),
    )
    return found, replace(surface, due=np.where(slipped.reshape(grid), beside, surface.due))


def _audible(found: Candidates) -> Candidates:
    """Leave out candidates where the front-surface echo is no more than noise."""
    weak = (found.fault == "") & ~(found.height > NOISE_FACTOR * found.noise)
    if not weak.any():
        return found
    after, amplitude = (
        np.where(weak[:, None], np.float32(np.nan), of) for of in (found.after, found.amplitude)
    )
    return replace(found, after=after, amplitude=amplitude, fault=np.where(weak, "no echo", found.fault))


def _upright(part: Candidates, due: Floats, sign: float, cycle: float, bond: Mask) -> Candidates:
    """Put echoes that were timed on the back wall's neighbouring half-wave on the right one.

    Loss turns a pulse's half-waves into others of nearly the same size; the wrong one comes half a cycle off
    and upside down. An echo of the polarity that back walls have is never touched.
    """
    late = part.after - due[:, None].astype(np.float32)
    with np.errstate(invalid="ignore"):
        wrong = (sign * part.amplitude < 0) & (np.abs(np.abs(late) / cycle - 0.5) < 0.25) & ~bond[:, None]
    if not wrong.any():
        return part
    after = np.where(wrong, part.after - np.copysign(np.float32(0.5 * cycle), late), part.after)
    return replace(part, after=after, amplitude=np.where(wrong, -part.amplitude, part.amplitude))


def _backwall(
    part: Candidates,
    where: tuple[Floats, Floats, Mask],
    gate: tuple[Floats, Floats],
    cycle: float,
) -> NDArray[np.intp]:
    """Index (n,) of the back-wall echo among the candidates; -1 where it is lost.

    `where` is when the back wall is due, when a delamination's echo is that takes its place, and where
    something is bonded; `gate` is how much earlier and later than due it may be.
    """
    due, damage, bond = where
    rows = np.arange(len(due))
    late = part.after - due[:, None]
    with np.errstate(invalid="ignore"):
        there = (late >= -gate[0][:, None]) & (late <= gate[1][:, None])
        there &= bond[:, None] | ~(np.abs(part.after - damage[:, None]) < np.abs(late))
    several = np.flatnonzero(np.isfinite(part.after[:, 1:]).any(axis=1))  # few in a sound zone
    there[several] &= ~repeats(part.after[several], np.abs(part.amplitude[several]), cycle)
    largest = np.argmax(np.where(there, np.abs(part.amplitude), np.float32(-1.0)), axis=1)
    return np.where(there[rows, largest], largest, -1)


def _joined(
    part: Candidates, backwall: NDArray[np.intp], steps: tuple[Floats, Floats], near: float
) -> Candidates:
    """Add to a back wall, at a step of thickness, what the beam gets back from the wall beyond the step."""
    rows = np.flatnonzero(np.isfinite(steps[0]) & (backwall >= 0))
    if not len(rows):
        return part
    after, amplitude, own = part.after.copy(), part.amplitude.copy(), backwall[rows]
    with np.errstate(invalid="ignore"):
        beyond = np.abs(after[rows] - steps[0][rows, None]) <= near
        beyond |= np.abs(after[rows] - steps[1][rows, None]) <= near
    beyond &= np.sign(amplitude[rows]) == np.sign(amplitude[rows, own])[:, None]
    beyond[np.arange(len(rows)), own] = False
    amplitude[rows, own] += np.where(beyond, amplitude[rows], 0).sum(axis=1)
    after[rows] = np.where(beyond, np.float32(np.nan), after[rows])
    return replace(part, after=after, amplitude=amplitude)


def _first_inside(
    part: Candidates,
    backwall: NDArray[np.intp],
    due: Floats,
    near: float,
    bond: Mask,
) -> NDArray[np.intp]:
    """Index of the first echo before the back wall, or before that may be `due`; -1 where there is none.

    Before a bond, what is as late as the back wall may be is its own first part.
    """
    rows = np.arange(len(due))
    own = part.after[rows, backwall]
    limit = np.where((backwall >= 0) & ~bond, own, np.nan_to_num(due, nan=np.inf)) - near
    with np.errstate(invalid="ignore"):
        inside = part.after < limit[:, None]
    earliest = np.argmin(np.where(inside, part.after, np.inf), axis=1)
    return np.where(inside[rows, earliest], earliest, -1)


def _ends_early(
    part: Candidates, echo: NDArray[np.intp], expected: Floats, pattern: Pattern
) -> NDArray[np.bool_]:
    """Whether the pulse that is due from the back wall is not inside the trace, and nothing well before it.

    What is left of a back wall at the trace's end passes for an echo a little above it.
    """
    last = pattern.kernel.grid - 1 - part.lacking * pattern.kernel.up
    with np.errstate(invalid="ignore"):
        early = part.front + expected > last
        rows = np.flatnonzero(early)
        is_late = ~(part.after[rows, echo[rows]] < (1 - _EARLY) * expected[rows])
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
