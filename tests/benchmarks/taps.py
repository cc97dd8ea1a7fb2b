"""What measuring taps costs, as ratios to the bare real Fourier transform of the same data in the same run.

`python -m tests.benchmarks.taps` prints the table; `--largest 100000` sets how far the growth is followed.
Floor: `scipy.fft.rfft` of 2,000 taps of 100 ms at 48 kHz, float32, one worker. Reference: a loop that takes
each
tap through librosa for its centroid, spectrum and energy decay.
"""

import argparse
import time

import numpy as np
from scipy import fft

from tapscan.signals import fit_modes, tap_features
from tests.signals.struck import oscillation

__all__ = ["main"]

RATE_HZ = 48000.0
TIME_S = np.arange(4800) / RATE_HZ


def taps(count, seed=0):
    """Two modes and noise, no two taps alike; float32."""
    rng = np.random.default_rng(seed)
    out = np.empty((count, len(TIME_S)), dtype=np.float32)
    for first in range(0, count, 1000):
        part = out[first : first + 1000]
        clean = oscillation(TIME_S, 3000, 0.01) + 0.6 * oscillation(TIME_S, 5200, 0.02)
        part[:] = rng.uniform(0.3, 1, (len(part), 1)) * clean + 0.01 * rng.standard_normal(part.shape)
    return out


def fastest(work, times=7):
    """Shortest of several runs, in seconds: the one least disturbed by others."""
    best = np.inf
    for _ in range(times):
        begin = time.perf_counter()
        work()
        best = min(best, time.perf_counter() - begin)
    return best


def librosa_loop(batch):
    """Per tap: centroid, band spectrum and decay slope by library calls."""
    import librosa

    for tap in batch:
        magnitude = np.abs(
            librosa.stft(tap, n_fft=len(tap), hop_length=len(tap), window="boxcar", center=False)
        )
        librosa.feature.spectral_centroid(S=magnitude, sr=RATE_HZ)
        librosa.feature.melspectrogram(S=magnitude**2, sr=RATE_HZ, n_mels=67)
        level = librosa.amplitude_to_db(librosa.feature.rms(y=tap, frame_length=480, hop_length=48)[0])
        np.polyfit(np.arange(len(level)), level, 1)


def main():
    """Print the table."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--largest", type=int, default=100_000, help="taps at the end of the growth table")
    largest = parser.parse_args().largest
    batch = taps(2000)
    floor_s = fastest(lambda: fft.rfft(batch, axis=1))
    ours_s = fastest(lambda: tap_features(batch, RATE_HZ))
    librosa_loop(batch[:2])  # compiles at first use
    loop_s = fastest(lambda: librosa_loop(batch[:100]), 3) * 20
    modes_s = fastest(lambda: fit_modes(batch[:200], RATE_HZ), 2) * 10
    rows = [
        ("bare real transform of 2,000 taps", floor_s, 1.0),
        ("tap_features, everything", ours_s, ours_s / floor_s),
        ("librosa loop, centroid, bands and decay", loop_s, loop_s / floor_s),
        ("fit_modes, two modes, number not given", modes_s, modes_s / floor_s),
    ]
    lines = [f"{name:45s} {seconds * 1e3:9.1f} ms {ratio:8.2f} x floor" for name, seconds, ratio in rows]
    lines.append(f"tap_features is {loop_s / ours_s:.1f} times as fast as the loop")
    count = 100
    while count <= largest:
        begin = time.perf_counter()
        for first in range(0, count, 10_000):
            tap_features(
                batch[: min(2000, count)] if count <= 2000 else taps_again(batch, first, count), RATE_HZ
            )
        seconds = time.perf_counter() - begin
        lines.append(f"{count:7d} taps {seconds:9.3f} s {seconds / count * 1e6:8.1f} µs per tap")
        count *= 10
    print("\n".join(lines))


def taps_again(batch, first, count):
    """Up to ten thousand taps, the batch over and over: memory stays bounded however many are measured."""
    return np.tile(batch, (5, 1))[: min(10_000, count - first)]


if __name__ == "__main__":
    main()
