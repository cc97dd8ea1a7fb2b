"""Tapper, hand, microphone and room of simulated tap recordings."""

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

__all__ = ["TapScene", "click", "heard", "noise"]

ROOM_HZ = 300.0  # above it the room gets quieter
BENCH_HZ = 12_000.0  # a bench swallows the highest notes
SOUND_M_S = 343.0  # in air at 20 °C
OCTAVE_DB = 10 * np.log10(2)  # of power


@dataclass(frozen=True, slots=True)
class TapScene:
    """Tapper, hand, microphone and room.

    `level_spread_db` is the half-width of the even spread of strengths; the other spreads are standard
    deviations. The tapper leans otherwise at every tap, which tilts its spectrum. The microphone hears the
    bench, too, `bench_path_mm` later; path and loudness differ from point to point by `microphone_spread`.
    `snr_db` compares the first 20 ms of a typical good tap of this zone with the noise;
    `room_share` is the part of the noise power that comes from the room and falls off above 300 Hz; the rest
    falls by `noise_slope_db_octave`. A click is heard in `click_share` of the recordings. `level` is a
    typical good tap's peak in parts of full scale. The part is stiffly held `margin_mm` beyond the zone.

    As it is, hand and microphone are steady: what they do to a tap can be switched on one by one.
    """

    sample_rate_hz: float = 48_000.0
    taps: int = 3
    lead_s: float = 0.08
    interval_s: float = 0.25
    tail_s: float = 0.2
    interval_spread_s: float = 0.005
    tapper_mass_g: float = 4.0
    contact_stiffness_mn_m: float = 5.0
    contact_spread: float = 0.15
    speed_m_s: float = 0.5
    level_spread_db: float = 6.0
    place_spread_mm: float = 2.0
    tilt_db_octave: float = 0.0
    bench_share: float = 0.0
    bench_path_mm: float = 150.0
    microphone_spread: float = 0.0
    damping_ratio: float = 0.015
    patch_damping_ratio: float = 0.03
    margin_mm: float = 60.0
    snr_db: float = 35.0
    room_share: float = 0.3
    noise_slope_db_octave: float = 0.0
    click_share: float = 0.0
    level: float = 0.2


def heard(
    scene: TapScene,
    tilt_db_octave: "NDArray[np.float64]",
    farther: "NDArray[np.float64]",
    frequency_hz: "NDArray[np.float64]",
) -> "NDArray[np.complex128]":
    """Return what strike angle, distance and bench make of each tap's spectrum.

    Parameters
    ----------
    tilt_db_octave, farther
        Tilt about 2 kHz, and the microphone's distance over the usual; shape ``(...)``.
    frequency_hz
        Shape ``(frequencies,)``; the result has shape ``(..., frequencies)``.

    Examples
    --------
    >>> tilted = heard(TapScene(), np.array([6.0]), np.array([2.0]), np.array([2000.0, 4000.0]))
    >>> abs(tilted).round(3).tolist()
    [[0.5, 0.998]]
    """
    octaves = np.log2(np.clip(frequency_hz, 200.0, 20_000.0) / 2000.0)
    tilt = 10 ** (tilt_db_octave[..., None] * octaves / 20)
    # The farther the microphone from the wall, the shorter the way round by the bench.
    later_s = scene.bench_path_mm * 1e-3 / SOUND_M_S / farther[..., None]
    bench = scene.bench_share * np.exp(-frequency_hz / BENCH_HZ - 2j * np.pi * frequency_hz * later_s)
    return np.asarray(tilt * (1 + bench) / farther[..., None])


def noise(scene: TapScene, rng: "np.random.Generator", count: int) -> "NDArray[np.float64]":
    """Return noise of power 1: the microphone's or a fan's, and the room's, which falls off above 300 Hz."""
    white = rng.standard_normal(count)
    frequency_hz = np.fft.rfftfreq(count, 1 / scene.sample_rate_hz)
    room = 1 / (1 + (frequency_hz / ROOM_HZ) ** 2)
    hiss = np.maximum(frequency_hz / ROOM_HZ, 1.0) ** (scene.noise_slope_db_octave / OCTAVE_DB)
    power = scene.room_share * room / room.mean() + (1 - scene.room_share) * hiss / hiss.mean()
    return np.asarray(np.fft.irfft(np.fft.rfft(white) * np.sqrt(power), count))


def click(scene: TapScene, rng: "np.random.Generator", count: int) -> "NDArray[np.float64]":
    """Return a knock on the bench or a switch: milliseconds, anywhere, up to as loud as a soft tap."""
    length = round(rng.uniform(1e-3, 6e-3) * scene.sample_rate_hz)
    burst = rng.standard_normal(length) * np.exp(-4 * np.arange(length) / length)
    first = int(rng.integers(count - length))
    loud = scene.level * 10 ** (-rng.uniform(6, 25) / 20)
    signal = np.zeros(count)
    signal[first : first + length] = loud * burst / np.abs(burst).max()
    return signal
