"""Bring readings into an inspection: copied as they are, never over anything that is there."""

import filecmp
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from pathlib import Path

from tapscan.errors import TapscanError, folded, nearest, sentence
from tapscan.plan import Plan, Point
from tapscan.records.inspection import ASCANS, TAPS, Inspection, end_of, named_point, objection
from tapscan.records.readers import RECORDING_ENDS, Recording, open_volume, read_recording, read_trace
from tapscan.records.readers.readings import file_name
from tapscan.records.taking.repeats import repeated_in
from tapscan.records.writing import copy_new

__all__ = ["Added", "TapShelf", "add_files", "as_tapscan_error", "loss_note"]

Progress = Callable[[int, int], None]


@dataclass(frozen=True, slots=True)
class Added:
    """What became of the files: `written` and `unchanged` pair source and target, `refused` are sentences.

    A file is unchanged when the inspection holds its very bytes at that point already. `notes` states what
    the user may want to look at.
    """

    written: tuple[tuple[str, str], ...]
    unchanged: tuple[tuple[str, str], ...]
    refused: tuple[str, ...]
    notes: tuple[str, ...] = ()


class TapShelf:
    """The names taken in ``taps/``, so that a further recording at a point gets the next number.

    Raises
    ------
    TapscanError
        When ``taps/`` leads out of the inspection: nothing is written there.
    """

    def __init__(self, folder: Path) -> None:
        self._folder = _inside(folder, TAPS)
        self._files: dict[Point, dict[int, list[Path]]] = {}
        for path in sorted(self._folder.iterdir()) if self._folder.is_dir() else []:
            named = named_point(path)
            if named is not None and path.suffix.lower() in RECORDING_ENDS:
                self._files.setdefault(named[0], {}).setdefault(named[1], []).append(path)

    def files(self, point: Point) -> list[Path]:
        """Every recording at the point in the order of their numbers, whatever their spelling."""
        return [path for _, paths in sorted(self._files.get(point, {}).items()) for path in paths]

    def next_name(self, point: Point, end: str) -> Path:
        """Return the path for one more recording at the point: first BM-07-05.wav, then BM-07-05_2.wav."""
        number = max(self._files.get(point, {}), default=0) + 1
        return self._folder / (f"{point}{end}" if number == 1 else f"{point}_{number}{end}")

    def put(self, point: Point, path: Path) -> None:
        """Note that `path` has been written."""
        named = named_point(path)
        assert named is not None
        self._files.setdefault(point, {}).setdefault(named[1], []).append(path)


def _inside(home: Path, name: str) -> Path:
    folder = home / name
    end = end_of(folder)
    if end is None or not end.is_relative_to(home.resolve()):
        what = "is a link that leads back to itself" if end is None else "is a link out of the inspection"
        raise TapscanError(name, what, "put a folder of its own there")
    return folder


def add_files(inspection: Inspection, files: Iterable[Path], progress: Progress | None = None) -> Added:
    """Copy recordings, traces and volumes that are named by their point or zone.

    Each file is read once before it is copied. One that cannot be taken is refused in a sentence, and the
    others go on. A further recording at a point is numbered; a second trace or volume is refused.

    Raises
    ------
    TapscanError
        When ``taps/`` or ``ascans/`` leads out of the inspection.

    Examples
    --------
    >>> add_files(inspection, [Path("recorder/BM-07-05.wav")]).written        # doctest: +SKIP
    (('recorder/BM-07-05.wav', 'taps/BM-07-05.wav'),)
    """
    written: list[tuple[str, str]] = []
    unchanged: list[tuple[str, str]] = []
    refused: list[str] = []
    notes: list[str] = []
    _inside(inspection.folder, ASCANS)
    shelf = TapShelf(inspection.folder)
    paths = list(files)
    for done, path in enumerate(paths):
        if progress is not None:
            progress(done, len(paths))
        try:
            target, is_new = _add(inspection, shelf, path, notes)
        except TapscanError as error:
            refused.append(str(error))
            continue
        (written if is_new else unchanged).append((file_name(path), file_name(target)))
    return Added(tuple(written), tuple(unchanged), tuple(refused), tuple(folded(notes)))


def _add(inspection: Inspection, shelf: TapShelf, path: Path, notes: list[str]) -> tuple[Path, bool]:
    end = path.suffix.lower()
    if not path.exists():
        raise TapscanError(file_name(path), "is not there", "check the name and the folder")
    if end in RECORDING_ENDS:
        return _add_recording(inspection, shelf, path, notes)
    if end == ".csv":
        return _add_trace(inspection, path)
    if end == ".npy":
        return _add_volume(inspection, path)
    if path.is_dir():
        raise TapscanError(file_name(path), "is a folder", f"name the files in it, such as {path / '*.wav'}")
    remedy = "give .wav, .flac or phone recordings, .csv traces, or a .npy volume"
    raise TapscanError(file_name(path), f"is of no kind that is known here ({end or 'no ending'})", remedy)


