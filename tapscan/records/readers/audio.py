"""WAV and FLAC recordings of any rate, depth and channel count.

Of several channels in a recording, the one in which most happens is used: the largest variance over its
 finite samples (the variance, so that a dead input with an offset does not win); of equals, the first.
Channels are never mixed: two microphones hear a tap at different times, and their sum cancels notes.
"""

import re
import struct
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from tapscan.errors import TapscanError
from tapscan.records.readers.readings import Recording, file_name

__all__ = [
    "ENDS",
    "MAX_POINT_S",
    "MAX_WALK_S",
    "NAME",
    "AudioFacts",
    "blocks",
    "loss_comment",
    "loudest_channel",
    "most_varied_channel",
    "read",
    "read_channel",
    "sniff",
    "sound_facts",
]

ENDS = (".wav", ".flac")
NAME = "WAV/FLAC recording"

# A point takes seconds, a whole part well under two hours; what claims more is damaged or the wrong file.
MAX_POINT_S = 600.0
MAX_WALK_S = 7200.0
MIN_RATE_HZ, MAX_RATE_HZ = 1_000, 10_000_000
# Lossless, or (µ-law, A-law) as faithful as 8-bit PCM. Anything else throws away what the ear would not miss.
FAITHFUL = {"PCM_S8", "PCM_U8", "PCM_16", "PCM_24", "PCM_32", "FLOAT", "DOUBLE", "ULAW", "ALAW"}
MAX_FRAMES = 2**29  # 2 GB as float32; two hours at 48 kHz are 0.35e9 frames
MOST_CLAIMED = 2**48  # the decoder's stand-in for an unknown length is above this
BLOCK_VALUES = 2**20
_LOST = re.compile(r"decoded from ([A-Za-z0-9_]{1,20}), empty above ([0-9]{1,7}) Hz")
RE_RECORD = "record it again, or open it in an audio editor and save it as WAV"


@dataclass(frozen=True, slots=True)
class AudioFacts:
    """What a recording's header says, checked against the file."""

    frames: int
    sample_rate_hz: int
    channels: int
    subtype: str
    format: str

    @property
    def duration_s(self) -> float:
        """How long the recording lasts."""
        return self.frames / self.sample_rate_hz


def sniff(head: bytes) -> str | None:
    """Say why these first bytes are not a WAV or FLAC file; None when they are."""
    if head.startswith(b"fLaC") or (head[:4] in (b"RIFF", b"RIFX", b"RF64") and head[8:12] == b"WAVE"):
        return None
    if head[:4] in (b"RIFF", b"RIFX", b"RF64"):
        return "is a RIFF file that holds no sound" if len(head) >= 12 else "breaks off inside its header"
    if head and not any(byte < 9 or 13 < byte < 32 for byte in head):
        return "is a text file, whatever its name says"
    return "begins with neither RIFF…WAVE nor fLaC"


def sound_facts(path: Path, max_duration_s: float) -> AudioFacts:
    """Read a recording's header and check what it claims before any memory is taken.

    Raises
    ------
    TapscanError
        When it cannot be decoded, is empty, cut short, compressed with loss, or longer than `max_duration_s`.
    """
    import soundfile

    where = file_name(path)
    try:
        info = soundfile.info(str(path))
    except (soundfile.LibsndfileError, OSError) as error:
        raise _undecodable(path, error) from None
    facts = AudioFacts(info.frames, info.samplerate, info.channels, info.subtype, info.format)
    if facts.subtype not in FAITHFUL:
        raise TapscanError(
            where,
            f"is compressed with loss ({facts.subtype}), which alters spectra",
            "record as PCM WAV or FLAC",
        )
    if not MIN_RATE_HZ <= facts.sample_rate_hz <= MAX_RATE_HZ:
        what = f"its header claims {facts.sample_rate_hz:,} samples a second, which no recorder of taps makes"
        raise TapscanError(where, what, RE_RECORD)
    _check_whole(path)
    if facts.frames <= 0:
        raise TapscanError(where, "holds a header and no sound", "record it again")
    if facts.frames > MOST_CLAIMED:
        raise TapscanError(where, "its header does not say how long it is", RE_RECORD)
    if facts.duration_s > max_duration_s or facts.frames > MAX_FRAMES:
        what = (
            f"lasts {facts.duration_s / 60:,.0f} minutes by its header, longer than {max_duration_s / 60:.0f}"
        )
        raise TapscanError(
            where, what, "cut it to its point, or bring a walked recording in with tapscan add --zone"
        )
    return facts


def read(path: Path) -> Recording:
    """Read one recording, at most `MAX_POINT_S` long.

    Raises
    ------
    TapscanError
        When the file is damaged, holds no sound or is far too long for one point.
    """
    facts = sound_facts(path, MAX_POINT_S)
    recording = read_channel(path, facts)
    lost = _loss_before(path) if facts.format == "FLAC" else None
    if lost is None:
        return recording
    return replace(recording, codec=lost[1], empty_above_hz=float(lost[2]))


