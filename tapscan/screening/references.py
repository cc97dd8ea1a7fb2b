"""Points that the plan marks as known to be good, held against the rest of their zone."""

import numpy as np

from tapscan.errors import sentence
from tapscan.plan import point_name
from tapscan.screening.results import CLEAR, SUSPECT, Screened

__all__ = ["reference_doubts"]

# Fewer suspect references than this share are chance or a bad reading; beyond it the mark is in doubt.
LEAST_SHARE = 0.1
# By chance as many would be suspect once in so many zones.
MAX_CHANCE = 1e-3
MOST_SHARE_OF_REST = 0.5
MOST_NAMED = 6


def reference_doubts(screened: Screened, false_call_rate: float) -> list[str]:
    """Warn when points marked as good disagree strongly with the rest; nothing is changed by it.

    Marked points are part of the baseline whatever they read. Some that stand out all the same were hardly
    good; and where they leave most of the rest suspect, they are good in another way than the rest.
    """
    from scipy.stats import binom

    read = np.isin(screened.status, (CLEAR, SUSPECT))
    marked, rest = screened.is_reference & read, read & ~screened.is_reference
    suspect = screened.status == SUSPECT
    where = f"zone {screened.zone.code}"
    count, odd = int(marked.sum()), int((marked & suspect).sum())
    if odd and odd >= LEAST_SHARE * count and binom.sf(odd - 1, count, false_call_rate) < MAX_CHANCE:
        names = [
            point_name(screened.zone.code, i + 1, p + 1) for i, p in np.argwhere(marked & suspect).tolist()
        ]
        more = f" and {odd - MOST_NAMED} more" if odd > MOST_NAMED else ""
        what = (
            f"{odd} of {count} points marked as reference read unlike the rest of the zone: "
            f"{', '.join(names[:MOST_NAMED])}{more}"
        )
        return [sentence(where, what, "make sure that they are good, or take them out of reference")]
    if count and (rest & suspect).sum() > MOST_SHARE_OF_REST * rest.sum():
        what = (
            f"held against its {count} reference points, {int((rest & suspect).sum())} of the other "
            f"{int(rest.sum())} are suspect"
        )
        return [sentence(where, what, "make sure that the references are of the same laminate as the rest")]
    return []
