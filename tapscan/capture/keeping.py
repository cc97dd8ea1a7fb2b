"""Every tap on disk before anybody hears of it, and what else a capture must remember.

Each tap is a file of its own: BM-07-05.wav, BM-07-05_2.wav, … No file that is there is ever opened again for
writing (a longer one takes its place in a single step), so nothing that happens to the program, the disk or
the power can harm a tap that was kept before. A file holds the samples as the source gave them, 32-bit float,
at the source's rate.

The folder ``capture/`` holds what is no reading: ``undone/`` with the taps that were taken back, and
``journal.jsonl``, one short JSON line for each point skipped or gone to. The taps show what is complete
themselves, so a lost journal loses no more than the skips.
"""

import contextlib
import io
import json
import os
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Any

from tapscan.errors import TapscanError
from tapscan.plan import Point, parse_point
from tapscan.records.inspection import Inspection
from tapscan.records.readers import read_recording
from tapscan.records.readers.readings import file_name
from tapscan.records.taking.adding import TapShelf
from tapscan.records.writing import write_bytes, write_new
from tapscan.signals import find_taps

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

__all__ = ["CAPTURE", "Keeping", "usable_taps"]

CAPTURE, UNDONE, JOURNAL = "capture", "undone", "journal.jsonl"


class Keeping:
    """The taps and the journal of one inspection, held by one capture at a time.

    Raises
    ------
    TapscanError
        When the folder cannot be written, or another capture holds it.
    """

    def __init__(self, inspection: Inspection) -> None:
        # What hears and writes taps takes 20 ms and more to load: now, not between a tap and its cue.
        import scipy.io.wavfile
        import scipy.ndimage  # noqa: F401

        self._folder = inspection.folder
        self._shelf = TapShelf(inspection.folder)
        self._last: tuple[Path, os.stat_result] | None = None
        path = inspection.folder / CAPTURE / JOURNAL
        try:
            path.parent.mkdir(exist_ok=True)
            self._journal = path.open("a+b")
        except OSError as error:
            raise _unwritable(path, error) from None
        if not _hold(self._journal.fileno()):
            self._journal.close()
            what, remedy = "another capture is running on this inspection", "end that one first"
            raise TapscanError(str(inspection.folder), what, remedy)

    def close(self) -> None:
        """Let another capture take the folder."""
        self._journal.close()

    def entries(self) -> list[dict[str, Any]]:
        """Read the journal; a line that was cut off by a kill is left out."""
        self._journal.seek(0)
        entries = []
        for line in self._journal.read().splitlines():
            with contextlib.suppress(ValueError):
                entry = json.loads(line)
                if isinstance(entry, dict):
                    entries.append(entry)
        return entries

    def note(self, **entry: object) -> None:
        """Add a line to the journal and wait until it is on disk.

        Raises
        ------
        TapscanError
            When the disk is full or gone.
        """
        try:
            # The line end comes first, too: it closes a line that a kill cut off.
            self._journal.write(b"\n" + json.dumps(entry).encode() + b"\n")
            self._journal.flush()
            os.fsync(self._journal.fileno())
        except OSError as error:
            raise _unwritable(self._folder / CAPTURE / JOURNAL, error) from None

    def keep(self, point: Point, samples: "NDArray[np.float32]", sample_rate_hz: float) -> Path:
        """Write one tap, and give its path once it is safely on disk.

        Raises
        ------
        TapscanError
            When the disk is full or gone; what was kept before is untouched.
        """
        content = _wav_bytes(samples, sample_rate_hz)
        while True:
            path = self._shelf.next_name(point, ".wav")
            try:
                write_new(path, content)
                _settle(path.parent)
            except OSError as error:
                if path.exists():  # brought in by somebody else meanwhile
                    self._shelf = TapShelf(self._folder)
                    continue
                raise _unwritable(path, error) from None
            self._shelf.put(point, path)
            self._last = path, path.stat()
            return path

    def lengthen(self, samples: "NDArray[np.float32]", sample_rate_hz: float) -> None:
        """Put the whole sound of the tap kept last in the place of its beginning.

        A disk that does not take it leaves the beginning as it is, and refuses the next tap in words.
        Whatever somebody else put there meanwhile stays.
        """
        if self._last is None:
            return
        path, kept = self._last
        with contextlib.suppress(OSError):
            now = path.stat()
            if (now.st_ino, now.st_size, now.st_mtime_ns) == (kept.st_ino, kept.st_size, kept.st_mtime_ns):
                write_bytes(path, _wav_bytes(samples, sample_rate_hz))

    def put_aside(self, point: Point, *, only_last: bool) -> None:
        """Move recordings of a point where no analysis looks for them; none is deleted.

        Raises
        ------
        TapscanError
            When the disk does not let itself be written.
        """
        self._shelf = TapShelf(self._folder)
        files = self._shelf.files(point)
        undone = self._folder / CAPTURE / UNDONE
        for path in files[-1:] if only_last else files:
            try:
                undone.mkdir(parents=True, exist_ok=True)
                number = 1
                while (target := undone / f"{path.stem}.{number}{path.suffix}").exists():
                    number += 1
                path.rename(target)
                _settle(path.parent)
            except OSError as error:
                raise _unwritable(path, error) from None
        self._shelf = TapShelf(self._folder)

    def count(
        self, points: tuple[Point, ...], progress: Callable[[int, int], None]
    ) -> dict[Point, list[int]]:
        """Count the usable taps in each recording of the points that have any."""
        counts = {}
        for done, point in enumerate(points):
            files = self._shelf.files(point)
            if files:
                progress(done, len(points))
                counts[point] = [usable_taps(path) for path in files]
        return counts


def usable_taps(path: Path) -> int:
    """Count the taps of a recording that an analysis would use; none in a file that cannot be read."""
    try:
        recording = read_recording(path)
    except TapscanError:
        return 0
    found = find_taps(recording.samples, recording.sample_rate_hz)
    return int((~(found.is_clipped | found.is_double | found.is_quiet)).sum())


def named(text: object) -> Point | None:
    """Read a point in a journal entry; None when it is none."""
    return parse_point(text) if isinstance(text, str) else None


def _wav_bytes(samples: "NDArray[np.float32]", sample_rate_hz: float) -> bytes:
    # The other writer at hand puts the time of day into files of this type.
    from scipy.io import wavfile

    content = io.BytesIO()
    wavfile.write(content, round(sample_rate_hz), samples)
    return content.getvalue()


def _settle(folder: Path) -> None:
    """Make a new name in a folder outlast a power cut, where the system knows how."""
    with contextlib.suppress(OSError):
        handle = os.open(folder, os.O_RDONLY)
        try:
            os.fsync(handle)
        finally:
            os.close(handle)


def _hold(handle: int) -> bool:
    """Lock the journal for as long as it is open; systems without such locks go without."""
    try:
        import fcntl
    except ImportError:
        return True
    try:
        fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except BlockingIOError:
        return False
    except OSError:  # a share that knows no locks
        return True
    return True


def _unwritable(path: Path, error: OSError) -> TapscanError:
    what = f"cannot be kept: {error.strerror}; everything before it is kept"
    remedy = "free some space or plug the disk in, and start the capture again: it goes on here"
    return TapscanError(file_name(path), what, remedy)
