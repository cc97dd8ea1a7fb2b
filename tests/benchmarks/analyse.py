"""Where the time of the main job goes, on a simulated tube of 480 points and 1,440 taps.

Run it as ``python -m tests.benchmarks.analyse``. The floor is what nobody can do without: reading the files
with the sound library and one real Fourier transform of every tap.
"""

import cProfile
import pstats
import resource
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import numpy as np
import soundfile
from scipy import fft

import tapscan
from tapscan.plan.text.reading import parse_plan
from tapscan.synth import Defect, TapScene, simulate_taps, tap_files, write_inspection

PLAN = """
[part]
name = "Benchmark tube (synthetic)"
[[zone]]
code = "BM"
shape = "tube"
stations = 40
positions = 12
station_pitch_mm = 10.0
girth_mm = 120.0
thickness_mm = 1.6
modulus_gpa = 60.0
poisson = 0.3
density_kg_m3 = 1550.0
velocity_m_s = 2950.0
"""

# A function belongs to the first of these that its path names; one of a library that serves them all, or of
# Python, to those who call it.
GROUPS = (
    ("drawing and page", ("matplotlib", "/PIL/", "jinja2", "/report/", "contourpy", "fontTools")),
    ("reading and finding taps", ("soundfile", "/records/", "signals/taps/finding.py", "taps/readings.py")),
    ("transforms and features", ("/signals/", "scipy/fft")),
    ("baseline and calls", ("/screening/",)),
    ("everything else", ("/tapscan/", "/tests/")),
)
CALLER_ROUNDS = 60


def write_zone(folder):
    zone = parse_plan(PLAN).zones[0]
    defects = (Defect(x_mm=150.0, s_mm=60.0, radius_mm=18.0, depth_mm=0.6),)
    recordings = simulate_taps(zone, defects, TapScene(), 1)
    write_inspection(folder, {"inspection.toml": PLAN.encode(), **tap_files(zone, recordings)})


def floor_s(folder):
    started = time.perf_counter()
    taps = []
    for path in sorted((folder / "taps").glob("*.wav")):
        samples, rate_hz = soundfile.read(path, dtype="float32")
        length = round(0.1 * rate_hz)
        taps += [samples[:length], samples[-length:], samples[-length:]]
    fft.rfft(np.array(taps), axis=1)
    return time.perf_counter() - started


def main():
    with tempfile.TemporaryDirectory() as scratch:
        folder = Path(scratch) / "part"
        write_zone(folder)
        floor = floor_s(folder)
        tapscan.analyse(tapscan.open_inspection(folder)).save()  # imports and caches warm
        started = time.perf_counter()
        results = tapscan.analyse(tapscan.open_inspection(folder))
        analysed = time.perf_counter()
        results.save()
        saved = time.perf_counter()
        print(f"floor (read and transform)   {floor:6.2f} s   1.0")
        print(
            f"analyse                      {analysed - started:6.2f} s   {(analysed - started) / floor:.1f}"
        )
        print(f"save (tables, pictures, page)  {saved - analysed:4.2f} s   {(saved - analysed) / floor:.1f}")
        shares(folder)
    print(f"peak memory {resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024:.0f} MB")
    start_up()


def shares(folder):
    profile = cProfile.Profile()
    profile.enable()
    tapscan.analyse(tapscan.open_inspection(folder)).save()
    profile.disable()
    stats = pstats.Stats(profile).stats
    waiting = {function: own for function, (_, _, own, _, _) in stats.items()}
    seconds = dict.fromkeys([name for name, _ in GROUPS], 0.0)
    for _ in range(CALLER_ROUNDS):
        handed_on = dict.fromkeys(stats, 0.0)
        for function, own in waiting.items():
            callers = {caller: edge[3] for caller, edge in stats[function][4].items() if caller in stats}
            group = next((name for name, marks in GROUPS if any(mark in function[0] for mark in marks)), None)
            if group or not any(callers.values()):
                seconds[group or GROUPS[-1][0]] += own
                continue
            for caller, weight in callers.items():
                handed_on[caller] += own * weight / sum(callers.values())
        waiting = handed_on
    total = sum(seconds.values())
    for name, own in seconds.items():
        print(f"  {name:26s} {own / total:6.1%} of the profiled time")


def start_up():
    def median_s(*arguments):
        times = []
        for _ in range(7):
            started = time.perf_counter()
            subprocess.run([sys.executable, *arguments], check=True, stdout=subprocess.DEVNULL)
            times.append(time.perf_counter() - started)
        return sorted(times)[3]

    bare, helped = median_s("-c", "pass"), median_s("-m", "tapscan", "--help")
    print(f"tapscan --help over python -c pass: {helped / bare:.1f}")


if __name__ == "__main__":
    main()
