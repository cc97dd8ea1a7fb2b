"""What measuring a volume of A-scans costs, against the transforms that it rests on.

The floor is one batched real FFT and its inverse of the same memory-mapped float32 data, in the blocks that
suit it best, with the same number of threads. Everything else is gates, echoes, times of flight, amplitudes
and the decision over the whole zone. One trace in twenty is delaminated, a third of those so shallow that the
echoes overlap and are refined.

    python -m tests.benchmarks.echoes            10^3 to 10^5 traces
    python -m tests.benchmarks.echoes --full     up to 10^6 traces, 2 GB in the temporary directory
"""

import mmap
import resource
import shutil
import subprocess
import sys
import tempfile
import threading
import time
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import numpy as np
from scipy import fft

from tapscan.signals import AScanSettings, find_echoes, measure_volume
from tapscan.signals.echoes.sampling import delayed

SAMPLES, RATE_HZ, BLOCK, THREADS, RUNS = 512, 100e6, 2048, 2, 3
TOF_S = 2 * 1.6e-3 / 2950
POSITIONS = 100


def pulse() -> np.ndarray:
    time_s = np.arange(80) / RATE_HZ - 0.4e-6
    return np.exp(-0.5 * (time_s / 0.107e-6) ** 2) * np.cos(2 * np.pi * 5e6 * time_s)


def write_volume(path: Path, traces: int) -> None:
    """A panel of 1.6 mm: drifting front surface, back wall, its second round trip, delaminations, noise."""
    rng = np.random.default_rng(7)
    kinds = 4096
    front = 60 + rng.uniform(0, 100, kinds)
    tof = TOF_S * RATE_HZ
    clean = delayed(pulse(), front, SAMPLES)
    whole = (
        clean
        - 0.8 * delayed(pulse(), front + tof, SAMPLES)
        + 0.4 * delayed(pulse(), front + 2 * tof, SAMPLES)
    )
    depth = rng.uniform(0.4, 1.45, kinds) / 1.6 * tof
    whole[::20] = (clean - 1.2 * delayed(pulse(), front + depth, SAMPLES))[::20]
    whole = whole.astype(np.float32)
    out = np.lib.format.open_memmap(path, "w+", np.float32, (traces // POSITIONS, POSITIONS, SAMPLES))
    flat = out.reshape(traces, SAMPLES)
    for start in range(0, traces, kinds):
        count = min(kinds, traces - start)
        flat[start : start + count] = whole[:count] + rng.standard_normal((count, SAMPLES), np.float32) * 0.01
    out.flush()


def floor_s(volume: np.ndarray) -> tuple[float, float]:
    """Transform there and back, block by block: wall and processor seconds.

    Threads inside the transform and around it are tried; the faster one counts.
    """
    flat = volume.reshape(-1, SAMPLES)

    def one(start: int, workers: int = 1) -> None:
        block = flat[start : start + BLOCK]
        fft.irfft(fft.rfft(block, axis=1, workers=workers), SAMPLES, axis=1, workers=workers)

    started, cpu = time.perf_counter(), time.process_time()
    for start in range(0, len(flat), BLOCK):
        one(start, THREADS)
    inside, inside_cpu = time.perf_counter() - started, time.process_time() - cpu
    started, cpu = time.perf_counter(), time.process_time()
    with ThreadPoolExecutor(THREADS) as pool:
        list(pool.map(one, range(0, len(flat), BLOCK)))
    around, around_cpu = time.perf_counter() - started, time.process_time() - cpu
    return min((inside, inside_cpu), (around, around_cpu))


def resident_mb() -> float:
    """Memory that this process really holds now, mapped pages included."""
    pages = int(Path("/proc/self/statm").read_text().split()[1])
    return pages * resource.getpagesize() / 1e6


def measure(path: Path) -> None:
    """Run in a fresh process, so that its memory is its own; prints seconds, floor, and peak memory."""
    volume = np.load(path, mmap_mode="r")
    find_echoes(delayed(pulse(), [100.0, 120.0], SAMPLES), RATE_HZ)  # imports are not the work
    base, peak = resident_mb(), [0.0]
    done, watching = threading.Event(), threading.Event()

    def watch() -> None:
        while not done.wait(0.01):
            if watching.is_set():
                peak[0] = max(peak[0], resident_mb())

    watcher = threading.Thread(target=watch)
    watcher.start()
    rows = []
    for _ in range(RUNS):  # in turns, so that whatever else the machine does falls on both
        floor, floor_busy = floor_s(volume)
        volume.base.madvise(mmap.MADV_DONTNEED)  # the floor's pages are not the measuring's
        watching.set()
        started, cpu = time.perf_counter(), time.process_time()
        measure_volume(volume, RATE_HZ, AScanSettings(TOF_S), workers=THREADS)
        took, busy = time.perf_counter() - started, time.process_time() - cpu
        watching.clear()
        rows.append((took, floor, took / floor, busy / floor_busy))
    done.set()
    watcher.join()
    print(*np.median(rows, axis=0), peak[0] - base)


def over_transforms() -> tuple[float, float]:
    """Processor time of `find_echoes` over the transforms of the same batch: one echo, and two that overlap.

    The pulse is given.
    """
    rng, out = np.random.default_rng(1), []
    for traces in (
        delayed(pulse(), 150 + rng.uniform(-50, 50, 2000), SAMPLES),
        delayed(pulse(), np.full(2000, 150.3), SAMPLES)
        - 0.7 * delayed(pulse(), np.full(2000, 175.8), SAMPLES),
    ):
        noisy, best = traces + rng.normal(0, 0.03, traces.shape), np.full(2, np.inf)
        for _ in range(9):  # in turns, so that whatever else the machine does falls on both
            started = time.process_time()
            for start in range(0, len(noisy), BLOCK // 4):
                fft.irfft(fft.rfft(noisy[start : start + BLOCK // 4], axis=1), SAMPLES, axis=1)
            between = time.process_time()
            find_echoes(noisy, RATE_HZ, pulse())
            best = np.minimum(best, [between - started, time.process_time() - between])
        out.append(best[1] / best[0])
    return out[0], out[1]


def main() -> None:
    sizes = [1_000, 10_000, 100_000] + ([1_000_000] if "--full" in sys.argv else [])
    print(f"wall and cpu: times the floor's wall and processor time, median of {RUNS}")
    print(f"{'traces':>9} {'floor s':>8} {'all s':>8} {'us/trace':>9} {'wall':>6} {'cpu':>6} {'MB above':>9}")
    for traces in sizes:
        with tempfile.TemporaryDirectory() as folder:
            if shutil.disk_usage(folder).free < 2.5 * traces * SAMPLES * 4:
                print(f"{traces:>9} skipped: not enough room in {folder}")
                continue
            path = Path(folder) / "BM.npy"
            write_volume(path, traces)
            command = [sys.executable, "-m", "tests.benchmarks.echoes", "--measure", str(path)]
            result = subprocess.run(command, check=True, capture_output=True, text=True).stdout
            took, floor, wall, busy, memory = map(float, result.split())
        print(
            f"{traces:>9} {floor:>8.3f} {took:>8.3f} {took / traces * 1e6:>9.2f} {wall:>6.2f} "
            f"{busy:>6.2f} {memory:>9.0f}",
            flush=True,
        )
    single, double = over_transforms()
    print(f"find_echoes, pulse given, over transforms: {single:.1f}, and {double:.1f} where two overlap")


if __name__ == "__main__":
    if "--measure" in sys.argv:
        measure(Path(sys.argv[-1]))
    else:
        main()
