"""Where the sound comes from: a sound card, or a recording that is played as if it were one.

A source has a `name`, a `sample_rate_hz` and `blocks()`. The sound library is imported only where a sound
card is used; without one everything else works.
"""

import atexit
import queue
import threading
import time
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from types import ModuleType, TracebackType
from typing import TYPE_CHECKING, Any, Protocol, Self

from tapscan.capture.sound.counting import Count, count_block
from tapscan.errors import TapscanError, nearest, sentence
from tapscan.records.readers import audio, reader_for
from tapscan.records.readers.readings import file_name

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

__all__ = [
    "Block",
    "Device",
    "FileSource",
    "SoundCard",
    "Source",
    "choose",
    "input_devices",
    "let_go",
    "sound_library",
]

BLOCK_S = 0.005
LEAST_RATE_HZ, MOST_RATE_HZ = 8_000, 768_000  # what sound cards of today deliver
WAIT_S = 3.0  # a sound card that gives nothing for so long is gone
MOST_WAITING_S = 20.0
LET_GO_S = 2.0  # what a device that answers takes to close is far less
INSTEAD = "or record on a recorder and bring the file in with: tapscan add DIR FILE --zone CODE"


@dataclass(frozen=True, slots=True, eq=False)
class Block:
    """Some samples, (samples,) float32 mono. `is_broken` when some were lost just before them.

    `warning` is a sentence for the person, mostly empty.
    """

    samples: "NDArray[np.float32]"
    is_broken: bool = False
    warning: str = ""


class Source(Protocol):
    """What a capture listens to."""

    @property
    def name(self) -> str:
        """What it is, for the person and the journal."""
        ...

    @property
    def sample_rate_hz(self) -> float:
        """Samples per second, as the source has it."""
        ...

    def blocks(self) -> Iterator[Block]:
        """Give the sound piece by piece, as it comes.

        Raises
        ------
        TapscanError
            When the source is lost.
        """
        ...


class FileSource:
    """A recording of any length, from its beginning, as fast as it is taken.

    Raises
    ------
    TapscanError
        When it cannot be read.
    """

    def __init__(self, path: Path) -> None:
        if reader_for("recording", path) is not audio:
            what, remedy = "was compressed with loss", "play a WAV or FLAC recording"
            raise TapscanError(file_name(path), what, remedy)
        self._path = path
        self._facts = audio.sound_facts(path, audio.MAX_WALK_S)
        self._channel = audio.loudest_channel(path, self._facts)
        self.name = file_name(path)
        self.sample_rate_hz = float(self._facts.sample_rate_hz)

    def blocks(self) -> Iterator[Block]:
        """Give the recording in blocks such as a sound card gives."""
        step = max(1, round(BLOCK_S * self.sample_rate_hz))
        for piece in audio.blocks(self._path, self._facts, [self._channel]):
            for begin in range(0, len(piece), step):
                yield Block(piece[begin : begin + step, 0])


@dataclass(frozen=True, slots=True)
class Device:
    """An input of the computer, with the number and the name by which it can be chosen."""

    number: int
    name: str
    channels: int
    sample_rate_hz: float
    is_default: bool


class SoundCard:
    """An input of the computer, open as long as the `with` block lasts.

    Parameters
    ----------
    device
        Which input; see `choose`.
    sample_rate_hz
        The rate to ask for; the device's own when None.
    channel
        Which of the device's channels, from 1.

    Raises
    ------
    TapscanError
        When there is no sound library, or the device does not open like this.
    """

    def __init__(self, device: Device, sample_rate_hz: float | None = None, channel: int = 1) -> None:
        if not 1 <= channel <= device.channels:
            what = f"has no channel {channel}"
            raise TapscanError(device.name, what, f"its channels run from 1 to {device.channels}")
        if sample_rate_hz is not None and not MOST_RATE_HZ >= sample_rate_hz >= LEAST_RATE_HZ:
            what = f"is no rate that a sound card has: {sample_rate_hz:g} samples a second"
            raise TapscanError("--rate", what, "give 44100 or 48000, or leave it out")  # noqa: EM101
        self.name = device.name
        self.sample_rate_hz = float(sample_rate_hz or device.sample_rate_hz)
        self._channel = channel - 1
        size = max(2, round(MOST_WAITING_S / BLOCK_S))
        self._waiting: queue.Queue[tuple[NDArray[np.float32], bool]] = queue.Queue(size)
        self._missed = False
        library = sound_library()
        try:
            self._stream = library.InputStream(
                device=device.number,
                samplerate=self.sample_rate_hz,
                channels=channel,
                dtype="float32",
                blocksize=round(BLOCK_S * self.sample_rate_hz),
                latency="low",
                callback=self._hear,
            )
            self._stream.start()
        except (library.PortAudioError, ValueError) as error:
            raise _does_not_open(self, error) from None

    def blocks(self) -> Iterator[Block]:
        """Give what the device hears, and say when samples were lost."""
        count: Count | None = None
        while True:
            try:
                samples, is_broken = self._waiting.get(timeout=WAIT_S)
            except queue.Empty:
                what = f"has given no sound for {WAIT_S:.0f} seconds; every tap reported is kept"
                raise TapscanError(self.name, what, "plug it in again and start the capture again") from None
            if count is None:
                count = Count(self.sample_rate_hz, began_s=time.monotonic())
            count, lost = count_block(count, len(samples), time.monotonic())
            yield Block(samples, is_broken, self._warning(lost, is_broken=is_broken))

    def close(self) -> None:
        """Let the device go."""
        let_go(self._stream)

    def __enter__(self) -> Self:
        """Listen."""
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        """Let the device go."""
        self.close()

    def _hear(self, data: "NDArray[np.float32]", _frames: int, _times: object, status: Any) -> None:
        """Take a block over from the sound library's own thread."""
        is_broken = bool(status.input_overflow) or self._missed
        try:
            self._waiting.put_nowait((data[:, self._channel].copy(), is_broken))
            self._missed = False
        except queue.Full:
            self._missed = True

    def _warning(self, lost: float, *, is_broken: bool) -> str:
        remedy = "close other programs; taps beside a gap may sound wrong, so repeat what sounded odd"
        if lost:
            return sentence(self.name, f"lost {lost:.1%} of its samples in the last seconds", remedy)
        return sentence(self.name, "a moment of sound was lost", remedy) if is_broken else ""


