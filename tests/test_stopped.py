"""Whatever stops the main job while it writes, ``results/`` holds one run, whole: new or old.

The first test stops a forked program at random steps of its way to the disk (every file that is opened,
linked, renamed or removed is one), by Ctrl-C, by a kill, or by a disk that is full from then on. The second
does the same to the whole command from outside.
"""

import errno
import os
import random
import resource
import signal
import subprocess
import sys
import time
import warnings
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import soundfile

from tapscan.records import swapping
from tapscan.records.runs import faults_in_run, new_results
from tapscan.records.writing import write_text
from tapscan.report import saving
from tests.report.fabricated import boom, results_of, tapped, tube

pytestmark = pytest.mark.skipif(os.name == "nt", reason="forks and kills")

STEPS = {
    "open", "os.link", "os.rename", "os.mkdir", "os.chmod", "os.remove", "os.rmdir", "os.scandir",
    "shutil.rmtree",
}  # fmt: skip
NEEDS_ROOM = {"open", "os.link", "os.rename", "os.mkdir"}
WRITES = os.O_WRONLY | os.O_RDWR
STOPS_EACH = 40


def held(folder: Path) -> dict[str, bytes]:
    return {
        path.relative_to(folder).as_posix(): path.read_bytes() for path in folder.rglob("*") if path.is_file()
    }


@pytest.fixture
def runs(tmp_path, monkeypatch):
    """Two runs of one inspection that write files of different names and contents, without drawing."""

    def report(results, folder):
        mark = results.summary["run"]
        for name in ("report.html", "map_BM.png", f"evidence_{mark[:2]}.png"):
            write_text(folder / name, mark * 50)

    monkeypatch.setattr(saving, "write_report", report)
    monkeypatch.setattr(
        saving, "write_marked", lambda _screened, folder, _home: write_text(folder / "outline_BM.svg", "x")
    )
    part = tmp_path / "part"
    part.mkdir()
    pair = []
    for run, screened in (("a" * 64, boom()), ("b" * 64, tapped(tube(), spots=()))):
        results = results_of(screened, folder=part)
        pair.append(replace(results, summary={**results.summary, "run": run}, writer=saving.write_results))
    return pair


def stop_at(step: int, how: str, counted: list[int]) -> None:
    """Stop this program at its `step`-th step on the disk; count the steps."""

    def hook(event: str, words: tuple[object, ...]) -> None:
        if event not in STEPS or (event == "open" and not (isinstance(words[2], int) and words[2] & WRITES)):
            return
        counted[0] += 1
        if how == "full" and counted[0] >= step and event in NEEDS_ROOM:
            raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))
        if counted[0] == step and how != "full":
            os.kill(os.getpid(), signal.SIGKILL if how == "kill" else signal.SIGINT)

    sys.addaudithook(hook)


def save_and_stop(results, step: int, how: str) -> bool:
    """Save in a program of its own; True when it was stopped before it was through."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # of later Pythons, about forks beside threads
        child = os.fork()
    if child == 0:
        code = 70
        try:
            signal.signal(signal.SIGINT, signal.default_int_handler)
            stop_at(step, how, [0])
            results.save()
            code = 0
        except BaseException:
            code = 1
        finally:
            os._exit(code)
    _, status = os.waitpid(child, 0)
    return status != 0


def steps_of(results) -> int:
    reading, writing = os.pipe()
    child = os.fork()
    if child == 0:
        counted = [0]
        try:
            stop_at(0, "count", counted)
            results.save()
        finally:
            os.write(writing, str(counted[0]).encode())
            os._exit(0)
    os.waitpid(child, 0)
    os.close(writing)
    with os.fdopen(reading) as result:
        return int(result.read())


@pytest.mark.parametrize("how", ["interrupt", "kill", "full"])
@pytest.mark.parametrize("can_exchange", [True, False], ids=["exchange", "two renames"])
def test_no_random_stop_mixes_two_runs(runs, how, can_exchange, monkeypatch):
    if not can_exchange:
        monkeypatch.setattr(swapping, "exchanged", lambda *_: False)
    part = runs[0].inspection.folder
    with new_results(part, "compare", {}) as folder:
        write_text(folder / "change/change.html", "of another command")
    wholes = []
    for results in runs:
        results.save()
        wholes.append(held(part / "results"))
    assert wholes[0].keys() != wholes[1].keys()
    steps = steps_of(runs[0])
    assert steps > 30
    chance, stopped, seen = random.Random(f"{how} {can_exchange}"), 0, set()
    while stopped < STOPS_EACH:
        there = wholes.index(held(part / "results"))
        stopped += save_and_stop(runs[1 - there], chance.randint(1, steps), how)
        swapping.put_back(part / "results")  # as whoever opens the inspection does
        files = held(part / "results")
        assert files in wholes
        assert faults_in_run(part / "results") == []
        seen.add(wholes.index(files) == there)
    assert True in seen  # the last good run survived a stop
    runs[0].save()
    assert held(part / "results") == wholes[0]
    assert [path.name for path in part.iterdir()] == ["results"]  # nothing is left of all those stops


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


def record(path: Path, rng: np.random.Generator) -> None:
    time_s = np.arange(3600) / 24_000
    samples = 1e-4 * rng.standard_normal(6000)
    for note_hz in rng.uniform(0.99, 1.01, 3) * (1100, 2300, 4100):
        samples[1200:4800] += 0.1 * np.exp(-200 * time_s) * np.sin(2 * np.pi * note_hz * time_s)
    soundfile.write(str(path), samples, 24_000)


def command(part: Path, **more) -> subprocess.Popen:
    words = [sys.executable, "-m", "tapscan", "analyse", str(part)]
    return subprocess.Popen(words, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True, **more)


@pytest.mark.slow
def test_the_whole_command_stopped_from_outside(tmp_path):
    part, rng, chance = tmp_path / "part", np.random.default_rng(3), random.Random(20)
    (part / "taps").mkdir(parents=True)
    (part / "inspection.toml").write_text(PLAN, encoding="utf-8")
    for station in range(1, 5):
        for position in range(1, 7):
            record(part / f"taps/BM-{station:02d}-{position:02d}.wav", rng)
    began = time.monotonic()
    program = command(part)
    program.communicate()
    assert program.returncode == 0
    took_s, before = time.monotonic() - began, held(part / "results")
    for turn in range(12):
        record(part / "taps/BM-02-02.wav", rng)  # so that the run is another one
        how = ("kill", "interrupt", "full")[turn % 3]
        room = chance.randrange(max(map(len, before.values())))
        limit = (
            (lambda room=room: resource.setrlimit(resource.RLIMIT_FSIZE, (room, room)))
            if how == "full"
            else None
        )
        program = command(part, preexec_fn=limit)
        if how != "full":
            time.sleep(chance.uniform(0.5, 1.0) * took_s)
            program.send_signal(signal.SIGKILL if how == "kill" else signal.SIGINT)
        _, result = program.communicate()
        swapping.put_back(part / "results")
        assert faults_in_run(part / "results") == []
        assert "Traceback" not in result
        files = held(part / "results")
        if how == "full" and program.returncode != 0:
            assert program.returncode == 1
            assert result.startswith("tapscan: results: cannot be written: File too large (make room, or")
            assert files == before
        assert files.keys() == before.keys()
        before = files
