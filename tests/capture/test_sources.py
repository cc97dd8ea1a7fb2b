"""What a capture listens to: a recording, and a sound card whose library is played by a stand-in."""

import sys
import threading
from types import SimpleNamespace

import numpy as np
import pytest
import soundfile

from tapscan.capture.sound import sources
from tapscan.capture.sound.sources import (
    Device,
    FileSource,
    SoundCard,
    choose,
    input_devices,
    let_go,
    sound_library,
)
from tapscan.errors import TapscanError

RATE = 8000
CARD = Device(3, "USB interface", 2, float(RATE), is_default=True)
MICROPHONE = Device(0, "Built-in microphone", 1, 44_100.0, is_default=False)


class Library:
    """A sound library whose devices and streams a test decides on."""

    class PortAudioError(Exception):
        """What the library raises."""

    def __init__(self, devices=(), fault=None):
        self.default = SimpleNamespace(device=(1, 0))
        self.fault, self._devices, self.stream = fault, devices, None

    def query_devices(self):
        if self.fault:
            raise self.fault
        return self._devices

    def InputStream(self, **how):  # noqa: N802 - the library's own name
        if self.fault:
            raise self.fault
        self.stream = SimpleNamespace(how=how, is_open=False, start=self.start, close=self.close)
        return self.stream

    def start(self):
        self.stream.is_open = True

    def close(self):
        self.stream.is_open = False

    def give(self, block, *, overflow=False):
        self.stream.how["callback"](block, len(block), None, SimpleNamespace(input_overflow=overflow))


@pytest.fixture
def library(monkeypatch):
    one = Library()
    monkeypatch.setattr(sources, "sound_library", lambda: one)
    return one


def raw(name, inputs, rate_hz):
    return {"name": name, "max_input_channels": inputs, "default_samplerate": rate_hz}


def test_a_recording_comes_in_blocks_sample_for_sample_from_its_loudest_channel(tmp_path):
    rng = np.random.default_rng(0)
    sound = np.stack([1e-3 * rng.standard_normal(RATE), 0.3 * rng.standard_normal(RATE)], axis=1)
    path = tmp_path / "walk.wav"
    soundfile.write(path, sound.astype(np.float32), RATE, subtype="FLOAT")
    source = FileSource(path)
    blocks = list(source.blocks())
    assert source.sample_rate_hz == RATE
    assert {block.samples.size for block in blocks} == {40}
    assert not any(block.is_broken or block.warning for block in blocks)
    np.testing.assert_array_equal(
        np.concatenate([block.samples for block in blocks]), sound[:, 1].astype(np.float32)
    )


def test_what_is_no_recording_is_one_sentence(tmp_path):
    (tmp_path / "walk.wav").write_bytes(b"RIFF")
    with pytest.raises(TapscanError, match=r"walk\.wav"):
        FileSource(tmp_path / "walk.wav")


def test_only_what_can_be_recorded_from_is_listed(library):
    library._devices = [
        raw("Loudspeaker", 0, 48_000.0),
        raw("USB interface", 2, 48_000.0),
        raw("Mic", 1, 44_100.0),
    ]
    assert input_devices() == (
        Device(1, "USB interface", 2, 48_000.0, is_default=True),
        Device(2, "Mic", 1, 44_100.0, is_default=False),
    )


@pytest.mark.parametrize("fault", [None, Library.PortAudioError("Error querying device -1")])
def test_no_device_is_one_sentence_with_the_way_out(library, fault):
    library.fault = fault
    with pytest.raises(
        TapscanError, match=r"^capture: there is no device .*\(plug a microphone .* tapscan add DIR FILE"
    ):
        input_devices()


def test_a_device_is_chosen_by_its_number_or_part_of_its_name():
    devices = (MICROPHONE, CARD)
    assert [choose(devices, wanted) for wanted in (None, "0", "usb", "USB interface")] == [
        *[CARD, MICROPHONE, CARD, CARD]
    ]
    with pytest.raises(TapscanError, match=r"^--device i: fits 2 devices: 0 Built-in microphone, 3 USB"):
        choose(devices, "i")
    with pytest.raises(TapscanError, match=r"fits no device to record from \(did you mean USB interface\?\)"):
        choose(devices, "USB interfade")
    with pytest.raises(TapscanError, match=r"\(list them with: tapscan capture --devices\)"):
        choose(devices, "zzz")


def test_the_chosen_channel_is_heard_and_the_card_let_go(library):
    with SoundCard(CARD, channel=2) as card:
        assert library.stream.is_open
        assert {name: library.stream.how[name] for name in ("device", "samplerate", "channels")} == {
            "device": 3,
            "samplerate": RATE,
            "channels": 2,
        }
        block = np.arange(160, dtype=np.float32).reshape(80, 2)
        library.give(block)
        block[:] = 0  # the library uses its memory again
        np.testing.assert_array_equal(next(card.blocks()).samples, np.arange(1, 160, 2))
    assert not library.stream.is_open
    with pytest.raises(
        TapscanError, match=r"^USB interface: has no channel 3 \(its channels run from 1 to 2\)"
    ):
        SoundCard(CARD, channel=3)


