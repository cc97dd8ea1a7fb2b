"""Taps on flat panels by finite elements (`plate_modes.py`), sound and damaged.

The tapper is a mass on a Hertzian contact with a loss after Hunt & Crossley (from memory: J. Appl. Mech. 42,
1975): F = k δ^1.5 (1 + c dδ/dt). Tapper and modes are integrated together, each mode exactly from step to
step, at ten times the recordings' rate. Modes left out are a spring in series: of the panel those that an
infinite plate would have, 1/(4π√(Dσ)ω) beyond ω (from a plate's modal density, √(σ/D)/4π an area and rad/s).
The sound is the surface's acceleration over some centimetres beneath the microphone, by Rayleigh's integral.
"""

from collections.abc import Sequence
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray
from scipy.signal import firwin, upfirdn

from tests.independent.plate_modes import (
    HIGHEST_HZ,
    PLATE_KINDS,
    Plate,
    Sheet,
    coupled,
    panel_names,
    refuse_overlap,
    sheets_of,
    tables,
)
from tests.independent.strikes import LEAD_S, RATE_HZ, TAP_S, Damage, Strikes

__all__ = ["PLATE_KINDS", "PlateTaps", "draw", "draw_odd"]

Array = NDArray[np.float64]

FINER = 10  # steps of the contact to a sample
CONTACT_S, AFTER_S = 2.4e-3, 0.5e-3  # the tapper has left for good; then the panel rings alone
FILTER_HALF = 16 * FINER
SOUND_M_S = 343.0
RINGS_MM = ((0.0, 1), (8.0, 4), (18.0, 6), (32.0, 8))  # where the surface is heard, and at how many points
RING_EDGES_MM = (0.0, 4.0, 13.0, 25.0, 40.0)
RING_SHARE = 0.1  # of the sound, that comes from right beneath the tapper
CHUNK = 256


def draw(
    rng: np.random.Generator,
    *,
    stations: int,
    positions: int,
    pitch_mm: float,
    shape: str = "panel",
    damages: Sequence[Damage] = (),
    girth_mm: float | None = None,
) -> "PlateTaps":
    """A panel as one may meet it, with a zone of `stations` · `pitch_mm` by `girth_mm` somewhere on it.

    `girth_mm`, the zone's width, is `positions` · `pitch_mm` when None; zones up to some 600 by 280 mm fit.
    Damages of the kinds in `PLATE_KINDS` are known. Raises ValueError where no panel is large enough, or the
    shape is no panel.
    """
    if shape != "panel":
        msg = f'shape "{shape}": these generators are panels'
        raise ValueError(msg)
    width_mm = positions * pitch_mm if girth_mm is None else girth_mm
    for name in rng.permutation(panel_names()):
        plate = _around(rng, str(name), np.array([stations * pitch_mm, width_mm]))
        # ω grows as the wall: the thinnest whose modes at hand reach 11 kHz, or 1.2 mm.
        thinnest = max(1.2e-3, plate.wall_m * 2 * np.pi * 11e3 / plate.omega_rad_s[-1])
        if thinnest < 4e-3:
            wall_m = rng.uniform(thinnest, max(3e-3, 1.2 * thinnest))
            return PlateTaps.of(replace(plate, wall_m=wall_m), damages)
    msg = f"a zone of {stations * pitch_mm:g} by {width_mm:g} mm is too large: no panel's modes reach 11 kHz"
    raise ValueError(msg)


def draw_odd(
    rng: np.random.Generator, name: str, length_mm: float, damages: Sequence[Damage] = ()
) -> "PlateTaps":
    """A plate of `odd_names`, its box `length_mm` long from x = 0 and s = 0 on."""
    plate = _drawn(rng, name, length_mm, (0.0, 0.0), is_turned=False)
    return PlateTaps.of(replace(plate, wall_m=rng.uniform(1.4e-3, 2.2e-3)), damages)


def _around(rng: np.random.Generator, name: str, size_mm: Array) -> Plate:
    """A panel somewhat larger than the zone, its length along the zone's longer side."""
    aspect = float(tables()[f"panel/{name}/properties"][0])
    is_turned = bool(size_mm[1] > size_mm[0])
    along, across = size_mm[::-1] if is_turned else size_mm
    margins = rng.uniform(8, 20, 2)
    length_mm = float(max(along + 2 * margins[0], (across + 2 * margins[1]) / aspect))
    spare = np.array([length_mm - along, length_mm * aspect - across])
    start = rng.uniform(np.minimum(8, spare / 2), np.maximum(spare - 8, spare / 2))
    return _drawn(rng, name, length_mm, (float(start[0]), float(start[1])), is_turned=is_turned)