def loss_note(path: Path, recording: Recording) -> str:
    """Say that a recording was compressed with loss, and above which frequency it is empty."""
    what = (
        f"was compressed with loss ({recording.codec}), which alters spectra; it is empty above "
        f"{recording.empty_above_hz / 1000:.1f} kHz"
    )
    return sentence(file_name(path), what, "record as WAV where the recorder can")


def _add_recording(
    inspection: Inspection, shelf: TapShelf, path: Path, notes: list[str]
) -> tuple[Path, bool]:
    point = _planned_point(inspection.plan, path, "or give --zone when it walks along the grid")
    recording = read_recording(path)
    if recording.codec:
        notes.append(loss_note(path, recording))
    for there in shelf.files(point):
        if _same(path, there):
            return there, False
    repeated = repeated_in(path.read_bytes(), shelf.files(point)) if shelf.files(point) else None
    if repeated is not None:
        what = f"holds a strike that is there already, in {file_name(repeated)}"
        raise TapscanError(file_name(path), what, "leave it out, or move that recording away first")
    target = shelf.next_name(point, path.suffix.lower())
    _copy(path, target)
    shelf.put(point, target)
    return target, True


def _add_trace(inspection: Inspection, path: Path) -> tuple[Path, bool]:
    where = file_name(path)
    point = _planned_point(inspection.plan, path, "for the point it was taken at")
    read_trace(path)
    folder = inspection.folder / ASCANS
    volume = _named(folder, ".npy", lambda there: there.stem.upper() == point.zone)
    if volume is not None:
        what = f"zone {point.zone} has a volume already, {file_name(volume)}"
        raise TapscanError(where, what, "move the volume away, or leave the trace out")
    is_there = _named(folder, ".csv", lambda there: _point_of(there) == point)
    return _copy_alone(path, folder / f"{point}.csv", is_there, "trace")


def _add_volume(inspection: Inspection, path: Path) -> tuple[Path, bool]:
    where, code = file_name(path), path.stem.upper()
    zones = {zone.code: zone for zone in inspection.plan.zones}
    if code not in zones:
        close = nearest(code, zones)
        remedy = f"name it {close or next(iter(zones))}.npy, for the zone it covers"
        raise TapscanError(where, f"the plan has no zone {code}", remedy)
    open_volume(path, zones[code])
    folder = inspection.folder / ASCANS
    trace = _named(folder, ".csv", lambda there: (_point_of(there) or _NOWHERE).zone == code)
    if trace is not None:
        what = f"zone {code} has single traces already, such as {file_name(trace)}"
        raise TapscanError(where, what, "move the traces away, or leave the volume out")
    is_there = _named(folder, ".npy", lambda there: there.stem.upper() == code)
    return _copy_alone(path, folder / f"{code}.npy", is_there, "volume")


_NOWHERE = Point("", 0, 0)


def _planned_point(plan: Plan, path: Path, otherwise: str) -> Point:
    named = named_point(path)
    if named is None:
        what = "its name is not that of a point"
        raise TapscanError(file_name(path), what, f"name it like BM-07-05{path.suffix.lower()}, {otherwise}")
    fault = objection(plan, named[0])
    if fault is not None:
        raise TapscanError(file_name(path), *fault)
    return named[0]


def _point_of(path: Path) -> Point | None:
    named = named_point(path)
    return named[0] if named is not None else None


def _named(folder: Path, end: str, is_it: Callable[[Path], bool]) -> Path | None:
    """Find the first file of this ending that is the one requested, whatever the case of its name."""
    if not folder.is_dir():
        return None
    paths = sorted(path for path in folder.iterdir() if path.suffix.lower() == end)
    return next((path for path in paths if is_it(path)), None)


def _copy_alone(path: Path, target: Path, is_there: Path | None, kind: str) -> tuple[Path, bool]:
    """Copy what there can be only one of; the very same bytes are no second one."""
    if is_there is not None and _same(path, is_there):
        return is_there, False
    if is_there is not None:
        what = f"there is another {kind} already, {file_name(is_there)}"
        raise TapscanError(file_name(path), what, "move that one away to replace it, or leave this one out")
    _copy(path, target)
    return target, True


def _same(path: Path, there: Path) -> bool:
    try:
        return filecmp.cmp(path, there, shallow=False)
    except OSError:  # the one that is there cannot be read, so nothing says that it is the same
        return False


def _copy(path: Path, target: Path) -> None:
    try:
        copy_new(path, target)
    except OSError as error:
        raise as_tapscan_error(target, error) from None


def as_tapscan_error(target: Path, error: OSError) -> TapscanError:
    """Say in the user's words why a reading could not be written."""
    if isinstance(error, FileExistsError):
        return TapscanError(file_name(target), "appeared while it was being written", "run the command again")
    reason = error.strerror or type(error).__name__
    return TapscanError(
        file_name(target), f"cannot be written: {reason}", "make room, or check its permissions"
    )
