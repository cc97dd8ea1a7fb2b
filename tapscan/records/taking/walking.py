"""One long recording walked along the grid, split into a recording for each point.

The taps are counted against the plan. Where the pauses between points are longer than those between the taps
of a point, they must agree with the count; when they do not, nothing is written, and the points that look
wrong are named.
"""

import hashlib
import io
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from tapscan.errors import TapscanError
from tapscan.plan import Plan, Point, Zone, parse_block, walk
from tapscan.plan.text.reading import PLAN_NAME
from tapscan.records.inspection import Inspection
from tapscan.records.readers import Recording, audio, phone, reader_for
from tapscan.records.readers.readings import file_name
from tapscan.records.taking.adding import Added, Progress, TapShelf, as_tapscan_error, loss_note
from tapscan.records.taking.grouping import TapGroups, group_by_count, group_by_pauses, misplaced_pauses
from tapscan.records.taking.repeats import repeated_in
from tapscan.records.writing import copy_new, write_new
from tapscan.signals import TapOnsets, find_taps

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Sequence

    from numpy.typing import NDArray

__all__ = ["Walk", "add_walk", "walked_points"]

# Kept before a point's first tap, so that the noise can be measured there, and after its last.
BEFORE_S, AFTER_S = 0.05, 1.0
MOST_NAMED = 6
WALKS = "walks"  # where walks are kept as a phone compressed them
PIECES = "cut the recording there and add the pieces with --from and --to"
# A number type that holds every sample of the file's type exactly, for each type that the reader takes.
EXACT = {
    "PCM_S8": "int16",
    "PCM_U8": "int16",
    "PCM_16": "int16",
    "PCM_24": "int32",
    "PCM_32": "int32",
    "ULAW": "int16",
    "ALAW": "int16",
    "FLOAT": "float32",
    "DOUBLE": "float64",
}


@dataclass(frozen=True, slots=True)
class Walk:
    """How a recording walks along the grid.

    `first` and `last` are points of the zone such as ``07-05``, or None for its ends. `there_and_back` walks
    the even stations from the last position down. `keep_uneven` takes points with more or fewer taps than
    planned, as long as the pauses separate the points.
    """

    zone: str
    first: str | None = None
    last: str | None = None
    there_and_back: bool = False
    keep_uneven: bool = False


def add_walk(inspection: Inspection, path: Path, way: Walk, progress: Progress | None = None) -> Added:
    """Split a recording of taps along the grid and write one recording for each point.

    The samples are those of the file, at the same rate and depth; of several channels, the one in which most
    happens over the whole walk. A point that holds the very same recording already is left as it is. A walk
    that a phone compressed is kept as it is in ``walks/``; each point's file says what it was cut from.

    Raises
    ------
    TapscanError
        When the recording or the way is faulty, or the taps do not fit the plan; nothing is written then.

    Examples
    --------
    >>> add_walk(inspection, Path("walk.wav"), Walk("BM", last="06-12")).notes      # doctest: +SKIP
    ('BM-03-04: a tap is clipped (lower the recorder's gain and record the point again)',)
    """
    points = walked_points(inspection.plan, way)
    recording, cut, end = _source(path)
    onsets = find_taps(recording.samples, recording.sample_rate_hz)
    start_s = np.asarray(onsets.start) / recording.sample_rate_hz
    groups, has_pauses = _fit(start_s, points, inspection.plan.taps_per_point, way, file_name(path))
    spans = _spans(np.asarray(onsets.start), groups, recording)
    written: list[tuple[str, str]] = []
    unchanged: list[tuple[str, str]] = []
    shelf = TapShelf(inspection.folder)
    met = [(point, span) for point, span in zip(points, spans, strict=True) if shelf.files(point)]
    _refuse_repeats(
        file_name(path),
        ((point, cut(span), shelf.files(point)) for point, span in met),
    )
    if recording.codec:
        _keep_original(path, inspection.folder / WALKS / path.name)
    for done, (point, span) in enumerate(zip(points, spans, strict=True)):
        if progress is not None:
            progress(done, len(points))
        target, is_new = _put(shelf, point, cut(span), end)
        (written if is_new else unchanged).append((file_name(path), file_name(target)))
    notes = [] if has_pauses else [f"{file_name(path)}: no pauses separate the points; split by count alone"]
    if recording.channels > 1:
        notes.append(f"{file_name(path)}: took channel {recording.channel} of {recording.channels}")
    if recording.codec:
        notes.append(loss_note(path, recording))
    return Added(tuple(written), tuple(unchanged), (), (*notes, *_doubts(points, groups, onsets)))


