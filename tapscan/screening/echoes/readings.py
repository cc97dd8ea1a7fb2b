"""What each point of a zone yields to the probe: echoes and times of flight, or why there are none."""

from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass, fields, replace

import numpy as np
from numpy.typing import NDArray

from tapscan.errors import TapscanError, sentence
from tapscan.plan import Plan, Zone, block_mask, point_name
from tapscan.plan.surfaces import has_stations
from tapscan.records.inspection import Inspection
from tapscan.records.readers import open_volume, read_trace
from tapscan.signals import AScanFeatures, AScanSettings, Workers, measure_volume
from tapscan.signals.echoes.pulses import centre_frequency_hz
from tapscan.signals.echoes.quality import front_is_cut
from tapscan.signals.echoes.sampling import spread_evenly

__all__ = ["EchoReadings", "read_ascans"]

Floats = NDArray[np.float64]
Progress = Callable[[int, int], None]
# Traces (stations, positions, samples), their rate, and why a point has none, (stations, positions).
Gathered = tuple[NDArray[np.number], float, NDArray[np.str_]]
REASON = "<U24"
_EARLY_S = 2e-6  # a front-surface echo later than two periods of 1 MHz shows its rise
# What one trace does, what several do, and the remedy.
_WRONG_SETTINGS = {
    "too short": (
        "ends before its back wall could arrive",
        "end before their back wall could arrive",
        "record again with a longer time axis, or check thickness_mm and velocity_m_s",
    ),
    "front cut off": (
        "begins in the midst of its front-surface echo",
        "begin in the midst of their front-surface echo",
        "record again with the delay set so that the front-surface echo is whole",
    ),
}


@dataclass(frozen=True, slots=True, eq=False)
class EchoReadings:
    """The scanned points of one zone.

    Shapes: `traces` (stations, positions, samples), possibly memory-mapped, NaN where there is none;
    `reason` and every array of `echoes` (stations, positions). `frequency_hz` is the probe's by the plan, or
    as estimated; NaN where there is neither.
    """

    traces: NDArray[np.number]
    sample_rate_hz: float
    reason: NDArray[np.str_]
    echoes: AScanFeatures
    frequency_hz: float = float("nan")


def read_ascans(
    inspection: Inspection, zone: Zone, warnings: list[str], progress: Progress, workers: int | Workers = 2
) -> EchoReadings:
    """Read and measure all A-scans of a zone.

    What cannot be used leaves its points unread with a reason and adds a sentence to `warnings`. `progress`
    is called with (traces done, traces to do); `workers` is as for `measure_volume`.
    """
    if zone.code in inspection.volumes:
        traces, rate_hz, reason = _map_volume(inspection, zone, warnings)
    else:
        traces, rate_hz, reason = _gather_traces(inspection, zone, warnings)
    if not has_stations(zone):
        what = "A-scans are compared with those beside them by name, and these names form no grid"
        warnings.append(sentence(f"zone {zone.code}", what, "name the points as rows of a bent grid"))
        traces, rate_hz, reason = _no_traces(zone, "no grid")
    settings = _settings(inspection.plan, zone)
    echoes = measure_volume(traces, rate_hz, settings, progress, workers)
    echoes = _without_cut_fronts(traces, rate_hz, settings.centre_frequency_hz, echoes)
    reason = np.where(reason == "", echoes.fault, reason)
    reason[block_mask(zone, zone.skip)] = ""
    _warn_of_faults(zone, reason, warnings)
    return EchoReadings(
        traces, rate_hz, reason, echoes, settings.centre_frequency_hz or _frequency_hz(traces, rate_hz)
    )


def _without_cut_fronts(
    traces: NDArray[np.number], rate_hz: float, frequency_hz: float | None, echoes: AScanFeatures
) -> AScanFeatures:
    """Take back what was measured on traces that begin in the midst of their front-surface echo."""
    looked_at = (echoes.fault == "no echo") | ((echoes.fault == "") & (echoes.front_s < _EARLY_S))
    if not looked_at.any():
        return echoes
    if frequency_hz is None:
        some = np.nan_to_num(np.array([traces[tuple(at)] for at in np.argwhere(looked_at)[:64]], dtype=float))
        frequency_hz = centre_frequency_hz(some - some.mean(axis=1, keepdims=True), rate_hz)
    has_echoes = np.isin(echoes.fault, ["", "no echo"])
    cut = front_is_cut(traces, np.where(has_echoes, echoes.front_s, np.inf), rate_hz, frequency_hz)
    names = [field.name for field in fields(echoes) if field.name != "fault"]
    blank = {name: np.where(cut, np.nan, getattr(echoes, name)) for name in names}
    return replace(echoes, fault=np.where(cut, "front cut off", echoes.fault), **blank)


