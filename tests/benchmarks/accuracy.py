"""How near the estimators come to the Cramér-Rao bound, and how seldom they invent an echo.

The bound is computed for each case by inverting the Fisher matrix of the signal itself (`tests/signals`). Of
frequency and damping, and of several echoes, the worst ratio counts. Where the pulse is estimated its time
zero is a matter of convention: times then count from the first echo, and so does their bound.

    python -m tests.benchmarks.accuracy
"""

from collections.abc import Iterator

import numpy as np

from tapscan.signals import find_echoes, fit_modes
from tapscan.signals.echoes.sampling import delayed
from tests.signals import test_echoes as echoes
from tests.signals import test_modes as modes

FIRST_SAMPLE = 150  # where the first echo sits, give or take 30
DEPTHS_MM = (0.4, 0.5, 0.8)
Row = tuple[str, float, float, int]  # what, measured, wanted at most, runs


def modes_rows() -> Iterator[Row]:
    """Frequency and damping of decaying modes."""
    for name, case, wanted, levels, runs in (
        ("one mode, 3 kHz, 0.01", modes.ONE, 1.2, (20, 30, 40), 800),
        ("two modes, 3.4 and 5.2 kHz", modes.TWO, 1.5, (20, 30, 40), 800),
        ("two modes a half-power bandwidth apart", modes.CLOSE, 1.5, (40,), 400),
    ):
        for level_db in levels:
            noise = 10 ** (-level_db / 20)
            fits = fit_modes(modes.noisy(case, noise, runs, seed=100), modes.RATE_HZ, len(case))
            yield f"{name}, {level_db} dB", modes.over_bound(fits, case, noise)[:, :2].max(), wanted, runs
    for damping_ratio in (0.001, 0.003, 0.03, 0.1):
        case = [(3000.0, damping_ratio, 1.0, 0.3)]
        fits = fit_modes(modes.noisy(case, 0.01, 400, seed=101), modes.RATE_HZ, 1)
        yield f"one mode, {damping_ratio}, 40 dB", modes.over_bound(fits, case, 0.01)[0, :2].max(), 1.2, 400
    for rate_hz in (8e3, 22.05e3, 192e3):
        time_s = np.arange(round(0.1 * rate_hz)) / rate_hz
        case = [(1400.0, 0.012, 1.0, 0.3), (2600.0, 0.02, 0.6, 1.0)]
        fits = fit_modes(modes.noisy(case, 0.02, 200, seed=102, time_s=time_s), rate_hz, 2)
        ratio = modes.over_bound(fits, case, 0.02, time_s)[:, :2].max()
        yield f"two modes at {rate_hz / 1e3:g} kHz, 34 dB", ratio, 1.5, 200


def echo_rows() -> Iterator[Row]:
    """Times of echoes with the pulse given."""
    for name, pulse in echoes.PULSES.items():
        for level_db in (20, 30, 40):
            yield f"one echo, {name}, {level_db} dB", timed(pulse, [0.0], [1.0], level_db, True), 1.2, 2000
        for apart, what in ((0.5 * echoes.LENGTH, "half a pulse"), (echoes.LENGTH, "a pulse")):
            worst = max(timed(pulse, [0, apart], [1, second], 30, True) for second in (0.7, -0.7, -1.0))
            yield f"two echoes {what} apart, {name}, 30 dB", worst, 1.5, 3 * 2000


def estimated_rows() -> Iterator[Row]:
    """The same with the pulse estimated, from a clear front-surface echo in every trace or in a few."""
    for name, pulse in echoes.PULSES.items():
        for level_db in (20, 30, 40):
            ratio = timed(pulse, [0, 160], [1, 0.8], level_db, False)
            yield f"pulse estimated: two clear echoes, {name}, {level_db} dB", ratio, 2.0, 2000
        for apart, what in ((0.5 * echoes.LENGTH, "half a pulse"), (echoes.LENGTH, "a pulse")):
            below = timed(pulse, [0, 160, 160 + apart], [1, 0.8, -0.6], 30, False)
            yield f"pulse estimated: two {what} apart below the front, {name}, 30 dB", below, 2.0, 2000
            for clear in (0.05, 0.3):
                worst = max(timed(pulse, [0, apart], [1, second], 30, False, clear) for second in (0.7, -0.7))
                text = f"pulse estimated: on the front {what} apart, {clear:.0%} clear, {name}, 30 dB"
                yield text, worst, 2.0, 2 * 2000


