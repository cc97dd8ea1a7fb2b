"""What A-scans of a known piece show of probe, couplant and instrument."""

from collections import Counter
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from tapscan.plan import Zone, block_mask
from tapscan.proving.figures.separation import LEAST_SOUND, separation
from tapscan.proving.figures.shown import Figures, FoundDamage, damages_of, state_mask, thickness_of
from tapscan.records.inspection import Inspection
from tapscan.screening.echoes.readings import EchoReadings, read_ascans

__all__ = ["CALLIPER_MM", "Velocity", "prove_echoes", "pulse_band", "velocity_of"]

Floats = NDArray[np.float64]
Mask = NDArray[np.bool_]

CALLIPER_MM = 0.02  # standard uncertainty of a workshop calliper on laminate; common practice
OTHER_WALL = 1.2  # a wall thicker by this share is a second thickness: below, its error tilts the line
HALF = 0.5  # of the back wall's amplitude: the 6 dB rule
BEFORE, AFTER = 3.0, 3.0  # cycles about the front-surface echo's peak: all of a damped probe's pulse
TAPER = 0.5  # cycles at either end of that window
LONGER = 16  # times the window, of the transform: numerical, reads the band to a hundredth


@dataclass(frozen=True, slots=True)
class Velocity:
    """The speed of sound through the wall, with its standard uncertainty.

    `zero_us` is the time that a wall of no thickness would have, `zero_sd_us` its standard uncertainty; NaN
    when all walls are of one thickness and nothing is known of it.
    """

    m_s: float
    sd_m_s: float
    points: int
    zero_us: float = float("nan")
    zero_sd_us: float = float("nan")


def prove_echoes(check: Inspection, zone: Zone, false_call_rate: float, warnings: list[str]) -> Figures:
    """Measure the A-scans of a check on the piece's zone.

    What cannot be used adds a sentence to `warnings`.
    """
    readings = read_ascans(check, zone, warnings, lambda *_: None)
    sound, damaged = (state_mask(zone, state) for state in ("sound", "delaminated"))
    echoes, read = readings.echoes, readings.reason == ""
    reasons = Counter(str(why) for why in readings.reason[(sound | damaged) & ~read])
    planned = int((sound | damaged).sum())
    good = sound & read & np.isfinite(echoes.backwall_s)
    values = {"saturated_share": float((readings.reason == "saturated")[sound | damaged].mean())}
    found: tuple[FoundDamage, ...] = ()
    apart = None
    if good.sum() >= LEAST_SOUND:
        values |= _values(readings, good)
        speed = velocity_of(thickness_of(zone)[good], echoes.tof_s[good])
        if speed is not None:
            values |= {"velocity_m_s": speed.m_s, "velocity_sd_m_s": speed.sd_m_s}
            if np.isfinite(speed.zero_us):
                values |= {"zero_us": speed.zero_us, "zero_sd_us": speed.zero_sd_us}
            values["dead_zone_mm"] = values["dead_zone_us"] * speed.m_s / 2e3
        lost = _lost_share(readings, good)
        known = damaged & read
        apart = separation(lost[good], lost[known], false_call_rate)
        found = _found(zone, lost, known)
        depth = _depth_error_mm(zone, readings, values.get("velocity_m_s"))
        values |= {"depth_error_mm": depth} if np.isfinite(depth) else {}
    if apart is not None:
        values["found_margin"] = apart.margin
    counts = int((sound & read).sum()), int((damaged & read).sum())
    return Figures("ascan", *counts, planned, values, apart, found, dict(sorted(reasons.items())))


def velocity_of(thickness_mm: Floats, tof_s: Floats) -> Velocity | None:
    """Measure the velocity from walls of known thickness; None where none is known.

    One thickness: twice the wall over the time (ASTM E797, from memory), the mean of all points; what the
    calliper leaves in doubt is the same at all of them. Two or more: a straight line of time over thickness
    also shows where the time base begins.

    Parameters
    ----------
    thickness_mm, tof_s
        Shape (n,), NaN where unknown.

    Examples
    --------
    >>> tof_s = np.array([1.683333, 1.683333, 7.016667, 7.016667]) / 1e6
    >>> speed = velocity_of(np.array([2.0, 2.0, 10.0, 10.0]), tof_s)
    >>> round(speed.m_s), round(speed.zero_us, 3)
    (3000, 0.35)
    """
    known = np.isfinite(thickness_mm) & np.isfinite(tof_s)
    wall, time_us = thickness_mm[known], tof_s[known] * 1e6
    if wall.size < 2:
        return None
    if wall.max() < OTHER_WALL * wall.min():
        each = 2e3 * wall / time_us
        scatter = each.std(ddof=1) / np.sqrt(each.size)
        doubt = each.mean() * CALLIPER_MM / wall.mean()
        return Velocity(float(each.mean()), float(np.hypot(scatter, doubt)), int(wall.size))
    off = wall - wall.mean()
    slope = float(off @ time_us / (off @ off))
    start = float(time_us.mean() - slope * wall.mean())
    left = time_us - start - slope * wall
    # The calliper is wrong by as much at all points of one wall, and independently from wall to wall.
    walls = np.unique(wall.round(2)).size
    freedoms = max(wall.size - 2, 1)
    slope_sd = np.sqrt(
        left @ left / freedoms / (off @ off) + (slope * CALLIPER_MM) ** 2 / (off.var() * walls)
    )
    start_sd = np.hypot(slope_sd * wall.mean(), slope * CALLIPER_MM / np.sqrt(walls))
    speed = 2e3 / slope
    return Velocity(speed, float(speed * slope_sd / slope), int(wall.size), start, float(start_sd))


