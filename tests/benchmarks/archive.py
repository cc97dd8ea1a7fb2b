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

from tapscan.archive.bags import add_inspection
from tapscan.archive.checking import check_bag

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
    counts = [{"zone": "BM", "method": "tap", "clear": 50, "suspect": 10, "unread": 4, "skipped": 0}]
    (folder / "results/summary.json").write_text(
        json.dumps({"version": "0.1.0", "counts": counts, "inputs": {}})
    )
    found = [{"id": f"BM-T{k}", "zone": "BM", "method": "tap", "kind": "delamination", "area_mm2": 50.0 + k,
              "depth_mm": 0.5, "peak_point": "BM-02-03", "score": 2.0} for k in range(4)]  # fmt: skip
    (folder / "results/indications.json").write_text(json.dumps(found))
    return folder


def filled(root, bags):
    archive = root / f"archive-{bags}"
    for number in range(bags):
        add_inspection(inspection(root / f"part-{number:04d}", number), archive)
        shutil.rmtree(root / f"part-{number:04d}")
    return archive


def took_s(*words, archive=None):
    command = [sys.executable, "-m", "tapscan", "archive", *map(str, words)]
    environment = os.environ | ({"TAPSCAN_ARCHIVE": str(archive)} if archive else {})
    times = []
    for _ in range(RUNS):
        began = time.perf_counter()
        subprocess.run(command, check=True, capture_output=True, env=environment)
        times.append(time.perf_counter() - began)
    return min(times)


def listing(root, bags):
    print(f"{'bags':>6} {'bare':>8} {'list':>8} {'find':>8} {'add':>8}   seconds over bare: list, find, add")
    for count in (max(bags // 100, 1), bags):
        archive = filled(root, count)
        bare = took_s("--help")
        took_s("list", archive=archive)  # makes the catalogue
        times = [
            took_s("list", archive=archive),
            took_s("find", "crazed", "yard", "--area-over", "51", archive=archive),
            took_s("add", inspection(root / f"new-{count}", count), archive=archive),
        ]
        over = ", ".join(f"{one - bare:.2f}" for one in times)
        print(f"{count:6d} {bare:8.2f} " + " ".join(f"{one:8.2f}" for one in times) + f"   {over}")


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
