"""A tapped tube as a bare sum of damped modes, which has no physics in common with either simulator.

A round tube has every mode twice, turned by a quarter of a wave, so that all round a station sounds alike;
its modes are waves along it. A delamination is a clamped disc: its first two modes ring beside the tube's,
and its compliance in series with the contact makes the strike longer (Cawley & Adams 1988). No room, no
drift, no uneven wall: readings repeat better here than any real ones, and modes beat harder.
"""

from dataclasses import dataclass
from pathlib import Path

import numpy as np
import soundfile
from numpy.typing import NDArray

from tests.independent.shell import Array, Defect

__all__ = ["BareTube", "ModesTruth", "bare_tube", "modes_inspection", "sound_at"]

RATE_HZ, TAP_S = 48_000, 0.06
MODULUS_PA, POISSON, DENSITY_KG_M3 = 55e9, 0.3, 1550.0
HAMMER_KG = 4e-3
DISC = 10.22  # of a clamped circular plate: ω a² √(ρh/D) of its first mode
DISC_SECOND = 39.77 / DISC  # its next one with a crest in the middle
DISC_DAMPING = 0.03
DISC_WEIGHT, DISC_SECOND_WEIGHT = 2.5, 0.8  # of its modes, where the tube's weigh 0.4 to 1.5
TAKEN = 0.3  # of the tube's modes, by the middle of a delamination
END_SHARE = (0.5, 0.4)  # of the ringing, that the stiff ends take
GAIN = 6e-6  # the loudest taps stay a little below full scale


@dataclass(frozen=True, slots=True, eq=False)
class ModesTruth:
    """What is really in the part; `x_mm`, `s_mm` and `girth_mm` have shape (stations, positions)."""

    defects: tuple[Defect, ...]
    x_mm: Array
    s_mm: Array
    girth_mm: Array


@dataclass(frozen=True, slots=True, eq=False)
class BareTube:
    """Modes (k,) of the tube, and the stiffness of its ends."""

    frequency_hz: Array
    damping_ratio: Array
    waves: Array
    phase: Array
    weight: Array
    end_mm: tuple[float, float]
    contact_s: float


def modes_inspection(
    folder: str | Path,
    *,
    defects: tuple[Defect, ...],
    seed: int,
    stations: int = 40,
    positions: int = 12,
    pitch_mm: float = 10.0,
    girth_mm: tuple[float, float] = (120.0, 120.0),
    taps: int = 3,
) -> ModesTruth:
    """Write a tap inspection of such a tube and return the truth. Equal seeds give equal files."""
    folder, rng = Path(folder), np.random.default_rng([seed, 77])
    length = stations * pitch_mm
    x = (np.arange(stations) + 0.5) * pitch_mm
    girth = girth_mm[0] + (girth_mm[1] - girth_mm[0]) * x / length
    x_mm, turn = np.meshgrid(x, np.arange(positions) / positions, indexing="ij")
    tube = bare_tube(rng)
    (folder / "taps").mkdir(parents=True)
    for i in range(stations):
        for p in range(positions):
            place = np.array([[x[i]], [turn[i, p] * girth[i]]]) + rng.uniform(-2, 2, (2, taps))
            sounds = _sounds(tube, place, girth[i], length, defects, rng)
            _write(folder / "taps" / f"BM-{i + 1:02d}-{p + 1:02d}.wav", sounds, rng)
    start, end = girth_mm
    (folder / "inspection.toml").write_text(
        f"""[laminate]
thickness_mm = 1.6

[[zone]]
code = "BM"
shape = "tube"
stations = {stations}
positions = {positions}
station_pitch_mm = {pitch_mm}
girth_start_mm = {start}
girth_end_mm = {end}
""",
        encoding="utf-8",
    )
    return ModesTruth(defects, x_mm, turn * girth[:, None], np.broadcast_to(girth[:, None], x_mm.shape))


def bare_tube(rng: np.random.Generator) -> BareTube:
    count = int(rng.integers(25, 45))
    frequency_hz = np.sort(np.exp(rng.uniform(np.log(350), np.log(9000), count)))
    return BareTube(
        frequency_hz=frequency_hz,
        damping_ratio=rng.uniform(0.006, 0.015, count),
        waves=np.minimum(1 + rng.poisson(frequency_hz / 1800), 9),
        phase=rng.uniform(0, 2 * np.pi, count),
        weight=rng.uniform(0.4, 1.5, count),
        end_mm=(rng.uniform(10, 25), rng.uniform(10, 25)),
        contact_s=rng.uniform(0.16e-3, 0.3e-3),
    )


