"""Points that the plan marks as known to be good, compared with the rest of their zone."""

import numpy as np
from numpy.typing import NDArray

from tapscan.errors import sentence
from tapscan.plan import parse_point, point_name
from tapscan.screening.results import CLEAR, SUSPECT, Screened

__all__ = ["marked_damage", "marked_inside", "reference_doubts"]

# Fewer suspect references than this share are chance or a bad reading; beyond it the mark is in doubt.
LEAST_SHARE = 0.1
# By chance as many would be suspect once in so many zones.
MAX_CHANCE = 1e-3
MOST_SHARE_OF_REST = 0.5
MARKED_SHARE = 0.3  # of a suspect area, for the marks on it to hide it
MOST_NAMED = 6


def marked_damage(unmarked: Screened, reference: NDArray[np.bool_]) -> list[str]:
    """Warn when points marked as good stand out from the zone as damage does, once the marks are left aside.

    As marked, they are the baseline, and a mark on damage hides it. `unmarked` is the zone
    screened without its marks.
    """
    found = []
    for one in unmarked.indications:
        points = [parsed for name in one.points if (parsed := parse_point(name)) is not None]
        marked = [point for point in points if reference[point.station - 1, point.position - 1]]
        if len(marked) < MARKED_SHARE * len(points):
            continue
        what = (
            f"compared with the zone itself, {len(points)} points stand out as damage does, and "
            f"{len(marked)} of them are marked as reference: {_named([str(point) for point in marked])}; "
            "so marked, they hide it"
        )
        remedy = "make sure that they are good laminate, or take them out of reference"
        found.append(sentence(f"zone {unmarked.zone.code}", what, remedy))
    return found


def marked_inside(screened: Screened) -> list[str]:
    """Warn of every indication that contains points marked as good: one of the two is wrong."""
    found = []
    for one in screened.indications:
        points = [parsed for name in one.points if (parsed := parse_point(name)) is not None]
        marked = [
            str(point) for point in points if screened.is_reference[point.station - 1, point.position - 1]
        ]
        if marked:
            are = "point marked as reference is" if len(marked) == 1 else "points marked as reference are"
            what = f"{len(marked)} {are} inside indication {one.id}: {_named(marked)}"
            found.append(sentence(f"zone {screened.zone.code}", what, "check, or clear the mark"))
    return found


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
        what = (
            f"{odd} of {count} points marked as reference read unlike the rest of the zone: {_named(names)}"
        )
        return [sentence(where, what, "make sure that they are good, or take them out of reference")]
    if count and (rest & suspect).sum() > MOST_SHARE_OF_REST * rest.sum():
        what = (
            f"compared with its {count} reference points, {int((rest & suspect).sum())} of the other "
            f"{int(rest.sum())} are suspect"
        )
        return [sentence(where, what, "make sure that the references are of the same laminate as the rest")]
    return []


def _named(names: list[str]) -> str:
    more = f" and {len(names) - MOST_NAMED} more" if len(names) > MOST_NAMED else ""
    return f"{', '.join(names[:MOST_NAMED])}{more}"