def _refuse_repeats(where: str, pieces: "Iterable[tuple[Point, bytes, list[Path]]]") -> None:
    """Refuse a walk that holds strikes which points have already, cut out of another piece of it."""
    repeated = {
        point: other
        for point, content, there in pieces
        if not any(_is_same(content, path) for path in there)
        and (other := repeated_in(content, there)) is not None
    }
    if not repeated:
        return
    names = [str(point) for point in repeated]
    more = f" and {len(names) - MOST_NAMED} more" if len(names) > MOST_NAMED else ""
    first = file_name(next(iter(repeated.values())))
    what = (
        f"holds strikes that are there already, at {', '.join(names[:MOST_NAMED])}{more}, such as in "
        f"{first}; nothing was written"
    )
    remedy = "give --from and --to for the new points alone, or move the earlier recordings away first"
    raise TapscanError(where, what, remedy)


def _is_same(content: bytes, there: Path) -> bool:
    return there.stat().st_size == len(content) and there.read_bytes() == content


def walked_points(plan: Plan, way: Walk) -> tuple[Point, ...]:
    """List the points of a walk in order.

    Raises
    ------
    TapscanError
        When the plan has no such zone, or a named end is not a planned point of it.
    """
    zones = {zone.code: zone for zone in plan.zones}
    zone = zones.get(way.zone.upper())
    if zone is None:
        what = f"the plan has no zone {way.zone}"
        raise TapscanError(PLAN_NAME, what, f"name one of its zones with --zone: {', '.join(zones)}")
    order = walk(zone)
    if way.there_and_back:
        # Sorting is stable: stations stay in order, and even ones turn round.
        order.sort(key=lambda step: (step[0], step[1] if step[0] % 2 else -step[1]))
    if not order:
        where = f'{PLAN_NAME}: zone "{zone.code}"'
        raise TapscanError(where, "has no point to walk: all are skipped", "correct skip in the plan")
    begin = 0 if way.first is None else _step("--from", way.first, zone, order)
    end = len(order) - 1 if way.last is None else _step("--to", way.last, zone, order)
    if end < begin:
        where = f"--from {way.first} --to {way.last}"
        raise TapscanError(where, "the walk reaches the second point first", "swap the two")
    return tuple(Point(zone.code, station, position) for station, position in order[begin : end + 1])


def _step(option: str, text: str, zone: Zone, order: "Sequence[tuple[int, int]]") -> int:
    block = parse_block(text.upper().removeprefix(f"{zone.code}-"))
    if block is None or ":" in text:
        raise TapscanError(option, f"{text!r} is not a point", "write station and position, such as 07-05")
    step = block.first_station, block.first_position
    if step not in order:
        size = f"{zone.stations} stations × {zone.positions} positions"
        raise TapscanError(
            option, f"{text} is not a planned point of zone {zone.code}", f"it has {size}; skips apart"
        )
    return order.index(step)


def _fit(
    start_s: "NDArray[np.float64]", points: "Sequence[Point]", taps_per_point: int, way: Walk, where: str
) -> tuple[TapGroups, bool]:
    """Find which taps belong to each point, and whether pauses said so too; refuse what does not fit."""
    pauses = group_by_pauses(start_s) if taps_per_point > 1 else None
    misplaced = (
        len(start_s) == len(points) * taps_per_point and misplaced_pauses(start_s, taps_per_point).size > 0
    )
    if len(start_s) == len(points) * taps_per_point and not misplaced:
        return group_by_count(len(points), taps_per_point), pauses is not None or taps_per_point == 1
    if way.keep_uneven and pauses is not None and len(pauses.first) == len(points):
        return pauses, True
    raise _misfit(start_s, points, taps_per_point, pauses, where)


def _misfit(
    start_s: "NDArray[np.float64]",
    points: "Sequence[Point]",
    taps_per_point: int,
    pauses: TapGroups | None,
    where: str,
) -> TapscanError:
    """Say how the taps miss the plan, and at which points."""
    if len(start_s) == 0:
        return TapscanError(where, "no taps were found in it", "check the recorder's input and its gain")
    what = f"holds {len(start_s):,} taps, and {len(points):,} points × {taps_per_point} need"
    what += f" {len(points) * taps_per_point:,}; nothing was written"
    if pauses is None:
        what += "; the gaps between the taps do not separate the points"
        return TapscanError(where, what, "pause between points, or add shorter pieces with --from and --to")
    odd = np.flatnonzero(pauses.count != taps_per_point)
    if len(pauses.first) == len(points):
        named = [
            f"{points[i]} has {pauses.count[i]} at {_clock(start_s[pauses.first[i]])}"
            for i in odd[:MOST_NAMED]
        ]
        more = f" and {len(odd) - MOST_NAMED} more" if len(odd) > MOST_NAMED else ""
        remedy = f"take them as they are with --keep-uneven, or {PIECES}"
        return TapscanError(where, f"{what}; {', '.join(named)}{more}", remedy)
    what += f"; the pauses make {len(pauses.first):,} groups"
    if odd.size:
        i = int(odd[0])
        due = f", where {points[i]} is due" if i < len(points) else ""
        what += f", and the first odd one has {pauses.count[i]} at {_clock(start_s[pauses.first[i]])}{due}"
        return TapscanError(where, what, PIECES)
    return TapscanError(where, what, "say which points were walked with --from and --to")