def loss_comment(recording: Recording, origin: str) -> str:
    """Say in a file's comment what its sound was decoded from; `read` understands it."""
    return f"decoded from {recording.codec}, empty above {recording.empty_above_hz:.0f} Hz: {origin}"


def _loss_before(path: Path) -> "re.Match[str] | None":
    """Read a comment that says what this lossless file's sound was decoded from; None when none does."""
    import soundfile

    with soundfile.SoundFile(str(path)) as file:
        return _LOST.match(file.comment)


def read_channel(path: Path, facts: AudioFacts) -> Recording:
    """Read the one channel of a recording in which most happens.

    Raises
    ------
    TapscanError
        When the file breaks off before its header says it does.
    """
    if facts.frames * facts.channels <= BLOCK_VALUES:
        (block,) = blocks(path, facts, range(facts.channels))
        channel = most_varied_channel([block])
        samples = np.ascontiguousarray(block[:, channel])
    else:
        channel = loudest_channel(path, facts)
        samples = np.empty(facts.frames, dtype=np.float32)
        done = 0
        for block in blocks(path, facts, [channel]):
            samples[done : done + len(block)] = block[:, 0]
            done += len(block)
    samples.flags.writeable = False
    return Recording(samples, float(facts.sample_rate_hz), facts.channels, channel + 1)


def loudest_channel(path: Path, facts: AudioFacts) -> int:
    """Find the channel, counted from 0, with the largest variance over its finite samples."""
    if facts.channels == 1:
        return 0
    return most_varied_channel(blocks(path, facts, range(facts.channels)))


def blocks(path: Path, facts: AudioFacts, channels: Sequence[int]) -> Iterator[NDArray[np.float32]]:
    """Read a recording piece by piece, each (frames, len(channels)), never more than a few MB at once.

    Raises
    ------
    TapscanError
        When the file breaks off before its header says it does.
    """
    import soundfile

    taken = list(channels)
    step = max(1, BLOCK_VALUES // facts.channels)
    done = 0
    try:
        with soundfile.SoundFile(str(path)) as file:
            while done < facts.frames:
                block = file.read(min(step, facts.frames - done), dtype="float32", always_2d=True)
                if len(block) == 0:
                    break
                done += len(block)
                yield block[:, taken]
    except (soundfile.LibsndfileError, OSError) as error:
        raise _undecodable(path, error) from None
    if done < facts.frames:
        what = f"is cut short: it claims {facts.frames:,} samples and holds {done:,}"
        raise TapscanError(file_name(path), what, RE_RECORD)


def most_varied_channel(pieces: Iterable[NDArray[np.float32]]) -> int:
    """Find the channel, counted from 0, with the largest variance in pieces (samples, channels)."""
    count, total, squares = 0.0, 0.0, 0.0
    for piece in pieces:
        if piece.shape[1] == 1:
            return 0
        finite = np.isfinite(piece)
        values = np.where(finite, piece, 0).astype(np.float64)
        count = count + finite.sum(axis=0)
        total = total + values.sum(axis=0)
        squares = squares + (values**2).sum(axis=0)
    return int(np.argmax(squares - total**2 / np.maximum(count, 1)))


def _undecodable(path: Path, error: Exception) -> TapscanError:
    reason = getattr(error, "error_string", str(error)).removeprefix("Error : ").strip().rstrip(".")
    return TapscanError(file_name(path), f"cannot be decoded: {reason}", RE_RECORD)


def _check_whole(path: Path) -> None:
    """Hold the sizes that a WAV header claims against the file; the decoder would shorten them in silence.

    Layout from the WAVE chunk rules: four letters, a 32-bit size, the content padded to an even length. In
    RF64 (EBU Tech 3306) the size of the data is given as 64 bits in the first chunk. (From memory.)
    """
    end = path.stat().st_size
    with path.open("rb") as stream:
        kind = stream.read(12)[:4]
        if kind == b"fLaC":
            return
        order = ">" if kind == b"RIFX" else "<"
        long_size = None
        while len(head := stream.read(8)) == 8:
            name, size = struct.unpack(f"{order}4sI", head)
            if name == b"ds64":
                long_size = struct.unpack("<Q", stream.read(16)[8:])[0]
                stream.seek(-16, 1)
            if name == b"data":
                claimed = long_size if kind == b"RF64" and long_size is not None else size
                held = end - stream.tell()
                if claimed == 0 < held:
                    what = f"has an unfinished header: no sound claimed, and {held:,} bytes are there"
                    raise TapscanError(file_name(path), what, RE_RECORD)
                if claimed > held:
                    what = (
                        f"is cut short: its header claims {claimed:,} bytes of sound and {held:,} are there"
                    )
                    raise TapscanError(file_name(path), what, RE_RECORD)
                return
            stream.seek(size + size % 2, 1)
