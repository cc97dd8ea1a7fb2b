"""One file per format, one entry point per kind: exists? empty? then every reader looks at the first bytes.

A reader is a module with `NAME`, ``sniff(head)`` (None, or why the bytes are not its format), ``read(path)``
and, for recordings, `ENDS`, the ends of its files' names. To add a format, write the module and name it in
the table below.
"""

from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from types import ModuleType
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from tapscan.errors import TapscanError
from tapscan.records.readers import audio, phone, trace_csv, volume
from tapscan.records.readers.readings import Recording, Trace, file_name

if TYPE_CHECKING:
    from tapscan.plan import Zone

__all__ = [
    "RECORDING_ENDS",
    "Recording",
    "Trace",
    "file_name",
    "open_volume",
    "read_recording",
    "read_trace",
    "reader_for",
]

READERS: dict[str, tuple[ModuleType, ...]] = {
    "recording": (audio, phone),
    "volume": (volume,),
    "trace": (trace_csv,),
}
RECORDING_ENDS = tuple(end for reader in READERS["recording"] for end in reader.ENDS)
EXPECTED = {
    "recording": "put a WAV or FLAC recording there",
    "volume": "put a .npy array there",
    "trace": "put a CSV with a header line and time and amplitude columns there",
}
HEAD_BYTES = 4096


def read_recording(path: Path) -> Recording:
    """Read a recording of one or more taps: one channel, unscaled, at the file's own rate.

    Raises
    ------
    TapscanError
        When there is no such file, it is empty or damaged, or no reader takes it.

    Examples
    --------
    >>> recording = read_recording(Path("my-part/taps/BM-07-05.wav"))          # doctest: +SKIP
    >>> recording.samples.shape, recording.sample_rate_hz                      # doctest: +SKIP
    ((96000,), 48000.0)
    """
    reader = reader_for("recording", path)
    with _named(path):
        recording: Recording = reader.read(path)
    return recording


def read_trace(path: Path) -> Trace:
    """Read one A-scan with its own time base.

    Raises
    ------
    TapscanError
        When there is no such file, it is empty or damaged, its time base is uneven, or no reader takes it.

    Examples
    --------
    >>> trace = read_trace(Path("my-part/ascans/BM-07-05.csv"))                # doctest: +SKIP
    >>> trace.samples.shape, trace.sample_rate_hz, trace.unit                  # doctest: +SKIP
    ((512,), 100000000.0, 'V')
    """
    reader = reader_for("trace", path)
    with _named(path):
        trace: Trace = reader.read(path)
    return trace


def open_volume(path: Path, zone: "Zone") -> NDArray[np.number[Any]]:
    """Map a zone's A-scans, (stations, positions, samples), read-only and in the file's own dtype.

    Raises
    ------
    TapscanError
        When there is no such file, it is empty or damaged, does not fit the zone, or no reader takes it.

    Examples
    --------
    >>> open_volume(Path("my-part/ascans/BM.npy"), plan.zone("BM")).shape      # doctest: +SKIP
    (40, 12, 512)
    """
    reader = reader_for("volume", path)
    with _named(path):
        traces: NDArray[np.number[Any]] = reader.read(path, zone)
    return traces


def reader_for(kind: str, path: Path) -> ModuleType:
    """Find the reader that takes a file of this kind, a key of the table above, by its first bytes.

    Raises
    ------
    TapscanError
        When there is no such file, it is empty, or no reader takes it; every reader says why it declined.
    """
    head = _head(path)
    declined = []
    for reader in READERS[kind]:
        reason = reader.sniff(head)
        if reason is None:
            return reader
        declined.append(f"{reader.NAME}: {reason}")
    others = [other for name, readers in READERS.items() if name != kind for other in readers]
    likeness = next((other.NAME for other in others if other.sniff(head) is None), None)
    what = f"no reader of a {kind} takes it ({'; '.join(declined)})"
    if likeness is not None:
        what += f"; it looks like a {likeness}"
    raise TapscanError(file_name(path), what, EXPECTED[kind])


def _head(path: Path) -> bytes:
    """Read the first bytes of a regular file that is there and not empty."""
    where = file_name(path)
    with _named(path):
        if not path.exists():
            raise TapscanError(where, "does not exist", "check the name")
        if not path.is_file():
            raise TapscanError(where, "is not a file", "name a file, not a folder or a device")
        if path.stat().st_size == 0:
            raise TapscanError(where, "is empty (0 bytes)", "record or export it again")
        with path.open("rb") as stream:
            return stream.read(HEAD_BYTES)


@contextmanager
def _named(path: Path) -> Iterator[None]:
    """Turn what the system says of a file, now or when it vanishes half-way, into our sentence."""
    try:
        yield
    except OSError as error:
        reason = error.strerror or type(error).__name__
        raise TapscanError(file_name(path), f"cannot be read: {reason}", "check its permissions") from None