def test_samples_lost_by_the_card_or_for_want_of_room_are_reported_beside_the_gap(library, monkeypatch):
    monkeypatch.setattr(sources, "MOST_WAITING_S", 0.01)
    silence = np.zeros((80, 1), dtype=np.float32)
    with SoundCard(CARD) as card:
        blocks = card.blocks()
        library.give(silence)
        library.give(silence, overflow=True)
        assert not next(blocks).is_broken
        broken = next(blocks)
        assert broken.is_broken
        assert broken.warning.startswith("USB interface: a moment of sound was lost (close other programs;")
        for _ in range(3):  # two wait, the third finds no room
            library.give(silence)
        assert [next(blocks).is_broken for _ in range(2)] == [False, False]
        library.give(silence)
        library.give(silence)
        assert [next(blocks).is_broken for _ in range(2)] == [True, False]


def test_samples_lost_without_a_word_are_counted_against_the_clock(library, monkeypatch):
    now_s = [0.0]
    monkeypatch.setattr(sources, "time", SimpleNamespace(monotonic=lambda: now_s[0]))
    with SoundCard(CARD) as card:
        blocks = card.blocks()

        def warnings(samples):
            seen = set()
            for _ in range(12):
                now_s[0] += 1.0
                library.give(np.zeros((samples, 1), dtype=np.float32))
                seen.add(next(blocks).warning)
            return seen - {""}

        assert warnings(RATE) == set()
        seen = warnings(RATE * 4 // 5)
    assert any(text.startswith("USB interface: lost 20.0% of its samples in the last") for text in seen)


@pytest.mark.usefixtures("library")
def test_a_card_that_falls_silent_is_lost_and_says_so(monkeypatch):
    monkeypatch.setattr(sources, "WAIT_S", 0.05)
    with (
        SoundCard(CARD) as card,
        pytest.raises(TapscanError, match=r"has given no sound for .* every tap .* is kept \(plug it in"),
    ):
        next(card.blocks())


@pytest.mark.parametrize(
    "fault",
    [Library.PortAudioError("Error opening InputStream: Device unavailable", -9985), ValueError("no")],
)
def test_a_card_that_does_not_open_is_one_sentence(library, fault):
    library.fault = fault
    reason = "no" if isinstance(fault, ValueError) else "Device unavailable"
    sentence = (
        rf"^USB interface: does not open at 96,000 samples a second: {reason} \(close what else uses it, "
    )
    with pytest.raises(TapscanError, match=sentence):
        SoundCard(CARD, 96_000)


def test_without_the_package_its_install_command_is_reported(monkeypatch):
    monkeypatch.setitem(sys.modules, "sounddevice", None)
    with pytest.raises(TapscanError, match=r"sounddevice, .* \(run: pip install 'tapscan\[capture\]'\)"):
        sound_library()


def test_without_portaudio_the_way_out_is_reported(monkeypatch, tmp_path):
    # The package is there, and looks in vain for the library below it.
    (tmp_path / "sounddevice.py").write_text("raise OSError('PortAudio library not found')\n")
    monkeypatch.syspath_prepend(tmp_path)
    monkeypatch.delitem(sys.modules, "sounddevice", raising=False)
    with pytest.raises(
        TapscanError, match=r"PortAudio library, .*libportaudio2; or record on a recorder .* tapscan add DIR"
    ):
        sound_library()


@pytest.mark.usefixtures("library")
@pytest.mark.parametrize("rate_hz", [float("inf"), float("nan"), 0.0, -5.0])
def test_a_rate_that_no_card_has_is_reported(rate_hz):
    with pytest.raises(TapscanError, match=r"--rate: is no rate that a sound card has"):
        SoundCard(CARD, rate_hz)


@pytest.mark.parametrize("answers", [True, False])
def test_a_device_that_answers_no_more_is_not_waited_for_now_or_at_the_end(monkeypatch, answers):
    at_the_end = []
    monkeypatch.setattr(sources, "LET_GO_S", 0.05)
    monkeypatch.setattr(sources, "sound_library", lambda: SimpleNamespace(_exit_handler="closes all"))
    monkeypatch.setattr(sources.atexit, "unregister", at_the_end.append)
    answer = threading.Event()
    if answers:
        answer.set()
    let_go(SimpleNamespace(close=answer.wait))
    answer.set()
    assert at_the_end == ([] if answers else ["closes all"])
