"""find_echoes against the Cramér-Rao bound, against invented echoes, against signals it does not assume."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.signal import butter, sosfiltfilt

from tapscan.errors import TapscanError
from tapscan.signals import find_echoes
from tapscan.signals.echoes.sampling import delayed
from tests.signals import layers

RATE_HZ, SAMPLES = 100e6, 512
CENTRE = 40  # of the Gaussian pulse, in samples


def gaussian():
    """5 MHz, 70 % bandwidth at half amplitude."""
    time_s = (np.arange(80) - CENTRE) / RATE_HZ
    width_s = 2.3548 / (2 * np.pi * 0.7 * 5e6)
    return np.exp(-0.5 * (time_s / width_s) ** 2) * np.cos(2 * np.pi * 5e6 * time_s)


def lopsided():
    """The layered wall's own pulse: sharp attack, ringing tail."""
    mirror = np.ones((1, len(layers.axis_hz(SAMPLES, RATE_HZ))))
    pulse = layers.traces(mirror, [0.06e-6], SAMPLES, RATE_HZ)[0, :110]
    return pulse / np.abs(pulse).max()


PULSES = {"gaussian": gaussian(), "lopsided": lopsided()}
LENGTH = 25.2  # pulse length in samples: full width at half amplitude of the Gaussian's envelope


def record(pulse, times, heights, noise_db, seed):
    """Traces (n, samples) with echoes at `times` (n, k), and noise that many dB below amplitude 1."""
    clean = np.einsum("nk,nks->ns", np.broadcast_to(heights, times.shape), delayed(pulse, times, SAMPLES))
    return clean + np.random.default_rng(seed).normal(0, 10 ** (-noise_db / 20), clean.shape)


def covariance(pulse, times, heights, noise_db):
    """Least covariance of the times, in samples², times and amplitudes unknown: the Fisher matrix inverted.

    For white noise of sd σ the matrix is JᵀJ/σ², J the derivatives of the trace (Kay 1993, from memory); here
    by central differences.
    """
    step, columns = 1e-3, []
    for time, height in zip(times, heights, strict=True):
        late, early = delayed(pulse, time + step, SAMPLES), delayed(pulse, time - step, SAMPLES)
        columns += [height * (late - early) / (2 * step), delayed(pulse, time, SAMPLES)]
    jacobian = np.array(columns)
    return np.linalg.inv(jacobian @ jacobian.T)[::2, ::2] * 10 ** (-noise_db / 10)


def bound(pulse, times, heights, noise_db):
    """Cramér-Rao bound of each time, in samples."""
    return np.sqrt(np.diag(covariance(pulse, times, heights, noise_db)))


def lag_bound(pulse, times, heights, noise_db, since=0):
    """Cramér-Rao bound of each later time since that of one echo: errors of overlapping ones go together."""
    least = covariance(pulse, times, heights, noise_db)
    later = np.arange(since + 1, len(times))
    return np.sqrt(least[since, since] + np.diag(least)[later] - 2 * least[since, later])


def test_the_bound_is_the_one_that_is_published():
    # Gaussian-windowed cosine, s = 0.2 µs, 5 MHz, 100 MHz, 30 dB: 0.237591 ns (computed from Kay 1993, from
    # memory).
    time_s = (np.arange(240) - 120) / RATE_HZ
    pulse = np.exp(-0.5 * (time_s / 0.2e-6) ** 2) * np.cos(2 * np.pi * 5e6 * time_s)
    assert bound(pulse, [130.0], [1.0], 30)[0] / RATE_HZ == pytest.approx(0.237591e-9, rel=2e-3)


@pytest.mark.slow
@pytest.mark.parametrize("name", PULSES)
@pytest.mark.parametrize("noise_db", [20, 30, 40])
def test_one_echo_of_a_known_pulse_is_timed_at_the_bound(name, noise_db):
    runs = 1000
    times = 150 + np.random.default_rng(1).uniform(-50, 50, (runs, 1))
    found = find_echoes(record(PULSES[name], times, [1.0], noise_db, 2), RATE_HZ, PULSES[name])
    assert (np.isfinite(found.time_s).sum(axis=1) == 1).mean() > 0.99
    error = found.time_s[:, 0] * RATE_HZ - times[:, 0]
    ratio = np.sqrt(np.mean(error**2)) / bound(PULSES[name], [150.3], [1.0], noise_db)[0]
    assert 0.9 < ratio <= 1.2
    assert np.median(found.amplitude[:, 0]) == pytest.approx(1, abs=0.01)


