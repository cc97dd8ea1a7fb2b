"""Made-up taps of a tube: a spectrum that changes along and round it, hands, and damage."""

from dataclasses import replace

import numpy as np

from tapscan.plan import Laminate, Zone
from tapscan.screening.taps.points import N_BANDS, TapTable
from tapscan.screening.taps.readings import TAP_COLUMNS, TapReadings
from tapscan.signals.taps.bands import BAND_EDGES_HZ, RINGING_S, STRIKE_S

STATIONS, POSITIONS = 16, 12
ZONE = Zone(
    "BM", "Boom", "tube", STATIONS, POSITIONS, 10.0, 120.0, 120.0, None, Laminate(1.6, 60, 0.3, 1550, 2950)
)
OCTAVE = np.log2(np.sqrt(BAND_EDGES_HZ[:-1] * BAND_EDGES_HZ[1:]) / 2000)
ROOM_DB = -70.0


def block(first: int, last: int, start: int, end: int, zone: Zone = ZONE) -> np.ndarray:
    """Mark stations and positions from the first up to, not with, the last; positions run across the seam."""
    marked = np.zeros(zone.grid_shape, dtype=bool)
    marked[first:last, np.arange(start, end) % zone.positions] = True
    return marked


def readings(
    seed: int,
    damage: np.ndarray | None = None,
    *,
    zone: Zone = ZONE,
    taps: int = 3,
    unread: np.ndarray | None = None,
    why: str = "missing",
) -> TapReadings:
    """1 dB of scatter from point to point, half as much from tap to tap.

    Damage is quieter, dull where the wall rings, and has a note of its own: 5 dB about 1 kHz, −3 dB high up.
    """
    rng = np.random.default_rng([seed, 3])
    shape = zone.grid_shape
    station, position = np.indices(shape)[..., None]
    spectrum = -20 - 2 * (OCTAVE - 0.3 * np.cos(station / 3)) ** 2
    spectrum = spectrum + np.cos(2 * np.pi * position / shape[1]) * OCTAVE + _rough(rng, (*shape, N_BANDS))
    share_db = -4 + 0.5 * rng.standard_normal((*shape, 1))
    if damage is not None:
        note = 5 * np.exp(-(((OCTAVE + 1) / 0.6) ** 2)) - 3 / (1 + np.exp(-3 * (OCTAVE - 1)))
        spectrum = spectrum + damage[..., None] * note
        share_db = share_db - 3 * damage[..., None]
    there = np.ones(shape, dtype=bool) if unread is None else ~unread
    at = np.repeat(np.flatnonzero(there), taps)
    hand = rng.uniform(-3, 3, (at.size, 1))
    each = (
        spectrum.reshape(-1, N_BANDS)[at] + 0.5 * _rough(rng, (at.size, N_BANDS)) + hand * (1 + OCTAVE / 10)
    )
    whole, share = 10 ** (each / 10), 10 ** (share_db.reshape(-1, 1)[at] / 10)
    room = np.full_like(whole, 10 ** (ROOM_DB / 10) / (STRIKE_S + RINGING_S))
    features = {name: np.where(there, 1.0, np.nan) for name in TAP_COLUMNS}
    reason = np.where(there, "", why).astype("<U24")
    count = np.bincount(at, minlength=there.size).reshape(shape)
    return TapReadings(reason, count, features, TapTable(at, whole * (1 - share), whole * share, room))


def _rough(rng: np.random.Generator, shape: tuple[int, ...]) -> np.ndarray:
    """Scatter with a standard deviation of 1 that neighbouring bands share."""
    scatter = rng.standard_normal((*shape[:-1], shape[-1] + 2))
    return sum(scatter[..., i : i + shape[-1]] for i in range(3)) / np.sqrt(3)


def turned(some: TapReadings, by: int, zone: Zone = ZONE) -> TapReadings:
    """The same readings with the datum marked `by` positions elsewhere."""
    station, position = np.divmod(some.taps.at, zone.positions)
    at = station * zone.positions + (position + by) % zone.positions
    order = np.argsort(at, kind="stable")
    taps = TapTable(
        at[order], *(values[order] for values in (some.taps.strike, some.taps.ringing, some.taps.room))
    )
    features = {name: np.roll(values, by, axis=1) for name, values in some.features.items()}
    return TapReadings(np.roll(some.reason, by, axis=1), np.roll(some.n_taps, by, axis=1), features, taps)


def louder(some: TapReadings, gain: float) -> TapReadings:
    """The same readings with the recorder's gain set otherwise."""
    taps = some.taps
    return replace(
        some, taps=TapTable(taps.at, taps.strike * gain**2, taps.ringing * gain**2, taps.room * gain**2)
    )
