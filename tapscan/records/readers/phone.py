"""Recordings as phones write them: AAC, MP3, Opus or Vorbis in their usual files, and the sound of a video.

Such a recording was compressed with loss: what the ear would miss is left out, and above some frequency there
is nothing. That frequency is measured on the file itself. Files with lossless sound inside (ALAC, FLAC, PCM)
are read, too, and count as lossless.

Only the sound is decoded, from the container that the first bytes name, and no more of it than a recording
may hold: neither pictures nor other files that a container refers to are opened.
"""

from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from tapscan.errors import TapscanError
from tapscan.records.readers.audio import (
    MAX_POINT_S,
    MAX_RATE_HZ,
    MIN_RATE_HZ,
    RE_RECORD,
    most_varied_channel,
)
from tapscan.records.readers.readings import Recording, file_name

if TYPE_CHECKING:
    from av.container import InputContainer

__all__ = ["ENDS", "NAME", "empty_above_hz", "read", "read_for", "sniff"]

NAME = "phone recording"
ENDS = (".m4a", ".mp4", ".mov", ".3gp", ".aac", ".mp3", ".ogg", ".opus")
MOST_CHANNELS = 8
# Codecs that give back every bit; the names are the library's.
LOSSLESS = {"alac", "flac", "wavpack", "tta"}
CODEC_NAMES = {"aac": "AAC", "mp3": "MP3", "opus": "Opus", "vorbis": "Vorbis", "amrnb": "AMR", "amrwb": "AMR"}
# An encoder adds and drops up to some frames at both ends; what is shorter by more was cut short.
ENDS_SLACK_S = 0.25
FRAME_S = 0.02  # of the spectrum in which a gap is looked for: several blocks of any codec
# Rounding to 16 bits spreads this power evenly over all frequencies up to half the rate (Bennett, Bell System
# Tech. J. 27, 1948, 446-472): where there is less, even in the loudest moment, nothing was recorded.
ROUNDING_POWER = (2.0**-15) ** 2 / 12


def sniff(head: bytes) -> str | None:
    """Say why these first bytes are not those of a phone's recording; None when they are."""
    return None if _container(head) else "is no MP4, 3GP, QuickTime, AAC, MP3 or Ogg file"


def _container(head: bytes) -> str:
    """Name the container that the first bytes show, as the library calls it; '' for none."""
    if head[4:8] in {b"ftyp", b"moov", b"mdat", b"wide"}:
        return "mov"
    if head.startswith(b"OggS"):
        return "ogg"
    if head.startswith(b"ID3"):
        return "mp3"
    if len(head) > 1 and head[0] == 0xFF and head[1] & 0xE0 == 0xE0:
        # A frame's sync word: layer 0 is AAC, the others are those of MPEG audio.
        return "aac" if head[1] & 0x06 == 0 else "mp3"
    return ""


def read(path: Path) -> Recording:
    """Read one recording, at most `MAX_POINT_S` long.

    Raises
    ------
    TapscanError
        When the library is not installed, or the file is damaged, holds no sound or is far too long.
    """
    return read_for(path, MAX_POINT_S)


def read_for(path: Path, max_duration_s: float) -> Recording:
    """Read the one channel in which most happens of a recording that lasts at most so long.

    Raises
    ------
    TapscanError
        As `read` does.
    """
    with _open(path) as container:
        stream = container.streams.audio[0]
        rate_hz, channels = _checked(path, container, max_duration_s)
        codec = stream.codec_context.name
    most = int(max_duration_s * rate_hz)
    channel = 0
    if channels > 1:
        channel = most_varied_channel(_pieces(path, rate_hz, channels, most))
    kept = [piece[:, channel].copy() for piece in _pieces(path, rate_hz, channels, most)]
    samples = np.concatenate(kept) if kept else np.zeros(0, np.float32)
    if samples.size == 0:
        raise TapscanError(file_name(path), "holds a header and no sound", RE_RECORD)
    samples.flags.writeable = False
    if codec in LOSSLESS or codec.startswith("pcm_"):
        return Recording(samples, float(rate_hz), channels, channel + 1)
    name = next((name for key, name in CODEC_NAMES.items() if codec.startswith(key)), codec.upper())
    return Recording(
        samples, float(rate_hz), channels, channel + 1, name, empty_above_hz(samples, float(rate_hz))
    )


