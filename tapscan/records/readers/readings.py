"""What the readers hand back, and how files are named in what they say."""

import math
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

__all__ = ["Recording", "Trace", "file_name"]


@dataclass(frozen=True, slots=True, eq=False)
class Recording:
    """Sound at one point: one channel, as recorded, neither resampled nor rescaled.

    `samples` has shape (n,); full scale is 1.0 for integer files, and float files keep their values (which
    may go beyond 1.0 or be NaN). `channels` is how many the file holds, `channel` the one taken, from 1.
    `codec` names what compressed it with loss, '' when nothing did; above `empty_above_hz` it is then empty.
    """

    samples: NDArray[np.float32]
    sample_rate_hz: float
    channels: int
    channel: int = 1
    codec: str = ""
    empty_above_hz: float = math.inf


@dataclass(frozen=True, slots=True, eq=False)
class Trace:
    """One A-scan. `samples` has shape (n,), evenly spaced from `start_s` on; NaN means no value.

    `unit` is the amplitude's: "V" (mV and µV are brought to V), "%", the file's own word, or "" for none.
    """

    samples: NDArray[np.float64]
    sample_rate_hz: float
    start_s: float
    unit: str = ""


def file_name(path: Path) -> str:
    """Name a file as the user knows it: with the folder it is in, and fit for a terminal.

    A name may hold line ends, escape sequences or broken text; those are spelt out.

    Examples
    --------
    >>> file_name(Path("my-part/taps/BM-07-05.wav"))
    'taps/BM-07-05.wav'
    """
    is_near_root = path.is_absolute() and len(path.parts) <= 3
    name = str(path) if is_near_root else "/".join(path.parts[-2:])
    return name if name.isprintable() else name.encode("unicode_escape", "surrogatepass").decode("ascii")
