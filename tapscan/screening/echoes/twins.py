"""What an earlier scan, or scans of like parts, let expect of a zone's echoes, point by point.

* **The back wall's level**: the earlier one there, plus a difference that changes slowly over the zone
  (another probe, another couplant). So damage that fills whole stations shows; an edge or a taper does not.
* **The back wall's time**: an echo that is taken for the back wall but comes earlier than the wall is thick
  is an echo from inside, even where most of the zone is like that.
* **Echoes that were there before**: the share that the same echo returned then is taken off.

Nothing that was suspect before is taken for usual, unless the earlier plan marks it as known to be good. And
what was clear may explain a quarter of the beam at most, half of what makes a point suspect: damage that
grows by small steps cannot hide behind its own past.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from tapscan.plan import Zone, block_mask
from tapscan.screening.change.twins import Match, named, too_few
from tapscan.screening.echoes.levels import MIN_READINGS, sound_level, spread
from tapscan.screening.echoes.readings import EchoReadings
from tapscan.signals import AScanFeatures

__all__ = [
    "EARLY_SHARE",
    "SAME_TIME",
    "EchoTwin",
    "Expected",
    "expected_echoes",
    "inside_instead",
    "usual_difference",
    "walls",
]

Floats = NDArray[np.float64]
Mask = NDArray[np.bool_]

# Share of the beam that an earlier, clear reading may explain.
EXPLAINED_SHARE = 0.25
# Echoes of one and the same reflector: at the same time to this share of it.
SAME_TIME = 0.1
# A back wall is early when it comes before the expected one by this share, and by this many spreads.
EARLY_SHARE, EARLY_SPREADS = 0.08, 6.0
# Walls of one kind are alike in thickness to this share; beyond, nothing is made of the difference.
SAME_WALL = 0.05


@dataclass(frozen=True, slots=True, eq=False)
class EchoTwin:
    """A like zone's echoes; `good` and `marked` (known to be good) are points of its own grid."""

    readings: EchoReadings
    match: Match
    good: Mask
    marked: Mask

    @property
    def usable(self) -> Mask:
        """Where on the zone's own grid the twin has a good point."""
        return self.match.marked(self.good)

    def laid(self, values: Floats) -> Floats:
        """Lay values of the twin's good points onto the zone's grid; NaN elsewhere."""
        return np.where(self.usable, self.match.laid(values), np.nan)


@dataclass(frozen=True, slots=True, eq=False)
class Expected:
    """What good laminate sends back at each point, by the twins; all arrays (stations, positions).

    `backwall_db` is relative to the front-surface echo, NaN where the twins have no reading; `known_share` is
    the share of the beam that an echo which was there before returned, 0 where there was none; `wander` the
    share of the back wall that single readings lose (gains are below 0), NaN where that is not known.
    """

    backwall_db: Floats
    known_share: Floats
    wander: Floats
    words: str


def walls(readings: EchoReadings) -> Floats:
    """Time of flight and level of the back wall, (stations, positions, 2): what differs from place to place.

    Times are in shares of the usual one.
    """
    tof = readings.echoes.tof_s
    usual = np.nanmedian(tof) if np.isfinite(tof).any() else 1.0
    return np.stack([tof / usual, readings.echoes.backwall_db / 20], axis=-1)


def expected_echoes(
    zone: Zone, readings: EchoReadings, twins: Sequence[EchoTwin], source: str
) -> tuple[EchoReadings, Expected]:
    """Give the readings with early back walls counted as echoes from inside, and what to expect of them.

    Raises
    ------
    TapscanError
        When too few readings have a partner.
    """
    readings = _without_early_walls(readings, twins)
    own_db = readings.echoes.backwall_db
    before_db = _mean_beside(own_db, [twin.laid(twin.readings.echoes.backwall_db) for twin in twins])
    read = (readings.reason == "") & ~block_mask(zone, zone.skip)
    refusal = too_few(zone, source, int((read & np.isfinite(before_db)).sum()))
    if refusal is not None:
        raise refusal
    marked = np.any([twin.match.marked(twin.marked) for twin in twins], axis=0)
    smooth_db = sound_level(zone, before_db).expected
    least_db = smooth_db + 20 * np.log10(1 - EXPLAINED_SHARE)
    usual_db = np.where(marked, before_db, np.maximum(before_db, least_db))
    moved_db, kept = usual_difference(zone, own_db - usual_db)
    expected_db = usual_db + moved_db
    off_db = own_db - expected_db
    if np.isfinite(off_db).sum() < MIN_READINGS:
        # No back wall is left here; the twins' own show how single readings wander.
        off_db = before_db - smooth_db
    words = named(source, kept, int((read & ~np.isfinite(expected_db)).sum()))
    known = _known_share(readings, twins, expected_db)
    return readings, Expected(expected_db, known, 1 - 10 ** (off_db / 20), words)


