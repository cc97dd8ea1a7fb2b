"""From taps to points: what each point sounds like, and how sure that is."""

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from tapscan.signals.taps.bands import RINGING_S, STRIKE_S, band_freedoms

__all__ = ["N_BANDS", "RINGING_BANDS", "TapPoints", "TapTable", "point_means", "single_taps"]

Floats = NDArray[np.float64]

N_BANDS = band_freedoms(1.0).size
# How much of the sound rings on is compared in wider bands: there is little, and one band may hold none.
RINGING_BANDS = tuple(slice(a, b) for a, b in ((0, 4), (4, 8), (8, 12), (12, 16), (16, 19), (19, N_BANDS)))
DB = 10 / np.log(10)
# Below a quarter of the room's own energy nothing is left to measure: the level is taken there, its variance
# says how little it means.
LEAST_OVER_ROOM = 0.25
# A room does not keep still between one moment and the next: twice the variance of steady noise.
ROOM_UNSTEADY = 2.0
TAIL = 4.0  # degrees of freedom of single taps about their point: one in three may be a poor strike


@dataclass(frozen=True, slots=True, eq=False)
class TapTable:
    """All usable taps of a zone, one row each.

    Shapes: `at` (taps,) the tap's point in the raveled grid; `strike` and `ringing` (taps, bands) energies
    as `BandEnergy` of `tapscan.signals.taps.bands`; `room` (taps, bands) the room's power on the same scale,
    NaN where it was not heard.
    """

    at: NDArray[np.intp]
    strike: Floats
    ringing: Floats
    room: Floats

    @property
    def heard(self) -> NDArray[np.bool_]:
        """The bands that every recorder heard, (bands,)."""
        return np.asarray(np.isfinite(self.strike).all(axis=0), dtype=bool)


@dataclass(frozen=True, slots=True, eq=False)
class TapPoints:
    """One row a point, NaN where it has no tap.

    Shapes: `sound_db` (points, features): level in each band relative to the tap's own total, then how much
    of each of `RINGING_BANDS` rings on; `noise_db2` likewise, the variance that the room gives it; `level_db`
    (points,) of the strike; `taps` (points,) their effective number; `repeat_db2` (points, features) the
    variance of a single tap as the taps of that very point show it, NaN where there is only one;
    `strike_slope` (features,) dB of each feature per dB of level, as taps of one point show it.
    """

    sound_db: Floats
    noise_db2: Floats
    level_db: Floats
    taps: Floats
    repeat_db2: Floats
    strike_slope: Floats

    @property
    def read(self) -> NDArray[np.bool_]:
        """Points with at least one tap."""
        return np.asarray(self.taps > 0, dtype=bool)

    def reversed(self) -> "TapPoints":
        """Give a difference the other way round."""
        return replace(self, sound_db=-self.sound_db, level_db=-self.level_db)


