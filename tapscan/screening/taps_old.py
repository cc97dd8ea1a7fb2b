"""A tapped zone, screened: baseline, scores, calls, indications."""

from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from tapscan.errors import sentence
from tapscan.plan import Zone, block_mask
from tapscan.screening.baselines import KEPT_SHARE, Baseline, Terms, refit, surface_terms
from tapscan.screening.calls import MIN_READINGS, is_beyond_chance
from tapscan.screening.fitting import Fitted, fit_in_turn
from tapscan.screening.indications import Area, doubtful_points, find_indications, label_areas
from tapscan.screening.neighbours import is_strewn
from tapscan.screening.results import CLEAR, FEW_TOLD, SKIPPED, SUSPECT, UNREAD, Screened, TapEvidence
from tapscan.screening.tap_readings import TapReadings

__all__ = ["areas_beyond_chance", "screen_taps", "strike_bel", "tap_vector"]

Floats = NDArray[np.float64]
Mask = NDArray[np.bool_]

# The spectra are pooled into at most this many bands for the score: wide enough to be steady from tap to tap,
# narrow enough to show a delamination that rings with a note of its own.
MOST_BANDS = 17
# A band this far below its even share of a tap's total is levelled.
FLOOR_DB = -20.0
# Standard deviation in dB that noise gives a band, per share of the band that is noise: 10 / ln 10 for the
# power of a single line, twice that since the room does not keep still between one moment and the next.
DB_PER_SHARE = 8.7
# Strikes further than this from their station's usual level are not explained by the tapper's hand.
MOST_STRIKE_DB = 8.0
READINGS_PER_BAND = 6
# With more than this share of the readings left out, terms are chosen by what a third of damage leaves.
MUCH_LEFT_OUT = 0.2
# Resting on fewer readings than this, a baseline calls up to twice as many good points suspect as was asked
# for, and more at low rates.
FEW_READINGS = 72


def screen_taps(zone: Zone, readings: TapReadings, false_call_rate: float, warnings: list[str]) -> Screened:
    """Hold every reading of a tapped zone against what is good there.

    With too few readings for a baseline every point stays unread, with the reason ``no baseline``, and
    `warnings` says so.
    """
    reference = block_mask(zone, zone.reference)
    read = int(np.isfinite(readings.spectrum_db).all(axis=2).sum()) if readings.band_hz.size else 0
    reason = readings.reason.copy()
    score, p_value = np.full(zone.grid_shape, np.nan), np.full(zone.grid_shape, np.nan)
    expected_db = np.full_like(readings.spectrum_db, np.nan)
    spread_db = np.full(readings.band_hz.size, np.nan)
    words = f"No baseline: {read} readings are too few to say what is good here."
    if read < MIN_READINGS:
        reason[reason == ""] = "no baseline"
        warnings.append(sentence(f"zone {zone.code}", f"taps at {read} points only", "tap more of the zone"))
    else:
        fitted = _fit(zone, readings, reference.ravel(), read)
        score = fitted.score(false_call_rate).reshape(zone.grid_shape)
        p_value = fitted.p_value.reshape(zone.grid_shape)
        expected_db, spread_db = _expected_spectrum(readings, fitted.baseline)
        words = _in_words(fitted.baseline, reference)
    status = np.where(p_value < false_call_rate, SUSPECT, CLEAR)
    reason[(reason == "") & ~np.isfinite(p_value)] = "no baseline"
    status[reason != ""] = UNREAD
    status[block_mask(zone, zone.skip)] = SKIPPED
    reason[status == SKIPPED] = ""
    columns = {"n_taps": readings.n_taps.astype(float), **readings.features}
    areas = areas_beyond_chance(zone, status == SUSPECT, p_value, false_call_rate)
    doubtful = doubtful_points(p_value, status == SKIPPED)
    return Screened(
        zone=zone,
        method="tap",
        status=status,
        reason=reason,
        score=score,
        p_value=p_value,
        is_reference=reference,
        features={name: np.where(status == UNREAD, np.nan, values) for name, values in columns.items()},
        indications=find_indications(zone, "tap", areas, score, doubtful),
        baseline=words,
        evidence=TapEvidence(readings.band_hz, readings.spectrum_db, expected_db, spread_db),
    )


def tap_vector(readings: TapReadings, bands: int) -> tuple[Floats, Floats]:
    """Pool the spectra into what the score looks at: their shape, and its noise, both in dB.

    Both have shape (stations, positions, bands), NaN where unread. Levels are relative to each tap's own
    total, so that how hard the tapper struck does not count; a band far below its even share is levelled,
    since one that hardly sounds hardly matters. The noise is the standard deviation that the room's own
    power, measured beside the taps, can give each band.
    """
    edges = np.unique(np.linspace(0, readings.band_hz.size, bands + 1).round().astype(int))
    power, room = (
        np.stack([linear[..., a:b].sum(axis=-1) for a, b in pairwise(edges)], axis=-1)
        for linear in (10 ** (readings.spectrum_db / 10), 10 ** (readings.noise_db / 10))
    )
    power = power + 10 ** (FLOOR_DB / 10) / (edges.size - 1)
    room = np.where(np.isfinite(room), np.minimum(room, power), 0.0)
    return 10 * np.log10(power), DB_PER_SHARE * room / power


