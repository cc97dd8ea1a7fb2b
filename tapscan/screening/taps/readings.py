"""What each point of a zone yields to tapping: taps in bands and features, or why there are none."""

from collections.abc import Callable, Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from tapscan.errors import TapscanError, sentence
from tapscan.plan import Point, Zone, block_mask
from tapscan.records.inspection import Inspection
from tapscan.records.readers import Recording, read_recording
from tapscan.screening.taps.points import TapTable
from tapscan.screening.taps.recorders import (
    Recorder,
    limit_hz,
    over_rounding,
    recorder_of,
    recorder_remarks,
)
from tapscan.signals import cut_taps, find_taps, recording_fault, tap_features
from tapscan.signals.taps.bands import BAND_EDGES_HZ, STRIKE_S, band_energy, band_freedoms

__all__ = ["TAP_COLUMNS", "TapReadings", "read_taps"]

Floats = NDArray[np.float64]
Progress = Callable[[int, int], None]

# Long enough for a mode of 1 kHz and a damping ratio of 0.01 to decay by 50 dB, short enough for brisk taps.
TAP_DURATION_S = 0.1
BATCH_TAPS = 1024
GUARD_S = 0.003  # before a tap that belongs to it
SHORTEST_ROOM_S = 0.02  # of quiet before the first tap, for its spectrum to mean anything
WEAKEST = 0.1  # of the recording's usual tap: a tap 20 dB below it is a touch or an echo
OVER_ROOM = 2.0  # energy of the strike over the room's, in one band at least
# A recorder with fewer bands than this share of what the zone's other recordings have cannot be compared.
LEAST_BANDS = 0.75
# Columns of the table of points: the median over a point's taps.
TAP_COLUMNS = ("centroid_hz", "peak_hz", "damping_ratio", "decay_time_s", "level_db", "snr_db")


@dataclass(frozen=True, slots=True, eq=False)
class TapReadings:
    """The tapped points of one zone.

    Shapes: `reason`, `n_taps` and each of `features` (stations, positions); `taps` has a row for each usable
    tap, in the order of their points.
    """

    reason: NDArray[np.str_]
    n_taps: NDArray[np.int_]
    features: Mapping[str, Floats]
    taps: TapTable


@dataclass(frozen=True, slots=True, eq=False)
class _Cut:
    """Usable taps (k, samples) of one recording, and the room's power before them, in bands and all."""

    at: int
    channel: int
    recorder: Recorder
    empty_above_hz: float
    taps: NDArray[np.float32]
    room: Floats
    noise_power: Floats


def read_taps(inspection: Inspection, zone: Zone, warnings: list[str], progress: Progress) -> TapReadings:
    """Read and measure every tap recording of a zone.

    A file that cannot be used leaves its point unread with a reason and adds a sentence to `warnings`;
    the rest goes on. `progress` is called with (points done, points to do).
    """
    reason = np.full(zone.grid_shape, "missing", dtype="<U24")
    points = [point for point in inspection.tap_files if point.zone == zone.code]
    measured: list[Floats] = []
    batch: list[_Cut] = []
    channels: set[int] = set()
    heard: dict[bytes, str] = {}
    limits: dict[Recorder, list[float]] = {}
    for done, point in enumerate(points, 1):
        cuts, why = _read_point(inspection, zone, point, warnings, heard)
        channels |= {cut.channel for cut in cuts}
        for cut in cuts:
            limits.setdefault(cut.recorder, []).append(cut.empty_above_hz)
        reason[point.station - 1, point.position - 1] = why
        batch += cuts
        if sum(len(cut.taps) for cut in batch) >= BATCH_TAPS or done == len(points):
            measured += _measure(batch, list(limits))
            batch = []
        progress(done, len(points))
    if len(channels) > 1:
        what = f"the loudest channel is not always the same one ({', '.join(map(str, sorted(channels)))})"
        remedy = "two microphones hear differently: record one channel only"
        warnings.append(sentence(f"zone {zone.code}: recordings", what, remedy))
    warnings += recorder_remarks(zone, limits)
    bands = BAND_EDGES_HZ.size - 1
    rows = np.concatenate(measured) if measured else np.zeros((0, 2 + len(TAP_COLUMNS) + 3 * bands))
    rows = _without_empty(rows, [limit_hz(files) for files in limits.values()])
    rows = rows[np.argsort(rows[:, 0], kind="stable")]
    rows = _without_slow(zone, rows, reason, warnings)
    reason[block_mask(zone, zone.skip)] = ""
    place, columns, energies = np.split(rows, [1, 1 + len(TAP_COLUMNS)], axis=1)
    at = place[:, 0].astype(np.intp)
    strike, ringing, room = np.split(energies, 3, axis=1)
    count = np.bincount(at, minlength=reason.size).reshape(zone.grid_shape)
    medians = _medians(at, columns, reason.size)
    features = {name: medians[:, k].reshape(zone.grid_shape) for k, name in enumerate(TAP_COLUMNS)}
    return TapReadings(reason, count, features, TapTable(at, strike, ringing, room))


