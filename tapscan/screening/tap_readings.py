"""What each point of a zone yields to tapping: features, or the reason why there are none."""

from collections import Counter
from collections.abc import Callable, Mapping
from dataclasses import dataclass, fields, replace

import numpy as np
from numpy.typing import NDArray

from tapscan.errors import TapscanError, sentence
from tapscan.plan import Point, Zone, block_mask
from tapscan.records.inspection import Inspection
from tapscan.records.readers import Recording, read_recording
from tapscan.signals import TapFeatures, cut_taps, find_taps, recording_fault, tap_features

__all__ = ["TAP_COLUMNS", "SingleTaps", "TapReadings", "read_taps"]

Floats = NDArray[np.float64]
Progress = Callable[[int, int], None]

# Long enough for a mode of 1 kHz and ζ = 0.01 to die by 50 dB, short enough for brisk tapping.
TAP_DURATION_S = 0.1
BATCH_TAPS = 1024
# The room is heard in the frame before the first tap, up to this long before it; a shorter moment says too
# little.
GUARD_S = 0.003
SHORTEST_ROOM_S = 0.02
# A recorder that samples slower than this share of what the zone's other recordings do cannot be held
# against them.
SLOWEST_RATE_SHARE = 0.75
# What stands in the table, per point: the median over its taps.
TAP_COLUMNS = ("centroid_hz", "peak_hz", "damping_ratio", "decay_time_s", "level_db", "snr_db")


@dataclass(frozen=True, slots=True, eq=False)
class SingleTaps:
    """Every tap behind a zone's medians, to tell how well a point repeats.

    Shapes: `at` (taps,) the tap's point in the raveled grid, in rising order; `spectrum_db` (taps, bands)
    relative to the tap's own level; `level_db` (taps,).
    """

    at: NDArray[np.intp]
    spectrum_db: Floats
    level_db: Floats


@dataclass(frozen=True, slots=True, eq=False)
class TapReadings:
    """The tapped points of one zone.

    Shapes: `reason`, `n_taps` and each of `features` (stations, positions); `spectrum_db` (stations,
    positions, bands) is the median over a point's taps of the spectrum relative to each tap's own level, NaN
    where unread; `noise_db` the same of the room just before the taps, on the same scale, NaN where there
    was no quiet moment; `band_hz` (bands,) centres. `taps` are the single taps, where they are known.
    """

    reason: NDArray[np.str_]
    n_taps: NDArray[np.int_]
    features: Mapping[str, Floats]
    spectrum_db: Floats
    noise_db: Floats
    band_hz: Floats
    taps: SingleTaps | None = None


@dataclass(frozen=True, slots=True, eq=False)
class _Cut:
    """Good taps of one recording, `taps` (k, samples), and the room before them, `room` (1, samples).

    `noise_power` (k,) is the mean square of the noise in each tap.
    """

    point: Point
    channel: int
    sample_rate_hz: float
    taps: NDArray[np.float32]
    noise_power: Floats
    room: NDArray[np.float32]
    room_share: float  # of the frame that is filled


@dataclass(frozen=True, slots=True, eq=False)
class _Measured:
    """Features of one recording's taps, and its room's spectrum relative to each tap's power, (k, bands)."""

    features: TapFeatures
    noise_db: Floats


def read_taps(inspection: Inspection, zone: Zone, warnings: list[str], progress: Progress) -> TapReadings:
    """Read and measure every tap recording of a zone.

    A file that cannot be used leaves its point unread with a reason and adds a sentence to `warnings`;
    the rest goes on. `progress` is called with (points done, points to do).
    """
    reason = np.full(zone.grid_shape, "missing", dtype="<U24")
    points = [point for point in inspection.tap_files if point.zone == zone.code]
    measured: dict[Point, list[_Measured]] = {}
    batch: list[_Cut] = []
    in_batch = 0
    channels: set[int] = set()
    heard: dict[bytes, str] = {}
    for done, point in enumerate(points, 1):
        cuts, why = _read_point(inspection, point, warnings, heard)
        channels |= {cut.channel for cut in cuts}
        reason[point.station - 1, point.position - 1] = why
        batch += cuts
        in_batch += sum(len(cut.taps) for cut in cuts)
        if in_batch >= BATCH_TAPS or done == len(points):
            _measure(batch, measured)
            batch, in_batch = [], 0
        progress(done, len(points))
    if len(channels) > 1:
        what = f"the loudest channel is not always the same one ({', '.join(map(str, sorted(channels)))})"
        remedy = "two microphones hear differently: record one channel only"
        warnings.append(sentence(f"zone {zone.code}: recordings", what, remedy))
    _drop_slow(measured, reason, warnings)
    return _by_point(zone, measured, reason)