def timed(pulse, places, heights, level_db, is_given, clear=0.0, runs=2000):
    """Root-mean-square error of times over their bound; infinite where one echo in a hundred is missed."""
    rng = np.random.default_rng(103)
    times = FIRST_SAMPLE + rng.uniform(-30, 30, (runs, 1)) + places
    is_clear = rng.permutation(runs) < clear * runs
    shown = np.where(is_clear[:, None], np.eye(len(places))[0], heights)
    traces = echoes.record(pulse, times, shown, level_db, 104)
    found = find_echoes(traces, echoes.RATE_HZ, pulse if is_given else None)
    whole = (np.isfinite(found.time_s).sum(axis=1) == len(places)) & ~is_clear
    if whole.sum() < 0.99 * np.count_nonzero(~is_clear):
        return np.inf
    error = found.time_s[whole, : len(places)] * echoes.RATE_HZ - times[whole]
    at = FIRST_SAMPLE + 0.3 + np.array(places)
    limit = echoes.bound(pulse, at, heights, level_db)
    if not is_given:
        error, limit = error[:, 1:] - error[:, :1], echoes.lag_bound(pulse, at, heights, level_db)
    return float((np.sqrt(np.mean(error**2, axis=0)) / limit).max())


def invented_rows() -> Iterator[Row]:
    """Share of traces, in per cent, with an echo that is not there."""
    rng, runs = np.random.default_rng(105), 3000
    for name, pulse in echoes.PULSES.items():
        for is_given in (True, False):
            given, worst = pulse if is_given else None, 0.0
            for kind in echoes.KINDS:
                times = FIRST_SAMPLE + rng.uniform(-50, 50, runs)
                traces = echoes.front_end(kind, delayed(pulse, times, echoes.SAMPLES), rng)
                found = find_echoes(traces, echoes.RATE_HZ, given)
                worst = max(worst, float((np.isfinite(found.time_s).sum(axis=1) > 1).mean()))
            text = f"% with a second echo invented, {name}, pulse {'given' if is_given else 'estimated'}"
            yield text, 100 * worst, 1.0, runs * len(echoes.KINDS)
    noise = np.stack([rng.normal(size=(runs, echoes.SAMPLES)), echoes.band_noise(rng, runs)])
    worst = max(
        float(np.isfinite(find_echoes(one, echoes.RATE_HZ, echoes.gaussian()).time_s[:, 0]).mean())
        for one in noise
    )
    yield "% of pure noise with an echo, white or in the band", 100 * worst, 1.0, 2 * runs


def depth_rows() -> Iterator[Row]:
    """Depth of a delamination on the tail of the front-surface echo, in mm, largest error of all."""
    for depth_mm in DEPTHS_MM:
        for is_given in (True, False):
            rng = np.random.default_rng(106)
            depths = np.where(np.arange(1200) % 3 == 0, depth_mm, 1.6)
            front = 100 + rng.uniform(-50, 50, 1200)
            times = np.stack([front, front + 2e-3 * depths / 2950 * echoes.RATE_HZ], axis=1)
            traces = echoes.record(echoes.gaussian(), times, [1, -1.2], 30, 107)
            found = find_echoes(traces, echoes.RATE_HZ, echoes.gaussian() if is_given else None)
            result = np.diff(found.time_s[:, :2], axis=1)[:, 0] * 2950e3 / 2
            worst = float(np.max(np.nan_to_num(np.abs(result - depths), nan=np.inf)))
            text = f"mm, {depth_mm} mm deep in 1.6, pulse {'given' if is_given else 'estimated'}, 30 dB"
            yield text, worst, 0.05, 1200


def main() -> None:
    print(f"{'measured':>9} {'wanted':>7} {'runs':>6}")
    for rows in (modes_rows, echo_rows, estimated_rows, invented_rows, depth_rows):
        print(f"-- {rows.__doc__}")
        for what, measured, wanted, runs in rows():
            mark = " " if measured <= wanted else "!"
            print(f"{measured:>9.3f} {wanted:>7.2f} {runs:>6} {mark} {what}", flush=True)


if __name__ == "__main__":
    main()
