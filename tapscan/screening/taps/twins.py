"""A tapped zone against like ones: the same model, on the difference of readings point by point.

An earlier visit, other parts of the same kind and the mirror-image zone share the zone's own changes from
station to station. Their difference needs no level for each station, so that damage all round one shows.
"""

import warnings
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from tapscan.errors import TapscanError
from tapscan.plan import Zone, block_mask
from tapscan.plan.surfaces import station_shape
from tapscan.screening.change.twins import Twin, named, too_few
from tapscan.screening.results import CLEAR, SUSPECT, Screened, TapEvidence, TwinEvidence
from tapscan.screening.taps.damage import DamageClass
from tapscan.screening.taps.points import N_BANDS, TapPoints, point_means
from tapscan.screening.taps.readings import TapReadings
from tapscan.screening.taps.screen import judged, screened_as

__all__ = ["TapDifference", "difference_of", "taps_against"]

Floats = NDArray[np.float64]

# Policy: so many patterns of stations may come back in a difference; few, or damage would be among them.
MOST_PATTERNS, STATIONS_PER_PATTERN = 4, 6


@dataclass(frozen=True, slots=True, eq=False)
class TapDifference:
    """A zone's points less those of like zones, and what those sound like, `there_db` (points, bands).

    Each like zone is moved by what it usually differs by (another recorder, another hand), so that the mean
    over several does not step where one of them is missing.
    """

    points: TapPoints
    there_db: Floats


def difference_of(
    zone: Zone, readings: TapReadings, twins: Sequence[Twin], source: str, *, by_station: bool = False
) -> TapDifference:
    """Subtract like zones, laid onto the zone's own grid.

    Unless stations have levels of their own, `by_station`, what another hand makes of them is taken off, too.

    Raises
    ------
    TapscanError
        When too few readings have a partner.
    """
    own = point_means(readings.taps, readings.reason.size)
    laid = [_laid(zone, twin) for twin in twins]
    count = np.sum([twin.read for twin in laid], axis=0)
    both = own.read & (count > 0)
    refusal = too_few(zone, source, int(both.sum()))
    if refusal is not None:
        raise refusal
    share = np.where(both, 1 / np.maximum(count, 1), np.nan)
    sound, level, noise, repeat = (
        np.zeros_like(values) for values in (own.sound_db, own.level_db, own.noise_db2, own.repeat_db2)
    )
    taps = np.zeros(own.taps.size)
    for twin in laid:
        pairs = twin.read & own.read
        if not pairs.any():
            continue
        sound += np.nan_to_num(twin.sound_db + np.median((own.sound_db - twin.sound_db)[pairs], axis=0))
        level += np.nan_to_num(twin.level_db + np.median((own.level_db - twin.level_db)[pairs]))
        noise += np.nan_to_num(twin.noise_db2)
        repeat += np.nan_to_num(twin.repeat_db2)
        taps += np.where(twin.read, 1 / np.maximum(twin.taps, 1e-9), 0.0)
    there = sound * share[:, None]
    if not by_station:
        there = there + _another_hand(own.sound_db - there, there, station_shape(zone))
    effective = 1 / (1 / np.maximum(own.taps, 1e-9) + taps * np.nan_to_num(share) ** 2)
    points = TapPoints(
        sound_db=own.sound_db - there,
        noise_db2=own.noise_db2 + noise * share[:, None] ** 2,
        level_db=own.level_db - level * share,
        taps=np.where(both, effective, 0.0),
        repeat_db2=(own.repeat_db2 + repeat * share[:, None]) / 2,
        strike_slope=own.strike_slope,
    )
    return TapDifference(points, there[:, :N_BANDS])


