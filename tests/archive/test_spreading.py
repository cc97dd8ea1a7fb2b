"""Work spread over processes: the same bytes, whoever dies meanwhile. Everything stays on this machine."""

import builtins
import dataclasses
import os
import signal
import subprocess
import sys

import dask
import distributed
import numpy as np
import pytest

from tapscan.archive import rerunning, spreading
from tapscan.archive.bags.making import add_inspection
from tapscan.archive.bags.stored import stored_tables
from tapscan.archive.places import list_bags
from tapscan.archive.rerunning import rerun
from tapscan.archive.spreading import spread, workers_at
from tapscan.errors import TapscanError
from tapscan.signals.echoes import measuring as ascans

# Dask's own threads and sockets may outlive a test by a moment.
pytestmark = pytest.mark.filterwarnings("ignore::ResourceWarning")


def double(number):
    return 2 * number


def bad(number):
    message = f"no {number}"
    raise ValueError(message)


def deadly(number):
    if number == 3:
        os.kill(os.getpid(), signal.SIGKILL)
    return 2 * number


@pytest.fixture
def cluster():
    """A scheduler and two worker processes, each replaced when it dies; new for each test: some kill."""
    # A piece of work may cost two workers their lives before it is given up: enough, and soon over.
    with (
        dask.config.set({"distributed.scheduler.allowed-failures": 1}),
        distributed.LocalCluster(
            n_workers=2, threads_per_worker=1, processes=True, host="127.0.0.1", dashboard_address=None
        ) as both,
    ):
        yield both


class KillsOneMidway:
    """A progress function that kills a worker as soon as the first piece of work is done."""

    def __init__(self, cluster):
        self.cluster, self.killed = cluster, []

    def __call__(self, done, total):
        if done < total and not self.killed:
            self.killed.append(next(iter(self.cluster.workers.values())).pid)
            os.kill(self.killed[0], signal.SIGKILL)


def test_here_and_there_give_the_same_in_the_same_order_and_what_fails_is_reported(cluster):
    numbers = list(range(20))
    seen = []
    here = spread(double, numbers)
    there = spread(
        double, numbers, cluster.scheduler_address, progress=lambda done, total: seen.append((done, total))
    )
    assert here == there == [2 * number for number in numbers]
    assert seen == [(done, 20) for done in range(1, 21)]
    failed = spread(
        bad, [1, 2], cluster.scheduler_address, on_failure=lambda item, reason: f"{item}: {reason}"
    )
    assert failed == ["1: ValueError: no 1", "2: ValueError: no 2"]
    with pytest.raises(ValueError, match="no 1"):
        spread(bad, [1], cluster.scheduler_address)


def test_work_that_kills_every_worker_is_given_up_and_its_neighbours_are_not(cluster):
    seen = spread(
        deadly, range(6), cluster.scheduler_address, on_failure=lambda item, reason: (item, reason[:12])
    )
    assert seen == [0, 2, 4, (3, "KilledWorker"), 8, 10]


@pytest.mark.slow
def test_inspections_come_out_the_same_with_a_worker_killed_midway(cluster, part, archive):
    for _ in range(5):
        add_inspection(part, archive)
    bags = list_bags(archive)
    killer = KillsOneMidway(cluster)
    spread_out = rerun(bags, archive, cluster.scheduler_address, killer)
    assert len(killer.killed) == 1
    assert [(one.bag, one.problem, one.changes) for one in spread_out] == [(bag, "", ()) for bag in bags]
    for one in spread_out:
        assert one.tables == stored_tables(bags[0])


def test_one_huge_volume_is_measured_by_blocks_with_a_worker_killed_midway(cluster, monkeypatch):
    monkeypatch.setattr(ascans, "_BLOCK", 50)
    pulse = np.exp(-(((np.arange(300) - 60) / 12) ** 2)) * np.cos(2 * np.pi * 0.05 * (np.arange(300) - 60))
    rng = np.random.default_rng(3)
    echo = np.roll(pulse, 110) * rng.uniform(0.2, 0.6, (40, 30, 1))
    volume = (pulse - echo + 1e-3 * rng.standard_normal((40, 30, 300))).astype(np.float32)
    volume[3, 4] = np.nan
    here = ascans.measure_volume(volume, 100e6)
    assert np.isfinite(here.tof_s).mean() > 0.9
    killer = KillsOneMidway(cluster)
    with workers_at(cluster.scheduler_address) as workers:
        assert workers.count == 2
        there = ascans.measure_volume(volume, 100e6, progress=killer, workers=workers)
    assert len(killer.killed) == 1
    for field in dataclasses.fields(here):
        assert getattr(there, field.name).tobytes() == getattr(here, field.name).tobytes(), field.name


def test_an_inspection_with_a_huge_volume_comes_out_the_same(cluster, part, archive, monkeypatch):
    bag = add_inspection(part, archive).bag
    sent = []
    monkeypatch.setattr(rerunning, "HUGE_BYTES", 1)
    monkeypatch.setattr(rerunning, "spread", lambda _work, items, *_: sent.extend(items) or [])
    seen = []
    (again,) = rerun(
        [bag], archive, cluster.scheduler_address, lambda done, total: seen.append((done, total))
    )
    assert (again.problem, again.changes, sent, seen) == ("", (), [], [(1, 1)])
    assert again.tables == stored_tables(bag)


def test_no_scheduler_at_that_address(monkeypatch):
    monkeypatch.setattr(spreading, "CONNECT_S", 1)
    with pytest.raises(TapscanError, match=r"^tcp://127.0.0.1:1: no scheduler answers: .*\(start one"):
        spread(double, [1], "tcp://127.0.0.1:1")
    with pytest.raises(TapscanError, match="no scheduler answers"):
        spread(double, [1], "what://is this")


def test_without_dask_the_way_to_it_is_reported(monkeypatch):
    real = builtins.__import__

    def refuse(name, *rest):
        if name == "distributed":
            raise ImportError
        return real(name, *rest)

    monkeypatch.setattr(builtins, "__import__", refuse)
    with pytest.raises(TapscanError, match=r"not installed \(pip install 'tapscan\[cluster\]'\)"):
        spread(double, [1], "tcp://127.0.0.1:1")


def test_without_a_scheduler_dask_is_not_even_loaded():
    code = "import sys, tapscan.archive.rerunning; print('distributed' in sys.modules, 'dask' in sys.modules)"
    run = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert run.stdout.split() == ["False", "False"]