def _clock(time_s: float) -> str:
    """Write a place in the recording as an audio editor shows it.

    Examples
    --------
    >>> _clock(133.42)
    '2:13.4'
    """
    tenths = round(float(time_s) * 10)
    return f"{tenths // 600}:{tenths % 600 // 10:02d}.{tenths % 10}"


def _source(path: Path) -> "tuple[Recording, Callable[[tuple[int, int]], bytes], str]":
    """Read a walk; return it, what cuts a piece out as a file's content, and the ending of such a file."""
    if reader_for("recording", path) is phone:
        recording = phone.read_for(path, audio.MAX_WALK_S)
        with path.open("rb") as stream:
            digest = hashlib.file_digest(stream, "sha256").hexdigest()
        return recording, partial(_decoded_slice, recording, f"{path.name}, SHA-256 {digest}"), ".flac"
    facts = audio.sound_facts(path, audio.MAX_WALK_S)
    recording = audio.read_channel(path, facts)
    cut = partial(_slice, path, facts, recording.channel - 1)
    return recording, cut, ".flac" if facts.format == "FLAC" else ".wav"


def _keep_original(path: Path, target: Path) -> None:
    """Keep a walk as the phone wrote it; the very same file is kept once."""
    if target.exists() and _is_same(path.read_bytes(), target):
        return
    try:
        copy_new(path, target)
    except OSError as error:
        raise as_tapscan_error(target, error) from None


def _decoded_slice(recording: Recording, origin: str, span: tuple[int, int]) -> bytes:
    """Write a piece of a decoded recording as 24-bit FLAC that says what was lost before."""
    import soundfile

    begin, end = span
    content = io.BytesIO()
    with soundfile.SoundFile(
        content, "w", round(recording.sample_rate_hz), 1, subtype="PCM_24", format="FLAC"
    ) as file:
        if recording.codec:
            file.comment = audio.loss_comment(recording, origin)
        file.write(recording.samples[begin:end])
    return content.getvalue()


def _spans(start: "NDArray[np.intp]", groups: TapGroups, recording: Recording) -> list[tuple[int, int]]:
    """Place each point's slice: from a little before its first tap until before the next point's."""
    before, after = round(BEFORE_S * recording.sample_rate_hz), round(AFTER_S * recording.sample_rate_hz)
    first, last = start[groups.first], start[groups.first + groups.count - 1]
    # Half the gap at most, so that a slice never holds the tap before it.
    gap = first - np.concatenate([[-first[0]], last[:-1]])
    begin = first - np.minimum(before, gap // 2)
    end = np.minimum(np.append(begin[1:], recording.samples.size), last + after)
    return [(int(a), int(b)) for a, b in zip(begin, end, strict=True)]


def _slice(path: Path, facts: audio.AudioFacts, channel: int, span: tuple[int, int]) -> bytes:
    """Cut one channel of a recording out as a file of its own, sample for sample."""
    import soundfile

    begin, end = span
    with soundfile.SoundFile(str(path)) as file:
        file.seek(begin)
        samples = file.read(end - begin, dtype=EXACT[facts.subtype], always_2d=True)[:, channel]
    content = io.BytesIO()
    if facts.subtype in {"FLOAT", "DOUBLE"}:
        # The other writer puts the time of day into files of this type.
        from scipy.io import wavfile

        wavfile.write(content, facts.sample_rate_hz, samples)
    else:
        kind = "FLAC" if facts.format == "FLAC" else "WAV"
        soundfile.write(content, samples, facts.sample_rate_hz, subtype=facts.subtype, format=kind)
    return content.getvalue()


def _put(shelf: TapShelf, point: Point, content: bytes, end: str) -> tuple[Path, bool]:
    for there in shelf.files(point):
        if _is_same(content, there):
            return there, False
    target = shelf.next_name(point, end)
    try:
        write_new(target, content)
    except OSError as error:
        raise as_tapscan_error(target, error) from None
    shelf.put(point, target)
    return target, True


def _doubts(points: "Iterable[Point]", groups: TapGroups, onsets: TapOnsets) -> list[str]:
    """Name the points whose taps are better struck again while the part is still there."""
    owner = np.repeat(np.arange(len(groups.count)), groups.count)
    names = [str(point) for point in points]
    doubts = []
    for fault, flags in (
        ("a tap is clipped (lower the gain and record the point again)", onsets.is_clipped),
        ("a tap struck twice (record the point again if it matters)", onsets.is_double),
        ("a tap is too quiet (strike harder, or raise the gain)", onsets.is_quiet),
    ):
        hit = np.unique(owner[np.asarray(flags, dtype=bool)])
        if hit.size:
            more = f" and {hit.size - MOST_NAMED} more" if hit.size > MOST_NAMED else ""
            doubts.append(f"{', '.join(names[i] for i in hit[:MOST_NAMED])}{more}: {fault}")
    return doubts
