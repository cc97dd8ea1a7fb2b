"""Hand, microphone and room: what every part of the arena suffers, whatever mechanics it has.

A generator gives the clean sound of a strike. A `Manner` says how one part was tapped and recorded; its
numbers are drawn once for a part, `tidy` or `messy`. The strikes are then drawn from it, and the sounds pass
through strike angle, bench reflection, room, noise and recorder.
"""

from collections.abc import Iterator
from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray
from scipy.signal import resample_poly

from tests.independent.strikes import LEAD_S, RATE_HZ, Array, Generator, Strikes

__all__ = ["BAND_HZ", "LOUD_S", "Manner", "Recording", "Taps", "draw_taps", "messy", "recordings", "tidy"]

BAND_HZ = (300.0, 20_000.0)  # where signal and noise are compared
LOUD_S = 0.02  # of a tap, from its lead on: its power is the signal's
SOUND_M_S = 343.0
FRAME = 8192  # samples of one sound with its reflections
CD_HZ = 44_100


@dataclass(frozen=True, slots=True)
class Manner:
    """How one part was tapped and recorded."""

    snr_db: float = 35.0  # typical tap over noise, both in BAND_HZ
    noise_slope_db_octave: float = -2.0  # hiss is level, a fan or traffic falls off
    rumble_db: float = 0.0  # power below 300 Hz, relative to the noise in the band
    click_share: float = 0.05  # of recordings: a knock on the bench, a switch
    mic_mm: float = 80.0  # from the struck point
    mic_spread: float = 0.05  # of that distance, from point to point
    bench_share: float = 0.0  # amplitude of the reflection off the bench
    bench_path_mm: float = 150.0  # how much longer its way is
    room_db: float = -35.0  # all later reflections
    tilt_db_octave: float = 0.3  # standard deviation from tap to tap: the tapper is not square to the wall
    misplaced_mm: float = 1.0  # half-width of the even spread, along and across
    taps: tuple[int, int] = (3, 3)  # fewest and most at a point
    level_db: float = 6.0  # half-width of the even spread of strengths
    mass_kg: float = 4e-3
    mass_drift: float = 0.0  # change over the whole walk: a tip wears, a grip slips down the handle
    speed_m_s: float = 0.35
    contact_n_m15: float = 6e8  # Hertz: 4/3 E* √R of a small ball on laminate
    contact_spread: float = 0.05
    second_from: float = 1.0  # share of the stations after which another person goes on
    second_mass: float = 1.0  # that person's mass, speed and lean, relative to the first
    second_speed: float = 1.0
    second_tilt_db_octave: float = 0.0
    gain_step_db: float = 0.0  # the recorder's gain is turned once, at a station
    gain_step_from: float = 0.5
    double_share: float = 0.0  # of taps: the tapper bounces and strikes again, more quietly
    interval_s: float = 0.2
    peak: float = 0.4  # of full scale, a loud tap
    rate_hz: int = RATE_HZ


@dataclass(frozen=True, slots=True, eq=False)
class Taps:
    """The strikes of a part in walking order; `point` (taps,) counts points, station by station."""

    strikes: Strikes
    point: NDArray[np.int64]
    tilt_db_octave: Array
    points: tuple[int, int]


@dataclass(frozen=True, slots=True, eq=False)
class Recording:
    """One point's recording, 16 bit."""

    station: int
    position: int
    samples: NDArray[np.int16]
    rate_hz: int


def tidy(rng: np.random.Generator) -> Manner:
    """A practised hand and a quiet, damped room, at 35 dB."""
    return Manner(
        snr_db=35.0,
        noise_slope_db_octave=rng.uniform(-3, 0),
        rumble_db=rng.uniform(-10, 5),
        mic_mm=rng.uniform(50, 120),
        mic_spread=rng.uniform(0.02, 0.08),
        bench_share=rng.uniform(0, 0.1),
        bench_path_mm=rng.uniform(60, 300),
        room_db=rng.uniform(-40, -28),
        tilt_db_octave=rng.uniform(0.1, 0.4),
        misplaced_mm=rng.uniform(1, 2),
        mass_kg=rng.uniform(2.5e-3, 7e-3),
        speed_m_s=rng.uniform(0.25, 0.5),
        contact_n_m15=10 ** rng.uniform(8.5, 9.0),
        contact_spread=rng.uniform(0.03, 0.08),
        interval_s=rng.uniform(0.18, 0.26),
        peak=rng.uniform(0.2, 0.6),
    )


