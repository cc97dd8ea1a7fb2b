"""A real program, fed from a file, that ends badly: killed, on a full disk, without its device."""

import json
import os
import signal
import subprocess
import sys
import time
from contextlib import contextmanager
from pathlib import Path

import numpy as np
import pytest
import soundfile

from tapscan.capture import Session
from tapscan.capture.sound.listening import WINDOW_S
from tapscan.records import open_inspection
from tests.capture.sounds import beam_tap, stream

pytestmark = pytest.mark.skipif(sys.platform == "win32", reason="there are no such signals and limits")

RATE = 16_000
APART_S = 0.4
KILLS = 12
ROUND = [
    (station, position)
    for station in range(1, 5)
    for position in range(1, 7)
    if (station, position) != (2, 5)
]
WALK = [f"BM-{station:02d}-{position:02d}" for station, position in ROUND]


@pytest.fixture(scope="module")
def sound():
    tap = beam_tap(RATE)
    taps = [(0.5 + APART_S * i, 0.3 + 0.002 * i, tap) for i in range(2 * len(WALK))]
    return stream(RATE, taps, taps[-1][0] + 0.4)


def named(count):
    """The files that so many good taps along the walk must have made."""
    return sorted(f"{WALK[i // 2]}{'_2' if i % 2 else ''}.wav" for i in range(count))


def kept(folder):
    taps = folder / "taps"
    return sorted(path.name for path in taps.glob("[!.]*")) if taps.is_dir() else []


def command(folder, recording):
    return [
        *[sys.executable, "-m", "tapscan", "capture", str(folder)],
        *["--from", str(recording), "--zone", "BM", "--json"],
    ]


@contextmanager
def running(folder, recording, **how):
    """Run the command; the second value gives the documents it has reported so far, the standing first."""
    program = subprocess.Popen(
        command(folder, recording), stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True, **how
    )
    try:
        yield program
    finally:
        program.kill()
        program.communicate()


def rest(sound, count, path):
    """What is struck after so many taps: the person looks at the screen and goes on."""
    begin = round((0.5 + APART_S * count - 0.3) * RATE) if count else 0
    soundfile.write(path, sound[begin:], RATE, subtype="FLOAT", format="WAV")
    return path


def documents(text):
    """What was reported before the end; a line that was being written counts for nothing."""
    return [json.loads(line) for line in text.splitlines(keepends=True) if line.endswith("\n")]


def struck_on(program, taps):
    """Wait until so many taps were reported of, or the program has ended; give what was reported."""
    reported, left = [], taps
    while left and (line := program.stdout.readline()):
        reported.append(json.loads(line))
        left -= reported[-1]["event"] == "accepted"
    return reported


@pytest.mark.slow
def test_killed_at_any_moment_a_capture_loses_the_tap_in_the_air_at_most(folder, sound, tmp_path):
    rng = np.random.default_rng(20)
    kills = 0
    for turn in range(60):
        before = len(kept(folder))
        with running(folder, rest(sound, before, tmp_path / f"{turn}.wav")) as program:
            standing = json.loads(program.stdout.readline())
            assert standing["point"] == (WALK[before // 2] if before < 2 * len(WALK) else None)
            reported = struck_on(program, int(rng.integers(0, 4)) if kills < KILLS else 2 * len(WALK))
            time.sleep(rng.uniform(0, 0.02))
            program.send_signal(signal.SIGKILL)
            reported += documents(program.stdout.read())
            kills += program.wait() == -signal.SIGKILL
        taken = sum(one["event"] == "accepted" for one in reported)
        now = len(kept(folder))
        assert before + taken <= now <= before + taken + 1
        assert kept(folder) == named(now)
        if now == 2 * len(WALK):
            break
    assert kills >= 10
    assert now == 2 * len(WALK)
    for i, name in enumerate(f"{WALK[i // 2]}{'_2' if i % 2 else ''}.wav" for i in range(now)):
        samples, rate = soundfile.read(folder / "taps" / name, dtype="float32")
        assert rate == RATE
        onset = round((0.5 + APART_S * i) * RATE)
        np.testing.assert_array_equal(samples[-800:], near(sound, samples, onset))


def near(sound, samples, onset):
    """The stretch of the sound, near an onset, that ends as the samples do."""
    ends = range(onset + round(WINDOW_S * RATE), onset + round(0.115 * RATE))
    return next(sound[end - 800 : end] for end in ends if sound[end - 1] == samples[-1])


def run_to_its_end(folder, recording, **how):
    return subprocess.run(command(folder, recording), capture_output=True, text=True, timeout=60, **how)


def test_a_disk_that_takes_no_more_ends_in_one_sentence_and_nothing_is_lost(folder, sound, tmp_path):
    import resource

    walk = rest(sound, 0, tmp_path / "walk.wav")
    # Files may not grow beyond 10 kB: the journal may, a tap may not.
    limit = lambda: resource.setrlimit(resource.RLIMIT_FSIZE, (10_000, 10_000))  # noqa: E731
    run = run_to_its_end(folder, walk, preexec_fn=limit)
    assert run.returncode == 1
    assert run.stderr == (
        "tapscan: taps/BM-01-01.wav: cannot be kept: File too large; everything before it is kept (free some "
        "space or plug the disk in, and start the capture again: it goes on here)\n"
    )
    assert [path.name for path in (folder / "taps").iterdir()] == []
    assert run_to_its_end(folder, walk).returncode == 0
    assert kept(folder) == named(2 * len(WALK))


@pytest.fixture
def small_disk(tmp_path):
    """A disk of 256 kB, where this machine lets us have one."""
    place = tmp_path / "small"
    place.mkdir()
    mount = ["mount", "-t", "tmpfs", "-o", "size=256k", "tapscan-test", str(place)]
    if os.geteuid() != 0 or subprocess.run(mount, capture_output=True).returncode != 0:
        pytest.skip("a small disk can be had by root alone, where mounting is allowed")
    yield place
    subprocess.run(["umount", str(place)], check=True)


def test_a_disk_that_fills_up_ends_in_one_sentence_and_goes_on_when_there_is_space(
    folder, small_disk, sound, tmp_path
):
    plan = (folder / "inspection.toml").read_text()
    part = small_disk / "part"
    part.mkdir()
    (part / "inspection.toml").write_text(plan)
    run = run_to_its_end(part, rest(sound, 0, tmp_path / "walk.wav"))
    taken = sum(one["event"] == "accepted" for one in documents(run.stdout))
    assert run.returncode == 1
    assert "cannot be kept: No space left on device; everything before it is kept" in run.stderr
    assert 5 < taken < 2 * len(WALK)
    assert kept(part) == named(taken)
    assert not list((part / "taps").glob(".*"))
    subprocess.run(["mount", "-o", "remount,size=8m", str(small_disk)], check=True)
    assert run_to_its_end(part, rest(sound, taken, tmp_path / "rest.wav")).returncode == 0
    assert kept(part) == named(2 * len(WALK))


def test_a_folder_that_goes_away_ends_in_one_sentence(folder, sound, tmp_path):
    with Session(open_inspection(folder), RATE, zones=("BM",)):
        pass
    walk = rest(sound, 0, tmp_path / "walk.wav")
    (folder / "taps").write_text("not a folder any more")
    run = run_to_its_end(folder, walk)
    assert run.returncode == 1
    assert run.stderr.startswith("tapscan: taps/BM-01-01.wav: cannot be kept: ")
    assert run.stderr.count("\n") == 1
    (folder / "taps").unlink()
    assert run_to_its_end(folder, Path(walk)).returncode == 0
