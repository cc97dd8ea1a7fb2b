"""A sound card for tests where there is none: a sound server of one's own, null sinks and a monitor.

Taps are played into the one sink, whose monitor is the microphone. Cues go into the other: a busy machine
plays a cue late, and the microphone would hear it with the next tap.

It needs Debian's pulseaudio, pulseaudio-utils, libportaudio2 and libasound2-plugins, which .ci/run installs.
"""

import os
import shutil
import signal
import subprocess
import sys
import time
from contextlib import contextmanager

import numpy as np
import pytest
import soundfile

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
    "module-null-sink sink_name=cues rate=48000 channels=1 format=float32le norewinds=1",
    "module-always-sink",
)

needs_sound_server = pytest.mark.skipif(
    not (shutil.which("pulseaudio") and shutil.which("paplay")), reason="no PulseAudio is installed"
)


@contextmanager
def sound_server(folder, output="cues"):
    """Give the environment that leads to a server of one's own, and its process; cues go to `output`."""
    socket, runtime = folder / "pulse", folder / "run"
    (folder / ".asoundrc").write_text("pcm.!default { type pulse }\nctl.!default { type pulse }\n")
    runtime.mkdir(mode=0o700)
    own = {"HOME": str(folder), "XDG_RUNTIME_DIR": str(runtime), "PULSE_SERVER": f"unix:{socket}"}
    environment = {**os.environ, **own}
    protocol = f"module-native-protocol-unix socket={socket} auth-anonymous=1"
    command = ["pulseaudio", "-n", "--daemonize=no", "--exit-idle-time=-1", "--use-pid-file=no"]
    for module in (protocol, *MODULES):
        command += ["-L", module]
    with subprocess.Popen(
        command, env=environment, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL
    ) as process:
        try:
            _await_answer(environment)
            for kind, name in (("sink", output), ("source", "tap.monitor")):
                _pactl(environment, f"set-default-{kind}", name).check_returncode()
            yield environment, process
        finally:
            process.kill()


def _await_answer(environment):
    for _ in range(100):
        if _pactl(environment, "info").returncode == 0:
            return
        time.sleep(0.1)
    pytest.fail("the sound server does not answer")


def _pactl(environment, *words):
    return subprocess.run(["pactl", *words], env=environment, capture_output=True, timeout=10)


def _await_end(program):
    """Let a test fail whose program does not end; without this it would be waited for without end."""
    try:
        program.wait(timeout=30)
    except subprocess.TimeoutExpired:
        program.kill()
        raise


@contextmanager
def capturing(part, environment):
    """The command on the default device, once it listens; what it reports grows in a file beside the part."""
    command = [sys.executable, "-m", "tapscan", "capture", str(part), "--json"]
    reported = part.with_suffix(".reported")
    with (
        reported.open("w") as out,
        subprocess.Popen(command, env=environment, stdout=out, stderr=subprocess.PIPE, text=True) as program,
    ):
        for _ in range(200):
            if "level" in reported.read_text() or program.poll() is not None:
                break
            time.sleep(0.1)
        try:
            yield program, reported
        finally:
            program.send_signal(signal.SIGINT)
            _await_end(program)


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