@pytest.mark.slow
@pytest.mark.parametrize("second", [0.7, -0.7, 1.0, -1.0])
@pytest.mark.parametrize("apart", [0.5 * LENGTH, LENGTH, 40.0, 80.0])
def test_two_overlapping_echoes_are_timed_at_the_bound(second, apart):
    # Whatever one calls the pulse's length: its full width at half amplitude, or all 80 samples of it.
    runs, heights = 400, [1.0, second]
    first = 150 + np.random.default_rng(3).uniform(-1, 1, (runs, 1))
    times = first + np.array([0, apart])
    found = find_echoes(record(gaussian(), times, heights, 30, 4), RATE_HZ, gaussian())
    two = np.isfinite(found.time_s).sum(axis=1) == 2
    assert two.mean() > 0.99
    error = found.time_s[two, :2] * RATE_HZ - times[two]
    ratio = np.sqrt(np.mean(error**2, axis=0)) / bound(gaussian(), [150.3, 150.3 + apart], heights, 30)
    assert (ratio <= 1.3).all()
    assert (np.sign(found.amplitude[two, :2]) == np.sign(heights)).mean() > 0.99


@pytest.mark.slow
@pytest.mark.parametrize("name", PULSES)
@pytest.mark.parametrize("noise_db", [20, 30, 40])
def test_without_a_pulse_one_echo_stays_within_twice_the_bound(name, noise_db):
    times = 150 + np.random.default_rng(5).uniform(-50, 50, (800, 1))
    found = find_echoes(record(PULSES[name], times, [1.0], noise_db, 6), RATE_HZ)
    assert (np.isfinite(found.time_s).sum(axis=1) == 1).mean() > 0.99
    # The centre of the true pulse, by a computation of our own: the crest of its analytic signal.
    spectrum = np.fft.fft(PULSES[name], 32 * 128)
    spectrum[len(spectrum) // 2 :] = 0
    fine = np.zeros(64 * len(spectrum), dtype=complex)
    fine[: len(spectrum)] = spectrum
    centre = np.argmax(np.abs(np.fft.ifft(fine))[: 64 * len(PULSES[name])]) / 64
    error = found.time_s[:, 0] * RATE_HZ - times[:, 0] - centre
    limit = bound(PULSES[name], [150.3], [1.0], noise_db)[0]
    assert np.std(error) / limit <= 1.2
    if name == "gaussian":  # a lopsided envelope has a flat top: where its crest is is a matter of taste
        assert np.sqrt(np.mean(error**2)) / limit <= 2


@pytest.mark.slow
@pytest.mark.parametrize("name", PULSES)
@pytest.mark.parametrize("apart", [0.5 * LENGTH, LENGTH])
def test_without_a_pulse_overlapping_echoes_below_a_front_surface_stay_within_twice_the_bound(name, apart):
    heights = [1.0, 0.8, -0.6]
    times = 100 + np.random.default_rng(7).uniform(-30, 30, (400, 1)) + [0, 160, 160 + apart]
    found = find_echoes(record(PULSES[name], times, heights, 30, 8), RATE_HZ)
    three = np.isfinite(found.time_s).sum(axis=1) == 3
    assert three.mean() > 0.99
    after = np.diff(found.time_s[three], axis=1) * RATE_HZ - np.diff(times[three], axis=1)
    limit = [lag_bound(PULSES[name], times[0], heights, 30, since)[0] for since in (0, 1)]
    assert (np.sqrt(np.mean(after**2, axis=0)) <= 2 * np.array(limit)).all()
    assert (
        np.sign(found.amplitude[three]) == np.sign(found.amplitude[three][:, :1]) * [1, 1, -1]
    ).mean() > 0.99


@pytest.mark.slow
@pytest.mark.parametrize(("name", "second"), [("lopsided", 0.7), ("lopsided", -0.7), ("gaussian", 0.7)])
@pytest.mark.parametrize("least", [0.5 * LENGTH, 20.0, LENGTH])
def test_without_a_pulse_echoes_that_overlap_in_every_trace_stay_within_twice_the_bound(name, second, least):
    # No trace shows a clear pulse: it is resolved only by the lag, which differs from trace to trace.
    rng, heights = np.random.default_rng(7), [1.0, second]
    first = 120 + rng.uniform(-30, 30, (400, 1))
    times = first + np.hstack([np.zeros((400, 1)), rng.uniform(least, 40.0, (400, 1))])
    found = find_echoes(record(PULSES[name], times, heights, 30, 8), RATE_HZ)
    two = np.isfinite(found.time_s).sum(axis=1) == 2
    assert two.mean() > 0.98
    error = np.diff(found.time_s[two, :2], axis=1)[:, 0] * RATE_HZ - np.diff(times[two], axis=1)[:, 0]
    limits = np.array([lag_bound(PULSES[name], row, heights, 30) for row in times[two]])
    assert np.sqrt(np.mean(error**2)) <= 2 * np.sqrt(np.mean(limits**2))


@pytest.mark.slow
@pytest.mark.parametrize("clear", [0.05, 0.5])
@pytest.mark.parametrize(("name", "second"), [("lopsided", 0.7), ("lopsided", -0.9), ("gaussian", -0.7)])
@pytest.mark.parametrize("apart", [0.5 * LENGTH, LENGTH, 40.0])
def test_without_a_pulse_a_few_clear_traces_show_it_where_all_others_overlap_alike(
    name, second, apart, clear
):
    # Every other trace has the same overlap, so that what most traces show is not the pulse.
    runs, rng = 400, np.random.default_rng(7)
    is_clear = rng.permutation(runs) < clear * runs
    times = 150 + rng.uniform(-30, 30, (runs, 1)) + [0, apart]
    heights = np.where(is_clear[:, None], [1.0, 0.0], [1.0, second])
    found = find_echoes(record(PULSES[name], times, heights, 30, 8), RATE_HZ)
    count = np.isfinite(found.time_s).sum(axis=1)
    assert (count[is_clear] == 1).mean() > 0.99
    two = (count == 2) & ~is_clear
    assert two.sum() > 0.98 * np.count_nonzero(~is_clear)
    error = np.diff(found.time_s[two, :2], axis=1)[:, 0] * RATE_HZ - apart
    (limit,) = lag_bound(PULSES[name], [150.3, 150.3 + apart], [1.0, second], 30)
    assert np.sqrt(np.mean(error**2)) <= 1.5 * limit


@pytest.mark.slow
@pytest.mark.parametrize("known", [True, False])
@pytest.mark.parametrize("depth_mm", [0.4, 0.5, 0.8])
def test_an_echo_on_the_tail_of_the_front_surface_echo_is_found(known, depth_mm):
    # A third of the traces is delaminated; the others show the back wall of a 1.6 mm laminate.
    rng = np.random.default_rng(9)
    depths = np.where(np.arange(1200) % 3 == 0, depth_mm, 1.6)
    front = 100 + rng.uniform(-50, 50, 1200)
    times = np.stack([front, front + 2e-3 * depths / 2950 * RATE_HZ], axis=1)
    found = find_echoes(record(gaussian(), times, [1, -1.2], 30, 10), RATE_HZ, gaussian() if known else None)
    assert (np.isfinite(found.time_s).sum(axis=1) == 2).mean() > 0.99
    depth = np.diff(found.time_s[:, :2], axis=1)[:, 0] * 2950e3 / 2
    assert np.nanmax(np.abs(depth - depths)) < 0.01


def band_noise(rng, runs):
    """Noise that lives in the probe's band only."""
    band = butter(2, [2e6, 9e6], "band", fs=RATE_HZ, output="sos")
    noise = sosfiltfilt(band, rng.normal(size=(runs, SAMPLES + 400)), axis=1)[:, 200:-200]
    return noise / noise.std()


def front_end(kind, echo, rng):
    """What a real front end does to traces of amplitude 1."""
    runs = len(echo)
    time_s = np.arange(SAMPLES) / RATE_HZ
    white = rng.normal(size=echo.shape)
    if kind == "hum":
        hum = 0.5 * np.sin(2 * np.pi * (50 * time_s + rng.uniform(0, 1, (runs, 1))))
        return echo + hum + 0.2 + 0.3 * np.exp(-time_s / 3e-6) + 0.03 * white
    if kind.endswith("bit"):
        return np.round((echo + 0.01 * white) * 2 ** (int(kind[:-3]) - 2)).astype(np.int16)
    return echo + {"quiet": 0.01, "loud": 0.1, "silent": 0.001}.get(kind, 0.03) * (
        band_noise(rng, runs) if kind == "band noise" else white
    )


KINDS = ["white", "quiet", "loud", "silent", "band noise", "hum", "8bit", "12bit", "16bit"]


@pytest.mark.slow
@pytest.mark.parametrize("known", [True, False])
@pytest.mark.parametrize("name", PULSES)
@pytest.mark.parametrize("kind", KINDS)
def test_no_second_echo_is_invented(kind, name, known):
    rng = np.random.default_rng(11)
    times, gain = 150 + rng.uniform(-50, 50, 600), 10 ** (rng.uniform(-3, 3, 600) / 20)
    traces = front_end(kind, gain[:, None] * delayed(PULSES[name], times, SAMPLES), rng)
    found = find_echoes(traces, RATE_HZ, PULSES[name] if known else None)
    count = np.isfinite(found.time_s).sum(axis=1)
    assert (count > 1).mean() < 0.01
    assert (count < 1).mean() < 0.01


@pytest.mark.slow
@pytest.mark.parametrize("known", [True, False])
@pytest.mark.parametrize("noise", ["white", "band"])
def test_nothing_is_found_in_noise(noise, known):
    rng = np.random.default_rng(12)
    traces = rng.normal(size=(1000, SAMPLES)) if noise == "white" else band_noise(rng, 1000)
    found = find_echoes(traces, RATE_HZ, gaussian() if known else None)
    assert np.isfinite(found.time_s[:, 0]).mean() < 0.01


def test_an_echo_is_not_missed_for_the_sake_of_silence():
    times = 150 + np.random.default_rng(13).uniform(-50, 50, (300, 1)) + [0, 150]
    found = find_echoes(record(gaussian(), times, [1.0, 0.2], 26, 14), RATE_HZ, gaussian())
    assert (np.isfinite(found.time_s).sum(axis=1) == 2).mean() > 0.95


@pytest.mark.parametrize("back", [layers.AIR, layers.WATER])
@pytest.mark.parametrize("depth_mm", [0.4, 0.75, 1.6])
def test_a_layered_wall_is_measured_to_a_fiftieth_of_a_millimetre(back, depth_mm):
    # Plies, resin between them, losses that rise with frequency, every reverberation: nothing that is
    # assumed.
    rng = np.random.default_rng(15)
    frequency = layers.axis_hz(SAMPLES, RATE_HZ)
    wall = layers.stack(depth_mm)
    response = layers.reflection(frequency, wall, back=back)
    traces = layers.traces(np.tile(response, (50, 1)), 0.8e-6 + rng.uniform(0, 0.5e-6, 50), SAMPLES, RATE_HZ)
    traces += rng.normal(0, 0.01 * np.abs(traces).max(), traces.shape)
    found = find_echoes(traces, RATE_HZ, lopsided(), n_echoes=2)
    front, wall_echo = found.time_s[:, 0], found.time_s[:, 1]
    expected = layers.transit_s(wall)
    assert np.abs(np.nanmedian(wall_echo - front) - expected) * 2950e3 / 2 < 0.02


@given(
    st.floats(0, 100),
    st.floats(1e-9, 1e9),
    st.sampled_from([1, -1]),
    st.sampled_from([np.float32, np.float64]),
)
@settings(deadline=None, max_examples=25)
def test_a_delay_moves_every_echo_and_gain_scales_it(delay, gain, sign, dtype):
    base = np.array([[90.0, 120.0]])
    still = find_echoes(record(gaussian(), base, [1, -0.8], 40, 16)[:, :SAMPLES], RATE_HZ, gaussian())
    clean = record(gaussian(), base + delay, [1, -0.8], 300, 16)
    moved = find_echoes((sign * gain * clean).astype(dtype), RATE_HZ, gaussian())
    np.testing.assert_allclose(moved.time_s[0, :2] * RATE_HZ, base[0] + delay, atol=3e-3)
    np.testing.assert_allclose(moved.amplitude[0, :2], sign * gain * np.array([1, -0.8]), rtol=3e-3)
    assert np.isfinite(still.time_s[0, :2]).all()


@given(st.integers(1, 6))
@settings(deadline=None, max_examples=6)
def test_echoes_come_in_order_of_time_and_no_more_than_asked_for(n_echoes):
    times = np.array([[300.0, 60.0, 180.0, 240.0]])
    found = find_echoes(
        record(gaussian(), times, [1.0, -0.5, 0.7, 0.9], 40, 17), RATE_HZ, gaussian(), n_echoes
    )
    assert found.time_s.shape == found.amplitude.shape == (1, n_echoes)
    here = found.time_s[0][np.isfinite(found.time_s[0])]
    assert len(here) == min(n_echoes, 4)
    assert (np.diff(here) > 0).all()
    strongest = np.sort(times[0][np.argsort([-1.0, -0.5, -0.7, -0.9])][: len(here)])
    np.testing.assert_allclose(here * RATE_HZ, strongest, atol=0.1)


def test_a_row_does_not_depend_on_its_neighbours():
    times = np.random.default_rng(18).uniform(20, 400, (300, 3))
    traces = record(gaussian(), times, [1, -0.7, 0.5], 30, 19)
    whole = find_echoes(traces, RATE_HZ, gaussian())
    for part in (slice(0, 1), slice(1, 8), slice(100, 299)):
        alone = find_echoes(traces[part], RATE_HZ, gaussian())
        np.testing.assert_array_equal(alone.time_s, whole.time_s[part])
        np.testing.assert_array_equal(alone.amplitude, whole.amplitude[part])


@pytest.mark.parametrize(
    "dtype", [np.int8, np.int16, np.int32, np.int64, np.uint16, np.float16, np.float32, bool]
)
def test_any_real_type_is_read(dtype):
    trace = delayed(gaussian(), 100.0, SAMPLES)
    scaled = (
        trace > 0.5 if dtype is bool else (trace * 100 + (100 if dtype is np.uint16 else 0)).astype(dtype)
    )
    found = find_echoes(scaled, RATE_HZ, gaussian(), n_echoes=1)
    assert found.time_s[0, 0] * RATE_HZ == pytest.approx(100, abs=1.0 if dtype is bool else 0.1)


def test_rows_that_hold_nothing_are_nan_and_disturb_no_other():
    good = record(gaussian(), np.array([[100.0]]), [1.0], 30, 20)[0]
    rows = np.stack([good, np.zeros(SAMPLES), np.full(SAMPLES, 3.0), good, good, good])
    rows[3, 7], rows[4, 9] = np.nan, np.inf
    for pulse in (gaussian(), None):
        found = find_echoes(rows, RATE_HZ, pulse)
        assert np.isfinite(found.time_s[:, 0]).tolist() == [True, False, False, False, False, True]


@pytest.mark.parametrize("pulse", [gaussian(), None])
@pytest.mark.parametrize("shape", [(0, 512), (3, 0), (3, 1), (3, 7), (3, 79), (3, 90), (1, 512)])
def test_small_and_empty_batches(shape, pulse):
    rng = np.random.default_rng(21)
    found = find_echoes(rng.normal(size=shape), RATE_HZ, pulse)
    assert found.time_s.shape == found.amplitude.shape == (shape[0], 3)
    if pulse is not None and shape[1] < 80:
        assert np.isnan(found.time_s).all()


def test_an_echo_that_the_end_cuts_off_is_not_reported_as_another():
    trace = delayed(gaussian(), 100.0, SAMPLES) + delayed(gaussian(), 500.0, SAMPLES)
    found = find_echoes(trace, RATE_HZ, gaussian())
    assert np.isfinite(found.time_s[0]).tolist() == [True, False, False]
    assert found.time_s[0, 0] * RATE_HZ == pytest.approx(100, abs=0.01)


@pytest.mark.parametrize(
    ("change", "message"),
    [
        ({"traces": np.zeros((2, 2, 50))}, r"traces: has 3 axes, not \(n, samples\) \(reshape the array\)"),
        ({"traces": np.zeros(50, complex)}, "traces: holds complex128, not real numbers"),
        ({"traces": np.array(["a"])}, "traces: holds <U1, not real numbers"),
        ({"sample_rate_hz": 0.0}, r"sample_rate_hz: is 0.0 \(give a rate above 0\)"),
        ({"sample_rate_hz": float("inf")}, "sample_rate_hz: is inf"),
        ({"n_echoes": 0}, r"n_echoes: is 0 \(ask for 1 or more\)"),
        ({"pulse": np.zeros(20)}, "pulse: is not a finite row of numbers that are not all 0"),
        ({"pulse": np.full(20, np.nan)}, "pulse: is not a finite row"),
        ({"pulse": np.ones((2, 20))}, "pulse: is not a finite row"),
        ({"pulse": []}, "pulse: is not a finite row"),
    ],
)
def test_bad_input_is_reported(change, message):
    arguments = {"traces": np.ones((2, 100)), "sample_rate_hz": RATE_HZ, "pulse": gaussian(), "n_echoes": 3}
    with pytest.raises(TapscanError, match=message):
        find_echoes(**(arguments | change))