def _another_hand(difference_db: Floats, sound_db: Floats, grid_shape: tuple[int, int]) -> Floats:
    """Estimate what another tapper alone makes of each station, (points, features).

    Another mass or contact changes the sound most where the wall yields differently: at nodes, stiff ends and
    joints. That goes by how the stations differ from one another in the first place. So what stations differ
    by between the two is projected on their own principal patterns; damage round one station is no pattern.
    """
    stations = grid_shape[0]
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", RuntimeWarning)  # a station without any reading has no median
        moved, level = (
            np.nan_to_num(np.nanmedian(values.reshape(*grid_shape, -1), axis=1))
            for values in (difference_db, sound_db)
        )
    count = min(MOST_PATTERNS, stations // STATIONS_PER_PATTERN)
    patterns = np.linalg.svd(level - level.mean(axis=0), full_matrices=False)[0][:, :count]
    moved = patterns @ (patterns.T @ (moved - moved.mean(axis=0)))
    return np.asarray(np.repeat(moved, grid_shape[1], axis=0))


def _laid(zone: Zone, twin: Twin) -> TapPoints:
    """Lay a like zone's points onto the zone's grid, without those that are not sound there."""
    there = point_means(twin.readings.taps, twin.readings.reason.size)
    shape, use = twin.readings.reason.shape, twin.usable.ravel()

    def laid(values: Floats) -> Floats:
        at_home = values.reshape(*shape, *values.shape[1:])
        return twin.match.laid(at_home).reshape(zone.stations * zone.positions, *values.shape[1:])

    taps = np.where(use, np.nan_to_num(laid(there.taps)), 0.0)
    blank = np.where(taps > 0, 0.0, np.nan)
    return TapPoints(
        sound_db=laid(there.sound_db) + blank[:, None],
        noise_db2=laid(there.noise_db2) + blank[:, None],
        level_db=laid(there.level_db) + blank,
        taps=taps,
        repeat_db2=laid(there.repeat_db2) + blank[:, None],
        strike_slope=there.strike_slope,
    )


def taps_against(
    own: Screened,
    readings: TapReadings,
    twins: Sequence[Twin],
    source: str,
    false_call_rate: float,
    trees: DamageClass | None = None,
) -> Screened:
    """Screen a tapped zone again, against like zones; its own baseline decides where those have no reading.

    `trees` are as in `tapscan.screening.taps.screen.judged`.

    Raises
    ------
    TapscanError
        When too few readings have a partner, or all are the very same.
    """
    zone = own.zone
    difference = difference_of(zone, readings, twins, source)
    if not np.nan_to_num(difference.points.sound_db).any():
        where = f"zone {zone.code}"
        what = f"has the very same readings as {source}, to the last digit: a copy shows nothing"
        raise TapscanError(where, what, "name another inspection")
    reference = block_mask(zone, zone.reference).ravel()
    found = judged(difference.points, zone, reference, trees, by_station=False)
    paired = difference.points.read
    p_value = np.where(paired, found.p_value, own.p_value.ravel())
    probability = np.where(paired, found.probability, own.features["damage_probability"].ravel())
    mixed = replace(found, probability=probability, p_value=p_value)
    alone = int((np.isin(own.status, (CLEAR, SUSPECT)).ravel() & ~paired).sum())
    assert isinstance(own.evidence, TapEvidence)  # a tapped zone
    spread = found.baseline.spread_db[:, :N_BANDS]
    # Of like zones the stations are alike: what the level of one is off by is not expected.
    off = (found.baseline.off_db + found.baseline.station_db)[:, :N_BANDS]
    expected = difference.there_db + difference.points.sound_db[:, :N_BANDS] - off
    there, expected, spread = (
        values.reshape(*zone.grid_shape, N_BANDS) for values in (difference.there_db, expected, spread)
    )
    evidence = TapEvidence(
        own.evidence.band_hz,
        own.evidence.spectrum_db,
        own.evidence.expected_db,
        own.evidence.spread_db,
        TwinEvidence(source, paired.reshape(zone.grid_shape), there, expected, spread),
    )
    words = named(source, int(found.baseline.sound.sum()), alone)
    return screened_as(zone, readings, mixed, evidence, words, false_call_rate)
