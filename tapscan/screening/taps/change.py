"""What changed between two visits to a tapped zone: the same model, on their difference, both ways round."""

import numpy as np

from tapscan.plan import Zone, block_mask
from tapscan.screening.changes import Difference
from tapscan.screening.taps.calls import score_of
from tapscan.screening.taps.points import N_BANDS
from tapscan.screening.taps.readings import TapReadings
from tapscan.screening.taps.screen import judged
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
    beside the earlier one; a repair makes the earlier one so. Both are asked, each at half the rate
    (Bonferroni).

    Raises
    ------
    TapscanError
        When too few points were read both times.
    """
    everywhere = np.ones(then.reason.shape, dtype=bool)
    points = difference_of(zone, now, [Twin(then, match, everywhere)], "the earlier inspection").points
    turned = points.reversed()
    reference = block_mask(zone, zone.reference).ravel()
    worse, better = (judged(one, zone, reference) for one in (points, turned))
    p_value = np.minimum(1.0, 2 * np.minimum(worse.p_value, better.p_value)).reshape(zone.grid_shape)
    paired = int(points.read.sum())
    repeat_db = np.sqrt(np.median(points.repeat_db2[:N_BANDS]) / np.median(points.taps[points.read]))
    wide = float(np.median(worse.baseline.spread_db[points.read, :N_BANDS]) / max(repeat_db, 1e-9))
    probability = np.maximum(worse.probability, better.probability).reshape(zone.grid_shape)
    return Difference(
        # The class has learned damage, not what another hand does: its odds alone are no change.
        score=score_of(p_value, np.zeros_like(p_value), false_call_rate),
        p_value=p_value,
        probability=probability,
        words=(
            f"{paired} points were tapped both times. Differences scatter {wide:.1f} times as widely as "
            "repeated taps at one point."
        ),
        is_wide=wide > WIDE,
    )