def _drawn(
    rng: np.random.Generator, name: str, length_mm: float, origin_mm: tuple[float, float], *, is_turned: bool
) -> Plate:
    return Plate(
        name=name,
        length_m=length_mm / 1e3,
        wall_m=1e-3,
        origin_mm=origin_mm,
        is_turned=is_turned,
        modulus_pa=rng.uniform(45e9, 75e9),
        density_kg_m3=rng.uniform(1500, 1600),
        damping=rng.uniform(0.006, 0.013),
        loose_damping=rng.uniform(0.015, 0.035),
        contact_loss_s_m=rng.uniform(0.1, 0.6),
        microphone_mm=rng.uniform(15, 35),
        listening_mm=rng.uniform(12, 20),
        seed=int(rng.integers(2**31)),
    )


@dataclass(frozen=True, slots=True, eq=False)
class PlateTaps:
    """A panel with its damage: `vectors` (functions, modes) of panel and sheets; rates λ = -ζω + iω_d."""

    plate: Plate
    sheets: tuple[Sheet, ...]
    vectors: Array = field(repr=False)
    omega_rad_s: Array = field(repr=False)
    damping: Array = field(repr=False)

    @classmethod
    def of(cls, plate: Plate, damages: Sequence[Damage] = ()) -> "PlateTaps":
        refuse_overlap(damages)
        rng = np.random.default_rng([plate.seed, 18])
        sheets = tuple(s for damage in damages for s in sheets_of(plate, damage, rng))
        omega, vectors, loose = coupled(plate, sheets)
        # Laminate loses a little more the faster it moves; a loose sheet rubs and pumps air, too.
        khz = omega / (2e3 * np.pi)
        zeta = plate.damping * (1 + 0.015 * khz) + plate.loose_damping * loose * (1 + 0.04 * khz)
        spread = np.random.default_rng([plate.seed, 19]).uniform(0.8, 1.25, zeta.size)
        return cls(plate, sheets, vectors, omega, zeta * spread)

    def sounds(self, strikes: Strikes) -> NDArray[np.float32]:
        """Sound of each tap, (taps, TAP_S * RATE_HZ)."""
        parts = [slice(i, i + CHUNK) for i in range(0, strikes.x_mm.size, CHUNK)]
        return np.concatenate([_heard(self, _some(strikes, part)) for part in parts])

    def forces_n(self, strikes: Strikes) -> Array:
        """Contact force of each tap at `FINER` · `RATE_HZ`, (taps, steps)."""
        return _struck(self, strikes).force_n

    def shapes(self, place_m: Array) -> Array:
        """Coupled modes at places on the surface, (points, modes)."""
        raw = [self.plate.shapes(place_m)]
        raw += [s.shapes(place_m) * s.is_struck for s in self.sheets]
        return np.hstack(raw) @ self.vectors

    def rest_m_n(self, place_m: Array) -> Array:
        """Compliance of all modes left out, (points,)."""
        plate = self.plate
        own = plate.omega_rad_s
        first = min(own[-1], 2 * np.pi * HIGHEST_HZ)
        thick = (plate.thickness_m(place_m) / plate.wall_m) ** 2
        rest = 1 / (4 * np.pi * np.sqrt(plate.mean_bending_n_m * plate.mass_kg_m2) * first * thick)
        return rest + sum(s.rest_m_n(place_m) for s in self.sheets if s.is_struck)


def _some(strikes: Strikes, part: slice) -> Strikes:
    return Strikes(*(getattr(strikes, name)[part] for name in Strikes.__dataclass_fields__))


@dataclass(frozen=True, slots=True, eq=False)
class _Contact:
    """Force and heard velocity (taps, steps), and the modes' state (taps, modes) after the last step."""

    force_n: Array
    velocity: Array
    state: NDArray[np.complex64]
    tapper_m_s: Array


def _rates(part: PlateTaps) -> tuple[NDArray[np.complex128], Array]:
    """λ of each mode, and its damped ω."""
    damped = part.omega_rad_s * np.sqrt(1 - part.damping**2)
    return -part.damping * part.omega_rad_s + 1j * damped, damped