def _read_point(
    inspection: Inspection, zone: Zone, point: Point, warnings: list[str], heard: dict[bytes, str]
) -> tuple[list[_Cut], str]:
    """Cut the usable taps out of all recordings at one point; the reason is empty when there are any.

    `heard` names the recordings so far, so that one that was copied to another name is noticed.
    """
    cuts, whys = [], []
    for path in inspection.tap_files[point]:
        where = f"taps/{path.name}"
        try:
            recording = read_recording(path)
        except TapscanError as error:
            warnings.append(str(error))
            whys.append("unreadable")
            continue
        mark = _mark(recording)
        same = heard.setdefault(mark, path.name)
        if mark and same != path.name:
            what, remedy = f"is the same recording as taps/{same}", "record the point that was not struck"
            warnings.append(sentence(where, what, remedy))
        cut, why = _usable_taps((point.station - 1) * zone.positions + point.position - 1, recording)
        if cut is None:
            warnings.append(sentence(where, f"no usable tap: {why}", "record the point again"))
            whys.append(why)
        else:
            cuts.append(cut)
    found, wanted = sum(len(cut.taps) for cut in cuts), inspection.plan.taps_per_point
    if 0 < found < wanted:
        taps = "1 usable tap" if found == 1 else f"{found} usable taps"
        what = f"{taps}, the plan asks for {wanted}; the point is kept with {found}"
        remedy = f"record it again, or set tap.taps_per_point = {found}"
        warnings.append(sentence(f"taps/{inspection.tap_files[point][0].name}", what, remedy))
    return cuts, "" if found else whys[0]


def _mark(recording: Recording) -> bytes:
    """Take some samples about the loudest: no two rooms hiss alike. Silence has no mark."""
    samples = recording.samples
    loudest = int(np.argmax(np.abs(samples))) if samples.size else 0
    some = samples[max(loudest - 256, 0) : loudest + 256]
    return some.tobytes() if some.size and some.min() < some.max() else b""


def _usable_taps(at: int, recording: Recording) -> tuple[_Cut | None, str]:
    """Cut the taps of a recording that can be measured, or say why there is none.

    Noise takes no tap away as long as one band of the strike is above the room.
    """
    samples, rate_hz = recording.samples, recording.sample_rate_hz
    if not np.isfinite(samples).all():
        return None, "not finite"
    onsets = find_taps(samples, rate_hz)
    usual = float(np.median(onsets.peak)) if onsets.peak.size else 0.0
    good = ~(onsets.is_clipped | onsets.is_double) & (onsets.peak > WEAKEST * usual)
    if not good.any():
        return None, recording_fault(samples, rate_hz) or "double hit"
    taps = cut_taps(samples, onsets.start, rate_hz, TAP_DURATION_S)[good].astype(np.float32, copy=False)
    recorder = recorder_of(recording)
    room = _room(samples[: max(int(onsets.start[0]) - round(GUARD_S * rate_hz), 0)], rate_hz)
    room = over_rounding(room, recorder)
    strike = band_energy(taps, rate_hz).strike
    above = ~(strike < OVER_ROOM * room * STRIKE_S).all(axis=1)
    if not above.any():
        return None, "noisy"
    noise_power, limit = onsets.noise_power[good][above], recording.empty_above_hz
    return _Cut(at, recording.channel, recorder, limit, taps[above], room, noise_power), ""


