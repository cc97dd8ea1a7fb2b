"""Sectioned parts as trials: defects that were there to be found, sound points that were to be left alone."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from tapscan.screening.results import Method
from tapscan.sectioning import outcomes
from tapscan.sectioning.outcomes import Compared

__all__ = ["Trials", "trials_of"]

Array = NDArray[np.float64]


@dataclass(frozen=True, slots=True, eq=False)
class Trials:
    """What one method did on a number of sectioned parts.

    Defects that could be judged, shape (n,): `part` (index into `parts`), `name`, `size_mm` (diameter of a
    disc of their area), `is_hit`, `score` (the highest over their points). Points that were cut and found
    sound, shape (m,): `sound_part`, `sound_score`, `is_called`. `unread` counts defects at which nothing
    was read: they are no trials.
    """

    method: Method
    parts: tuple[str, ...]
    part: NDArray[np.int_]
    name: tuple[str, ...]
    size_mm: Array
    is_hit: NDArray[np.bool_]
    score: Array
    sound_part: NDArray[np.int_]
    sound_score: Array
    is_called: NDArray[np.bool_]
    unread: int


def trials_of(sectioned: Sequence[tuple[str, Sequence[Compared]]]) -> tuple[Trials, ...]:
    """Gather the trials of each method over parts, each a name and its comparisons; taps before A-scans.

    A method that met neither a defect nor a sound point is left out.
    """
    methods: tuple[Method, ...] = ("tap", "ascan")
    found = (_of_method(method, sectioned) for method in methods)
    return tuple(one for one in found if one.size_mm.size or one.sound_score.size or one.unread)


def _of_method(method: Method, sectioned: Sequence[tuple[str, Sequence[Compared]]]) -> Trials:
    defects, sound, unread = [], [], 0
    for number, (_, compared) in enumerate(sectioned):
        for one in compared:
            if one.screened.method != method:
                continue
            judged = one.separations(outcomes.HIT) + one.separations(outcomes.MISS)
            defects += [(number, defect) for defect in judged]
            unread += len(one.separations(outcomes.UNREAD_THERE))
            for outcome in (outcomes.AGREED, outcomes.FALSE_CALL):
                scores = one.screened.score[one.outcome == outcome]
                sound.append(
                    np.column_stack(
                        [
                            np.full(scores.size, number),
                            scores,
                            np.full(scores.size, outcome == outcomes.FALSE_CALL),
                        ]
                    )
                )
    points = np.concatenate(sound) if sound else np.empty((0, 3))
    return Trials(
        method=method,
        parts=tuple(name for name, _ in sectioned),
        part=np.array([number for number, _ in defects], dtype=int),
        name=tuple(defect.id for _, defect in defects),
        size_mm=np.array([defect.size_mm for _, defect in defects], dtype=float),
        is_hit=np.array([defect.verdict == outcomes.HIT for _, defect in defects], dtype=bool),
        score=np.array([defect.score for _, defect in defects], dtype=float),
        sound_part=points[:, 0].astype(int),
        sound_score=points[:, 1],
        is_called=points[:, 2].astype(bool),
        unread=unread,
    )