def point_means(taps: TapTable, points: int) -> TapPoints:
    """Average the taps of each point, poor strikes with less weight.

    A harder strike is a shorter and brighter one (Hertz: contact time falls with the fifth root of speed).
    How much brighter is read from taps of one and the same point, so that no damage can get in, and taken
    off. A tap that is far from the others of its point weighs as Student's t law says
    (Lange, Little & Taylor, J. Amer. Stat. Assoc. 84, 1989, 881-896, from memory).
    """
    sound, noise, level = _single(taps)
    count = np.bincount(taps.at, minlength=points)
    weight = np.ones(taps.at.size)
    several = count[taps.at] > 1
    spare = np.sqrt(count / np.maximum(count - 1, 1))[taps.at, None]  # a mean leans towards its taps
    own = np.full((points, sound.shape[1]), np.nan)
    slope = np.zeros(sound.shape[1])
    for _ in range(4):
        loud = level - _mean(level[:, None], taps.at, weight, points)[taps.at, 0]
        off = sound - _mean(sound, taps.at, weight, points)[taps.at]
        slope = (weight * loud) @ off / max(float(weight @ loud**2), 1e-9)
        off = (off - np.outer(loud, slope)) * spare
        own = np.where((count > 1)[:, None], _mean(off**2, taps.at, weight, points), np.nan)
        if several.any():
            usual = np.average(off[several] ** 2, axis=0, weights=weight[several])
            apart = np.mean(off**2 / np.maximum(usual, 1e-9), axis=1)
            weight = np.where(several, (TAIL + 1) / (TAIL + apart), 1.0)
    total = np.bincount(taps.at, weight, points)
    effective = total**2 / np.maximum(np.bincount(taps.at, weight**2, points), 1e-12)
    level_db = _mean(level[:, None], taps.at, weight, points)[:, 0]
    read = total > 0
    usual_db = float(np.median(level_db[read])) if read.any() else 0.0
    sound_db = _mean(sound, taps.at, weight, points) - np.outer(level_db - usual_db, slope)
    noise_db2 = _mean(noise, taps.at, weight, points) / np.maximum(effective, 1)[:, None]
    for values in (sound_db, noise_db2):
        values[~read] = np.nan
    level_db[~read] = np.nan
    return TapPoints(sound_db, noise_db2, level_db, np.where(read, effective, 0.0), own, slope)


def single_taps(taps: TapTable) -> Floats:
    """Give the features of single taps in dB, (taps, features), as `TapPoints` has them of points."""
    return _single(taps)[0]


def _mean(values: Floats, at: NDArray[np.intp], weight: Floats, points: int) -> Floats:
    """Weighted mean over the taps of each point, (points, columns); 0 where there is none."""
    total = np.zeros((points, values.shape[1]))
    np.add.at(total, at, values * weight[:, None])
    return np.asarray(total / np.maximum(np.bincount(at, weight, points), 1e-12)[:, None])


def _single(taps: TapTable) -> tuple[Floats, Floats, Floats]:
    """Features of single taps, the variance that the room gives each, and their level in dB.

    A band that one of the recorders does not hear cannot be compared: it is 0 for all taps.
    """
    heard = taps.heard
    strike, ringing, room = (
        np.where(heard, np.nan_to_num(values), 0.0) for values in (taps.strike, taps.ringing, taps.room)
    )
    whole, duration_s = strike + ringing, STRIKE_S + RINGING_S
    free, free_late = band_freedoms(duration_s), band_freedoms(RINGING_S)
    band_db, band_db2 = _level(whole, room * duration_s, free)
    total = np.maximum(whole - room * duration_s, LEAST_OVER_ROOM * room * duration_s).sum(axis=1)
    level_db = DB * np.log(np.maximum(total, 1e-30))
    columns, variances = [np.where(heard, band_db - level_db[:, None], 0.0)], [band_db2]
    for part in RINGING_BANDS:
        late_db, late_db2 = _level(
            ringing[:, part].sum(axis=1), room[:, part].sum(axis=1) * RINGING_S, free_late[part].sum()
        )
        all_db, all_db2 = _level(
            whole[:, part].sum(axis=1), room[:, part].sum(axis=1) * duration_s, free[part].sum()
        )
        columns.append((late_db - all_db)[:, None])
        variances.append((late_db2 + all_db2)[:, None])
    return np.hstack(columns), np.hstack(variances), level_db


def _level(energy: Floats, room: Floats, freedoms: Floats) -> tuple[Floats, Floats]:
    """Level in dB over what the room adds, and its variance in dB².

    Signal S plus Gaussian noise of mean energy N in m complex amplitudes has a variance of (2 S N + N²) / m
    (Rice; the same for a known tap in noise), and a logarithm divides it by S².
    """
    signal = np.maximum(energy - room, np.maximum(LEAST_OVER_ROOM * room, 1e-30))
    variance = ROOM_UNSTEADY * (2 * signal * room + room**2) / freedoms / signal**2
    return DB * np.log(signal), DB**2 * variance