def _sounds(
    tube: BareTube,
    place_mm: Array,
    girth_mm: float,
    length_mm: float,
    defects: tuple[Defect, ...],
    rng: np.random.Generator,
) -> Array:
    """Sound of taps at places (2, taps), (taps, samples): each mode as it is struck and heard there."""
    sounds = np.zeros((place_mm.shape[1], round(TAP_S * RATE_HZ)))
    for sound, (x_mm, s_mm) in zip(sounds, place_mm.T, strict=True):
        contact_s = tube.contact_s * rng.uniform(0.95, 1.05)
        sound += sound_at(tube, (x_mm, s_mm), (length_mm, girth_mm), defects, contact_s)
        sound *= 10 ** (rng.uniform(-6, 6) / 20)
    return sounds


def sound_at(
    tube: BareTube,
    place_mm: tuple[float, float],
    size_mm: tuple[float, float],
    defects: tuple[Defect, ...],
    contact_s: float,
) -> Array:
    """Sound (samples,) of one tap of so long a contact at a place of a tube of a length and girth."""
    (x_mm, s_mm), (length_mm, girth_mm) = place_mm, size_mm
    shape = np.cos(np.pi * tube.waves * x_mm / length_mm + tube.phase) ** 2
    near_end = END_SHARE[0] * np.exp(-x_mm / tube.end_mm[0]) + END_SHARE[1] * np.exp(
        -(length_mm - x_mm) / tube.end_mm[1]
    )
    weight, frequency_hz, damping = (
        tube.weight * shape * (1 - near_end),
        tube.frequency_hz,
        tube.damping_ratio,
    )
    for defect in defects:
        ds = (s_mm - defect.s_mm + girth_mm / 2) % girth_mm - girth_mm / 2
        within = 1 - ((x_mm - defect.x_mm) ** 2 + ds**2) / defect.radius_mm**2
        if within > 0:
            contact_s *= np.sqrt(1 + within**2 * _stiffness(contact_s) * _compliance(defect))
            own_hz = _disc_hz(defect)
            frequency_hz = np.concatenate([frequency_hz, [own_hz, DISC_SECOND * own_hz]])
            damping = np.concatenate([damping, [DISC_DAMPING, DISC_DAMPING]])
            weight = np.concatenate(
                [weight * (1 - TAKEN * within), within**2 * np.array([DISC_WEIGHT, DISC_SECOND_WEIGHT])]
            )
    strength = weight * _strike(frequency_hz * contact_s) * frequency_hz
    return _rung(strength, 2 * np.pi * frequency_hz * (1j - damping))


def _rung(strength: Array, pole_1_s: NDArray[np.complex128]) -> Array:
    """Sum of strength · Im exp(pole · t): powers of 64 samples times powers within them, a matrix product."""
    samples = round(TAP_S * RATE_HZ)
    coarse = np.exp(np.multiply.outer(np.arange(0, samples, 64) / RATE_HZ, pole_1_s))
    fine = np.exp(np.multiply.outer(pole_1_s, np.arange(64) / RATE_HZ))
    return ((coarse * strength) @ fine).imag.ravel()[:samples]


def _strike(cycles: Array) -> Array:
    """Spectrum of a half-sine of so many cycles of the mode, one at rest."""
    return np.abs(np.sinc(cycles - 0.5) + np.sinc(cycles + 0.5)) * np.pi / 4


def _stiffness(contact_s: float) -> float:
    """Stiffness of the contact, N/m, at which the hammer stays that long."""
    return float(HAMMER_KG * (np.pi / contact_s) ** 2)


def _bending(defect: Defect) -> float:
    return float(MODULUS_PA * (defect.depth_mm / 1e3) ** 3 / 12 / (1 - POISSON**2))


def _compliance(defect: Defect) -> float:
    """Deflection of a clamped disc's middle under a newton there: a² / 16 π D."""
    return float((defect.radius_mm / 1e3) ** 2 / (16 * np.pi * _bending(defect)))


def _disc_hz(defect: Defect) -> float:
    mass = DENSITY_KG_M3 * defect.depth_mm / 1e3
    return float(DISC / (2 * np.pi * (defect.radius_mm / 1e3) ** 2) * np.sqrt(_bending(defect) / mass))


def _write(path: Path, sounds: Array, rng: np.random.Generator) -> None:
    """One 16-bit file, its taps at uneven distances, over white noise 25 to 40 dB below their beginning."""
    starts = np.cumsum(rng.uniform(0.18, 0.3, len(sounds)) * RATE_HZ).astype(int) - round(0.1 * RATE_HZ)
    signal = np.zeros(starts[-1] + sounds.shape[1] + round(0.05 * RATE_HZ))
    for start, sound in zip(starts, sounds, strict=True):
        signal[start : start + sound.size] += sound
    level = np.sqrt(np.mean(sounds[:, : round(0.02 * RATE_HZ)] ** 2))
    signal += level * 10 ** (-rng.uniform(25, 40) / 20) * rng.standard_normal(signal.size)
    soundfile.write(path, np.clip(GAIN * signal, -1, 1 - 2**-15), RATE_HZ, subtype="PCM_16")
