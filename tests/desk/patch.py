"""A corner of the demo's boom as a small panel, its taps one by one, and a desk in another process."""

import subprocess
import sys
from contextlib import contextmanager
from pathlib import Path

import numpy as np
import soundfile

from tapscan.signals import find_taps

DEMO = Path(__file__).resolve().parents[2] / "recordings_demo"
LONG_MS = 120_000  # a busy machine takes its time; every wait ends as soon as its state is there
FLAGS = [
    *("--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run", "--disable-sync"),
    "--disable-dev-shm-usage",  # small in containers
    *("--disable-background-networking", "--disable-component-update"),
    *("--use-fake-device-for-media-stream", "--use-fake-ui-for-media-stream"),
]
# A corner of the demo's boom, cut open so that its first delamination is in the middle.
STATIONS, POSITIONS = range(1, 8), (10, 11, 12, 1, 2, 3, 4)
LAST = 3  # points that are left to be tapped


def pieces():
    """Give the first tap of every point of the patch, each with a moment of its room, and the rate."""
    sounds, rate_hz = {}, 0
    for station in STATIONS:
        for number, position in enumerate(POSITIONS, 1):
            path = DEMO / f"taps/BM-{station:02d}-{position:02d}.wav"
            sound, rate_hz = soundfile.read(path, dtype="float32")
            start = int(find_taps(sound, rate_hz).start[0])
            name = f"PT-{station:02d}-{number:02d}"
            sounds[name] = sound[max(start - rate_hz // 20, 0) : start + rate_hz // 8]
    return sounds, rate_hz


def walk_wav(path, sounds, rate_hz):
    """Write taps one after the other, as somebody would strike them, in a room that is heard before them."""
    quiet = np.std(sounds[0][: rate_hz // 50])
    room = np.random.default_rng(1).normal(0, quiet, (len(sounds) + 13, rate_hz // 10))
    parts = [*room[:12], *(part for pair in zip(room[12:], sounds, strict=False) for part in pair), room[-1]]
    soundfile.write(path, np.concatenate(parts), rate_hz, subtype="PCM_16")


def nearly_tapped(root):
    """Make a folder in which all but the last points of the patch are tapped; give the sounds of those."""
    sounds, rate_hz = pieces()
    (root / "taps").mkdir(parents=True)
    names = list(sounds)
    for name in names[:-LAST]:
        before = np.random.default_rng(1).normal(0, 1e-4, rate_hz // 4).astype(np.float32)
        soundfile.write(root / f"taps/{name}.wav", np.concatenate([before, sounds[name]]), rate_hz)
    return [sounds[name] for name in names[-LAST:]], rate_hz


@contextmanager
def served(folder, *more):
    command = [sys.executable, "-m", "tapscan", "desk", str(folder), "--no-browser", "--port", "0", *more]
    with subprocess.Popen(command, stdout=subprocess.PIPE, text=True) as process:
        try:
            line = process.stdout.readline()
            assert "http://127.0.0.1:" in line, line
            yield line.split()[-1]
        finally:
            process.terminate()


@contextmanager
def watched_page(browser, size, scheme, has_touch):
    """Open a page of this size, colours and touch; it may log no error but a refusal's status."""
    viewport = {"width": size[0], "height": size[1]}
    context = browser.new_context(viewport=viewport, color_scheme=scheme, has_touch=has_touch)
    context.set_default_timeout(LONG_MS)
    complaints = []
    context.on(
        "console",
        lambda m: complaints.append(m.text) if m.type == "error" and "status of 400" not in m.text else None,
    )
    context.on("weberror", lambda e: complaints.append(str(e.error)))
    yield context.new_page()
    context.close()
    assert complaints == []
