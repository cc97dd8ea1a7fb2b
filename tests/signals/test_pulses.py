import numpy as np
import pytest

from tapscan.signals.echoes.pulses import centre_frequency_hz, deconvolved, estimate_pulse, two_kinds
from tapscan.signals.echoes.sampling import delayed, detrended
from tests.signals.layers import axis_hz, traces

RATE_HZ = 100e6


def probe_pulse(samples=120):
    """The layered wall's own pulse, seen by a plain mirror: lopsided, not what any estimator here assumes."""
    pulse = traces(np.ones((1, len(axis_hz(512, RATE_HZ)))), [0.1e-6], 512, RATE_HZ)[0, :samples]
    return pulse / np.abs(pulse).max()


def likeness(a, b):
    """Largest normalised cross-correlation, between samples too."""
    size = 2 * (len(a) + len(b))
    cross = np.fft.rfft(a, size) * np.conj(np.fft.rfft(b, size))
    return np.abs(16 * np.fft.irfft(cross, 16 * size)).max() / np.sqrt((a @ a) * (b @ b))


@pytest.mark.parametrize("samples", [1, 2, 15, 64, 512])
def test_drift_is_taken_out_and_a_row_does_not_depend_on_its_neighbours(samples):
    x = np.linspace(-1, 1, samples)
    drift = np.stack([np.full(samples, 3.0), 1 + 0 * x, 2 - (0 if samples < 16 else 5) * x])
    np.testing.assert_allclose(detrended(drift), 0, atol=1e-12)
    noisy = np.random.default_rng(1).normal(size=(7, samples))
    np.testing.assert_array_equal(detrended(noisy)[3:4], detrended(noisy[3:4]))


def test_mains_hum_within_a_trace_is_drift():
    time_s = np.arange(512) / RATE_HZ
    hum = np.sin(2 * np.pi * 60 * time_s + np.linspace(0, 6, 50)[:, None])
    assert np.abs(detrended(hum)).max() < 1e-9


@pytest.mark.parametrize("delay", [0.0, 3.0, 17.25, 40.999])
def test_a_fourier_shift_moves_by_exactly_the_delay(delay):
    n = np.arange(200)
    pulse = np.exp(-0.5 * ((n[:80] - 40) / 9) ** 2) * np.cos(0.3 * (n[:80] - 40))
    direct = np.exp(-0.5 * ((n - 40 - delay) / 9) ** 2) * np.cos(0.3 * (n - 40 - delay))
    np.testing.assert_allclose(delayed(pulse, delay, 200), direct, atol=2e-4)  # the pulse is cut at 5e-5


def test_centre_frequency():
    n = np.arange(400)
    tone = np.exp(-0.5 * ((n - 200) / 20) ** 2) * np.cos(2 * np.pi * 0.07 * n)
    assert centre_frequency_hz(tone[None], RATE_HZ) == pytest.approx(7e6, rel=0.01)
    assert np.isnan(centre_frequency_hz(np.zeros((2, 50)), RATE_HZ))
    assert np.isnan(centre_frequency_hz(np.zeros((0, 50)), RATE_HZ))


@pytest.mark.parametrize("polarity", [1, -1])
def test_the_pulse_is_estimated_from_drifting_front_echoes_of_unlike_gain(polarity):
    rng = np.random.default_rng(2)
    front, gain = 150 + rng.uniform(-50, 50, 300), 10 ** (rng.uniform(-3, 3, 300) / 20)
    batch = polarity * gain[:, None] * delayed(probe_pulse(), front, 512)
    # Echoes from inside, at another time in each trace, must not become part of the pulse.
    batch -= 0.8 * gain[:, None] * polarity * delayed(probe_pulse(), front + rng.uniform(60, 300, 300), 512)
    pulse = estimate_pulse(batch + rng.normal(0, 0.01, batch.shape), RATE_HZ)
    assert likeness(pulse.samples, probe_pulse()) > 0.998
    assert np.sign(pulse.samples[np.argmax(np.abs(pulse.samples))]) == polarity * np.sign(
        probe_pulse()[np.argmax(np.abs(probe_pulse()))]
    )


def test_a_known_overlap_is_taken_out_of_the_pulse():
    rng = np.random.default_rng(3)
    start = np.stack([150 + rng.uniform(-1, 1, 300), 165 + rng.uniform(0, 15, 300)], axis=1)
    height = np.broadcast_to([1.0, -0.8], start.shape)
    batch = np.einsum("nk,nks->ns", height, delayed(probe_pulse(), start, 512))
    batch += rng.normal(0, 0.01, batch.shape)
    first = estimate_pulse(batch, RATE_HZ)
    shift = np.argmax(np.correlate(first.samples, probe_pulse(), "full")) - (
        len(probe_pulse()) - 1
    )  # samples
    second = deconvolved(batch, start - shift, height, first)
    assert likeness(first.samples, probe_pulse()) < 0.98
    assert likeness(second.samples, probe_pulse()) > 0.999


def test_nothing_holds_no_pulse():
    assert estimate_pulse(np.zeros((4, 100)), RATE_HZ) is None
    assert estimate_pulse(np.zeros((0, 100)), RATE_HZ) is None


@pytest.mark.parametrize("noise_db", [26, 30, 40])  # at 20 some are aligned half a cycle off: a kind, too
def test_traces_with_one_shape_of_front_surface_echo_are_of_one_kind(noise_db):
    rng = np.random.default_rng(21)
    gain = 10 ** (rng.uniform(-3, 3, (300, 1)) / 20)
    traces = gain * delayed(probe_pulse(), 100 + rng.uniform(-20, 20, 300), 512)
    assert two_kinds(traces + rng.normal(0, 10 ** (-noise_db / 20) * 0.7, traces.shape), 100e6) is None


def test_kinds_are_separated_whatever_their_gain_sign_and_time():
    rng = np.random.default_rng(22)
    is_second = rng.uniform(size=200) < 0.2
    gain = rng.choice([-1.0, 1.0], (200, 1)) * 10 ** (rng.uniform(-3, 3, (200, 1)) / 20)
    first = 100 + rng.uniform(-20, 20, 200)
    traces = delayed(probe_pulse(), first, 512) + 0.6 * is_second[:, None] * delayed(
        probe_pulse(), first + 13, 512
    )
    kinds = two_kinds(gain * traces + rng.normal(0, 0.02, traces.shape), 100e6)
    assert kinds is not None
    np.testing.assert_array_equal(kinds if kinds[is_second].all() else ~kinds, is_second)


def test_too_little_is_of_one_kind():
    assert two_kinds(np.zeros((0, 64)), 100e6) is None
    assert two_kinds(np.sin(np.arange(64.0))[None], 100e6) is None


def test_a_strong_back_wall_half_a_cycle_later_in_half_the_traces_does_not_cancel_the_front_surfaces_echo():
    """A wall of ±5 % on a coarse grid: the back walls gave half of the windows the other sign."""
    front = 100 + np.random.default_rng(4).uniform(-5, 5, 40)
    later = front + np.where(np.arange(40) < 20, 112.0, 122.0)  # the pulse's period is 20 samples
    batch = 0.25 * delayed(probe_pulse(), front, 512) - delayed(probe_pulse(), later, 512)
    pulse = estimate_pulse(batch, RATE_HZ, 5e6)
    assert likeness(pulse.samples, probe_pulse()) > 0.998
