"""A capture through PortAudio from a real sound server: a null sink and its monitor.

It needs Debian's pulseaudio, pulseaudio-utils, libportaudio2 and libasound2-plugins, which .ci/run installs.
The server is started here, in a folder of its own. A stream of a busy machine may lose samples, and taps with
them: who hears no cue strikes again, and so does the test.
"""

import json
import os
import select
import shutil
import signal
import subprocess
import sys
import time
from contextlib import contextmanager

import numpy as np
import pytest
import soundfile

from tapscan.records import open_inspection
from tests.capture.sounds import beam_tap

RATE = 48_000
APART_S = 0.35
PLAN = """
[[zone]]
code = "BM"
shape = "tube"
stations = 4
positions = 6
station_pitch_mm = 10.0
girth_mm = 60.0

[tap]
taps_per_point = 1
"""
MODULES = (
    "module-null-sink sink_name=tap rate=48000 channels=1 format=float32le norewinds=1",
    "module-always-sink",
)

pytestmark = [
    pytest.mark.slow,
    pytest.mark.skipif(
        not (shutil.which("pulseaudio") and shutil.which("paplay")), reason="no PulseAudio is installed"
    ),
]


@pytest.fixture
def server(tmp_path):
    """A sound server of one's own: the environment that leads to it, and its process."""
    socket = tmp_path / "pulse"
    (tmp_path / ".asoundrc").write_text("pcm.!default { type pulse }\nctl.!default { type pulse }\n")
    runtime = tmp_path / "run"
    runtime.mkdir(mode=0o700)
    own = {"HOME": str(tmp_path), "XDG_RUNTIME_DIR": str(runtime), "PULSE_SERVER": f"unix:{socket}"}
    environment = {**os.environ, **own}
    protocol = f"module-native-protocol-unix socket={socket} auth-anonymous=1"
    command = ["pulseaudio", "-n", "--daemonize=no", "--exit-idle-time=-1", "--use-pid-file=no"]
    for module in (protocol, *MODULES):
        command += ["-L", module]
    with subprocess.Popen(
        command, env=environment, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL
    ) as process:
        for _ in range(100):
            if subprocess.run(["pactl", "info"], env=environment, capture_output=True).returncode == 0:
                break
            time.sleep(0.1)
        else:
            process.kill()
            pytest.fail("the sound server does not answer")
        for kind, name in (("sink", "tap"), ("source", "tap.monitor")):
            subprocess.run(["pactl", f"set-default-{kind}", name], env=environment, check=True)
        yield environment, process
        process.kill()


@pytest.fixture
def part(tmp_path):
    folder = tmp_path / "part"
    folder.mkdir()
    (folder / "inspection.toml").write_text(PLAN)
    return folder


@contextmanager
def capturing(part, environment):
    """The command on the default device, once it listens; what it tells grows in a file beside the part."""
    command = [sys.executable, "-m", "tapscan", "capture", str(part), "--json"]
    told = part.with_suffix(".told")
    with (
        told.open("w") as out,
        subprocess.Popen(command, env=environment, stdout=out, stderr=subprocess.PIPE, text=True) as program,
    ):
        for _ in range(200):
            if "level" in told.read_text() or program.poll() is not None:
                break
            time.sleep(0.1)
        yield program, told
        program.send_signal(signal.SIGINT)


def play(environment, path, taps, seed):
    """Play so many taps, each with a loudness of its own, in a quiet room."""
    rng = np.random.default_rng(seed)
    gains = rng.uniform(0.2, 0.4, taps)
    sound = rng.normal(0, 1e-4, round((1.0 + taps * APART_S) * RATE))
    tap = beam_tap(RATE)
    for i, gain in enumerate(gains):
        start = round((0.8 + APART_S * i) * RATE)
        end = min(start + tap.size, sound.size)
        sound[start:end] += gain * tap[: end - start]
    soundfile.write(path, sound.astype(np.float32), RATE, subtype="FLOAT")
    subprocess.run(["paplay", "--device=tap", str(path)], env=environment, check=True, timeout=60)
    return gains


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
    if len(played) == 24:  # nothing was lost: tap by tap, each at its point
        np.testing.assert_allclose(np.array(peaks) / peaks[0], np.array(played) / played[0], rtol=0.02)
    run = [sys.executable, "-m", "tapscan", "analyse", str(part), "--json"]
    summary = json.loads(subprocess.run(run, capture_output=True, check=True, timeout=120).stdout)
    (counts,) = summary["counts"]
    assert counts["unread"] == 0
    assert counts["clear"] + counts["suspect"] == 24


def test_a_device_that_is_lost_ends_in_one_sentence_and_every_tap_told_is_kept(server, part, tmp_path):
    environment, process = server
    with capturing(part, environment) as (program, told):
        play(environment, tmp_path / "walk.wav", 4, 1)
        time.sleep(1.5)
        process.kill()
        program.wait(timeout=30)
        sentence = program.stderr.read().strip().splitlines()[-1]
        assert program.returncode == 1
        events = [json.loads(line) for line in told.read_text().splitlines()]
        accepted = [one["point"] for one in events if one["event"] == "accepted"]
    assert sentence.startswith("tapscan: ")
    assert "every tap told is kept" in sentence
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
    with subprocess.Popen(command, env=own, stdin=follow, stdout=follow, stderr=follow) as program:
        until(b"0 of 24 points")
        until("█".encode())
        play(environment, tmp_path / "walk.wav", 2, 3)
        until(b"BM-01-03: 0 of 1 taps")
        os.write(lead, b" ")
        until(b"paused before BM-01-03")
        os.write(lead, b" ")
        os.write(lead, b"u")
        until(b"BM-01-02: the last tap was put aside, 0 left")
        os.write(lead, b"q")
        assert program.wait(timeout=20) == 0
    os.close(follow)
    os.close(lead)
    assert [path.name for path in (part / "taps").glob("*.wav")] == ["BM-01-01.wav"]
