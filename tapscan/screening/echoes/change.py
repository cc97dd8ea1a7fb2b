"""What changed between two scans of a zone: the share of the beam that is lost, or comes back from inside.

Each scan's back wall is taken in units of what sound wall sends back there: the earlier scan's own level,
smooth over the zone, and for the later one that plus a slow difference (another probe, another couplant).
Half of the beam is what makes a point suspect; a quarter, half of that, is what counts as changed. Placing
the probe a millimetre off moves an edge by about as much. And it must be more than readings wander by.
"""

from dataclasses import fields, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from tapscan.plan import Zone
from tapscan.screening.change.changes import Difference
from tapscan.screening.change.twins import Match, too_few
from tapscan.screening.echoes.levels import amplitude, sound_level
from tapscan.screening.echoes.readings import EchoReadings
from tapscan.screening.echoes.twins import (
    EARLY_SHARE,
    SAME_TIME,
    inside_instead,
    usual_difference,
)
from tapscan.signals import AScanFeatures

__all__ = ["echo_difference"]

Floats = NDArray[np.float64]

# Of the beam. However much readings wander, half of it always counts: that is what makes a point suspect.
LEAST_SHARE, MOST_SHARE = 0.25, 0.5


def echo_difference(
    zone: Zone, now: EchoReadings, then: EchoReadings, match: Match, false_call_rate: float
) -> Difference:
    """Hold two scans against each other.

    Raises
    ------
    TapscanError
        When too few points were read both times.
    """
    from scipy.stats import norm

    here, names = now.echoes, [field.name for field in fields(AScanFeatures) if field.name != "fault"]
    laid: dict[str, Any] = {name: match.laid(getattr(then.echoes, name)) for name in names}
    there = replace(then.echoes, **laid)
    with np.errstate(invalid="ignore"):
        early = here.tof_s < (1 - EARLY_SHARE) * there.tof_s, there.tof_s < (1 - EARLY_SHARE) * here.tof_s
    here, there = inside_instead(here, early[0]), inside_instead(there, early[1])
    both = (now.reason == "") & match.marked(then.reason == "")
    paired = int(both.sum())
    refusal = too_few(zone, "the earlier inspection", paired)
    if refusal is not None:
        raise refusal
    sound_db = sound_level(zone, np.where(both, there.backwall_db, np.nan)).expected
    moved_db, _ = usual_difference(zone, np.where(both, here.backwall_db - there.backwall_db, np.nan))
    lost = amplitude(there.backwall_db - sound_db) - amplitude(here.backwall_db - sound_db - moved_db)
    inside = _inside_change(here, there, sound_db, moved_db)
    share = np.where(both, np.maximum(np.abs(lost), inside), np.nan)
    found = both & np.isfinite(here.backwall_db) & np.isfinite(there.backwall_db)
    # Gains may be changes, too: the middle half says by how much readings wander.
    spread = max(1.4826 * _typical(lost[found]), 1e-9)
    limit = float(np.clip(spread * norm.isf(false_call_rate / 2), LEAST_SHARE, MOST_SHARE))
    words = (
        f"{paired} points were scanned both times. Back walls differ by {_typical(lost[found]):.1%} of their "
        f"amplitude, as a rule; a change of {limit:.0%} of the beam counts."
    )
    counts = np.where(np.isfinite(share), share >= limit, np.nan).astype(float)
    return Difference(share / limit, 2 * norm.sf(share / spread), counts, words)


def _inside_change(here: AScanFeatures, there: AScanFeatures, sound_db: Floats, moved_db: Floats) -> Floats:
    """Share of the beam by which echoes from inside differ; all of it where they come from other depths."""
    now = np.minimum(amplitude(here.echo_db - sound_db - moved_db), 1.0)
    before = np.minimum(amplitude(there.echo_db - sound_db), 1.0)
    with np.errstate(invalid="ignore"):
        other_depth = np.abs(here.echo_s - there.echo_s) > SAME_TIME * there.echo_s
    return np.where(other_depth, np.maximum(now, before), np.abs(now - before))


def _typical(values: Floats) -> float:
    return float(np.median(np.abs(values))) if values.size else 0.0