def messy(rng: np.random.Generator) -> Manner:
    """Any hand in any room: noise, a near bench, a leaning tapper, and now and then a second person."""
    manner = replace(
        tidy(rng),
        snr_db=rng.uniform(22, 36),
        noise_slope_db_octave=rng.uniform(-6, 0),
        rumble_db=rng.uniform(-5, 20),
        mic_mm=rng.uniform(40, 200),
        mic_spread=rng.uniform(0.05, 0.2),
        bench_share=rng.uniform(0.1, 0.5),
        bench_path_mm=rng.uniform(40, 400),
        room_db=rng.uniform(-32, -18),
        tilt_db_octave=rng.uniform(0.3, 1.2),
        misplaced_mm=rng.uniform(1.5, 4),
        taps=(3, 3) if rng.uniform() < 0.6 else (2, 5),
        contact_spread=rng.uniform(0.05, 0.15),
        mass_drift=rng.uniform(-0.1, 0.1),
        double_share=rng.uniform(0, 0.02),
        rate_hz=CD_HZ if rng.uniform() < 0.25 else RATE_HZ,
    )
    if rng.uniform() < 0.3:
        manner = replace(
            manner,
            second_from=rng.uniform(0.3, 0.7),
            second_mass=rng.uniform(0.75, 1.3),
            second_speed=rng.uniform(0.7, 1.4),
            second_tilt_db_octave=rng.normal(0, 0.6),
        )
    if rng.uniform() < 0.15:
        manner = replace(
            manner, gain_step_db=rng.choice([-1, 1]) * rng.uniform(2, 6), gain_step_from=rng.uniform(0.2, 0.8)
        )
    return manner


