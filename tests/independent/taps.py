"""Taps on the shell: a small mass strikes it, contact and ringing follow from the motion, a microphone
listens.

The tapper is a mass on a Hertzian contact, integrated in time against the point's own impulse response
(Duhamel's integral over all coupled modes, the modes left out as a compliance in series). The sound is the
acceleration of the surface near the tap and, fainter, of the rest, through a few reflections of the room.
"""

from collections.abc import Callable
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

import numpy as np
import soundfile

from tests.independent.shell import Array, Defect, Part, Tube, coupled_modes, tube_modes

__all__ = [
    "LEAD_SAMPLES",
    "Blows",
    "Hand",
    "TapTruth",
    "contact_force_n",
    "drawn",
    "rim_distance_mm",
    "struck_spectra",
    "tap_inspection",
    "tap_spectra",
]

FORCE_RATE_HZ = 768_000.0
CONTACT_S = 1.6e-3  # the tapper has left for good by then
LEAD_SAMPLES = 64  # room before the strike for what the sharp low-pass spreads forward in time


@dataclass(frozen=True, slots=True)
class Hand:
    """The tapper, the hand that swings it, the microphone and the room."""

    mass_kg: float = 4e-3
    contact_n_m15: float = 6e8  # Hertz: 4/3 E* √R of a small steel ball on laminate
    speed_m_s: float = 0.35
    speed_spread_db: float = 6.0  # uniform, both ways
    contact_spread: float = 0.05
    place_spread_mm: float = 2.0  # uniform, both ways, along and round
    wall_damping: float = 0.009
    loose_damping: float = 0.022  # a sub-laminate rubs and pumps air
    near_mm: float = 12.0
    far_share: float = 0.25
    room_db: float = -18.0
    hum_share: float = 0.3  # of parts
    taps_per_point: int = 3
    sample_rate_hz: int = 48_000


@dataclass(frozen=True, slots=True, eq=False)
class TapTruth:
    """What is really in the part. `is_delaminated` and `rim_mm` have shape (stations, positions).

    `rim_mm` is the distance of each point from the nearest delamination's rim, negative inside, infinite in a
    sound part.
    """

    folder: Path
    defects: tuple[Defect, ...]
    is_delaminated: np.ndarray
    rim_mm: np.ndarray
    x_mm: np.ndarray
    s_mm: np.ndarray
    part: Part
    hand: Hand = field(repr=False)


def contact_force_n(
    impulse_m_n: Array, rest_m_n: Array, speed_m_s: Array, mass_kg: Array | float, contact_n_m15: Array
) -> Array:
    """Force of each tap at `FORCE_RATE_HZ`, (taps, steps).

    `impulse_m_n` (taps, steps) is the displacement in each step after a unit force held for one step.
    Contact: indentation = (F/k)^(2/3) + rest·F, no pull.
    """
    taps, steps = impulse_m_n.shape
    step_s = 1 / FORCE_RATE_HZ
    backwards = np.ascontiguousarray(impulse_m_n[:, ::-1])
    force = np.zeros((taps, steps))
    place, speed = np.zeros(taps), speed_m_s.copy()
    soft = contact_n_m15 ** (-2 / 3)
    pressed = 0  # steps until the last force so far
    for n in range(steps):
        surface = np.einsum("tk,tk->t", backwards[:, steps - n : steps - n + pressed], force[:, :pressed])
        indent = place - surface
        on = np.flatnonzero(indent > 0)  # most taps have left before most steps
        if on.size:
            force[on, n] = _pressed_n(indent[on], rest_m_n[on], soft[on])
            pressed = n + 1
        speed = speed - force[:, n] / mass_kg * step_s
        place = place + speed * step_s
    return force