def _frequency_hz(traces: NDArray[np.number], rate_hz: float) -> float:
    """Estimate the probe's frequency from traces spread over the zone."""
    stations, positions, samples = traces.shape
    rows = spread_evenly(stations * positions, 64)
    some = np.array([traces[tuple(np.divmod(row, positions))] for row in rows], dtype=float)
    some = some.reshape(-1, samples)[np.isfinite(some).all(axis=1)]
    return centre_frequency_hz(some - some.mean(axis=1, keepdims=True), rate_hz)


def _warn_of_faults(zone: Zone, reason: NDArray[np.str_], warnings: list[str]) -> None:
    """Say how many traces were recorded with a wrong setting, and how to record them again."""
    for fault, (one, several, remedy) in _WRONG_SETTINGS.items():
        at = np.argwhere(reason == fault)
        if not len(at):
            continue
        first = point_name(zone.code, int(at[0, 0]) + 1, int(at[0, 1]) + 1)
        what = f"1 trace {one}, at {first}"
        if len(at) > 1:
            what = f"{len(at)} traces {several}, the first at {first}"
        warnings.append(sentence(f"zone {zone.code}", what, remedy))


def _map_volume(inspection: Inspection, zone: Zone, warnings: list[str]) -> Gathered:
    assert inspection.plan.sample_rate_mhz is not None  # open_inspection leaves out volumes without a rate
    rate_hz = inspection.plan.sample_rate_mhz * 1e6
    try:
        traces = open_volume(inspection.volumes[zone.code], zone)
    except TapscanError as error:
        warnings.append(str(error))
        return _no_traces(zone, "unreadable")
    return traces, rate_hz, np.full(zone.grid_shape, "", dtype=REASON)


def _no_traces(zone: Zone, reason: str) -> Gathered:
    return np.full((*zone.grid_shape, 2), np.nan), 1.0, np.full(zone.grid_shape, reason, dtype=REASON)


def _settings(plan: Plan, zone: Zone) -> AScanSettings:
    """Gather what the plan knows beforehand: the probe's frequency, and when the back wall is due."""
    wall = zone.laminate
    expected_s = None
    if wall.thickness_mm is not None and wall.velocity_m_s is not None:
        expected_s = 2 * wall.thickness_mm * 1e-3 / wall.velocity_m_s
    centre_hz = None if plan.centre_frequency_mhz is None else plan.centre_frequency_mhz * 1e6
    bonded = block_mask(zone, zone.bonded)
    return AScanSettings(expected_s, centre_hz, bonded if bonded.any() else None, zone.is_tube)


def _gather_traces(inspection: Inspection, zone: Zone, warnings: list[str]) -> Gathered:
    """Lay single traces into one array, short ones filled up with NaN."""
    reason = np.full(zone.grid_shape, "missing", dtype=REASON)
    read = {}
    for point, path in inspection.trace_files.items():
        if point.zone != zone.code:
            continue
        at = point.station - 1, point.position - 1
        try:
            read[at] = path.name, read_trace(path)
            reason[at] = ""
        except TapscanError as error:
            warnings.append(str(error))
            reason[at] = "unreadable"
    if not read:
        return (
            _no_traces(zone, "unreadable") if (reason == "unreadable").any() else _no_traces(zone, "missing")
        )
    # Time bases differ beyond a millionth: that is rounding in the file, not another setting of the
    # instrument.
    rates = Counter(round(trace.sample_rate_hz / 1e6, 6) for _, trace in read.values())
    usual = max(rates, key=lambda rate: (rates[rate], rate))
    length = max(trace.samples.size for _, trace in read.values())
    traces = np.full((*zone.grid_shape, length), np.nan)
    for at, (name, trace) in read.items():
        if round(trace.sample_rate_hz / 1e6, 6) != usual:
            what = f"is sampled at {trace.sample_rate_hz / 1e6:g} MHz, the zone's others at {usual:g} MHz"
            warnings.append(
                sentence(f"ascans/{name}", what, "record it again with the setting of the others")
            )
            reason[at] = "other sample rate"
        else:
            traces[at][: trace.samples.size] = trace.samples
    return traces, usual * 1e6, reason