def pulse_band(
    traces: Floats, peak_s: Floats, sample_rate_hz: float, frequency_hz: float
) -> tuple[float, float]:
    """Measure centre frequency and bandwidth of an echo, both in Hz, at −6 dB of its mean spectrum.

    The centre is midway between the two edges, as ASTM E1065 has it (from memory).

    Parameters
    ----------
    traces, peak_s
        Shapes (n, samples) and (n,): the echo's envelope peak in each trace.
    sample_rate_hz, frequency_hz
        Sampling rate, and the probe's frequency as far as it is known: it sets the window.

    Examples
    --------
    >>> t = np.arange(400) / 100e6
    >>> echo = np.exp(-(((t - 1e-6) / 0.1e-6) ** 2)) * np.cos(2 * np.pi * 5e6 * (t - 1e-6))
    >>> centre, width = pulse_band(echo[None], np.array([1e-6]), 100e6, 5e6)
    >>> round(centre / 1e6, 1), round(width / 1e6, 1)
    (5.0, 5.3)
    """
    cycle = sample_rate_hz / frequency_hz
    before, after = round(BEFORE * cycle), round(AFTER * cycle)
    offsets = np.arange(-before, after + 1)
    at = np.round(peak_s * sample_rate_hz).astype(int)[:, None] + offsets
    inside = (at >= 0) & (at < traces.shape[1])
    rows = np.where(inside, np.take_along_axis(traces, np.clip(at, 0, traces.shape[1] - 1), axis=1), 0.0)
    edge = np.minimum(offsets + before + 1, after + 1 - offsets) / (TAPER * cycle)
    rows = np.nan_to_num(rows) * np.sin(np.pi / 2 * np.clip(edge, 0, 1)) ** 2
    length = LONGER * offsets.size
    level = np.sqrt(np.mean(np.abs(np.fft.rfft(rows, length, axis=1)) ** 2, axis=0))
    top = int(level.argmax())
    below = level < HALF * level[top]
    first = top - int(below[: top + 1][::-1].argmax()) if below[:top].any() else 0
    last = top + int(below[top:].argmax()) if below[top:].any() else level.size - 1
    low_hz, high_hz = (
        (
            inner
            + (level[inner] - HALF * level[top]) / max(level[inner] - level[outer], 1e-30) * (outer - inner)
        )
        * sample_rate_hz
        / length
        for inner, outer in ((first + 1, first), (last - 1, last))
    )
    return float((low_hz + high_hz) / 2), float(high_hz - low_hz)


def _values(readings: EchoReadings, good: Mask) -> dict[str, float]:
    """Measure level, noise, pulse and time base on the sound points."""
    echoes, rate_hz = readings.echoes, readings.sample_rate_hz
    traces = np.array([readings.traces[tuple(at)] for at in np.argwhere(good)], dtype=np.float64)
    traces -= np.nanmedian(traces, axis=1, keepdims=True)
    front_s = echoes.front_s[good]
    centre_hz, width_hz = pulse_band(traces, front_s, rate_hz, readings.frequency_hz)
    return {
        "level_db": float(np.mean(20 * np.log10(np.abs(echoes.front_amplitude[good])))),
        "backwall_db": float(np.mean(echoes.backwall_db[good])),
        "snr_db": float(np.median(echoes.snr_db[good])),
        "centre_mhz": centre_hz / 1e6,
        "bandwidth_mhz": width_hz / 1e6,
        "tof_us": float(np.mean(echoes.tof_s[good]) * 1e6),
        "dead_zone_us": _dead_zone_us(traces, front_s, echoes.backwall_amplitude[good], rate_hz),
        "sample_rate_hz": rate_hz,
    }


def _dead_zone_us(traces: Floats, front_s: Floats, backwall: Floats, rate_hz: float) -> float:
    """Give how long the front-surface echo hides what returns half a back wall: the 6 dB rule again.

    The median over the traces of the time until its envelope first falls below half the back wall's.
    """
    from scipy.signal import hilbert

    ends = []
    for trace, start_s, wall in zip(traces, front_s, np.abs(backwall), strict=True):
        loud = np.abs(hilbert(np.nan_to_num(trace))) > HALF * wall
        start = round(start_s * rate_hz)
        quiet = np.flatnonzero(~loud[start:])
        ends.append(quiet[0] / rate_hz * 1e6 if quiet.size else np.nan)
    return float(np.nanmedian(ends))


def _lost_share(readings: EchoReadings, good: Mask) -> Floats:
    """Share of the sound back wall's amplitude that is missing, or comes back early instead."""
    echoes = readings.echoes
    whole = 10 ** (np.mean(echoes.backwall_db[good]) / 20)
    wall = 10 ** (np.where(np.isfinite(echoes.backwall_db), echoes.backwall_db, -np.inf) / 20)
    return np.asarray(1 - wall / whole)


def _found(zone: Zone, lost: Floats, known: Mask) -> tuple[FoundDamage, ...]:
    """Count the points of each known delamination that the 6 dB rule finds."""
    results = []
    for damage in damages_of(zone):
        here = block_mask(zone, damage.points) & known
        if here.any():
            count = int((lost[here] >= HALF).sum())
            results.append(FoundDamage(damage.size_mm, damage.depth_mm, int(here.sum()), count))
    return tuple(results)


def _depth_error_mm(zone: Zone, readings: EchoReadings, velocity_m_s: float | None) -> float:
    """Give the mean depth of the first echo over known delaminations, less what is known of it."""
    if velocity_m_s is None:
        return float("nan")
    errors: list[float] = []
    for damage in damages_of(zone):
        if damage.depth_mm is not None:
            measured = readings.echoes.echo_s[block_mask(zone, damage.points)] * velocity_m_s * 500
            errors += (measured[np.isfinite(measured)] - damage.depth_mm).tolist()
    return float(np.mean(errors)) if errors else float("nan")
