"""Simulated tap recordings of a zone.

A tapper of a given mass strikes the wall and stays for half a period of that mass on three springs in a row:
the contact, the wall as a whole and, over a delamination, the loose layer as a clamped round plate. The force
is a half-sine of that length. It drives the modes of the part at the struck place, and the loose layer's
own first mode; a microphone beside the struck place hears the air that they push, as their acceleration times
their area.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass, fields, replace
from typing import TYPE_CHECKING

import numpy as np

from tapscan.physics.contact import (
    contact_time_us,
    half_sine_transform,
    peak_force_n,
    series_stiffness_n_m,
)
from tapscan.physics.plates import (
    CLAMPED_MODAL_MASS_FRACTION,
    clamped_circle_hz,
    clamped_circle_shape,
    clamped_point_stiffness_n_m,
)
from tapscan.plan.surfaces import girth_mm, s_mm, x_mm
from tapscan.synth.defects import Defect, distance_mm
from tapscan.synth.scenes import TapScene, click, heard, noise
from tapscan.synth.seeds import generator
from tapscan.synth.vibration import Modes, heard_mm2, mode_shapes, wall_of, zone_modes

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from tapscan.plan.zones import Zone

__all__ = ["TapRecordings", "TapScene", "contact_times_us", "simulate_taps"]

HIGHEST_MODE_HZ = 30_000.0  # the part yields in all modes up to here, whatever the recorder's rate
WINDOW_S = 0.2  # of one tap; the slowest decay leaves -100 dB by then
PRELUDE_S = 0.01  # before the onset, for the converter's filter to ring in
BASS_HZ = 80.0  # corner of a small microphone


@dataclass(frozen=True, slots=True, eq=False)
class TapRecordings:
    """One recording per point.

    Shapes: `samples` (stations, positions, samples) in parts of full scale, float32, not yet limited to ±1;
    `onset_s` (stations, positions, taps) when each tap truly begins.
    """

    samples: "NDArray[np.float32]"
    sample_rate_hz: float
    onset_s: "NDArray[np.float64]"


@dataclass(frozen=True, slots=True, eq=False)
class _Strikes:
    """How every tap was struck and heard; arrays of shape (stations, positions, taps).

    `tilt_db_octave` is that of its spectrum about 2 kHz, `farther` the microphone's distance over the usual.
    """

    onset_s: "NDArray[np.float64]"
    off_x_mm: "NDArray[np.float64]"
    off_s_mm: "NDArray[np.float64]"
    gain: "NDArray[np.float64]"
    contact_n_m: "NDArray[np.float64]"
    tilt_db_octave: "NDArray[np.float64]"
    farther: "NDArray[np.float64]"


def simulate_taps(
    zone: "Zone",
    defects: Sequence[Defect],
    scene: TapScene,
    seed: int,
    progress: Callable[[int, int], None] | None = None,
    visit: int = 0,
) -> TapRecordings:
    """Strike every point of a zone `scene.taps` times and record each point.

    Each point has its own random stream, named by seed, zone, station and position: what is heard there
    depends on no other point, nor on the walking order. `progress` is called with how many of how many points
    are done. ``numpy.roll(samples, -k, axis=1)`` is the same tube with its datum line marked k positions
    further round. Another `visit` strikes the same part anew.

    Raises
    ------
    ValueError
        When the zone's plan lacks a property of the wall.

    Examples
    --------
    >>> from tapscan.plan.text.reading import parse_plan
    >>> zone = parse_plan('''[[zone]]
    ... code = "A"
    ... shape = "tube"
    ... stations = 2
    ... positions = 4
    ... station_pitch_mm = 10
    ... girth_mm = 120
    ... thickness_mm = 1.6
    ... modulus_gpa = 60
    ... poisson = 0.3
    ... density_kg_m3 = 1550''').zones[0]
    >>> recordings = simulate_taps(zone, [], TapScene(taps=1), seed=1)
    >>> recordings.samples.shape, recordings.onset_s.shape
    ((2, 4, 13440), (2, 4, 1))
    """
    stage = _stage(zone, defects, scene, seed)
    seed += visit
    strikes = _strikes(zone, scene, seed)
    scale, noise_rms = _levels(replace(stage, defects=()))
    duration_s = scene.lead_s + (scene.taps - 1) * scene.interval_s + scene.tail_s
    count = round(duration_s * scene.sample_rate_hz)
    samples = np.zeros((*zone.grid_shape, count), dtype=np.float32)
    for station in range(zone.stations):
        pressure = _pressure(stage, _station(strikes, station), station)
        for position in range(zone.positions):
            recording = _lay(pressure[position] * scale, strikes.onset_s[station, position], scene, count)
            rng = generator(seed, "noise", zone.code, station, position)
            recording += noise_rms * noise(scene, rng, count)
            rng = generator(seed, "click", zone.code, station, position)
            if rng.uniform() < scene.click_share:
                recording += click(scene, rng, count)
            samples[station, position] = recording
        if progress is not None:
            progress((station + 1) * zone.positions, zone.stations * zone.positions)
    samples.setflags(write=False)
    return TapRecordings(samples, scene.sample_rate_hz, strikes.onset_s)


def contact_times_us(
    zone: "Zone", defects: Sequence[Defect], scene: TapScene, seed: int
) -> "NDArray[np.float64]":
    """How long a typical tap stays at every point's very place; shape (stations, positions)."""
    stage = _stage(zone, defects, scene, seed)
    strikes = _typical(zone, scene)
    stiffness = [_stiffness(stage, _station(strikes, i), i) for i in range(zone.stations)]
    return contact_time_us(scene.tapper_mass_g, np.array(stiffness)[:, :, 0])


