"""From the sound of a tap to its cue, which shall come within 100 ms.

Run it as ``python -m tests.benchmarks.capture`` on a quiet machine. The first table feeds a session by the
clock and stops it when the tap is on disk, its floor being the window that must have been heard. The second
plays taps into a sound server, lets the command listen and sound its cues there, and measures in a recording
of the same server how long after each tap its cue is heard: the sound card's buffers, the library and the
swell of the cue are all in it.
"""

import subprocess
import tempfile
import time
from pathlib import Path

import numpy as np

from tapscan.capture import Session
from tapscan.capture.sound.listening import WINDOW_S
from tapscan.capture.sound.sources import BLOCK_S
from tapscan.records import open_inspection
from tapscan.signals import find_taps
from tests.capture.conftest import PLAN
from tests.capture.soundcard import PLAN as CARD_PLAN
from tests.capture.soundcard import RATE, capturing, play, sound_server
from tests.capture.sounds import beam_tap, in_blocks, stream

TAPS = 22
APART_S = 0.3


def to_disk_ms(folder):
    """Feed taps as fast as they would be heard; how long after its onset each is on disk."""
    (folder / "inspection.toml").write_text(PLAN)
    taps = [(0.6 + APART_S * i, 0.3, beam_tap(RATE)) for i in range(TAPS)]
    step, late_s = round(BLOCK_S * RATE), []
    with Session(open_inspection(folder), RATE, zones=("BM",)) as session:
        began_s = time.perf_counter()
        for number, block in enumerate(in_blocks(stream(RATE, taps, 0.9 + APART_S * TAPS), [step]), 1):
            time.sleep(max(0.0, began_s + number * BLOCK_S - time.perf_counter()))
            events = session.feed(block)
            now_s = time.perf_counter() - began_s
            late_s += [now_s - event.time_s for event in events if event.name == "accepted"]
    return 1e3 * np.array(late_s)


def to_cue_ms(folder):
    """Let the command listen to a sound server; how long after its onset each tap's cue is heard."""
    part = folder / "part"
    part.mkdir()
    (part / "inspection.toml").write_text(CARD_PLAN)
    record = ["parec", "--device=tap.monitor", f"--rate={RATE}", "--channels=1", "--format=float32le"]
    heard = folder / "heard.raw"
    with (
        sound_server(folder, output="tap") as (environment, _),  # its monitor hears the cues too
        capturing(part, environment),
        heard.open("wb") as out,
        subprocess.Popen(record, env=environment, stdout=out) as recorder,
    ):
        play(environment, folder / "walk.wav", TAPS, 3)
        time.sleep(1.0)
        recorder.terminate()
    sound = np.fromfile(heard, dtype="<f4")
    apart_ms = 1e3 * np.diff(find_taps(sound, RATE).start) / RATE
    return apart_ms[apart_ms < 200.0]  # from a tap to its cue, not from a cue to the next tap


def main():
    print(f"{'':28s} {'taps':>5s} {'median':>8s} {'95 %':>8s} {'most':>8s}   over the window")
    for what, measure in (("from onset to disk", to_disk_ms), ("from onset to cue, by ear", to_cue_ms)):
        with tempfile.TemporaryDirectory() as scratch:
            late_ms = measure(Path(scratch))
        median, most_ms = np.median(late_ms), late_ms.max()
        print(
            f"{what:28s} {len(late_ms):5d} {median:5.1f} ms {np.quantile(late_ms, 0.95):5.1f} ms "
            f"{most_ms:5.1f} ms   {median / (1e3 * WINDOW_S):.2f}"
        )


if __name__ == "__main__":
    main()