def _read_point(
    inspection: Inspection, point: Point, warnings: list[str], heard: dict[bytes, str]
) -> tuple[list[_Cut], str]:
    """Cut the good taps out of all recordings at one point; the reason is empty when there are any.

    `heard` names the recordings so far, so that one that was copied to another name is told.
    """
    cuts, whys = [], []
    wanted = inspection.plan.taps_per_point
    for path in inspection.tap_files[point]:
        where = f"taps/{path.name}"
        try:
            recording = read_recording(path)
        except TapscanError as error:
            warnings.append(str(error))
            whys.append("unreadable")
            continue
        mark = _mark(recording)
        twin = heard.setdefault(mark, path.name)
        if mark and twin != path.name:
            what, remedy = f"is the same recording as taps/{twin}", "record the point that was not struck"
            warnings.append(sentence(where, what, remedy))
        cut, why = _good_taps(point, recording)
        if cut is None:
            warnings.append(sentence(where, f"no usable tap: {why}", "record the point again"))
            whys.append(why)
        else:
            cuts.append(cut)
    found = sum(len(cut.taps) for cut in cuts)
    if 0 < found < wanted:
        taps = "1 usable tap" if found == 1 else f"{found} usable taps"
        what = f"{taps}, the plan asks for {wanted}; the point is kept with {found}"
        remedy = f"record it again, or set tap.taps_per_point = {found}"
        warnings.append(sentence(f"taps/{inspection.tap_files[point][0].name}", what, remedy))
    return cuts, "" if found else whys[0]


def _mark(recording: Recording) -> bytes:
    """Take a few samples about the loudest: no two rooms hiss alike. Nothing tells silence from silence."""
    samples = recording.samples
    loudest = int(np.argmax(np.abs(samples))) if samples.size else 0
    some = samples[max(loudest - 256, 0) : loudest + 256]
    return some.tobytes() if some.size and some.min() < some.max() else b""


def _good_taps(point: Point, recording: Recording) -> tuple[_Cut | None, str]:
    """Cut the taps of a recording that can be measured, or say why there is none."""
    samples, rate_hz = recording.samples, recording.sample_rate_hz
    if not np.isfinite(samples).all():
        return None, "not finite"
    onsets = find_taps(samples, rate_hz)
    good = ~(onsets.is_clipped | onsets.is_double | onsets.is_quiet)
    if not good.any():
        return None, recording_fault(samples, rate_hz) or "double hit"
    taps = cut_taps(samples, onsets.start, rate_hz, TAP_DURATION_S)[good].astype(np.float32, copy=False)
    length = taps.shape[1]
    before = samples[
        max(int(onsets.start[0]) - length, 0) : max(int(onsets.start[0]) - round(GUARD_S * rate_hz), 0)
    ]
    room = np.zeros((1, length), dtype=np.float32)
    if before.size >= SHORTEST_ROOM_S * rate_hz:
        room[0, : before.size] = before - before.mean()
    return _Cut(
        point, recording.channel, rate_hz, taps, onsets.noise_power[good], room, before.size / length
    ), ""


def _measure(batch: list[_Cut], measured: dict[Point, list[_Measured]]) -> None:
    """Measure all taps of one rate in one go, and deal the rows back to their points."""
    for rate in sorted({cut.sample_rate_hz for cut in batch}):
        same = [cut for cut in batch if cut.sample_rate_hz == rate]
        noise = np.concatenate([cut.noise_power for cut in same])
        features = tap_features(np.concatenate([cut.taps for cut in same]), rate, noise_power=noise)
        rooms = tap_features(np.concatenate([cut.room for cut in same]), rate)
        start = 0
        for row, cut in enumerate(same):
            own = _rows(features, start, start + len(cut.taps))
            room_db = rooms.spectrum_db[row] + rooms.power_db[row] - 10 * np.log10(max(cut.room_share, 1e-9))
            measured.setdefault(cut.point, []).append(_Measured(own, room_db - own.power_db[:, None]))
            start += len(cut.taps)


def _rows(features: TapFeatures, start: int, end: int) -> TapFeatures:
    """Take some of the signals of a batch; what belongs to the batch as a whole stays."""
    per_tap = {
        field.name: getattr(features, field.name)[start:end]
        for field in fields(features)
        if field.name not in ("band_hz", "band_centre_hz")
    }
    return replace(features, **per_tap)


