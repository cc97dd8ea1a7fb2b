"""What changed between two visits to a tapped zone, beyond what its readings repeat to.

Both visits' spectra are subtracted point by point. What changes slowly over the zone (another recorder,
tapper or hand) is fitted robustly and taken out, and so is how hard each point was struck. What is left is
measured in units of the scatter of the repeated taps at that very point, of both visits.

Two looks share the false-call rate. One gives each station a level of its own and sees small changes; the
other gives it none and sees what changed all round a station. There another tapper must not pass for a
change: what it alters depends on how the wall yields, so on how each station sounded before, and that much
is taken out. A short zone has too few stations to tell such patterns; there the first look decides alone.

How far such differences lie when nothing changed is taken from the bulk of them: repeated taps of one
visit cannot know how exactly the next visit finds the mark again.
"""

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from tapscan.plan import Zone, block_mask
from tapscan.screening.baselines import Terms, surface_terms
from tapscan.screening.fitting import Fitted, fit_in_turn
from tapscan.screening.patterns import visit_terms
from tapscan.screening.repeats import reading_variance
from tapscan.screening.tap_readings import TapReadings
from tapscan.screening.taps import MOST_BANDS, READINGS_PER_BAND, strike_bel, tap_vector
from tapscan.screening.twins import Match, too_few

__all__ = ["Difference", "tap_difference"]

Floats = NDArray[np.float64]

MOST_STRIKE = 0.8  # in tens of dB, as a zone's own baseline has it
# Fewer stations do not tell in what patterns another tapper acts: with 14, two of twelve sound tubes changed
# at a fifth of their points.
LEAST_STATIONS = 24
# A difference this many times wider than repeated taps explain hides small changes.
WIDE = 3.0


@dataclass(frozen=True, slots=True, eq=False)
class Difference:
    """How far each point's readings lie apart: (stations, positions), NaN where one of them is missing.

    `score` is 1 where a difference counts as a change; `words` say what that rests on; `is_wide` whether the
    two visits differ so much as a whole that small changes are hidden.
    """

    score: Floats
    p_value: Floats
    words: str
    is_wide: bool = False


def tap_difference(
    zone: Zone, now: TapReadings, then: TapReadings, match: Match, false_call_rate: float
) -> Difference:
    """Hold the taps of two visits against each other.

    Raises
    ------
    TapscanError
        When too few points were read both times.
    """
    bands = min(now.band_hz.size, then.band_hz.size)
    here, there = _cut(now, bands), _cut(then, bands)
    both = np.isfinite(here.spectrum_db).all(axis=-1)
    both &= np.isfinite(match.laid(there.spectrum_db)).all(axis=-1) if bands else False
    paired = int(both.sum())
    refusal = too_few(zone, "the earlier inspection", paired)
    if refusal is not None:
        raise refusal
    pooled = int(np.clip(paired // READINGS_PER_BAND, 3, MOST_BANDS))
    before = match.laid(tap_vector(there, pooled)[0])
    difference = (tap_vector(here, pooled)[0] - before).reshape(zone.stations * zone.positions, -1)
    strike = (
        strike_bel(here) - np.nan_to_num(match.laid(strike_bel(there).reshape(then.n_taps.shape))).ravel()
    )
    strike = np.clip(strike, -MOST_STRIKE, MOST_STRIKE)
    scatter_db, is_known = _scatter_db(here, there, match, pooled)
    allowed = [_level_terms(zone, paired, strike)]
    if zone.stations >= LEAST_STATIONS:
        allowed.append(visit_terms(zone, before, strike))
    looks = []
    for terms in allowed:
        left = difference - _fitted(zone, difference, terms).baseline.expected
        looks.append(_look(zone, left / scatter_db.reshape(left.shape), false_call_rate / len(allowed)))
    return _together(looks, paired, is_known=is_known)


def _level_terms(zone: Zone, paired: int, strike: Floats) -> Terms:
    """Let visits differ by a level of each station, slowly round it, and with the strike."""
    terms = surface_terms(*zone.grid_shape, closed=zone.is_tube, readings=paired)
    return terms.beside(strike, paired)


def _cut(readings: TapReadings, bands: int) -> TapReadings:
    """Leave only the bands that both recorders heard."""
    taps = readings.taps
    return replace(
        readings,
        spectrum_db=readings.spectrum_db[..., :bands],
        noise_db=readings.noise_db[..., :bands],
        band_hz=readings.band_hz[:bands],
        taps=None if taps is None else replace(taps, spectrum_db=taps.spectrum_db[:, :bands]),
    )


def _fitted(zone: Zone, difference: Floats, terms: Terms) -> Fitted:
    """Fit differences, (points, bands), and the law of those that are no change."""
    # Points known to be good now have not changed if they were good before.
    reference = block_mask(zone, zone.reference).ravel() & np.isfinite(difference).all(axis=1)
    return fit_in_turn(difference, terms, reference, np.zeros_like(difference))


def _scatter_db(now: TapReadings, then: TapReadings, match: Match, bands: int) -> tuple[Floats, bool]:
    """Give each difference's standard deviation by the repeated taps, and whether there were any."""
    own, other = reading_variance(now, bands), reading_variance(then, bands)
    if own is None or other is None:
        return np.ones((*now.n_taps.shape, bands)), False
    return np.sqrt(own + match.laid(other)), True


@dataclass(frozen=True, slots=True, eq=False)
class _Look:
    """Differences judged with one set of terms: (points,), and how widely they spread as a whole."""

    score: Floats
    p_value: Floats
    spread: float


def _look(zone: Zone, left: Floats, false_call_rate: float) -> _Look:
    """Judge differences in units of the scatter of repeated taps, (points, bands)."""
    level = Terms(np.ones((len(left), 1)), np.zeros((1, 1)), zone.grid_shape, keeps_rings=False)
    fitted = _fitted(zone, left, level)
    score, p_value = (
        values.reshape(zone.grid_shape) for values in (fitted.score(false_call_rate), fitted.p_value)
    )
    return _Look(score, p_value, float(np.median(fitted.baseline.spread)))


def _together(looks: list[_Look], paired: int, *, is_known: bool) -> Difference:
    """Let the look that sees more decide, each at its share of the rate (Bonferroni)."""
    spread = looks[0].spread
    words = f"{paired} points were tapped both times. "
    if is_known:
        words += (
            "Differences are measured in units of the scatter of repeated taps at one point; over the whole "
            f"zone they spread {spread:.1f} times as widely as that."
        )
    else:
        words += "Points were tapped once, so how well they repeat is judged by the differences themselves."
    if len(looks) == 1:
        words += (
            " What changed alike all round a station is not seen: the zone has fewer than "
            f"{LEAST_STATIONS} stations."
        )
    return Difference(
        score=np.maximum.reduce([look.score for look in looks]),
        p_value=np.minimum(1.0, len(looks) * np.minimum.reduce([look.p_value for look in looks])),
        words=words,
        is_wide=is_known and spread > WIDE,
    )