@dataclass(frozen=True, slots=True, eq=False)
class _Stage:
    """What is struck, and its answer to a unit force, which no single tap changes.

    Shapes: `frequency_hz` (frequencies,); `accelerance` (modes, 2 · frequencies), real parts first.
    """

    zone: "Zone"
    defects: tuple[Defect, ...]
    scene: TapScene
    modes: Modes
    frequency_hz: "NDArray[np.float64]"
    accelerance: "NDArray[np.float64]"


def _stage(zone: "Zone", defects: Sequence[Defect], scene: TapScene, seed: int) -> _Stage:
    rng = generator(seed, "part", zone.code)
    modes = zone_modes(zone, scene.margin_mm, HIGHEST_MODE_HZ, scene.damping_ratio, rng)
    frequency_hz = np.arange(_window(scene) // 2 + 1) * scene.sample_rate_hz / _window(scene)
    answer = _accelerance(frequency_hz, modes.frequency_hz, modes.damping_ratio)
    both = np.hstack([answer.real, answer.imag])
    return _Stage(zone, tuple(defects), scene, modes, frequency_hz, both)


def _window(scene: TapScene) -> int:
    return round(WINDOW_S * scene.sample_rate_hz)


def _strikes(zone: "Zone", scene: TapScene, seed: int) -> _Strikes:
    shape = (*zone.grid_shape, scene.taps)
    onset, off_x, off_s, gain, contact, tilt, farther = (np.zeros(shape) for _ in range(7))
    steady = scene.lead_s + np.arange(scene.taps) * scene.interval_s
    for index in np.ndindex(zone.grid_shape):
        rng = generator(seed, "strike", zone.code, *index)
        onset[index] = steady + scene.interval_spread_s * np.clip(rng.standard_normal(scene.taps), -3, 3)
        off_x[index], off_s[index] = scene.place_spread_mm * rng.standard_normal((2, scene.taps))
        gain[index] = 10 ** (scene.level_spread_db * rng.uniform(-1, 1, scene.taps) / 20)
        contact[index] = np.exp(scene.contact_spread * rng.standard_normal(scene.taps))
        rng = generator(seed, "heard", zone.code, *index)
        tilt[index] = scene.tilt_db_octave * rng.standard_normal(scene.taps)
        farther[index] = np.exp(scene.microphone_spread * rng.standard_normal())
    onset.setflags(write=False)
    contact *= scene.contact_stiffness_mn_m * 1e6
    return _Strikes(onset, off_x, off_s, gain, contact, tilt, farther)


def _typical(zone: "Zone", scene: TapScene) -> _Strikes:
    """One undisturbed tap on every point's very place."""
    zeros = np.zeros((*zone.grid_shape, 1))
    contact_n_m = zeros + scene.contact_stiffness_mn_m * 1e6
    return _Strikes(zeros, zeros, zeros, zeros + 1, contact_n_m, zeros, zeros + 1)


def _station(strikes: _Strikes, station: int) -> _Strikes:
    return _Strikes(*(getattr(strikes, one.name)[station] for one in fields(strikes)))


def _shapes(stage: _Stage, strikes: _Strikes, station: int) -> "NDArray[np.float64]":
    """Deflection of every mode where each tap of a station struck; shape (positions, taps, modes)."""
    zone, modes, scene = stage.zone, stage.modes, stage.scene
    along = x_mm(zone)[station][:, None] + strikes.off_x_mm
    across = s_mm(zone)[station][:, None] + strikes.off_s_mm
    if zone.is_tube:
        turns = across / girth_mm(zone)[station]
    else:
        assert zone.position_pitch_mm is not None  # the plan's check sees to it
        width_mm = (zone.positions - 1) * zone.position_pitch_mm + 2 * scene.margin_mm
        turns = (across + scene.margin_mm) / width_mm
    shapes = mode_shapes(modes, along.ravel() + scene.margin_mm, turns.ravel())
    if zone.is_tube:
        # Ovalling lives where a tapered tube is wide, about as the wall's compliance there.
        wide = (girth_mm(zone)[station] / girth_mm(zone).mean()) ** 2
        shapes *= np.where(modes.across > 3 * np.pi, wide, 1.0)
    return shapes.reshape(*along.shape, -1)


def _patches(stage: _Stage, strikes: _Strikes, station: int) -> "list[tuple[Defect, NDArray[np.float64]]]":
    """Each defect with every tap's distance from its centre; distance shape (positions, taps)."""
    found = []
    for defect in stage.defects:
        per_tap = [
            distance_mm(stage.zone, defect, off_x_mm, off_s_mm)[station]
            for off_x_mm, off_s_mm in zip(strikes.off_x_mm.T, strikes.off_s_mm.T, strict=True)
        ]
        distance = np.stack(per_tap, axis=-1)
        if (distance < defect.radius_mm).any():
            found.append((defect, distance))
    return found


def _stiffness(stage: _Stage, strikes: _Strikes, station: int) -> "NDArray[np.float64]":
    """Stiffness that the tapper feels, in N/m; shape (positions, taps)."""
    modes, scene = stage.modes, stage.scene
    shapes = _shapes(stage, strikes, station)
    # Modes that need longer than the bare contact for a quarter of a period are held by their inertia.
    bare_s = contact_time_us(scene.tapper_mass_g, scene.contact_stiffness_mn_m * 1e6) * 1e-6
    yields = modes.frequency_hz > 1 / (4 * bare_s)
    compliance = yields / (modes.mass_kg * (2 * np.pi * modes.frequency_hz) ** 2)
    springs = [strikes.contact_n_m, 1 / (shapes**2 @ compliance)]
    for defect, distance in _patches(stage, strikes, station):
        layer = replace(wall_of(stage.zone), thickness_mm=defect.depth_mm)
        springs.append(clamped_point_stiffness_n_m(layer, defect.radius_mm, distance))
    return series_stiffness_n_m(*springs)


def _pressure(stage: _Stage, strikes: _Strikes, station: int) -> "NDArray[np.float64]":
    """Sound of every tap of a station, beginning `PRELUDE_S` after the first sample.

    Shape (positions, taps, samples). Computed in the frequency domain: the modes ring out within the window,
    since none decays slower than `LEAST_DECAY_PER_S`.
    """
    scene, modes, frequency_hz = stage.scene, stage.modes, stage.frequency_hz
    gains = _shapes(stage, strikes, station) ** 2 * (modes.swept_mm2 / modes.mass_kg)
    both = gains.reshape(-1, gains.shape[-1]) @ stage.accelerance  # one big product beats many small ones
    response = np.empty((*strikes.gain.shape, frequency_hz.size), dtype=complex)
    response.real, response.imag = np.split(both.reshape(*strikes.gain.shape, -1), 2, axis=-1)
    for defect, distance in _patches(stage, strikes, station):
        response += _patch_response(stage, defect, distance)
    stiffness = _stiffness(stage, strikes, station)
    duration_s = contact_time_us(scene.tapper_mass_g, stiffness) * 1e-6
    response *= half_sine_transform(frequency_hz, duration_s[..., None])
    # The fraction of a sample by which a tap starts late stays in the phase.
    late_s = PRELUDE_S + np.modf(strikes.onset_s * scene.sample_rate_hz)[0] / scene.sample_rate_hz
    response *= np.exp(-2j * np.pi * frequency_hz * late_s[..., None])
    response *= _recorder(frequency_hz, scene.sample_rate_hz) * heard(
        scene, strikes.tilt_db_octave, strikes.farther, frequency_hz
    )
    peak_n = peak_force_n(scene.speed_m_s * strikes.gain, scene.tapper_mass_g, stiffness)
    return np.asarray(np.fft.irfft(response, _window(scene)) * (scene.sample_rate_hz * peak_n[..., None]))


def _accelerance(
    frequency_hz: "NDArray[np.float64]", natural_hz: "NDArray[np.float64]", damping: "NDArray[np.float64]"
) -> "NDArray[np.complex128]":
    """Acceleration of damped oscillators of mass 1 per unit force; shape (oscillators, frequencies)."""
    ratio = frequency_hz / natural_hz[:, None]
    return np.asarray(-(ratio**2) / (1 - ratio**2 + 2j * damping[:, None] * ratio))


def _patch_response(
    stage: _Stage, defect: Defect, distance: "NDArray[np.float64]"
) -> "NDArray[np.complex128]":
    """Loose layer in its first mode, which moves less when struck off centre.

    Shape (positions, taps, frequencies).
    """
    layer = replace(wall_of(stage.zone), thickness_mm=defect.depth_mm)
    area_mm2 = np.pi * defect.radius_mm**2
    mass_kg = CLAMPED_MODAL_MASS_FRACTION * layer.mass_kg_m2 * area_mm2 * 1e-6
    natural_hz = np.atleast_1d(clamped_circle_hz(layer, defect.radius_mm))
    damping = np.full(1, stage.scene.patch_damping_ratio)
    # A clamped circle's mean deflection is a third of its centre's, near enough ((1 - r²/a²)²).
    gain = clamped_circle_shape(distance / defect.radius_mm) * heard_mm2(area_mm2 / 3) / mass_kg
    return np.asarray(gain[..., None] * _accelerance(stage.frequency_hz, natural_hz, damping)[0])


def _recorder(frequency_hz: "NDArray[np.float64]", sample_rate_hz: float) -> "NDArray[np.complex128]":
    """Response of a small microphone and its converter: no bass, nothing beyond 0.48 of the rate."""
    bass = 1j * frequency_hz / (BASS_HZ + 1j * frequency_hz)
    treble = np.clip((0.48 - frequency_hz / sample_rate_hz) / 0.06, 0, 1)
    return np.asarray(bass * np.sin(np.pi / 2 * treble) ** 2)


def _levels(stage: _Stage) -> tuple[float, float]:
    """Factor from pressure to parts of full scale, and the noise's RMS in those parts."""
    scene, zone = stage.scene, stage.zone
    typical = _typical(zone, scene)
    start = round(PRELUDE_S * scene.sample_rate_hz)
    peaks, powers = [], []
    for station in range(0, zone.stations, max(1, zone.stations // 8)):
        pressure = _pressure(stage, _station(typical, station), station)[:, 0]
        peaks.append(np.abs(pressure).max(axis=-1))
        powers.append((pressure[:, start : start + round(0.02 * scene.sample_rate_hz)] ** 2).mean(axis=-1))
    scale = scene.level / float(np.median(peaks))
    return scale, scale * float(np.sqrt(np.median(powers))) * 10 ** (-scene.snr_db / 20)


def _lay(
    pressure: "NDArray[np.float64]", onset_s: "NDArray[np.float64]", scene: TapScene, count: int
) -> "NDArray[np.float64]":
    """Add the taps of one point into one recording, each at its time."""
    recording = np.zeros(count)
    prelude = round(PRELUDE_S * scene.sample_rate_hz)
    for tap, at_s in zip(pressure, onset_s, strict=True):
        first = int(at_s * scene.sample_rate_hz) - prelude
        head = max(0, -first)
        stop = min(count, first + tap.size)
        recording[first + head : stop] += tap[head : stop - first]
    return recording