def input_devices() -> tuple[Device, ...]:
    """List what the computer can record from.

    Raises
    ------
    TapscanError
        When there is no sound library, or it finds no device.
    """
    library = sound_library()
    try:
        found = list(library.query_devices())
        default = library.default.device[0]
    except library.PortAudioError as error:
        raise _no_device(error) from None
    devices = tuple(
        Device(
            number,
            one["name"],
            one["max_input_channels"],
            float(one["default_samplerate"]),
            number == default,
        )
        for number, one in enumerate(found)
        if one["max_input_channels"] > 0
    )
    if not devices:
        raise _no_device(None)
    return devices


def choose(devices: tuple[Device, ...], wanted: str | None) -> Device:
    """Pick a device by its number or part of its name; the computer's own choice when None.

    Raises
    ------
    TapscanError
        When no device or more than one fits.

    Examples
    --------
    >>> one = Device(0, "Built-in microphone", 1, 44_100.0, False)
    >>> two = Device(3, "USB interface", 2, 48_000.0, True)
    >>> choose((one, two), None).name, choose((one, two), "built").number, choose((one, two), "3").name
    ('USB interface', 0, 'USB interface')
    """
    if wanted is None:
        return next((device for device in devices if device.is_default), devices[0])
    option = f"--device {wanted}"
    fitting = [device for device in devices if wanted == str(device.number) or wanted == device.name]
    fitting = fitting or [device for device in devices if wanted.casefold() in device.name.casefold()]
    if len(fitting) == 1:
        return fitting[0]
    if fitting:
        what = f"fits {len(fitting)} devices: {', '.join(f'{one.number} {one.name}' for one in fitting)}"
        raise TapscanError(option, what, "give the number of one of them")
    close = nearest(wanted, [device.name for device in devices])
    remedy = f"did you mean {close}?" if close else "list them with: tapscan capture --devices"
    raise TapscanError(option, "fits no device to record from", remedy)


def sound_library() -> ModuleType:
    """Import the sound library.

    Raises
    ------
    TapscanError
        When it, or the PortAudio library below it, is not installed.
    """
    try:
        import sounddevice
    except ImportError:
        what = "recording needs the Python package sounddevice, which is not installed"
        raise TapscanError("capture", what, "run: pip install 'tapscan[capture]'") from None  # noqa: EM101
    except OSError:
        what = "recording needs the PortAudio library, which is not installed"
        remedy = f"on Debian run: sudo apt install libportaudio2; {INSTEAD}"
        raise TapscanError("capture", what, remedy) from None  # noqa: EM101
    module: ModuleType = sounddevice
    return module


def let_go(stream: Any) -> None:
    """Close a stream of the sound library, but do not wait for ever for a device that answers no more."""
    closing = threading.Thread(target=stream.close, daemon=True)
    closing.start()
    try:
        closing.join(LET_GO_S)
    finally:  # Ctrl-C while waiting, too
        if closing.is_alive():
            # The library would close what is left once more at the end of the program, and wait there.
            atexit.unregister(getattr(sound_library(), "_exit_handler", None))  # type: ignore[arg-type]


def _no_device(error: Exception | None) -> TapscanError:
    what = "there is no device to record from" + ("" if error is None else f": {_reason(error)}")
    return TapscanError("capture", what, f"plug a microphone or an interface in; {INSTEAD}")


def _does_not_open(card: SoundCard, error: Exception) -> TapscanError:
    what = f"does not open at {card.sample_rate_hz:,.0f} samples a second: {_reason(error)}"
    return TapscanError(
        card.name, what, "close what else uses it, choose another --device, or another --rate"
    )


def _reason(error: Exception) -> str:
    text = str(error.args[0]) if error.args else str(error)
    return text.removeprefix("Error opening InputStream: ").strip().rstrip(".")
