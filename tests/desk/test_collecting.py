import json
import subprocess
import sys
import time
import urllib.request
from contextlib import contextmanager

import numpy as np
import pytest
import soundfile
from websockets.exceptions import ConnectionClosed
from websockets.sync.client import connect

from tapscan.capture.keeping import Keeping
from tapscan.capture.sound.cues import CUES
from tapscan.capture.sound.sources import Block, Device
from tapscan.desk import collecting as collecting_module
from tapscan.errors import TapscanError
from tapscan.records import open_inspection
from tests.capture.soundcard import needs_sound_server, play, sound_server

RATE_HZ = 44_100


def walk(taps, seed=1):
    """A quiet room with so many taps, each with a note of its own."""
    rng = np.random.default_rng(seed)
    time_s = np.arange(RATE_HZ // 10) / RATE_HZ
    pieces = [np.zeros(RATE_HZ // 2)]
    for number in range(taps):
        omega = 2 * np.pi * (2000 + 50 * number)
        ring = 0.3 * np.exp(-300 * time_s) * np.sin(omega * time_s)
        pieces += [ring, np.zeros(RATE_HZ // 5)]
    sound = np.concatenate(pieces)
    return (sound + rng.normal(0, 1e-4, sound.size)).astype("<f4")


class Page:
    """A page that collects: what it sends, and what it is sent."""

    def __init__(self, line):
        self.line = line
        self.events = [json.loads(self.line.recv(timeout=10))]

    def until(self, event):
        """Wait for the next such event."""
        while True:
            self.events.append(json.loads(self.line.recv(timeout=10)))
            if self.events[-1]["event"] == event:
                return self.events[-1]

    def play(self, sound):
        for start in range(0, sound.size, 512):
            self.line.send(sound[start : start + 512].tobytes())

    def order(self, command, **more):
        self.line.send(json.dumps({"command": command, **more}))


@contextmanager
def collecting(desk, **begin):
    with collecting_at(desk.origin, desk.cookie, **begin) as page:
        yield page


@contextmanager
def collecting_at(origin, cookie, **begin):
    heard = {} if "input" in begin else {"sample_rate_hz": RATE_HZ}
    settings = {**heard, "zones": ["CS"], "there_and_back": False, **begin}
    address = origin.replace("http", "ws") + "/capture"
    with connect(address, origin=origin, additional_headers={"Cookie": cookie}) as line:
        line.send(json.dumps(settings))
        yield Page(line)


def wait_until_free(desk):
    for _ in range(600):
        if not desk.bench.collecting.locked():
            return
        time.sleep(0.05)
    pytest.fail("the desk still waits for a page that has gone")


def test_taps_are_on_disk_at_the_source_s_rate_before_they_are_reported(desk):
    with collecting(desk) as page:
        assert page.events[0]["event"] == "standing"
        assert page.events[0]["point"] == "CS-01-01"
        page.play(walk(3))
        for name in ("CS-01-01", "CS-01-02", "CS-01-03"):
            assert page.until("accepted")["point"] == name
            facts = soundfile.info(desk.folder / f"taps/{name}.wav")
            assert (facts.samplerate, facts.subtype) == (RATE_HZ, "FLOAT")
    assert len(open_inspection(desk.folder).tap_files) == 3


def test_orders_move_the_walk(desk):
    with collecting(desk) as page:
        page.order("skip")
        assert page.until("moved")["point"] == "CS-01-02"
        page.order("go to", point="cs-3-2")
        assert page.until("moved")["point"] == "CS-03-02"
        page.order("pause")
        assert page.until("listening")["is_on"] is False
        page.order("go to", point="somewhere")
        assert "is not a point" in page.until("refused")["sentence"]
        page.order("interrupt")
        page.order("resume")
        assert page.until("listening")["is_on"] is True


def test_one_page_collects_at_a_time_and_the_next_one_may_when_it_left(desk):
    with collecting(desk) as first:
        with collecting(desk) as second:
            assert second.events[0]["event"] == "fault"
            assert "another page is collecting already" in second.events[0]["sentence"]
        first.play(walk(1))
        first.until("accepted")
    wait_until_free(desk)
    with collecting(desk) as third:
        assert third.events[0]["point"] == "CS-01-02"  # where the first page was


@pytest.mark.parametrize(
    ("begin", "match"),
    [
        ({"zones": ["XX"]}, "XX"),
        ({"sample_rate_hz": 100}, "delivers 100 samples per second"),
        ({"sample_rate_hz": "fast"}, "does not understand"),
        ({"sample_rate_hz": float("nan")}, "delivers nan"),
        ({"zones": "CS"}, "does not understand"),
        ({"extra": 1}, "does not understand"),
    ],
)
def test_an_odd_beginning_is_reported_in_a_sentence(desk, begin, match):
    with collecting(desk, **begin) as page:
        assert page.events[0]["event"] == "fault"
        assert match in page.events[0]["sentence"]
    wait_until_free(desk)


@pytest.mark.parametrize(
    "odd", [b"\0\0\0", "no JSON", "[]", '{"command": "format"}', '{"command": "go to", "point": 1}']
)
def test_an_odd_message_ends_the_capture_and_keeps_what_was_reported(desk, odd):
    with collecting(desk) as page:
        page.play(walk(1))
        page.until("accepted")
        page.line.send(odd)
        assert "does not understand" in page.until("fault")["sentence"]
    assert (desk.folder / "taps/CS-01-01.wav").is_file()


def test_a_message_of_more_than_a_megabyte_is_not_taken(desk):
    with collecting(desk) as page:
        page.line.send(b"\0" * ((1 << 20) + 4))
        with pytest.raises(ConnectionClosed, match="1009"):
            page.until("accepted")


def test_a_disk_that_takes_no_tap_is_reported_and_the_next_capture_goes_on(desk, monkeypatch):
    def full(*_):
        where = "taps/CS-01-02.wav"
        raise TapscanError(where, "cannot be written: no space left", "make room")

    with collecting(desk) as page:
        page.play(walk(1))
        page.until("accepted")
        with monkeypatch.context() as patched:
            patched.setattr(Keeping, "keep", full)
            page.play(walk(1, seed=2))
            assert "no space left" in page.until("fault")["sentence"]
    wait_until_free(desk)
    with collecting(desk) as page:
        assert page.events[0]["point"] == "CS-01-02"


@contextmanager
def desk_apart(folder, environment=None):
    """A desk in a process of its own, killed in the end without a chance to tidy up."""
    command = [sys.executable, "-m", "tapscan", "desk", str(folder), "--no-browser", "--port", "0"]
    with subprocess.Popen(command, stdout=subprocess.PIPE, text=True, env=environment) as process:
        origin, token = process.stdout.readline().split()[-1].split("/?token=")
        yield process, origin, f"tapscan-desk-{origin.rpartition(':')[2]}={token}"
        process.kill()


def test_a_desk_that_is_killed_has_kept_every_tap_that_it_reported_of(folder):
    with desk_apart(folder) as (process, origin, cookie), collecting_at(origin, cookie) as page:
        page.play(walk(6))
        events = [page.until("accepted")["point"] for _ in range(3)]
        process.kill()
    kept = {str(point) for point in open_inspection(folder).tap_files}
    assert events == ["CS-01-01", "CS-01-02", "CS-01-03"]
    assert kept >= set(events)
    with desk_apart(folder) as (_, origin, cookie), collecting_at(origin, cookie) as page:
        assert page.events[0]["point"] == f"CS-{len(kept) // 6 + 1:02d}-{len(kept) % 6 + 1:02d}"


class Card:
    """An input of the computer that hears a walk, then silence until it is unplugged."""

    sample_rate_hz = float(RATE_HZ)
    name = "Bench box"

    def __init__(self, sound, seconds=3600.0):
        self.sound, self.seconds = sound, seconds
        self.is_open = False

    def __enter__(self):
        self.is_open = True
        return self

    def __exit__(self, *_):
        self.is_open = False

    def blocks(self):
        step = RATE_HZ // 100
        for start in range(0, self.sound.size, step):
            lost = start == 0
            yield Block(self.sound[start : start + step], lost, "a moment of sound was lost" if lost else "")
        until = time.monotonic() + self.seconds
        while time.monotonic() < until:
            time.sleep(0.01)
            yield Block(np.zeros(step, dtype=np.float32))
        raise TapscanError(self.name, "has given no sound for 3 seconds", "plug it in again")


@pytest.fixture
def plugged(monkeypatch):
    def plug(card):
        box = Device(7, card.name, 2, card.sample_rate_hz, is_default=True)
        monkeypatch.setattr(collecting_module, "input_devices", lambda: (box,))
        monkeypatch.setattr(collecting_module, "SoundCard", lambda device: card if device is box else None)
        return card

    return plug


def test_the_computer_s_own_input_feeds_the_same_engine(desk, plugged):
    card = plugged(Card(walk(3)))
    assert desk.get("/api/inputs") == {"inputs": [{"number": 7, "name": "Bench box"}], "why_none": ""}
    with collecting(desk, input="7") as page:
        assert page.until("warned")["sentence"] == "a moment of sound was lost"
        for name in ("CS-01-01", "CS-01-02", "CS-01-03"):
            assert page.until("accepted")["point"] == name
            assert (desk.folder / f"taps/{name}.wav").is_file()
        page.order("undo")
        assert page.until("refused")["sentence"].startswith("collecting: CS-01-04 has no tap to undo")
        page.order("back")
        page.order("undo")
        assert page.until("undone")["point"] == "CS-01-03"
        with collecting(desk, input="7") as second:
            assert "another page is collecting already" in second.events[0]["sentence"]
    wait_until_free(desk)
    assert not card.is_open


def test_an_input_that_is_unplugged_is_reported_and_the_next_capture_goes_on(desk, plugged):
    plugged(Card(walk(1), seconds=0.1))
    with collecting(desk, input="7") as page:
        page.until("accepted")
        assert page.until("fault")["sentence"] == (
            "Bench box: has given no sound for 3 seconds (plug it in again)"
        )
    wait_until_free(desk)
    with collecting(desk) as page:
        assert page.events[0]["point"] == "CS-01-02"


def test_an_input_that_is_not_there_is_reported(desk, plugged):
    plugged(Card(walk(1)))
    with collecting(desk, input="Cellar") as page:
        assert "fits no device to record from" in page.events[0]["sentence"]


def test_a_computer_without_inputs_says_why(desk, monkeypatch):
    def none():
        where = "capture"
        raise TapscanError(where, "there is no device to record from", "plug one in")

    monkeypatch.setattr(collecting_module, "input_devices", none)
    events = desk.get("/api/inputs")
    assert events == {"inputs": [], "why_none": "capture: there is no device to record from (plug one in)"}


@pytest.mark.slow
@needs_sound_server
def test_taps_through_a_real_sound_card_reach_the_page(folder, tmp_path):
    """The computer's own input: PortAudio on a sound server, whose monitor hears what is played."""
    card = tmp_path / "card"
    card.mkdir()
    with (
        sound_server(card) as (environment, _),
        desk_apart(folder, environment) as (_, origin, cookie),
    ):
        request = urllib.request.Request(f"{origin}/api/inputs", headers={"Cookie": cookie})
        with urllib.request.urlopen(request) as answer:
            inputs = {one["name"]: str(one["number"]) for one in json.load(answer)["inputs"]}
        events = collected(origin, cookie, inputs["default"], environment, tmp_path / "walk.wav")
        assert len(events) == 4
        assert all((folder / f"taps/{point}.wav").is_file() for point in events)


def collected(origin, cookie, number, environment, walk_path):
    """The points of four taps that are played into the room. A busy machine may lose a moment of sound."""
    with collecting_at(origin, cookie, input=number) as page:
        page.until("level")
        for turn in range(4):  # who hears no cue strikes again: a busy machine may lose a moment of sound
            left = 4 - sum(one["event"] == "accepted" for one in page.events)
            if left == 0:
                break
            play(environment, walk_path, left, turn)
            end_s = time.monotonic() + 2.0
            while time.monotonic() < end_s:
                page.until("level")
        return [one["point"] for one in page.events if one["event"] == "accepted"]


def test_the_page_is_reported_which_notes_to_sound_once_for_all_that_happened(desk):
    with collecting(desk) as page:
        page.play(walk(1))
        page.until("moved")
    cues = {one["event"]: one["cue"] for one in page.events if "cue" in one}
    notes_hz, note_s = CUES["point complete"]
    assert cues == {"point complete": {"notes_hz": list(notes_hz), "note_s": note_s}}
