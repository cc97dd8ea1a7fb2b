"""What changed between two scans of a zone: the share of the beam that is lost, or comes back from inside.

Each scan's back wall is taken in units of what sound wall sends back there: the earlier scan's own level,
smooth over the zone, and for the later one that plus a slow difference (another probe, another couplant).
Half of the beam is what makes a point suspect; a quarter, half of that, is what counts as changed. Placing
the probe a millimetre off moves an edge by about as much. And it must be more than readings wander by.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from tapscan.plan import Zone
from tapscan.screening.changes import Difference
from tapscan.screening.echo_readings import EchoReadings
from tapscan.screening.echo_twins import EARLY_SHARE, SAME_TIME, smooth_level, usual_difference
from tapscan.screening.twins import Match, too_few

__all__ = ["echo_difference"]

Floats = NDArray[np.float64]

# Of the beam. However much readings wander, half of it always counts: that is what makes a point suspect.
LEAST_SHARE, MOST_SHARE = 0.25, 0.5


@dataclass(frozen=True, slots=True, eq=False)
class _Echoes:
    """One scan on the zone's grid: levels over the front-surface echo's, times from it; NaN where none."""

    read: NDArray[np.bool_]
    backwall_db: Floats
    tof_s: Floats
    echo_db: Floats
    echo_s: Floats


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

    here, there = _echoes(now, None), _echoes(then, match)
    here, there = _early_inside(here, there), _early_inside(there, here)
    both = here.read & there.read
    paired = int(both.sum())
    refusal = too_few(zone, "the earlier inspection", paired)
    if refusal is not None:
        raise refusal
    sound_db = smooth_level(zone, np.where(both, there.backwall_db, np.nan))
    moved_db, _ = usual_difference(zone, np.where(both, here.backwall_db - there.backwall_db, np.nan))
    lost = _amplitude(there.backwall_db - sound_db) - _amplitude(here.backwall_db - sound_db - moved_db)
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


def _echoes(readings: EchoReadings, match: Match | None) -> _Echoes:
    found, read = readings.echoes, readings.reason == ""
    if match is None:
        return _Echoes(read, found.backwall_db, found.tof_s, found.echo_db, found.echo_s)
    columns = (found.backwall_db, found.tof_s, found.echo_db, found.echo_s)
    return _Echoes(match.marked(read), *(match.laid(values) for values in columns))


def _early_inside(one: _Echoes, other: _Echoes) -> _Echoes:
    """Tell a back wall that comes much earlier than in the other scan as the echo from inside that it is."""
    early = one.tof_s < (1 - EARLY_SHARE) * other.tof_s
    inside = early & ~(one.echo_s < one.tof_s)
    return _Echoes(
        one.read,
        np.where(early, np.nan, one.backwall_db),
        np.where(early, np.nan, one.tof_s),
        np.where(inside, one.backwall_db, one.echo_db),
        np.where(inside, one.tof_s, one.echo_s),
    )


def _inside_change(here: _Echoes, there: _Echoes, sound_db: Floats, moved_db: Floats) -> Floats:
    """Share of the beam by which echoes from inside differ; all of it where they come from other depths."""
    now = np.minimum(_amplitude(here.echo_db - sound_db - moved_db), 1.0)
    before = np.minimum(_amplitude(there.echo_db - sound_db), 1.0)
    with np.errstate(invalid="ignore"):
        other_depth = np.abs(here.echo_s - there.echo_s) > SAME_TIME * there.echo_s
    return np.where(other_depth, np.maximum(now, before), np.abs(now - before))


def _amplitude(level_db: Floats) -> Floats:
    """Amplitude of a level; 0 where there is no echo."""
    return np.where(np.isfinite(level_db), 10 ** (np.nan_to_num(level_db) / 20), 0.0)


def _typical(values: Floats) -> float:
    return float(np.median(np.abs(values))) if values.size else 0.0
