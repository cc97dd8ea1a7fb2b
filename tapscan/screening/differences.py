"""A zone screened against its twins: the same robust fit and the same laws, on the difference of readings."""

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from tapscan.errors import TapscanError, sentence
from tapscan.plan import Zone, block_mask, parse_point
from tapscan.screening.baselines import END_STATIONS, Baseline, Terms, refit, surface_terms
from tapscan.screening.fitting import Fitted, fit_in_turn
from tapscan.screening.indications import doubtful_points, find_indications
from tapscan.screening.patterns import visit_terms
from tapscan.screening.results import CLEAR, SKIPPED, SUSPECT, Indication, Screened, TapEvidence, TwinEvidence
from tapscan.screening.tap_readings import TapReadings
from tapscan.screening.taps import MOST_BANDS, areas_beyond_chance, strike_bel, tap_vector
from tapscan.screening.twins import Twin, beside, named, too_few

__all__ = ["taps_against"]

Floats = NDArray[np.float64]
Mask = NDArray[np.bool_]

MOST_STRIKE = 0.8  # in tens of dB, as the zone's own baseline has it
# Stations that differ from one another by this much more or less than the twin's were tapped otherwise: one
# tapper on two visits comes to 0.24 dB at most, two to 0.2 and up (second simulator, 6 and 26 tubes).
ANOTHER_TAPPER_DB = 0.3


def taps_against(
    own: Screened,
    readings: TapReadings,
    twins: Sequence[Twin],
    source: str,
    false_call_rate: float,
    warnings: list[str],
) -> Screened:
    """Screen a tapped zone again, against its twins.

    Parameters
    ----------
    own
        The zone screened by its own baseline, which still decides where no twin can.
    readings
        What `own` was screened from.
    twins
        The same surface elsewhere or at another time, as `tapscan.screening.twins.matched` lays it.
    source
        What the twins are, in words.
    false_call_rate
        Wanted fraction of good points called suspect.
    warnings
        Gains a sentence where what was called may be another tapper's doing.

    Raises
    ------
    TapscanError
        When too few readings have a partner, or all are the same as theirs.
    """
    zone = own.zone
    bands = min(one.band_hz.size for one in (readings, *(twin.readings for twin in twins)))
    difference, noise, strike = _difference(readings, twins, bands)
    paired = int(np.isfinite(difference).all(axis=-1).sum())
    refusal = too_few(zone, source, paired)
    if refusal is not None:
        raise refusal
    if not np.nanmax(np.abs(difference)) > 0:
        where = f"zone {zone.code}"
        what = f"has the very same readings as {source}, to the last digit: a copy tells nothing"
        raise TapscanError(where, what, "name another inspection")
    there = tap_vector(_cut(readings, bands), MOST_BANDS)[0] - difference
    fitted = _fit(zone, difference, noise, visit_terms(zone, there, strike))
    p_value = fitted.p_value.reshape(zone.grid_shape)
    judged = np.isfinite(p_value) & np.isin(own.status, (CLEAR, SUSPECT))
    score = np.where(judged, fitted.score(false_call_rate).reshape(zone.grid_shape), own.score)
    p_value = np.where(judged, p_value, own.p_value)
    read = np.isin(own.status, (CLEAR, SUSPECT))
    status = np.where(read, np.where(p_value < false_call_rate, SUSPECT, CLEAR), own.status)
    areas = areas_beyond_chance(zone, status == SUSPECT, p_value, false_call_rate)
    doubtful = doubtful_points(p_value, status == SKIPPED)
    indications = find_indications(zone, "tap", areas, score, doubtful)
    warnings += _end_warnings(zone, indications, fitted.baseline, source)
    ratio = float(np.median(fitted.baseline.spread)) / _own_spread(zone, readings, bands)
    assert isinstance(own.evidence, TapEvidence)
    return replace(
        own,
        evidence=replace(own.evidence, twin=_evidence(readings, twins, fitted.baseline, judged, source)),
        status=status,
        score=score,
        p_value=p_value,
        indications=indications,
        baseline=named(source, int(fitted.baseline.kept.sum()), ratio, int((read & ~judged).sum())),
    )


def _end_warnings(
    zone: Zone, indications: Sequence[Indication], baseline: Baseline, source: str
) -> list[str]:
    """Say which indications lie at an end though the stations as a whole sound otherwise than the twin's.

    Where a wall grows stiff from one station to the next, a heavier tapper or another contact changes what is
    heard most, and by more than the rest of the zone tells.
    """
    station_db = baseline.expected.reshape(*zone.grid_shape, -1).mean(axis=1)
    apart_db = float(np.sqrt(np.mean((station_db - station_db.mean(axis=0)) ** 2)))
    if apart_db < ANOTHER_TAPPER_DB:
        return []
    inner = range(END_STATIONS + 1, zone.stations - END_STATIONS + 1)
    at_end = [one.id for one in indications if not any(_station(name) in inner for name in one.points)]
    if not at_end:
        return []
    what = (
        f"its stations sound {apart_db:.1f} dB otherwise than in {source}, as with another tapper, which "
        f"alone can look like damage at an end: {', '.join(at_end)}"
    )
    return [sentence(f"zone {zone.code}", what, "tap the ends again with the tapper used there")]


