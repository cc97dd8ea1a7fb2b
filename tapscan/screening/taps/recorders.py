"""Which recorders a zone's taps come from, and up to which frequency what they wrote can be compared."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from tapscan.errors import sentence
from tapscan.plan import Zone
from tapscan.records.readers import Recording
from tapscan.records.readers.phone import ROUNDING_POWER
from tapscan.signals.taps.bands import BAND_EDGES_HZ

__all__ = ["Recorder", "limit_hz", "over_rounding", "recorder_of", "recorder_remarks"]

Floats = NDArray[np.float64]
# For each recorder, in the order in which they turn up, the frequency above which each of its files is empty.
Limits = Mapping["Recorder", Sequence[float]]


@dataclass(frozen=True, slots=True)
class Recorder:
    """What wrote a file, as far as the file shows it: `codec` is '' where nothing was lost."""

    codec: str
    sample_rate_hz: float

    def __str__(self) -> str:
        """Name it in words."""
        return f"{self.codec or 'lossless'} at {self.sample_rate_hz:,.0f} Hz"


def recorder_of(recording: Recording) -> Recorder:
    """Name the recorder of a file."""
    return Recorder(recording.codec, recording.sample_rate_hz)


def limit_hz(empty_above_hz: Sequence[float]) -> float:
    """Give the frequency above which a recorder writes nothing, from those of its files.

    The median: how far up an encoder goes varies a little with the sound, and one dull tap must not take the
    bands of all others away.
    """
    return float(np.median(empty_above_hz))


def over_rounding(room: Floats, recorder: Recorder) -> Floats:
    """Raise the room's power in bands, (bands,), to the rounding noise that every recorder has.

    What compresses with loss writes nothing at all where it expects the ear to hear nothing. That is no
    silent room: the level there is not known any better than the rounding of 16 bits allows.
    """
    if not recorder.codec:
        return room
    share = np.diff(BAND_EDGES_HZ) / (recorder.sample_rate_hz / 2)
    return np.asarray(np.fmax(room, ROUNDING_POWER * share))


def recorder_remarks(zone: Zone, limits: Limits) -> list[str]:
    """State once what loss does to a zone's recordings, and that they come from different recorders."""
    where, remarks = f"zone {zone.code}: recordings", []
    for recorder, empty_above_hz in limits.items():
        if recorder.codec:
            files = f"{len(empty_above_hz):,} {'file' if len(empty_above_hz) == 1 else 'files'}"
            what = (
                f"compressed with loss ({recorder.codec}, {files}), which alters spectra; empty above "
                f"{limit_hz(empty_above_hz) / 1000:.1f} kHz, and bands above that are left out"
            )
            remarks.append(sentence(where, what, "record as WAV where the recorder can"))
    if len(limits) > 1:
        what = f"from different recorders ({', '.join(map(str, limits))}), which may sound like damage"
        remarks.append(sentence(where, what, "record a zone with one recorder"))
    return remarks
