"""What changed between two visits to a tapped zone: the same model, on their difference, both ways round."""

import numpy as np

from tapscan.plan import Zone, block_mask
from tapscan.plan.nearness import nearness
from tapscan.screening.changes import Difference
from tapscan.screening.taps.calls import p_values, score_of
from tapscan.screening.taps.points import N_BANDS
from tapscan.screening.taps.readings import TapReadings
from tapscan.screening.taps.screen import REACH_MM, judged
from tapscan.screening.taps.twins import difference_of
from tapscan.screening.twins import Match, Twin

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
    points = difference_of(zone, now, twins, source).points
    back = difference_of(zone, now, twins, source, by_own=True).points.reversed()
    reference = block_mask(zone, zone.reference).ravel()
    ways = [judged(one, zone, reference, by_station=False) for one in (points, back)]
    log_odds = np.maximum(*(way.log_odds for way in ways))
    likely = np.maximum(*(way.probability for way in ways))
    p_value = p_values(log_odds, likely, nearness(zone, REACH_MM), reference).reshape(zone.grid_shape)
    paired = int(points.read.sum())
    repeat_db = np.sqrt(np.median(points.repeat_db2[:N_BANDS]) / np.median(points.taps[points.read]))
    wide = float(np.median(ways[0].baseline.spread_db[points.read, :N_BANDS]) / max(repeat_db, 1e-9))
    return Difference(
        # The class has learned damage, not what another hand does: its odds alone are no change.
        score=score_of(p_value, np.zeros_like(p_value), false_call_rate),
        p_value=p_value,
        probability=likely.reshape(zone.grid_shape),
        words=(
            f"{paired} points were tapped both times. Differences scatter {wide:.1f} times as widely as "
            "repeated taps at one point."
        ),
        is_wide=wide > WIDE,
    )