def _fit(zone: Zone, readings: TapReadings, reference: Mask, read: int) -> Fitted:
    """Fit the zone's own baseline to the shapes of its spectra, the strike beside it.

    Fine waves that few good readings hold follow damage. Where readings carry coarse waves beside them, the
    coarse ones say what the fine ones begin with: what those bring back passes for a mode. Where they leave
    more out than the coarse ones, or much, the coarse ones stand. On smaller zones the coarse terms cannot
    go with modes and may follow damage themselves: they are asked only where the fine ones leave much out.
    Few readings may also leave a third of themselves out for no reason. That third is strewn about, as
    damage is not; then the fit begins anew with all of them.
    """
    features, noise = tap_vector(readings, int(np.clip(read // READINGS_PER_BAND, 3, MOST_BANDS)))
    features, noise = (values.reshape(-1, values.shape[-1]) for values in (features, noise))
    strike = strike_bel(readings)
    coarse_terms, fine_terms = (
        surface_terms(*zone.grid_shape, closed=zone.is_tube, readings=support)
        for support in (int(KEPT_SHARE * read), read)
    )

    def fitted(terms: Terms, start: Mask | None = None) -> Fitted:
        return fit_in_turn(features, terms.beside(strike, read), reference, noise, start)

    if coarse_terms.follows_modes:
        coarse = fitted(coarse_terms)
        fine = fitted(fine_terms, coarse.baseline.kept)
        return fine if _left_out(fine) <= min(_left_out(coarse), MUCH_LEFT_OUT) else coarse
    fine = fitted(fine_terms)
    if _left_out(fine) <= MUCH_LEFT_OUT:
        return fine
    coarse = fitted(coarse_terms)
    everything = np.isfinite(coarse.distance)
    left_out = (everything & ~coarse.baseline.kept).reshape(zone.grid_shape)
    if _left_out(coarse) > MUCH_LEFT_OUT and is_strewn(
        left_out, everything.reshape(zone.grid_shape), closed=zone.is_tube
    ):
        return fitted(coarse_terms, everything)
    return coarse


def _left_out(fitted: Fitted) -> float:
    """Share of the readings that the baseline does not rest on."""
    read = np.isfinite(fitted.distance)
    return float(1 - fitted.baseline.kept[read].mean())


def strike_bel(readings: TapReadings) -> Floats:
    """Tell how much louder each point was struck than its station, in tens of dB, within bounds; (points,).

    A harder strike is a shorter one (Hertz: contact time falls with the fifth root of speed) and sounds
    brighter: that is the tapper, not the part. Beyond the bounds it may well be the part.
    """
    level_db = readings.features["level_db"]
    if not np.isfinite(level_db).any():
        return np.zeros(level_db.size)
    read = np.isfinite(level_db)
    usual = [np.median(row[ok]) if ok.any() else 0.0 for row, ok in zip(level_db, read, strict=True)]
    strike = np.where(read, level_db - np.asarray(usual)[:, None], 0.0)
    return np.asarray(np.clip(strike, -MOST_STRIKE_DB, MOST_STRIKE_DB).ravel() / 10)


def areas_beyond_chance(zone: Zone, suspect: Mask, p_value: Floats, false_call_rate: float) -> list[Area]:
    """Group suspect points, and keep the areas that chance does not explain."""
    read = int(np.isfinite(p_value).sum())
    areas = label_areas(suspect, closed=zone.is_tube)
    return [a for a in areas if is_beyond_chance(p_value[a.members], read, false_call_rate)]


def _expected_spectrum(readings: TapReadings, baseline: Baseline) -> tuple[Floats, Floats]:
    """Fit the full spectrum with the baseline's own terms and readings, for the picture beside the score."""
    spectra = readings.spectrum_db.reshape(-1, readings.band_hz.size)
    full = refit(spectra, baseline.terms, baseline.kept, np.zeros_like(spectra))
    return full.expected.reshape(readings.spectrum_db.shape), np.median(full.spread, axis=0)


def _in_words(baseline: Baseline, reference: Mask) -> str:
    kept, terms = int(baseline.kept.sum()), baseline.terms.columns.shape[1]
    marked = int(reference.sum())
    source = (
        f"{marked} points marked as good and the readings that agree with them"
        if marked
        else "the zone itself"
    )
    return (
        f"What is good here comes from {source}: {kept} readings, a level for each station and slow changes "
        f"across ({terms} terms). Damage that fills more than half of a station's width can hide from it."
        f"{' ' + FEW_TOLD if kept < FEW_READINGS else ''}"
    )
