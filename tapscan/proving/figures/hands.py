"""Whose hand: how much of a tap's score is the point, the strike and the person."""

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from tapscan.errors import TapscanError
from tapscan.proving.figures.gauge import GaugeStudy, gauge_study
from tapscan.proving.figures.separation import LEAST_SOUND, from_sound
from tapscan.proving.figures.shown import known_zone, state_mask
from tapscan.proving.figures.taps import scores_of_taps
from tapscan.records.inspection import Inspection

__all__ = ["HandStudy", "study_hands"]

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True, eq=False)
class HandStudy:
    """The study of some persons on one piece.

    `scores` (points, operators, trials) in dB: how far each tap is from sound laminate; `points` their names.
    """

    operators: tuple[str, ...]
    points: tuple[str, ...]
    scores: Floats
    study: GaugeStudy


def study_hands(checks: Mapping[str, Inspection], warnings: list[str]) -> HandStudy:
    """Compare the taps of several persons on the known points of one piece.

    All taps are compared with the sound taps of all persons together. A point counts with as many taps as
    each person made there at least; one where somebody has none is left out.

    Parameters
    ----------
    checks
        By person, the readings of one check.

    Raises
    ------
    TapscanError
        When there are fewer than two persons, or their taps have too few points in common.
    """
    names, where = tuple(checks), ", ".join(checks)
    if len(names) < 2:
        raise TapscanError(where or "operators", "is one person only", "name two at least")
    zones = [known_zone(one.plan, one.folder.as_posix()) for one in checks.values()]
    if any(zone.grid_shape != zones[0].grid_shape or zone.known != zones[0].known for zone in zones):
        raise TapscanError(where, "tapped different known pieces", "check the setup on one piece")
    taken = [scores_of_taps(one, zone, warnings) for one, zone in zip(checks.values(), zones, strict=True)]
    at = np.concatenate([taps.at for taps, _ in taken])
    who = np.repeat(np.arange(len(names)), [taps.at.size for taps, _ in taken])
    zone = zones[0]
    sound, damaged = (state_mask(zone, state).ravel() for state in ("sound", "delaminated"))
    if np.unique(at[sound[at]]).size < LEAST_SOUND:
        what = f"tapped fewer than {LEAST_SOUND} sound points"
        raise TapscanError(where, what, "tap more of the piece")
    scores = from_sound(np.concatenate([features for _, features in taken]), sound[at], at)
    known = np.flatnonzero(sound | damaged)
    count = np.array([[((at == point) & (who == one)).sum() for one in range(len(names))] for point in known])
    trials = int(np.median(count))
    kept = known[(count >= trials).all(axis=1)]
    if trials < 2 or kept.size < 2:
        what = "have fewer than two points in common with two taps of each person"
        raise TapscanError(where, what, "tap the same points, three times each")
    table = np.array(
        [[scores[(at == point) & (who == one)][:trials] for one in range(len(names))] for point in kept]
    )
    points = tuple(f"{p // zone.positions + 1:02d}-{p % zone.positions + 1:02d}" for p in kept)
    return HandStudy(names, points, table, gauge_study(table))
