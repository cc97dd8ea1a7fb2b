"""An archive of 2,000 bags: what listing, finding and adding cost over bare start-up, and how a check reads.

Run it as ``python -m tests.benchmarks.archive`` (``--bags 200`` for a quick look) on a quiet machine. Times
are the least of several runs of the command itself. Bare start-up is ``tapscan archive --help``, which reads
no bag. The floor of a check is reading the same bytes with one SHA-512, as `sha512sum` does.
"""

import argparse
import hashlib
import json
import os
import shutil
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import numpy as np

from tapscan.archive.bags.checking import check_bag
from tapscan.archive.bags.making import add_inspection
from tapscan.records import open_inspection
from tapscan.records.digests import digests

RUNS = 5
PLAN = """
[part]
name = "Seat stay {number} (synthetic)"
history = "Fell over in the yard, then clamped in a stand."
[[zone]]
code = "BM"
shape = "tube"
stations = 8
positions = 8
station_pitch_mm = 10.0
girth_mm = 80.0
"""
VOLUME_MB = 512


def inspection(folder, number):
    """An inspection with results and notes, made up: as much to read as a small part has."""
    (folder / "results").mkdir(parents=True)
    (folder / "inspection.toml").write_text(PLAN.format(number=number))
    (folder / "notes.txt").write_text("Lacquer crazed near the bridge. " * 20)
    inputs = digests(open_inspection(folder))
    counts = [{"zone": "BM", "method": "tap", "clear": 50, "suspect": 10, "unread": 4, "skipped": 0}]
    (folder / "results/summary.json").write_text(
        json.dumps({"version": "0.1.0", "counts": counts, "inputs": inputs})
    )
    found = [{"id": f"BM-T{k}", "zone": "BM", "method": "tap", "kind": "delamination", "area_mm2": 50.0 + k,
              "depth_mm": 0.5, "peak_point": "BM-02-03", "score": 2.0} for k in range(4)]  # fmt: skip
    (folder / "results/indications.json").write_text(json.dumps(found))
    return folder


def filled(root, bags):
    """An archive of so many bags: one that was added, and copies of it under other names."""
    archive = root / f"archive-{bags}"
    first = add_inspection(inspection(root / f"part-{bags}", 0), archive, name="part").bag
    for number in range(1, bags):
        shutil.copytree(first.folder, archive / f"part-{number:04d}@1")
    return archive


def took_s(*words, archive=None):
    command = [sys.executable, "-m", "tapscan", "archive", *map(str, words)]
    environment = os.environ | ({"TAPSCAN_ARCHIVE": str(archive)} if archive else {})
    clock, processor = [], []
    for _ in range(RUNS):
        began, used = time.perf_counter(), os.times()
        subprocess.run(command, check=True, capture_output=True, env=environment)
        clock.append(time.perf_counter() - began)
        now = os.times()
        processor.append(now.children_user + now.children_system - used.children_user - used.children_system)
    return np.array([min(clock), min(processor)])


def listing(root, bags):
    print("seconds over bare start-up, on the clock (of the processor)")
    for count in (max(bags // 100, 1), bags):
        archive = filled(root, count)
        bare = took_s("--help")
        took_s("list", archive=archive)  # makes the catalogue
        over = {
            "list": took_s("list", archive=archive) - bare,
            "find": took_s("find", "crazed", "yard", "--area-over", "51", archive=archive) - bare,
            "add": took_s("add", inspection(root / f"new-{count}", count), archive=archive) - bare,
        }
        result = ", ".join(f"{name} {clock:.2f} ({used:.2f})" for name, (clock, used) in over.items())
        print(f"{count:6d} bags, bare {bare[0]:.2f} ({bare[1]:.2f}): {result}")


def checking(root):
    folder = inspection(root / "large", 0)
    with (folder / "video.bin").open("wb") as stream:
        for _ in range(VOLUME_MB // 64):
            stream.write(os.urandom(64 << 20))
    bag = add_inspection(folder, root / "archive-large").bag
    check, floor = [], []
    for _ in range(3):
        began = time.perf_counter()
        assert check_bag(bag.folder) == ()
        check.append(time.perf_counter() - began)
        began = time.perf_counter()
        with (bag.inspection / "video.bin").open("rb") as stream:
            hashlib.file_digest(stream, "sha512")
        floor.append(time.perf_counter() - began)
    speed = VOLUME_MB / min(check)
    print(f"check of {VOLUME_MB} MB: {speed:.0f} MB/s, {min(check) / min(floor):.2f} times one SHA-512 of it")


def main():
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--bags", type=int, default=2000)
    bags = parser.parse_args().bags
    with tempfile.TemporaryDirectory() as place:
        listing(Path(place), bags)
        checking(Path(place))


if __name__ == "__main__":
    main()