def _struck(part: PlateTaps, strikes: Strikes, listening: NDArray[np.complex128] | None = None) -> _Contact:
    """Tapper and modes together, from the first touch on. A mode's displacement is Im(state) / ω_d."""
    step_s = 1 / (RATE_HZ * FINER)
    steps, loaded = (round(t / step_s) for t in (CONTACT_S + AFTER_S, CONTACT_S))
    rate, damped = _rates(part)
    place = part.plate.place_m(strikes.x_mm, strikes.s_mm)
    shapes, rest = part.shapes(place), part.rest_m_n(place)
    turn = np.exp(rate * step_s).astype(np.complex64)
    push = (shapes * step_s).astype(np.float32)
    give, moves = (shapes / damped).astype(np.float32), (shapes * rate / damped).astype(np.complex64)
    heard = (np.zeros_like(moves) if listening is None else listening * rate / damped).astype(np.complex64)
    state = np.zeros(shapes.shape, dtype=np.complex64)
    force, velocity = np.zeros((2, strikes.x_mm.size, steps))
    tapper, speed = np.zeros(strikes.x_mm.size), strikes.speed_m_s.copy()
    for n in range(steps):
        if n < loaded:
            near = np.einsum("tk,tk->t", give, state.imag)
            approach = speed - np.einsum("tk,tk->t", moves, state).imag
            stiff = strikes.contact_n_m15 * np.maximum(1 + part.plate.contact_loss_s_m * approach, 0.1)
            force[:, n] = _hertz(tapper - near, rest, stiff, force[:, n - 1] if n else np.zeros(rest.size))
            speed = speed - force[:, n] / strikes.mass_kg * step_s
            tapper = tapper + speed * step_s
            state += push * force[:, n, None].astype(np.float32)
        state *= turn
        if listening is not None:
            velocity[:, n] = np.einsum("tk,tk->t", heard, state).imag
    return _Contact(force, velocity, state, speed)


def _hertz(closed_m: Array, rest_m_n: Array, stiff: Array, force_n: Array) -> Array:
    """Force F = k (closed - rest F)^1.5, by Newton's method from the last step's force."""
    closed_m = np.maximum(closed_m, 0)
    for _ in range(6):
        squeezed = np.maximum(closed_m - rest_m_n * force_n, 0)
        excess = force_n - stiff * squeezed**1.5
        force_n = np.maximum(force_n - excess / (1 + 1.5 * stiff * rest_m_n * np.sqrt(squeezed)), 0)
    return force_n


def _listening(part: PlateTaps, strikes: Strikes, rate: NDArray[np.complex128]) -> NDArray[np.complex128]:
    """How loud each mode is at the microphone (taps, modes), the sound's way from each ring in its phase."""
    plate = part.plate
    place = plate.place_m(strikes.x_mm, strikes.s_mm)
    edges = np.array(RING_EDGES_MM)
    radii = np.array([r for r, _ in RINGS_MM])
    way_m = np.hypot(radii, plate.microphone_mm) / 1e3
    weight = np.diff(edges**2) * np.exp(-0.5 * (radii / plate.listening_mm) ** 2) / way_m
    weight /= weight.sum()
    heard = np.zeros((len(place), rate.size), dtype=np.complex128)
    for (radius, count), share, way in zip(RINGS_MM, weight, way_m, strict=True):
        delay = np.exp(-rate * (way - way_m[0]) / SOUND_M_S)
        for angle in (np.arange(count) + 0.25) * 2 * np.pi / count:
            at = place + radius / 1e3 * np.array([np.cos(angle), np.sin(angle)])
            heard += share / count * delay * part.shapes(at) * plate.is_on(at)[:, None]
    return heard


def _heard(part: PlateTaps, strikes: Strikes) -> NDArray[np.float32]:
    rate, damped = _rates(part)
    listening = _listening(part, strikes, rate)
    contact = _struck(part, strikes, listening)
    fine_hz = RATE_HZ * FINER
    # What the modes left out move, too: quasi-static, right beneath the tapper.
    beneath = part.rest_m_n(part.plate.place_m(strikes.x_mm, strikes.s_mm)) * RING_SHARE
    local = np.diff(contact.force_n, axis=1, prepend=0) * fine_hz * beneath[:, None]
    fine = np.diff(contact.velocity + local, axis=1, prepend=0) * fine_hz
    lead, samples = round(LEAD_S * RATE_HZ), round(TAP_S * RATE_HZ)
    low_pass = firwin(2 * FILTER_HALF + 1, 22e3, fs=fine_hz)
    coarse = upfirdn(low_pass, fine, up=1, down=FINER, axis=1)[:, : fine.shape[1] // FINER]
    # The filter delays by FILTER_HALF; sample j of `coarse` is at j - FILTER_HALF / FINER after the touch.
    start = lead - FILTER_HALF // FINER
    sound = np.zeros((len(fine), samples))
    sound[:, start : start + coarse.shape[1]] = coarse
    after = start + coarse.shape[1]
    time_s = (np.arange(after, samples) - lead) / RATE_HZ - contact.velocity.shape[1] / fine_hz
    ring = (rate[:, None] * time_s).astype(np.complex64)
    amplitude = (listening * rate**2 / damped * contact.state).astype(np.complex64)
    np.exp(ring, out=ring)
    sound[:, after:] = amplitude.real @ ring.imag + amplitude.imag @ ring.real
    fade = round(0.01 * RATE_HZ)
    sound[:, -fade:] *= np.cos(np.linspace(0, np.pi / 2, fade)) ** 2
    return sound.astype(np.float32)