def usual_difference(zone: Zone, difference_db: Floats) -> tuple[Floats, int]:
    """Fit what changes slowly between the scans; give it with the number of readings it rests on."""
    reference = block_mask(zone, zone.reference) & np.isfinite(difference_db)
    if np.isfinite(difference_db).sum() < MIN_READINGS:
        return np.zeros(zone.grid_shape), 0
    level = sound_level(zone, difference_db, reference)
    return level.expected, int(level.kept.sum())


def _mean_beside(own: Floats, laid: Sequence[Floats]) -> Floats:
    """Mean over the twins where there are any, each moved by what it usually differs by from the first."""
    moved = []
    for values in laid:
        usual = np.nanmedian(own - values) if np.isfinite(own - values).any() else 0.0
        moved.append(values + usual)
    stack = np.stack(moved)
    count = np.isfinite(stack).sum(axis=0)
    return np.where(count > 0, np.nansum(stack, axis=0) / np.maximum(count, 1), np.nan)


def _without_early_walls(readings: EchoReadings, twins: Sequence[EchoTwin]) -> EchoReadings:
    """Take a back wall that comes too early for this wall as the echo from inside that it is."""
    echoes = readings.echoes
    stack = np.stack([twin.laid(twin.readings.echoes.tof_s) for twin in twins])
    count = np.isfinite(stack).sum(axis=0)
    due_s = np.where(count > 0, np.nansum(stack, axis=0) / np.maximum(count, 1), np.nan)
    ratio = echoes.tof_s / due_s
    if not np.isfinite(ratio).any():
        return readings
    usual = float(np.nanmedian(ratio))
    usual = usual if abs(usual - 1) < SAME_WALL else 1.0
    beyond = max(EARLY_SHARE, EARLY_SPREADS * spread(ratio))
    early = ratio < usual - min(beyond, 0.5)
    return replace(readings, echoes=inside_instead(echoes, early))


def inside_instead(echoes: AScanFeatures, early: Mask) -> AScanFeatures:
    """Take back walls that are too early for echoes from inside, unless there is an earlier one."""
    inside = early & ~(echoes.echo_s < echoes.tof_s)
    moved = {"echo_s": "tof_s", "echo_db": "backwall_db", "echo_amplitude": "backwall_amplitude"}
    first = {to: np.where(inside, getattr(echoes, of), getattr(echoes, to)) for to, of in moved.items()}
    lost = {of: np.where(early, np.nan, getattr(echoes, of)) for of in (*moved.values(), "backwall_s")}
    return replace(echoes, **first, **lost)


def _known_share(readings: EchoReadings, twins: Sequence[EchoTwin], expected_db: Floats) -> Floats:
    """Share of the beam that the same echo returned in every twin: the least of them."""
    shares = []
    for twin in twins:
        time_s = twin.laid(twin.readings.echoes.echo_s)
        with np.errstate(invalid="ignore"):
            same = np.abs(time_s - readings.echoes.echo_s) <= SAME_TIME * readings.echoes.echo_s
        share = 10 ** ((twin.laid(twin.readings.echoes.echo_db) - expected_db) / 20)
        most = np.where(twin.match.marked(twin.marked), 1.0, EXPLAINED_SHARE)
        share = np.where(same & np.isfinite(share), np.minimum(share, most), 0.0)
        shares.append(np.where(twin.usable, share, np.inf))
    least = np.min(shares, axis=0)
    return np.where(np.isfinite(least), least, 0.0)