def _station(name: str) -> int:
    point = parse_point(name)
    assert point is not None  # indications hold none but points
    return point.station


def _evidence(
    readings: TapReadings, twins: Sequence[Twin], baseline: Baseline, decided: Mask, source: str
) -> TwinEvidence:
    """Give the twins' full spectra and what they let expect, for the picture beside the score."""
    bands = min(one.band_hz.size for one in (readings, *(twin.readings for twin in twins)))
    laid = [twin.match.laid(twin.readings.spectrum_db[..., :bands]) for twin in twins]
    spectrum = readings.spectrum_db[..., :bands]
    difference, _ = beside(spectrum, laid, [twin.usable for twin in twins])
    flat = difference.reshape(-1, bands)
    full = refit(flat, baseline.terms, baseline.kept, np.zeros_like(flat))
    there = spectrum - difference
    # What only some of the recorders heard is left empty.
    rest = readings.band_hz.size - bands
    wide = ((0, 0), (0, 0), (0, rest))
    return TwinEvidence(
        source=source,
        decided=decided,
        spectrum_db=np.pad(there, wide, constant_values=np.nan),
        expected_db=np.pad(there + full.expected.reshape(there.shape), wide, constant_values=np.nan),
        spread_db=np.pad(np.median(full.spread, axis=0), (0, rest), constant_values=np.nan),
    )


def _difference(readings: TapReadings, twins: Sequence[Twin], bands: int) -> tuple[Floats, Floats, Floats]:
    """Give the difference of spectra, its noise, both on the grid, and of strikes, (points,).

    `bands` of the spectra were heard by all recorders.
    """
    heard = [twin.readings for twin in twins]
    own, own_noise = tap_vector(_cut(readings, bands), MOST_BANDS)
    pairs = [tap_vector(_cut(one, bands), MOST_BANDS) for one in heard]
    usable = [twin.usable for twin in twins]
    difference, count = beside(
        own, [twin.match.laid(pair[0]) for twin, pair in zip(twins, pairs, strict=True)], usable
    )
    variance = own_noise**2
    strike = np.zeros(own.shape[:2])
    for twin, one, pair in zip(twins, heard, pairs, strict=True):
        share = np.where(twin.usable & (count > 0), 1 / np.maximum(count, 1), 0.0)
        variance += np.nan_to_num(twin.match.laid(pair[1])) ** 2 * share[..., None] ** 2
        theirs = strike_bel(one).reshape(one.n_taps.shape)
        strike += np.nan_to_num(twin.match.laid(theirs)) * share
    strike = np.clip(strike_bel(readings).reshape(strike.shape) - strike, -MOST_STRIKE, MOST_STRIKE)
    return difference, np.nan_to_num(np.sqrt(variance)), strike.ravel()


def _cut(readings: TapReadings, bands: int) -> TapReadings:
    """Leave only the bands that all recorders heard."""
    return replace(
        readings,
        spectrum_db=readings.spectrum_db[..., :bands],
        noise_db=readings.noise_db[..., :bands],
        band_hz=readings.band_hz[:bands],
    )


def _fit(zone: Zone, difference: Floats, noise: Floats, terms: Terms) -> Fitted:
    """Fit what the two differ in without damage."""
    flat, noise = (values.reshape(-1, values.shape[-1]) for values in (difference, noise))
    reference = block_mask(zone, zone.reference).ravel() & np.isfinite(flat).all(axis=1)
    return fit_in_turn(flat, terms, reference, noise)


def _own_spread(zone: Zone, readings: TapReadings, bands: int) -> float:
    """Typical spread of the zone's readings about a baseline of its own, in the bands of the difference."""
    features, noise = tap_vector(_cut(readings, bands), MOST_BANDS)
    features, noise = (values.reshape(-1, values.shape[-1]) for values in (features, noise))
    read = int(np.isfinite(features).all(axis=1).sum())
    terms = surface_terms(*zone.grid_shape, closed=zone.is_tube, readings=read)
    terms = terms.beside(strike_bel(readings), read)
    own = fit_in_turn(features, terms, block_mask(zone, zone.reference).ravel(), noise)
    return max(float(np.median(own.baseline.spread)), 1e-9)