def _room(before: NDArray[np.generic], rate_hz: float) -> Floats:
    """Give the room's mean power in each band before a tap, over as many strikes' lengths as there are."""
    frame = round(STRIKE_S * rate_hz)
    frames = min(before.size, round(TAP_DURATION_S * rate_hz)) // frame
    if before.size < SHORTEST_ROOM_S * rate_hz:
        return np.full(band_freedoms(1.0).size, np.nan)
    quiet = before[before.size - frames * frame :].reshape(frames, frame).astype(np.float64)
    return np.asarray(band_energy(quiet - quiet.mean(), rate_hz).strike.mean(axis=0) / STRIKE_S)


def _measure(batch: list[_Cut], recorders: list[Recorder]) -> list[Floats]:
    """Measure all taps of one recorder in one go.

    A row a tap, of point, columns, strike, ringing and room, and the number of its recorder.
    """
    rows = []
    for number, recorder in enumerate(recorders):
        same = [cut for cut in batch if cut.recorder == recorder]
        if not same:
            continue
        rate_hz = recorder.sample_rate_hz
        taps = np.concatenate([cut.taps for cut in same])
        features = tap_features(taps, rate_hz, noise_power=np.concatenate([cut.noise_power for cut in same]))
        energy = band_energy(taps, rate_hz)
        count = [len(cut.taps) for cut in same]
        rows.append(
            np.column_stack(
                [
                    np.repeat([float(cut.at) for cut in same], count),
                    *(getattr(features, name) for name in TAP_COLUMNS),
                    energy.strike,
                    energy.ringing,
                    np.repeat([cut.room for cut in same], count, axis=0),
                    np.full(len(taps), float(number)),
                ]
            )
        )
    return rows


def _without_empty(rows: Floats, limits_hz: list[float]) -> Floats:
    """Leave out the bands in which a tap's recorder writes nothing, and the number of the recorder."""
    rows, number = rows[:, :-1].copy(), rows[:, -1].astype(np.intp)
    if len(rows):
        is_empty = BAND_EDGES_HZ[1:] > np.asarray(limits_hz)[number][:, None]
        first = 1 + len(TAP_COLUMNS)
        energies = rows[:, first:]
        energies[np.tile(is_empty, 3)] = np.nan
    return rows


def _without_slow(zone: Zone, rows: Floats, reason: NDArray[np.str_], warnings: list[str]) -> Floats:
    """Leave out taps whose recorder has far fewer bands than the zone's usual one: they do not compare."""
    if not len(rows):
        return rows
    first = 1 + len(TAP_COLUMNS)
    bands = np.isfinite(rows[:, first : first + BAND_EDGES_HZ.size - 1]).sum(axis=1)
    usual = int(np.bincount(bands).argmax())
    slow = bands < LEAST_BANDS * usual
    for at in np.unique(rows[slow, 0]).astype(int):
        point = Point(zone.code, at // zone.positions + 1, at % zone.positions + 1)
        heard_hz = [BAND_EDGES_HZ[n] for n in (bands[slow & (rows[:, 0] == at)].min(), usual)]
        highest = f"heard up to {heard_hz[0]:,.0f} Hz, the zone's others {heard_hz[1]:,.0f} Hz"
        what = f"sampled too slowly: {highest}"
        warnings.append(sentence(f"taps at {point}", what, "record it again at the rate of the others"))
        if not (~slow & (rows[:, 0] == at)).any():
            reason[point.station - 1, point.position - 1] = "sampled too slowly"
    return np.asarray(rows[~slow])


def _medians(at: NDArray[np.intp], columns: Floats, points: int) -> Floats:
    """Median over each point's taps, (points, columns); NaN where none of them has a value."""
    medians = np.full((points, columns.shape[1]), np.nan)
    starts = np.flatnonzero(np.diff(at, prepend=-1))
    for taps in np.split(np.arange(at.size), starts[1:]) if at.size else []:
        ordered = np.sort(columns[taps], axis=0)  # NaN last
        known = np.isfinite(ordered).sum(axis=0)
        column = np.arange(columns.shape[1])
        low, high = (
            ordered[np.maximum(k, 0), column]
            for k in ((known - 1) // 2, np.minimum(known // 2, len(taps) - 1))
        )
        medians[at[taps[0]]] = np.where(known > 0, (low + high) / 2, np.nan)
    return np.asarray(medians, dtype=np.float64)
