"""Whole zones of a layered wall, which shares no model with the package, and bad traces of every kind."""

from dataclasses import dataclass, field

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tapscan.errors import TapscanError
from tapscan.signals import AScanSettings, depth_mm, measure_ascans, measure_volume
from tapscan.signals.echoes import measuring as ascans
from tapscan.signals.echoes.sampling import delayed
from tests.signals import layers
from tests.signals.test_echoes import gaussian

SHAPE = (30, 20)


@dataclass
class Panel:
    """A zone with a delaminated rectangle; what differs from trace to trace is drawn from the seed."""

    thickness_mm: float = 1.6
    slope_mm: float = 0.0
    depths_mm: tuple = (0.4, 0.6, 0.8, 1.2)
    damaged: tuple = (slice(5, 17), slice(3, 13))
    velocity_m_s: float = 2950.0
    back: tuple = layers.AIR
    scatter_db: float = -32.0
    noise_db: float = 40.0
    drift_s: float = 0.5e-6
    coupling_db: float = 3.0
    loss: float = 0.6
    rate_hz: float = 100e6
    samples: int = 512
    seed: int = 0
    truth: dict = field(default_factory=dict)

    def traces(self):
        rng = np.random.default_rng(self.seed)
        stations, positions = SHAPE
        total = stations * positions
        thickness = self.thickness_mm + np.repeat(np.linspace(-0.5, 0.5, stations), positions) * self.slope_mm
        gap = np.full(SHAPE, np.nan)
        if self.damaged:
            rows = range(*self.damaged[0].indices(stations))
            for k, row in enumerate(rows):
                gap[row, self.damaged[1]] = self.depths_mm[k * len(self.depths_mm) // len(rows)]
        args = (self.velocity_m_s, self.samples, self.rate_hz)
        spectra, times = layers.wall_spectra(gap.ravel(), thickness, *args, back=self.back, loss=self.loss)
        front = 1e-6 + rng.uniform(-self.drift_s, self.drift_s, total)
        out = layers.traces(spectra, front, self.samples, self.rate_hz)
        size = 0.53 * np.abs(layers.traces(np.ones((1, spectra.shape[1])), [1e-6], *args[1:])).max()
        level = size * 10 ** (self.scatter_db / 20)
        out = layers.scattered(out, front, front + times, level, rng, self.rate_hz)
        out *= 10 ** (rng.uniform(-self.coupling_db, self.coupling_db, (total, 1)) / 20)
        out += rng.normal(0, size * 10 ** (-self.noise_db / 20), out.shape)
        self.truth = {
            "damaged": np.isfinite(gap),
            "time_s": times.reshape(SHAPE),
            "front_s": front.reshape(SHAPE),
            "thickness_mm": thickness.reshape(SHAPE),
        }
        return out.reshape(*SHAPE, self.samples).astype(np.float32)

    def expected_tof_s(self):
        return layers.transit_s(layers.stack(self.thickness_mm, self.velocity_m_s))


PANELS = {
    "1.6 mm": Panel(),
    "1.6 mm in water": Panel(back=layers.WATER),
    "1.2 mm": Panel(thickness_mm=1.2, depths_mm=(0.4, 0.5, 0.6, 1.0)),
    "half depth only": Panel(thickness_mm=1.2, depths_mm=(0.6,)),
    "third of the depth": Panel(thickness_mm=1.5, depths_mm=(0.5,)),
    "3 mm": Panel(thickness_mm=3.0, depths_mm=(0.4, 1.0, 1.5, 2.8)),
    "5 mm": Panel(thickness_mm=5.0, depths_mm=(0.4, 1.5, 2.5, 4.8), back=layers.WATER, samples=768),
    "one ply above the back wall": Panel(depths_mm=(1.475,)),
    "slope": Panel(thickness_mm=2.1, slope_mm=1.0),
    "strong backscatter": Panel(scatter_db=-25),
    "noise": Panel(noise_db=25),
    "slow": Panel(velocity_m_s=2700.0),
    "fast": Panel(velocity_m_s=3100.0),
    "50 MHz": Panel(rate_hz=50e6, samples=256),
    "a third damaged": Panel(damaged=(slice(2, 22), slice(5, 15)), depths_mm=(0.8,)),
}


UNTOLD = ["1.6 mm", "1.2 mm", "slope", "a third damaged"]  # the same without prior values of what to expect


@pytest.mark.slow
@pytest.mark.parametrize(
    ("name", "is_expected"), [(name, True) for name in PANELS] + [(name, False) for name in UNTOLD]
)
def test_every_delamination_is_found_at_its_depth_and_none_where_it_is_sound(name, is_expected):
    panel = PANELS[name]
    traces = panel.traces()
    known = AScanSettings(panel.expected_tof_s()) if is_expected else None
    found = measure_volume(traces, panel.rate_hz, known)
    damaged, time_s = panel.truth["damaged"], panel.truth["time_s"]
    assert (found.fault == "").all()
    # Sound points: back wall, no echo. The pulse is duller at the back wall than at the front: within 1 %.
    assert np.isfinite(found.tof_s[~damaged]).mean() > 0.995
    np.testing.assert_allclose(np.nanmedian((found.tof_s / time_s)[~damaged]), 1, atol=0.01)
    assert np.nanmax(np.abs(found.tof_s / time_s - 1)[~damaged]) < 0.015
    assert np.isfinite(found.echo_s[~damaged]).sum() <= 1
    # Damaged points: the echo, within 0.05 mm; no back wall, whatever round trips land there.
    assert np.isfinite(found.echo_s[damaged]).mean() > 0.995
    error = depth_mm(found.echo_s - time_s, panel.velocity_m_s)[damaged]
    assert np.nanmax(np.abs(error)) < 0.05
    assert np.isfinite(found.tof_s[damaged]).mean() < 0.01
    # The front surface drifts by ±0.5 µs and is followed.
    assert np.nanstd(found.front_s - panel.truth["front_s"]) < 3e-9
    assert np.nanmedian(found.snr_db) == pytest.approx(panel.noise_db, abs=2)


@pytest.mark.slow
def test_a_sound_zone_calls_nothing():
    calls = 0
    for seed in range(4):
        panel = Panel(damaged=(), seed=seed, slope_mm=0.3 * (seed % 2), scatter_db=(-28, -35)[seed % 2])
        found = measure_volume(panel.traces(), panel.rate_hz, AScanSettings(panel.expected_tof_s()))
        calls += np.isfinite(found.echo_s).sum()
        assert np.isfinite(found.tof_s).all()
    assert calls <= 2  # of 2400 points


def test_amplitudes_show_the_reflection_and_its_sign():
    # Lossless single layer in water, backed by air: front (Z₂ − Z₁)/(Z₂ + Z₁); back wall −(1 − R²) of the
    # incident wave; the formula for plane waves at normal incidence. No ply, no resin, no loss.
    wall = [(1550.0, 2950.0, 3.0)]
    spectrum = layers.reflection(layers.axis_hz(512, 100e6), wall, loss_db_mm=0.0)
    found = measure_ascans(layers.traces(np.tile(spectrum, (40, 1)), np.full(40, 0.6e-6), 512, 100e6), 100e6)
    ratio = (1550 * 2950 - 1480e3) / (1550 * 2950 + 1480e3)
    np.testing.assert_allclose(found.backwall_db, 20 * np.log10((1 - ratio**2) / ratio), atol=0.1)
    assert (found.front_amplitude > 0).all()
    assert (found.backwall_amplitude < 0).all()
    np.testing.assert_allclose(found.tof_s, layers.transit_s(wall), atol=0.3e-9)


@pytest.mark.slow
@pytest.mark.parametrize("start_s", [0.0, 0.05e-6, 0.3e-6])
@pytest.mark.parametrize("thickness_mm", [1.2, 2.0, 3.0])
def test_a_contact_probes_transmit_pulse_at_the_start_is_the_front_surface(start_s, thickness_mm):
    rng = np.random.default_rng(1)
    gap = np.where(np.arange(300) % 4 == 0, np.resize([0.5, 0.8, thickness_mm - 0.3], 300), np.nan)
    media = {"front": layers.RESIN, "back": layers.AIR}
    spectra, times = layers.wall_spectra(gap, np.full(300, thickness_mm), 2950.0, 400, 100e6, **media)
    traces = layers.traces(spectra + 3.0, np.full(300, start_s), 400, 100e6)
    traces *= 10 ** (rng.uniform(-1, 1, (300, 1)) / 20)
    traces += rng.normal(0, 1e-3 * np.abs(traces).max(), traces.shape)
    found = measure_ascans(traces, 100e6)
    damaged = np.isfinite(gap)
    assert np.ptp(found.front_s) < 1e-9
    np.testing.assert_allclose(found.tof_s[~damaged], times[~damaged], rtol=0.015)
    assert np.isnan(found.echo_s[~damaged]).all()
    assert np.abs(depth_mm(found.echo_s - times, 2950.0))[damaged].max() < 0.05
    assert np.isnan(found.tof_s[damaged]).all()


def test_what_turns_the_pulse_over_otherwise_than_the_back_wall_keeps_its_sign_and_time():
    """A hard insert, say: its half-waves differ as the pulse's own do, and none is taken for the other."""
    pulse = gaussian()
    clean = delayed(pulse, np.full(600, 100.3), 512)
    inside = np.arange(600) % 10 == 0
    clean[~inside] -= 0.5 * delayed(pulse, np.full(540, 208.8), 512)
    clean[inside] += 0.4 * delayed(pulse, np.full(60, 168.6), 512)
    noisy = clean + np.random.default_rng(5).normal(0, 0.01, clean.shape)
    found = measure_volume(noisy.reshape(30, 20, 512), 100e6)
    hit = inside.reshape(30, 20)
    np.testing.assert_allclose(found.echo_s[hit] * 100e6, 68.3, atol=0.5)
    assert (found.echo_amplitude[hit] > 0).all()
    assert (found.backwall_amplitude[~hit] < 0).all()


@pytest.mark.parametrize("workers", [1, 2, 3])
@pytest.mark.parametrize("block", [7, 64, 100_000])
def test_the_answer_is_the_same_to_the_bit_however_the_work_is_cut(block, workers, monkeypatch):
    traces = Panel(depths_mm=(0.4, 1.2)).traces()
    whole = measure_volume(traces, 100e6)
    monkeypatch.setattr(ascans, "_BLOCK", block)
    cut = measure_volume(traces, 100e6, workers=workers)
    for name in ascans.AScanFeatures.__slots__:
        np.testing.assert_array_equal(getattr(cut, name), getattr(whole, name))


def test_a_mapped_file_gives_the_same_answer_and_progress_is_reported(tmp_path, monkeypatch):
    monkeypatch.setattr(ascans, "_BLOCK", 100)
    traces, reported = Panel().traces(), []
    np.save(tmp_path / "BM.npy", traces)
    mapped = np.load(tmp_path / "BM.npy", mmap_mode="r")
    found = measure_volume(mapped, 100e6, progress=lambda done, total: reported.append((done, total)))
    assert reported == [(k, 600) for k in range(100, 601, 100)]
    np.testing.assert_array_equal(found.echo_s, measure_volume(traces, 100e6).echo_s)


@pytest.mark.parametrize(
    "dtype", [np.int8, np.int16, np.int32, np.int64, np.uint8, np.uint16, np.float16, np.float64]
)
def test_every_real_type_is_read_to_the_same_times(dtype):
    panel = Panel(noise_db=50)
    traces = panel.traces().astype(float)
    reference = measure_volume(traces.astype(np.float32), 100e6)
    scaled = traces / np.abs(traces).max()
    if np.dtype(dtype).kind in "iu":
        top = min(np.iinfo(dtype).max, 2**24)
        scaled = (
            np.round(scaled * top * 0.95)
            if np.dtype(dtype).kind == "i"
            else np.round((scaled * 0.45 + 0.5) * top)
        )
    found = measure_volume(scaled.astype(dtype), 100e6)
    assert (np.isfinite(found.tof_s) == np.isfinite(reference.tof_s)).mean() > 0.99
    coarse = dtype in (np.int8, np.uint8)
    np.testing.assert_allclose(
        np.nanmedian(np.abs(found.tof_s - reference.tof_s)), 0, atol=2e-9 if coarse else 2e-10
    )
    assert (found.fault == "").mean() > (0.97 if coarse else 0.999)


def echo_traces(count=40, samples=400):
    """Plain good traces: front surface and back wall at 1.085 µs, each with a little noise of its own."""
    time_s = np.arange(80) / 100e6 - 0.4e-6
    pulse = np.exp(-0.5 * (time_s / 0.107e-6) ** 2) * np.cos(2 * np.pi * 5e6 * time_s)
    front = 60 + np.linspace(0, 40, count)
    clean = delayed(pulse, front, samples) - 0.7 * delayed(pulse, front + 108.5, samples)
    return clean + np.random.default_rng(3).normal(0, 0.01, clean.shape)


def spoiled():
    """One bad trace of each kind, by its fault, among good ones."""
    traces = 100 * echo_traces()
    traces[1] = 0
    traces[2] = 7.5
    traces[3, 100] = np.nan
    traces[4] = np.nan
    traces[5, 200] = np.inf
    traces[6, 10] = -np.inf
    traces[7] = np.clip(3 * traces[7], -100, 100)
    traces[8] = np.minimum(2 * traces[8], 100)
    faults = {1: "silent", 2: "silent", 3: "not finite", 4: "not finite", 5: "not finite", 6: "not finite"}
    return traces, faults | {7: "saturated", 8: "saturated"}


def test_each_bad_trace_says_what_is_wrong_and_harms_no_other():
    traces, faults = spoiled()
    found, clean = measure_ascans(traces, 100e6), measure_ascans(100 * echo_traces(), 100e6)
    assert {k: str(v) for k, v in enumerate(found.fault) if v} == faults
    good = [k for k in range(len(traces)) if k not in faults]
    np.testing.assert_allclose(found.tof_s[good], clean.tof_s[good], atol=1e-10)
    for name in ascans.AScanFeatures.__slots__[:-1]:
        assert np.isnan(getattr(found, name)[list(faults)]).all()


def test_a_trace_of_noise_among_good_ones_has_no_echo():
    traces = echo_traces()
    traces[5] = np.random.default_rng(4).normal(0, 0.01, traces.shape[1])
    found = measure_ascans(traces, 100e6)
    assert found.fault[5] == "no echo"
    assert (np.delete(found.fault, 5) == "").all()


def test_a_clipped_zone_is_saturated_at_the_digitisers_full_scale():
    full = np.clip(np.round(echo_traces() * 300), -128, 127).astype(np.int8)
    assert (measure_ascans(full, 100e6).fault == "saturated").all()
    assert (measure_ascans(np.round(echo_traces() * 120).astype(np.int8), 100e6).fault == "").all()


def test_missing_samples_at_the_end_only_make_a_trace_shorter():
    traces = echo_traces()
    traces[::2, 330:] = np.nan
    found, whole = measure_ascans(traces, 100e6), measure_ascans(echo_traces(), 100e6)
    assert (found.fault == "").all()
    np.testing.assert_allclose(found.tof_s, whole.tof_s, atol=1e-9)


@pytest.mark.parametrize("samples", [0, 1, 5, 15, 16, 40, 79])
def test_traces_too_short_for_a_pulse_are_reported(samples):
    found = measure_ascans(np.random.default_rng(0).normal(size=(5, samples)), 100e6)
    assert (found.fault != "").all()
    assert found.tof_s.shape == (5,)


@pytest.mark.parametrize("shape", [(0, 5, 400), (5, 0, 400), (0, 0, 0)])
def test_empty_volumes(shape):
    found = measure_volume(np.zeros(shape), 100e6)
    assert found.tof_s.shape == found.fault.shape == shape[:2]


def test_a_single_trace_and_a_zone_of_nothing():
    one = measure_ascans(echo_traces()[:1], 100e6)
    assert one.tof_s[0] == pytest.approx(1.085e-6, abs=5e-9)
    assert (measure_ascans(np.zeros((4, 200)), 100e6).fault == "silent").all()
    assert (measure_ascans(np.full((4, 200), np.nan), 100e6).fault == "not finite").all()


@given(st.floats(-30, 60), st.floats(-180, 180), st.sampled_from([1, -1]), st.floats(-5, 5))
@settings(deadline=None, max_examples=25)
def test_delay_gain_sign_and_offset(delay, gain_db, sign, offset):
    base = measure_ascans(echo_traces(), 100e6)
    spectrum = np.fft.rfft(echo_traces(), 1024, axis=1) * np.exp(-2j * np.pi * np.fft.rfftfreq(1024) * delay)
    moved = np.fft.irfft(spectrum, axis=1)[:, : 400 + 60]
    gain = 10 ** (gain_db / 20)
    found = measure_ascans(sign * gain * (moved + offset), 100e6)
    np.testing.assert_allclose(found.front_s - base.front_s, delay / 100e6, atol=5e-10)
    np.testing.assert_allclose(found.tof_s, base.tof_s, atol=5e-10)
    np.testing.assert_allclose(found.front_amplitude, gain * base.front_amplitude, rtol=0.01)
    np.testing.assert_allclose(found.backwall_db, base.backwall_db, atol=0.05)


@pytest.mark.parametrize(
    ("volume", "rate_hz", "message"),
    [
        (np.zeros((2, 3)), 1e8, r"volume: has 2 axes, not \(stations, positions, samples\)"),
        (np.zeros((2, 3, 40), complex), 1e8, "volume: holds complex128, not real numbers"),
        (np.zeros((2, 3, 40)), -1.0, r"sample_rate_hz: is -1.0 \(give a rate above 0\)"),
    ],
)
def test_bad_volumes_are_reported(volume, rate_hz, message):
    with pytest.raises(TapscanError, match=message):
        measure_volume(volume, rate_hz)


def test_bad_batches_are_reported():
    with pytest.raises(TapscanError, match=r"traces: has 1 axes, not \(n, samples\) \(reshape the array\)"):
        measure_ascans(np.zeros(40), 1e8)


@pytest.mark.parametrize("front", [(2200.0, 5900.0), (1180.0, 2700.0)])
@pytest.mark.parametrize("loss_db_mm", [0.6, 1.2])
def test_delay_lines_harder_and_softer_than_the_laminate_are_timed_alike(front, loss_db_mm):
    """Quartz (13 MRayl) turns the front-surface echo over as the back wall does, acrylic (3.2) does not."""
    rng = np.random.default_rng(1)
    nothing, thickness = np.full(120, np.nan), np.full(120, 2.4)
    spectra, times = layers.wall_spectra(nothing, thickness, 2950.0, 512, 100e6, front=front, loss=loss_db_mm)
    panel = layers.traces(spectra, rng.uniform(0.6e-6, 1.0e-6, 120), 512, 100e6)
    panel = panel + 1e-3 * np.abs(panel).max() * rng.standard_normal(panel.shape)
    features = measure_volume(panel.reshape(12, 10, 512), 100e6, AScanSettings(float(times[0]), 5e6))
    assert np.abs(features.tof_s.ravel() - times).max() < 0.15 / 5e6  # half a cycle off would be 0.5


def test_points_marked_as_bonded_are_of_the_grid():
    with pytest.raises(TapscanError, match=r"bonded: has shape \(3,\), the traces are 2 × 3"):
        measure_volume(np.zeros((2, 3, 200)), 100e6, AScanSettings(bonded=np.zeros(3, dtype=bool)))