def _pressed_n(indent_m: Array, rest_m_n: Array, soft: Array) -> Array:
    """Newton on c·f³ + k^(-2/3)·f² = indentation, f = F^(1/3), from above: convex, so it only comes down."""
    root = np.minimum(np.sqrt(indent_m / soft), np.cbrt(indent_m / np.maximum(rest_m_n, 1e-15)))
    for _ in range(5):
        slope = 3 * rest_m_n * root**2 + 2 * soft * root
        root -= (rest_m_n * root**3 + soft * root**2 - indent_m) / np.maximum(slope, 1e-30)
    return root**3


def _impulse(shapes: Array, omega: Array, zeta: Array, steps: int) -> Array:
    """Displacement at the struck point after a unit force over one step, (taps, steps)."""
    # A whole step, as the tapper's own motion takes it: else the pair gains energy (symplectic Euler).
    time = (np.arange(steps) + 1) / FORCE_RATE_HZ
    damped = omega * np.sqrt(1 - zeta**2)
    ring = np.exp(-(zeta * omega)[:, None] * time) * np.sin(damped[:, None] * time) / damped[:, None]
    return (shapes**2 @ ring) / FORCE_RATE_HZ


def _listening(part: Part, x_m: Array, s_m: Array, hand: Hand) -> Array:
    """How loud each mode is at the microphone held over each tap, (taps, modes): weighted surface motion."""
    tube = part.modes.tube
    grid_x = np.linspace(0.01, tube.length_m - 0.01, 36)
    share = np.arange(18) / 18
    x, turn = (a.ravel() for a in np.meshgrid(grid_x, share, indexing="ij"))
    girth = 2 * np.pi * tube.radius_m(x)
    surface, _ = part.point_shapes(x, turn * girth)
    tap_girth = 2 * np.pi * tube.radius_m(x_m)
    around = (turn - (s_m / tap_girth)[:, None] + 0.5) % 1 - 0.5
    distance = np.hypot(x - x_m[:, None], around * girth)
    shadow = np.cos(np.pi * around) ** 2  # the far side of the tube is hardly heard
    far = shadow / (1 + (distance / 0.06) ** 2)
    heard = hand.far_share * far @ surface / 30
    near = hand.near_mm / 1e3
    for dx, ds, weight in ((0, 0, 0.3), (1, 0, 0.175), (-1, 0, 0.175), (0, 1, 0.175), (0, -1, 0.175)):
        beside, _ = part.point_shapes(np.clip(x_m + dx * near / 2, 0, tube.length_m), s_m + ds * near / 2)
        heard += weight * beside
    return heard


def _damping(part: Part, hand: Hand, rng: np.random.Generator) -> Array:
    zeta = hand.wall_damping + (hand.loose_damping - hand.wall_damping) * part.loose
    frequency_khz = part.omega_rad_s / (2e3 * np.pi)
    return zeta * (1 + 0.02 * frequency_khz) * rng.uniform(0.8, 1.25, zeta.size)


def tap_spectra(
    part: Part, x_m: Array, s_m: Array, hand: Hand, rng: np.random.Generator, samples: int = 8192
) -> tuple[Array, Array]:
    """One-sided spectra of the sound of taps (taps, bins) complex, and their forces (taps, steps).

    Each array of places is one tap; speed and contact vary as the hand does.
    """
    taps = x_m.size
    speed = hand.speed_m_s * 10 ** (rng.uniform(-1, 1, taps) * hand.speed_spread_db / 20)
    contact = hand.contact_n_m15 * np.exp(rng.normal(0, hand.contact_spread, taps))
    blows = Blows(x_m, s_m, speed, np.full(taps, hand.mass_kg), contact)
    return struck_spectra(part, blows, hand, samples)


@dataclass(frozen=True, slots=True, eq=False)
class Blows:
    """How each tap is struck, arrays (taps,): place, speed, tapper's mass, Hertzian contact stiffness."""

    x_m: Array
    s_m: Array
    speed_m_s: Array
    mass_kg: Array
    contact_n_m15: Array


