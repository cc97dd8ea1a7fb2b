"""Simulated recordings as the files of an inspection folder."""

import io
import wave
from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from tapscan.errors import TapscanError
from tapscan.plan.points import point_name
from tapscan.plan.surfaces import walk

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from tapscan.plan.zones import Zone
    from tapscan.synth.ascans import AScanVolume
    from tapscan.synth.taps import TapRecordings

__all__ = ["PLAN_FILE", "ascan_files", "check_new", "tap_files", "wav_bytes", "write_inspection"]

PLAN_FILE = "inspection.toml"


def wav_bytes(samples: "NDArray[np.floating]", sample_rate_hz: float) -> bytes:
    """Encode one recording as a 16-bit mono WAV; what is beyond ±1 is clipped, as a recorder would.

    The header holds nothing but the format, so the same samples give the same bytes everywhere.

    Examples
    --------
    >>> len(wav_bytes(np.zeros(100), 48_000))
    244
    """
    integers = np.round(np.clip(np.asarray(samples, dtype=float), -1.0, 1.0) * 32767).astype("<i2")
    stream = io.BytesIO()
    with wave.open(stream, "wb") as file:
        file.setnchannels(1)
        file.setsampwidth(2)
        file.setframerate(round(sample_rate_hz))
        file.writeframes(integers.tobytes())
    return stream.getvalue()


def tap_files(zone: "Zone", recordings: "TapRecordings") -> dict[str, bytes]:
    """Encode the recordings of a zone, one file for every point that is not skipped, in walking order."""
    return {
        f"taps/{point_name(zone.code, station, position)}.wav": wav_bytes(
            recordings.samples[station - 1, position - 1], recordings.sample_rate_hz
        )
        for station, position in walk(zone)
    }


def ascan_files(zone: "Zone", volume: "AScanVolume") -> dict[str, bytes]:
    """Encode the A-scans of a zone as one ``.npy`` file of shape (stations, positions, samples), float32."""
    stream = io.BytesIO()
    np.save(stream, np.ascontiguousarray(volume.samples, dtype="<f4"), allow_pickle=False)
    return {f"ascans/{zone.code}.npy": stream.getvalue()}


def check_new(folder: Path) -> None:
    """Make sure that a folder is new or empty, before work is put into what shall go there.

    Raises
    ------
    TapscanError
        When it is a file, holds anything already, or may not be looked into.
    """
    try:
        is_file = folder.exists() and not folder.is_dir()
        is_used = folder.is_dir() and any(folder.iterdir())
    except OSError as error:
        raise _unwritable(folder, error) from None
    if is_file:
        raise TapscanError(str(folder), "is a file", "name a new or empty folder")
    if is_used:
        raise TapscanError(str(folder), "is not empty, nothing was written", "name a new or empty folder")


def _unwritable(folder: Path, error: OSError) -> TapscanError:
    what = f"cannot be written: {error.strerror}"
    return TapscanError(str(folder), what, "free some space, or name another folder")


def write_inspection(folder: Path, files: Mapping[str, bytes]) -> None:
    """Write files by their names below a folder that is new or empty.

    The plan is written last: a folder that was left half-written holds no plan and is no inspection.

    Raises
    ------
    TapscanError
        When the folder is a file or holds anything already, or cannot be written.
    """
    check_new(folder)
    try:
        for name in sorted(files, key=lambda each: (each == PLAN_FILE, each)):
            path = folder / name
            path.parent.mkdir(parents=True, exist_ok=True)
            path.write_bytes(files[name])
    except OSError as error:
        raise _unwritable(folder, error) from None
