"""What changed between two visits to a tapped zone: the same model, on their difference, both ways round."""

import numpy as np

from tapscan.plan import Zone, block_mask
from tapscan.plan.nearness import nearness
from tapscan.screening.change.changes import Difference
from tapscan.screening.change.twins import Match, Twin
from tapscan.screening.taps.baseline import Baseline
from tapscan.screening.taps.calls import p_values, score_of
from tapscan.screening.taps.points import N_BANDS, TapPoints
from tapscan.screening.taps.readings import TapReadings
from tapscan.screening.taps.screen import REACH_MM, judged
from tapscan.screening.taps.twins import difference_of

__all__ = ["tap_difference"]

# A difference this many times wider than repeated taps explain hides small changes.
WIDE = 3.0


def tap_difference(
    zone: Zone, now: TapReadings, then: TapReadings, match: Match, false_call_rate: float
) -> Difference:
    """Compare the taps of two visits.

    What the visits differ by as a whole is no change. Damage that grew makes the later visit sound damaged
    beside the earlier one; a repair makes the earlier one so. Both are asked, and the worse answer counts.

    Raises
    ------
    TapscanError
        When too few points were read both times.
    """
    everywhere = np.ones(then.reason.shape, dtype=bool)
    twins, source = [Twin(then, match, everywhere)], "the earlier inspection"
    points = difference_of(zone, now, twins, source, by_station=True).points
    reference = block_mask(zone, zone.reference).ravel()
    ways = [judged(one, zone, reference) for one in (points, points.reversed())]
    log_odds = np.maximum(*(way.log_odds for way in ways))
    likely = np.maximum(*(way.probability for way in ways))
    p_value = p_values(log_odds, likely, nearness(zone, REACH_MM), reference).reshape(zone.grid_shape)
    words = f"{int(points.read.sum())} points were tapped both times."
    wide = _wider_than_repeats(points, ways[0].baseline)
    if np.isfinite(wide):
        words += f" Differences scatter {wide:.1f} times as widely as repeated taps at one point."
    return Difference(
        # The class has learned damage, not what another hand does: its odds alone are no change.
        score=score_of(p_value, np.zeros_like(p_value), false_call_rate),
        p_value=p_value,
        probability=likely.reshape(zone.grid_shape),
        words=words,
        is_wide=wide > WIDE,
    )


def _wider_than_repeats(points: TapPoints, baseline: Baseline) -> float:
    """Scatter of sound differences over that of a point's own taps; NaN where no point has two."""
    repeat_db2 = points.repeat_db2[:, :N_BANDS] / np.where(points.read, points.taps, np.nan)[:, None]
    known = np.isfinite(repeat_db2)
    if not known.any():
        return float("nan")
    repeat_db = float(np.sqrt(np.median(repeat_db2[known])))
    return float(np.median(baseline.spread_db[points.read, :N_BANDS])) / max(repeat_db, 1e-9)