def struck_spectra(part: Part, blows: Blows, hand: Hand, samples: int = 8192) -> tuple[Array, Array]:
    """One-sided spectra of the sound of such taps (taps, bins) complex, and their forces (taps, steps).

    Of the hand only damping, microphone and rate count here.
    """
    zeta = _damping(part, hand, np.random.default_rng(part.modes.tube.seed))
    omega = part.omega_rad_s
    shapes, rest = part.point_shapes(blows.x_m, blows.s_m)
    steps = int(CONTACT_S * FORCE_RATE_HZ)
    force = np.concatenate(
        [
            contact_force_n(
                _impulse(shapes[c], omega, zeta, steps),
                rest[c],
                blows.speed_m_s[c],
                blows.mass_kg[c],
                blows.contact_n_m15[c],
            )
            for c in (slice(i, i + 240) for i in range(0, blows.x_m.size, 240))
        ]
    )
    frequency = np.arange(samples // 2 + 1) * hand.sample_rate_hz / samples
    turn = np.exp(-2j * np.pi * np.outer(np.arange(steps) / FORCE_RATE_HZ, frequency)).astype(np.complex64)
    # Real times complex, with real and imaginary parts side by side: half the work of complex times complex.
    force_spectrum = (force.astype(np.float32) @ turn.view(np.float32)).view(np.complex64) / FORCE_RATE_HZ
    omega_f = 2 * np.pi * frequency
    response = (
        -(omega_f**2) / (omega[:, None] ** 2 - omega_f**2 + 2j * (zeta * omega)[:, None] * omega_f + 1e-9)
    ).astype(np.complex64)
    weights = (shapes * _listening(part, blows.x_m, blows.s_m, hand)).astype(np.float32)
    heard = (weights @ response.view(np.float32)).view(np.complex64) * force_spectrum
    lead = np.exp(-2j * np.pi * frequency * LEAD_SAMPLES / hand.sample_rate_hz)
    return heard * (_microphone(frequency) * lead), force


def _microphone(frequency_hz: Array) -> Array:
    """A small electret: no lows, a gentle rise near 9 kHz, nothing above 21 kHz."""
    s = 1j * frequency_hz
    high_pass = s / (s + 120)
    bump = 1 + 0.35 * np.exp(-(((frequency_hz - 9e3) / 4e3) ** 2))
    low_pass = 1 / np.sqrt(1 + (frequency_hz / 20e3) ** 16)
    return high_pass * bump * low_pass


def _room(frequency_hz: Array, hand: Hand, rng: np.random.Generator) -> Array:
    """A few early reflections off bench and walls, then a faint diffuse tail."""
    delays = np.concatenate([rng.uniform(0.8e-3, 9e-3, 4), rng.uniform(9e-3, 60e-3, 24)])
    level = 10 ** (hand.room_db / 20) * rng.normal(1, 0.3, delays.size) * np.exp(-delays / 0.02)
    level *= rng.choice([-1, 1], delays.size)
    absorbed = np.exp(-frequency_hz / 14e3)
    return 1 + absorbed * (level @ np.exp(-2j * np.pi * np.outer(delays, frequency_hz)))


def _noise(samples: int, rate_hz: float, rng: np.random.Generator) -> Array:
    """Coloured noise of unit power from 400 Hz to 20 kHz: hiss that falls 3 dB an octave, rumble below."""
    frequency = np.fft.rfftfreq(samples, 1 / rate_hz)
    shape = 1 / np.sqrt(np.maximum(frequency, 60) / 1e3) * (1 + (150 / np.maximum(frequency, 60)) ** 2)
    spectrum = shape * (rng.normal(size=frequency.size) + 1j * rng.normal(size=frequency.size))
    in_band = (frequency > 400) & (frequency < 20e3)
    power = 2 * (np.abs(spectrum[in_band]) ** 2).sum() / samples**2
    return np.fft.irfft(spectrum, samples) / np.sqrt(power)


def rim_distance_mm(x_mm: Array, s_mm: Array, girth_mm: Array, defects: tuple[Defect, ...]) -> Array:
    """Distance from the nearest rim, negative inside (exact for circles, along the ray for ellipses)."""
    nearest = np.full(x_mm.shape, np.inf)
    for defect in defects:
        ds = (s_mm - defect.s_mm + girth_mm / 2) % girth_mm - girth_mm / 2
        dx = x_mm - defect.x_mm
        reach = np.hypot(dx, ds)
        relative = np.hypot(dx / defect.radii_mm[0], ds / defect.radii_mm[1])
        along_ray = np.where(
            relative > 0, reach * (1 - 1 / np.maximum(relative, 1e-9)), -min(defect.radii_mm)
        )
        nearest = np.minimum(nearest, along_ray)
    return nearest


def _plan_text(tube: Tube, stations: int, positions: int, pitch_mm: float, extra: str, name: str) -> str:
    start, end = (g * 1e3 for g in tube.girth_m)
    girth = f"girth_mm = {start}" if start == end else f"girth_start_mm = {start}\ngirth_end_mm = {end}"
    return f"""[part]
name = "{name}"

[laminate]
thickness_mm = {tube.wall_m * 1e3:.6g}
modulus_gpa = {tube.modulus_pa / 1e9:.6g}
poisson = {tube.poisson}
density_kg_m3 = {tube.density_kg_m3}
velocity_m_s = 2950.0

[[zone]]
code = "BM"
name = "Main boom"
shape = "tube"
stations = {stations}
positions = {positions}
station_pitch_mm = {pitch_mm}
{girth}

[tap]
taps_per_point = 3
{extra}"""


def tap_inspection(
    folder: str | Path,
    *,
    defects: tuple[Defect, ...],
    seed: int,
    stations: int = 40,
    positions: int = 12,
    pitch_mm: float = 10.0,
    girth_mm: tuple[float, float] = (120.0, 120.0),
    snr_db: tuple[float, float] = (25.0, 40.0),
    tube: Tube | None = None,
    hand: Hand | None = None,
    plan_extra: str = "",
    shift_positions: int = 0,
    visit: int = 0,
    progress: Callable[[str], Any] = lambda _: None,
) -> TapTruth:
    """Write a whole tap inspection of one simulated tube and return the truth.

    Equal seeds give equal files. `tube` and `hand` replace the drawn part and tapper; length, girth and seed
    of the tube are always set from the other arguments. `shift_positions` moves the datum line by that many
    positions and changes nothing else in the sound. Another `visit` strikes the same part anew.
    """
    folder = Path(folder)
    rng = np.random.default_rng([seed, 2])
    drawn_tube, drawn_hand = drawn(rng)
    length_m = stations * pitch_mm / 1e3
    girth_m = (girth_mm[0] / 1e3, girth_mm[1] / 1e3)
    tube = replace(tube or drawn_tube, length_m=length_m, girth_m=girth_m, seed=seed)
    hand = hand or drawn_hand
    rng = np.random.default_rng([seed, 2, visit]) if visit else rng
    part = coupled_modes(tube_modes(tube), defects)
    progress(f"{part.omega_rad_s.size} modes")
    x_mm, turn = np.meshgrid(
        (np.arange(stations) + 0.5) * pitch_mm, np.arange(positions) / positions, indexing="ij"
    )
    girth = 2e3 * np.pi * tube.radius_m(x_mm / 1e3)
    s_mm = turn * girth
    per_point = hand.taps_per_point
    jitter = rng.uniform(-1, 1, (2, stations * positions, per_point)) * hand.place_spread_mm
    x_m = np.clip(x_mm.ravel()[:, None] + jitter[0], 0.5, stations * pitch_mm - 0.5).ravel() / 1e3
    s_m = (s_mm.ravel()[:, None] + jitter[1]).ravel() / 1e3
    spectra, force = tap_spectra(part, x_m, s_m, hand, rng)
    progress(f"peak force {np.median(force.max(axis=1)):.1f} N")
    _write(folder, spectra.reshape(stations, positions, per_point, -1), hand, snr_db, rng, shift_positions)
    (folder / "inspection.toml").write_text(
        _plan_text(tube, stations, positions, pitch_mm, plan_extra, f"Simulated tube {seed}"),
        encoding="utf-8",
    )
    rim = rim_distance_mm(x_mm, s_mm, girth, defects)
    rim = np.roll(rim, shift_positions, axis=1)
    return TapTruth(folder, defects, rim < 0, rim, x_mm, s_mm, part, hand)


def drawn(rng: np.random.Generator) -> tuple[Tube, Hand]:
    """A part and a tapper as one may meet them."""
    tube = Tube(
        end_thickening=(rng.uniform(0.3, 1.2), rng.uniform(0.2, 0.8)),
        end_length_m=(rng.uniform(0.015, 0.03), rng.uniform(0.012, 0.025)),
        end_spring_pa=(10 ** rng.uniform(8.5, 10), 10 ** rng.uniform(7.5, 9.5)),
        modulus_ratio=rng.uniform(0.7, 1.6),
        lap_thickening=rng.uniform(0.05, 0.25),
        lap_angle_rad=rng.uniform(0, 2 * np.pi),
        lap_twist_rad_m=rng.uniform(-2, 2),
        unevenness=rng.uniform(0.01, 0.03),
    )
    hand = Hand(
        mass_kg=rng.uniform(2.5e-3, 7e-3),
        contact_n_m15=10 ** rng.uniform(8.5, 9.0),
        speed_m_s=rng.uniform(0.25, 0.5),
        wall_damping=rng.uniform(0.006, 0.013),
        loose_damping=rng.uniform(0.015, 0.035),
        room_db=rng.uniform(-26, -16),
    )
    return tube, hand


def _write(
    folder: Path,
    spectra: Array,
    hand: Hand,
    snr_db: tuple[float, float],
    rng: np.random.Generator,
    shift: int,
) -> None:
    """One 16-bit file per point, its taps at uneven distances, one gain for the whole part."""
    stations, positions, per_point, bins = spectra.shape
    samples = 2 * (bins - 1)
    rate = hand.sample_rate_hz
    frequency = np.arange(bins) * rate / samples
    has_hum = rng.uniform() < hand.hum_share
    hum_hz = rng.choice([50.0, 60.0])
    taps_folder = folder / "taps"
    taps_folder.mkdir(parents=True, exist_ok=True)
    loudest = np.abs(np.fft.irfft(spectra.reshape(-1, bins)[::7], samples)).max()
    gain = 0.55 / loudest
    pink = np.stack([_noise(1 << 16, rate, rng) for _ in range(4)])
    room = _room(frequency, hand, rng)
    for i in range(stations):
        # The hand moves a little: the room changes along the part.
        room = 0.9 * room + 0.1 * _room(frequency, hand, rng)
        sounds = gain * np.fft.irfft(spectra[i] * room, samples)
        for p in range(positions):
            gaps = rng.uniform(0.2, 0.33, per_point) * rate
            starts = np.cumsum(np.r_[rng.uniform(0.06, 0.12) * rate, gaps[:-1]]).astype(int)
            signal = np.zeros(starts[-1] + samples + int(0.02 * rate))
            for start, sound in zip(starts, sounds[p], strict=True):
                signal[start : start + samples] += sound
            level = np.sqrt(np.mean(sounds[p][:, : int(0.02 * rate)] ** 2))
            sd = level * 10 ** (-rng.uniform(*snr_db) / 20)
            noise = np.roll(pink[rng.integers(4)], rng.integers(1 << 16))[: signal.size]
            signal += sd * noise
            if has_hum:
                time = np.arange(signal.size) / rate
                phase = rng.uniform(0, 2 * np.pi, 3)
                for k, harmonic in enumerate((1, 2, 3)):
                    signal += 1.5 * sd / harmonic * np.sin(2 * np.pi * hum_hz * harmonic * time + phase[k])
            signal += 0.002
            name = f"BM-{i + 1:02d}-{(p + shift) % positions + 1:02d}.wav"
            soundfile.write(taps_folder / name, np.clip(signal, -1, 1 - 2**-15), rate, subtype="PCM_16")
