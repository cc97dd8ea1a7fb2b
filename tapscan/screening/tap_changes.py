"""What changed between two visits to a tapped zone, beyond what its readings repeat to.

Both visits' spectra are subtracted point by point, in units of the scatter of the repeated taps at that very
point, of both visits. What changes slowly over the zone (another recorder, tapper or hand) is fitted robustly
and taken out, and so is how hard each point was struck. One fit does both and judges what is left: a second
one on what the first left settled on three quarters of some sound zones and called the rest changed.

Two looks share the false-call rate. One gives each station a level of its own and sees small changes; the
other gives it none and sees what changed all round a station. There another tapper must not pass for a
change: what it alters depends on how the wall yields, so on how each station sounded before, and that much
is taken out.

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
    allowed = (_level_terms(zone, paired, strike), visit_terms(zone, before, strike))
    scaled = difference / scatter_db.reshape(difference.shape)
    # Points known to be good now have not changed if they were good before.
    reference = block_mask(zone, zone.reference).ravel() & np.isfinite(scaled).all(axis=1)
    looks = [fit_in_turn(scaled, terms, reference, np.zeros_like(scaled)) for terms in allowed]
    return _together(zone, looks, false_call_rate, paired, is_known=is_known)


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


def _scatter_db(now: TapReadings, then: TapReadings, match: Match, bands: int) -> tuple[Floats, bool]:
    """Give each difference's standard deviation by the repeated taps, and whether there were any."""
    own, other = reading_variance(now, bands), reading_variance(then, bands)
    if own is None or other is None:
        return np.ones((*now.n_taps.shape, bands)), False
    return np.sqrt(own + match.laid(other)), True


def _together(
    zone: Zone, looks: list[Fitted], false_call_rate: float, paired: int, *, is_known: bool
) -> Difference:
    """Let the look that sees more decide, each at its share of the rate (Bonferroni)."""
    spread = float(np.median(looks[0].baseline.spread))
    score = np.maximum.reduce([look.score(false_call_rate / len(looks)) for look in looks])
    p_value = np.minimum(1.0, len(looks) * np.minimum.reduce([look.p_value for look in looks]))
    words = f"{paired} points were tapped both times. "
    if is_known:
        words += (
            "Differences are measured in units of the scatter of repeated taps at one point; over the whole "
            f"zone they spread {spread:.1f} times as widely as that."
        )
    else:
        words += "Points were tapped once, so how well they repeat is judged by the differences themselves."
    return Difference(
        score=score.reshape(zone.grid_shape),
        p_value=p_value.reshape(zone.grid_shape),
        words=words,
        is_wide=is_known and spread > WIDE,
    )
