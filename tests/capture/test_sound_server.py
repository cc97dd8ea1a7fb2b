"""A capture through PortAudio from a real sound server.

A stream of a busy machine may lose samples, and taps with them: who hears no cue strikes again, and so does
the test.
"""

import json
import os
import select
import signal
import subprocess
import sys
import time
from contextlib import contextmanager

import numpy as np
import pytest
import soundfile

from tapscan.records import open_inspection
from tests.capture.soundcard import PLAN, capturing, needs_sound_server, play, sound_server

pytestmark = [pytest.mark.slow, needs_sound_server]


@pytest.fixture
def server(tmp_path):
    with sound_server(tmp_path) as one:
        yield one


@contextmanager
def at_the_bench(command, environment, terminal):
    """The command at a terminal; one that a failed test leaves waiting for keys is killed."""
    streams = {"stdin": terminal, "stdout": terminal, "stderr": terminal}
    with subprocess.Popen(command, env=environment, **streams) as program:
        try:
            yield program
        finally:
            program.kill()


@pytest.fixture
def part(tmp_path):
    folder = tmp_path / "part"
    folder.mkdir()
    (folder / "inspection.toml").write_text(PLAN)
    return folder


def test_a_zone_is_captured_from_the_sound_server_and_analysed(server, part, tmp_path):
    environment, _ = server
    played = []
    with capturing(part, environment) as (program, _):
        for turn in range(4):
            left = 24 - len(list((part / "taps").glob("BM-*.wav")))
            if left == 0:
                break
            played += list(play(environment, tmp_path / "walk.wav", left, turn))
            time.sleep(1.5)  # what was played last is still on its way
        program.wait(timeout=30)  # nothing is left to strike
    assert len(open_inspection(part).tap_files) == 24
    peaks = [np.abs(soundfile.read(path)[0]).max() for path in sorted((part / "taps").glob("*.wav"))]
    if len(played) == 24:  # no tap was lost: each is at its point, and few have lost samples in their peak
        gain = np.array(peaks) / np.array(played)
        assert np.isclose(gain, np.median(gain), rtol=0.02).sum() >= 22, gain
    run = [sys.executable, "-m", "tapscan", "analyse", str(part), "--json"]
    summary = json.loads(subprocess.run(run, capture_output=True, check=True, timeout=120).stdout)
    (counts,) = summary["counts"]
    assert counts["unread"] == 0
    assert counts["clear"] + counts["suspect"] == 24


@pytest.mark.parametrize("what_happens", [signal.SIGKILL, signal.SIGSTOP], ids=["gone", "answers no more"])
def test_a_device_that_is_lost_ends_in_one_sentence_and_every_tap_reported_is_kept(
    server, part, tmp_path, what_happens
):
    environment, process = server
    with capturing(part, environment) as (program, reported):
        play(environment, tmp_path / "walk.wav", 4, 1)
        time.sleep(1.5)
        process.send_signal(what_happens)
        program.wait(timeout=30)
        sentence = program.stderr.read().strip().splitlines()[-1]
        assert program.returncode == 1
        events = [json.loads(line) for line in reported.read_text().splitlines()]
        accepted = [one["point"] for one in events if one["event"] == "accepted"]
    assert sentence.startswith("tapscan: ")
    assert "every tap reported is kept" in sentence
    assert accepted
    assert all((part / f"taps/{point}.wav").is_file() for point in accepted)


def test_without_a_sound_server_there_is_one_sentence(part, tmp_path):
    own = {"HOME": str(tmp_path), "XDG_RUNTIME_DIR": str(tmp_path), "PULSE_SERVER": f"unix:{tmp_path}/none"}
    command = [sys.executable, "-m", "tapscan", "capture", str(part), "--json"]
    run = subprocess.run(command, env={**os.environ, **own}, capture_output=True, text=True, timeout=60)
    assert run.returncode == 1
    last = run.stderr.strip().splitlines()[-1]
    assert last.startswith("tapscan: ")
    assert "tapscan add DIR FILE" in last or "--device" in last
    assert "Traceback" not in run.stderr


def test_the_screen_at_the_bench_follows_taps_and_keys(server, part, tmp_path):
    import pty

    environment, _ = server
    lead, follow = pty.openpty()
    command = [sys.executable, "-m", "tapscan", "capture", str(part), "--silent"]
    shown = b""

    def until(text, seconds=20):
        nonlocal shown
        end = time.monotonic() + seconds
        while text not in shown and time.monotonic() < end:
            if select.select([lead], [], [], 0.1)[0]:
                shown += os.read(lead, 65536)
        assert text in shown, shown[-2000:].decode(errors="replace")

    own = {**environment, "TERM": "xterm", "COLUMNS": "100", "LINES": "40", "PYTHONIOENCODING": "utf-8"}
    with at_the_bench(command, own, follow) as program:
        until(b"0 of 24 points")
        until("█".encode())
        play(environment, tmp_path / "walk.wav", 2, 3)
        until(b"BM-01-03: 0 of 1 taps")
        os.write(lead, b" ")
        until(b"paused before BM-01-03")
        os.write(lead, b" ")
        os.write(lead, b"u")
        until(b"BM-01-03 has no tap to undo")
        os.write(lead, b"bu")
        until(b"BM-01-02: last tap removed, 0 left")
        os.write(lead, b"q")
        assert program.wait(timeout=20) == 0
    os.close(follow)
    os.close(lead)
    assert [path.name for path in (part / "taps").glob("*.wav")] == ["BM-01-01.wav"]