def _drop_slow(measured: dict[Point, list[_Measured]], reason: NDArray[np.str_], warnings: list[str]) -> None:
    """Leave out recordings whose band is much narrower than the zone's usual one: they do not compare."""
    tops = Counter(one.features.band_hz[1] for several in measured.values() for one in several)
    if not tops:
        return
    usual_hz = max(tops, key=lambda top: (tops[top], top))
    for point, several in list(measured.items()):
        fast = [one for one in several if one.features.band_hz[1] >= SLOWEST_RATE_SHARE * usual_hz]
        if len(fast) < len(several):
            slowest_hz = min(one.features.band_hz[1] for one in several)
            what = (
                f"sampled too slowly: heard up to {slowest_hz:,.0f} Hz, the zone's others {usual_hz:,.0f} Hz"
            )
            warnings.append(sentence(f"taps at {point}", what, "record it again at the rate of the others"))
        if fast:
            measured[point] = fast
        else:
            del measured[point]
            reason[point.station - 1, point.position - 1] = "sampled too slowly"


def _by_point(zone: Zone, measured: dict[Point, list[_Measured]], reason: NDArray[np.str_]) -> TapReadings:
    """Take the median over each point's taps, all points with the same number of taps in one go."""
    centres = [one.features.band_centre_hz for several in measured.values() for one in several]
    band_hz = min(centres, key=len, default=np.zeros(0))
    n_taps = np.zeros(zone.grid_shape, dtype=int)
    table = np.full((*zone.grid_shape, len(TAP_COLUMNS) + 2 * band_hz.size), np.nan)
    same_count: dict[int, list[tuple[Point, Floats]]] = {}
    for point, several in measured.items():
        taps = np.concatenate([_as_rows(one, band_hz.size) for one in several])
        taps = taps[np.isfinite(taps[:, taps.shape[1] - band_hz.size :]).all(axis=1)]
        if len(taps):
            same_count.setdefault(len(taps), []).append((point, taps))
        else:
            reason[point.station - 1, point.position - 1] = "not finite"
    for count, points in same_count.items():
        at = tuple(np.array([(point.station - 1, point.position - 1) for point, _ in points]).T)
        n_taps[at] = count
        table[at] = _median_of_heard(np.stack([taps for _, taps in points]))
    reason[block_mask(zone, zone.skip)] = ""
    features = {name: table[..., column] for column, name in enumerate(TAP_COLUMNS)}
    noise_db, spectrum_db = np.split(table[..., len(TAP_COLUMNS) :], 2, axis=-1)
    single = _single_taps(zone, same_count, band_hz.size)
    return TapReadings(reason, n_taps, features, spectrum_db, noise_db, band_hz, single)


def _single_taps(zone: Zone, same_count: dict[int, list[tuple[Point, Floats]]], bands: int) -> SingleTaps:
    """Lay all taps one below the other, point by point."""
    points = [pair for several in same_count.values() for pair in several]
    at = [(point.station - 1) * zone.positions + point.position - 1 for point, _ in points]
    order = np.argsort(np.asarray(at, dtype=np.intp), kind="stable")
    rows = [points[i][1] for i in order]
    stacked = np.concatenate(rows) if rows else np.zeros((0, len(TAP_COLUMNS) + 2 * bands))
    return SingleTaps(
        at=np.repeat(np.asarray(at, dtype=np.intp)[order], [len(taps) for taps in rows]),
        spectrum_db=stacked[:, stacked.shape[1] - bands :],
        level_db=stacked[:, TAP_COLUMNS.index("level_db")],
    )


def _as_rows(measured: _Measured, bands: int) -> Floats:
    """Lay the columns, the room's bands and the tap's bands of each tap side by side: (taps, columns)."""
    columns = [getattr(measured.features, name) for name in TAP_COLUMNS]
    return np.column_stack([*columns, measured.noise_db[:, :bands], measured.features.spectrum_db[:, :bands]])


def _median_of_heard(taps: Floats) -> Floats:
    """Median over axis 1, shape (points, columns); NaN only where no tap of a point has a value."""
    ordered = np.sort(taps, axis=1)  # NaN last
    heard = np.isfinite(taps).sum(axis=1, keepdims=True)
    low, high = (
        np.take_along_axis(ordered, np.maximum(at, 0), axis=1) for at in ((heard - 1) // 2, heard // 2)
    )
    return np.asarray((np.where(heard > 0, (low + np.where(heard % 2, low, high)) / 2, np.nan))[:, 0])