def empty_above_hz(samples: NDArray[np.floating], sample_rate_hz: float) -> float:
    """Measure the frequency above which a recording, (samples,) with full scale 1.0, is empty.

    Empty is what never, in no frame, holds more than the rounding noise of 16 bits.

    Examples
    --------
    >>> time_s = np.arange(48000) / 48000
    >>> round(empty_above_hz(0.1 * np.sin(2 * np.pi * 3000 * time_s), 48000.0), -2)
    3200.0
    """
    from scipy.signal import get_window

    frame = max(round(FRAME_S * sample_rate_hz), 2)
    padded = np.zeros(max(-(-samples.size // frame), 1) * frame)
    padded[: samples.size] = np.nan_to_num(samples)
    window = get_window("blackmanharris", frame)  # 92 dB over what leaks, nearly the range of 16 bits
    loudest = np.zeros(frame // 2 + 1)
    for begin in range(0, padded.size - frame + 1, max(frame // 2, 1)):
        spectrum = np.fft.rfft(padded[begin : begin + frame] * window)
        np.maximum(loudest, spectrum.real**2 + spectrum.imag**2, out=loudest)
    # White noise of this power has this mean in each bin of a windowed spectrum (Parseval).
    filled = np.flatnonzero(loudest > ROUNDING_POWER * float((window**2).sum()))
    highest = filled[-1] + 1 if filled.size else 0
    return min(float(highest) / frame, 0.5) * sample_rate_hz


@contextmanager
def _open(path: Path) -> Iterator["InputContainer"]:
    """Open the container that the first bytes name; every fault of the library becomes a sentence."""
    where = file_name(path)
    try:
        import av
    except ImportError:
        what = "is compressed with loss, and reading it needs PyAV, which is not installed"
        raise TapscanError(where, what, "run: pip install 'tapscan[phone]', or record as WAV") from None
    with path.open("rb") as file:
        head = file.read(16)
        file.seek(0)
        try:
            with av.open(file, "r", format=_container(head), metadata_errors="replace") as container:
                if not container.streams.audio:
                    raise TapscanError(where, "holds no sound", "record it again with the microphone on")
                yield container
        except (av.error.FFmpegError, ValueError, OverflowError, UnicodeError) as error:
            reason = getattr(error, "strerror", None) or str(error) or type(error).__name__
            what = f"is cut short or damaged: {reason[:1].lower()}{reason[1:]}"
            raise TapscanError(where, what, "copy it from the phone again, or record it again") from None


def _checked(path: Path, container: "InputContainer", max_duration_s: float) -> tuple[int, int]:
    """Check what the header claims before anything is decoded; return rate and number of channels."""
    where, stream = file_name(path), container.streams.audio[0]
    rate_hz, channels = int(stream.rate or 0), int(stream.channels or 0)
    if not (MIN_RATE_HZ <= rate_hz <= MAX_RATE_HZ and 1 <= channels <= MOST_CHANNELS):
        what = f"its header claims {rate_hz:,} samples a second in {channels} channels"
        raise TapscanError(where, what, RE_RECORD)
    claimed_s = _claimed_s(container)
    if claimed_s > max_duration_s:
        raise _too_long(path, claimed_s, max_duration_s)
    return rate_hz, channels


def _claimed_s(container: "InputContainer") -> float:
    stream = container.streams.audio[0]
    if stream.duration is not None and stream.time_base is not None:
        return float(stream.duration * stream.time_base)
    return (container.duration or 0) / 1e6


def _too_long(path: Path, lasts_s: float, most_s: float) -> TapscanError:
    what = f"lasts {lasts_s / 60:,.0f} minutes or more, longer than {most_s / 60:.0f}"
    remedy = "cut it to its point, or bring a walked recording in with tapscan add --zone"
    return TapscanError(file_name(path), what, remedy)


def _pieces(path: Path, rate_hz: int, channels: int, most: int) -> Iterator[NDArray[np.float32]]:
    """Decode piece by piece, (samples, channels) relative to full scale, and stop at what is too much."""
    import av

    done = 0
    with _open(path) as container:
        stream = container.streams.audio[0]
        claimed_s = _claimed_s(container)
        resampler = av.AudioResampler(format="fltp", layout=stream.layout, rate=rate_hz)
        for frame in container.decode(stream):
            if frame.sample_rate != rate_hz or len(frame.layout.channels) != channels:
                what = "changes its rate or its channels half-way"
                raise TapscanError(file_name(path), what, RE_RECORD)
            for plain in resampler.resample(frame):
                piece = _array(plain)
                done += len(piece)
                if done > most:
                    raise _too_long(path, done / rate_hz, most / rate_hz)
                yield piece
    if done / rate_hz < claimed_s - ENDS_SLACK_S:
        what = f"is cut short: it claims {claimed_s:.1f} s of sound and holds {done / rate_hz:.1f} s"
        raise TapscanError(file_name(path), what, "copy it from the phone again, or record it again")


def _array(frame: Any) -> NDArray[np.float32]:
    return np.asarray(frame.to_ndarray(), dtype=np.float32).T