def draw_taps(manner: Manner, x_mm: Array, s_mm: Array, softness: Array, rng: np.random.Generator) -> Taps:
    """Draw all strikes of a part whose points are at `x_mm`, `s_mm` (stations, positions).

    `softness` (stations, positions) multiplies the contact's stiffness: a painted patch is softer.
    """
    stations, positions = x_mm.shape
    counts = rng.integers(manner.taps[0], manner.taps[1], x_mm.size, endpoint=True)
    point = np.repeat(np.arange(x_mm.size), counts)
    walked = (point // positions + 0.5) / stations
    second = walked > manner.second_from
    off = rng.uniform(-1, 1, (2, point.size)) * manner.misplaced_mm
    mass = manner.mass_kg * (1 + manner.mass_drift * (walked - 0.5)) * np.where(second, manner.second_mass, 1)
    loud = 10 ** (manner.level_db * rng.uniform(-1, 1, point.size) / 20)
    speed = manner.speed_m_s * loud * np.where(second, manner.second_speed, 1)
    spread = np.exp(manner.contact_spread * rng.standard_normal(point.size))
    tilt = manner.tilt_db_octave * rng.standard_normal(point.size)
    return Taps(
        strikes=Strikes(
            x_mm=x_mm.ravel()[point] + off[0],
            s_mm=s_mm.ravel()[point] + off[1],
            speed_m_s=speed,
            mass_kg=mass,
            contact_n_m15=manner.contact_n_m15 * spread * softness.ravel()[point],
        ),
        point=point,
        tilt_db_octave=tilt + np.where(second, manner.second_tilt_db_octave, 0.0),
        points=(stations, positions),
    )


def recordings(
    generator: Generator, taps: Taps, manner: Manner, rng: np.random.Generator
) -> Iterator[Recording]:
    """Record every point: one recording each, in walking order."""
    clean = _heard(generator.sounds(taps.strikes).astype(float), taps, manner, rng)
    step = np.where((taps.point // taps.points[1] + 0.5) / taps.points[0] > manner.gain_step_from, 1, 0)
    clean *= manner.peak / np.quantile(np.abs(clean).max(axis=1), 0.95)
    noise = np.sqrt(_typical_power(clean)) * 10 ** (-manner.snr_db / 20)
    room = _noise_stretches(manner, rng) * noise
    clean *= 10 ** (step * manner.gain_step_db / 20)[:, None]
    first = np.searchsorted(taps.point, np.arange(np.prod(taps.points) + 1))
    for number, (start, stop) in enumerate(pairwise(first)):
        signal = _laid(clean[start:stop], manner, rng)
        gain = 10 ** (step[start] * manner.gain_step_db / 20)  # the noise is turned up with the tap
        signal += gain * np.roll(room[rng.integers(len(room))], rng.integers(room.shape[1]))[: signal.size]
        if rng.uniform() < manner.click_share:
            signal += _click(signal.size, manner, rng)
        if manner.rate_hz != RATE_HZ:
            signal = resample_poly(signal, manner.rate_hz // 300, RATE_HZ // 300)
        whole = np.clip(np.round(signal * 2**15), -(2**15), 2**15 - 1).astype(np.int16)
        yield Recording(*divmod(number, taps.points[1]), whole, manner.rate_hz)


def _frequency_hz(samples: int) -> Array:
    return np.fft.rfftfreq(samples, 1 / RATE_HZ)


def _heard(sounds: Array, taps: Taps, manner: Manner, rng: np.random.Generator) -> Array:
    """Sounds (taps, FRAME) as the microphone hears them: strike angle, distance, bench and room."""
    frequency = _frequency_hz(FRAME)
    octaves = np.log2(np.clip(frequency, 200, 20e3) / 2e3)
    direct, bench_s = _ways(taps.points, manner, rng)
    echoes = _room(frequency, manner, rng)
    dull = manner.bench_share * np.exp(-frequency / 12e3)  # a bench swallows the highest notes
    heard = np.empty((len(sounds), FRAME))
    for k in range(0, len(sounds), 256):  # a block at a time: spectra are wide
        part = slice(k, k + 256)
        point = taps.point[part]
        spectrum = np.fft.rfft(sounds[part], FRAME)
        spectrum *= 10 ** (taps.tilt_db_octave[part, None] * octaves / 20)
        spectrum *= direct[point, None] * (
            echoes + dull * np.exp(-2j * np.pi * frequency * bench_s[point, None])
        )
        heard[part] = np.fft.irfft(spectrum, FRAME)
    return heard


def _ways(points: tuple[int, int], manner: Manner, rng: np.random.Generator) -> tuple[Array, Array]:
    """Loudness by distance, and delay of the bench's reflection, (points,): partly slow, partly anew."""
    count = points[0] * points[1]
    walk = np.arange(count) / count
    slow = sum(rng.normal(0, 0.5) * np.cos(np.pi * k * walk + rng.uniform(0, 2 * np.pi)) for k in (1, 2, 5))
    wander = manner.mic_spread * (slow + rng.standard_normal(count))
    distance = manner.mic_mm * np.exp(wander)
    path = manner.bench_path_mm * np.exp(-0.7 * wander + 0.1 * rng.standard_normal(count))
    return manner.mic_mm / distance, path / 1e3 / SOUND_M_S


def _room(frequency_hz: Array, manner: Manner, rng: np.random.Generator) -> Array:
    """Direct sound and a few dozen late reflections off walls, the same for the whole part."""
    delay = np.sort(rng.uniform(3e-3, 45e-3, 30))
    size = np.exp(-delay / 0.015) * rng.standard_normal(delay.size)
    size *= 10 ** (manner.room_db / 20) / np.sqrt((size**2).sum())
    late = size @ np.exp(-2j * np.pi * np.outer(delay, frequency_hz))
    return 1 + late * np.exp(-frequency_hz / 10e3)


def _typical_power(sounds: Array) -> float:
    """Median over taps of the power in BAND_HZ during LOUD_S."""
    start = round(LEAD_S * RATE_HZ)
    loud = sounds[:, start : start + round(LOUD_S * RATE_HZ)]
    spectrum = np.abs(np.fft.rfft(loud)) ** 2
    frequency = _frequency_hz(loud.shape[1])
    inside = (frequency >= BAND_HZ[0]) & (frequency <= BAND_HZ[1])
    return float(np.median(2 * spectrum[:, inside].sum(axis=1) / loud.shape[1] ** 2))


def _noise_stretches(manner: Manner, rng: np.random.Generator) -> Array:
    """Six long stretches (6, samples) of coloured noise of power 1 in BAND_HZ, rumble below it."""
    samples = 1 << 17
    frequency = _frequency_hz(samples)
    shape = 10 ** (manner.noise_slope_db_octave * np.log2(np.maximum(frequency, 300) / 2e3) / 20)
    hum_hz, width_hz = np.exp(rng.uniform(np.log(400), np.log(6e3))), rng.uniform(30, 300)
    shape *= 1 + rng.uniform(0, 4) / (1 + ((frequency - hum_hz) / width_hz) ** 2)  # a fan's or motor's note
    low = frequency < BAND_HZ[0]
    inside = (frequency >= BAND_HZ[0]) & (frequency <= BAND_HZ[1])
    shape /= np.sqrt((shape[inside] ** 2).sum())
    rumble = np.where(low & (frequency > 20), (60 / np.maximum(frequency, 60)), 0)
    shape[low] = 10 ** (manner.rumble_db / 20) * (rumble / np.sqrt((rumble**2).sum()))[low]
    random = rng.standard_normal((6, frequency.size)) + 1j * rng.standard_normal((6, frequency.size))
    return np.fft.irfft(shape * random, samples) * samples / 2


def _laid(sounds: Array, manner: Manner, rng: np.random.Generator) -> Array:
    """Lay the taps of one point one after the other, some struck twice."""
    gaps = manner.interval_s * rng.uniform(0.85, 1.15, len(sounds))
    starts = np.cumsum(np.r_[rng.uniform(0.05, 0.1), gaps[:-1]])
    starts = np.round(starts * RATE_HZ).astype(int)
    signal = np.zeros(starts[-1] + FRAME + round(0.03 * RATE_HZ))
    for start, sound in zip(starts, sounds, strict=True):
        signal[start : start + FRAME] += sound
        if rng.uniform() < manner.double_share:
            late = start + round(rng.uniform(0.012, 0.04) * RATE_HZ)
            signal[late : late + FRAME] += rng.uniform(0.2, 0.6) * sound[: signal.size - late]
    return signal


def _click(samples: int, manner: Manner, rng: np.random.Generator) -> Array:
    """A knock or switch: a burst of a few milliseconds, anywhere, up to as loud as a tap."""
    length = round(rng.uniform(1e-3, 6e-3) * RATE_HZ)
    burst = rng.standard_normal(length) * np.exp(-4 * np.arange(length) / length)
    signal = np.zeros(samples)
    at = rng.integers(samples - length)
    signal[at : at + length] = manner.peak * 10 ** (-rng.uniform(3, 25) / 20) * burst / np.abs(burst).max()
    return signal
