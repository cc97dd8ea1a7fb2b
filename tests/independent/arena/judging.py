"""Judge tapscan, the floor and the ceiling on the parts of a family.

A damage counts as found when an indication has a point whose cell reaches into it; an indication is false
when none of its points is within `FAR_MM`, or one pitch, of a rim. Points between the rim and there are left
out of ROC areas and false calls: a tap there hears half of the damage. Where a detector could not read a
point, it counts as the least suspect.
"""

import time
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from multiprocessing import get_context
from pathlib import Path
from typing import Any

import numpy as np
from scipy.stats import binomtest

from tapscan.screening.results import Screened
from tests.independent.arena.ceiling import ceiling_scores, features
from tests.independent.arena.families import KEPT_BACK, make_parts
from tests.independent.arena.floor import floor_of, naive_p, read_shapes
from tests.independent.arena.parts import Truth, load_truth
from tests.independent.judge import FAR_MM, roc_area, sized
from tests.independent.strikes import Array

__all__ = [
    "ASKED",
    "Calls",
    "Detector",
    "FamilyRow",
    "PartVerdict",
    "judge_family",
    "judge_part",
    "row_of",
    "verdict_of",
]

ASKED = (0.001, 0.01, 0.05)


@dataclass(frozen=True, slots=True)
class Calls:
    """Points far from damage, and how many of them have a p-value of at most `asked`."""

    asked: float
    called: int
    points: int

    @property
    def ratio(self) -> float:
        """False calls over those asked for; NaN without points."""
        return self.called / self.points / self.asked if self.points else float("nan")

    @property
    def interval(self) -> tuple[float, float]:
        """95 % interval of the ratio (Clopper & Pearson, as SciPy has it)."""
        if not self.points:
            return float("nan"), float("nan")
        exact = binomtest(self.called, self.points).proportion_ci(method="exact")
        return float(exact.low / self.asked), float(exact.high / self.asked)


@dataclass(frozen=True, slots=True)
class Detector:
    """ROC area of one detector, mean over the damaged parts: over all points, and over those it read."""

    area: float
    area_read: float


@dataclass(frozen=True, slots=True, eq=False)
class PartVerdict:
    """One part as judged. Arrays (stations, positions); `inputs` (stations, positions, inputs).

    `floor_score` and `inputs` are None where only tapscan was asked; `probability` where it gives none.
    """

    truth: Truth
    score: Array
    p_value: Array
    is_unread: Array
    probability: Array | None
    found: tuple[bool, ...]
    size_ratio: tuple[float, ...]
    covered: tuple[bool | None, ...]
    false_indications: int
    seconds: float
    floor_score: Array | None
    inputs: Array | None

    @property
    def far_mm(self) -> float:
        return max(FAR_MM, self.truth.pitch_mm)


@dataclass(frozen=True, slots=True, eq=False)
class FamilyRow:
    """A family's row in the table; `size_ratio` at 5, 50 and 95 %."""

    name: str
    is_kept_back: bool
    parts: int
    tapscan: Detector
    floor: Detector
    ceiling: Detector
    found: int
    damages: int
    false_indications: int
    false_calls: tuple[Calls, ...]
    floor_false_calls: tuple[Calls, ...]
    damaged_points: int
    damaged_unread: int
    size_ratio: tuple[float, float, float]
    sized: int
    covered: int
    seconds: float
    probability: Array
    is_damaged: Array


def judge_part(folder: Path, *, is_tapscan_only: bool = False) -> PartVerdict:
    """Analyse one part's folder and compare with its truth."""
    import tapscan

    truth = load_truth(folder)
    start = time.perf_counter()
    results = tapscan.analyse(tapscan.open_inspection(folder))
    seconds = time.perf_counter() - start
    (screened,) = (s for s in results.screened if s.method == "tap")
    # The floor and the ceiling polish by stations; scattered points have none.
    is_gridded = min(truth.x_mm.shape) > 1
    return verdict_of(screened, truth, seconds, folder if is_gridded and not is_tapscan_only else None)


def verdict_of(screened: Screened, truth: Truth, seconds: float, folder: Path | None) -> PartVerdict:
    """Compare a screened zone with its truth; floor and ceiling need the recordings in `folder`, if any."""
    nearest = truth.nearest_mm
    far = nearest > max(FAR_MM, truth.pitch_mm)
    found, ratios, covered = sized(
        screened.indications, truth.area_mm2.tolist(), truth.rim_mm < truth.pitch_mm / 2
    )
    floor_score = inputs = None
    if folder is not None:
        shapes = read_shapes(folder, truth.x_mm.shape)
        floor = floor_of(shapes, is_tube=truth.is_tube)
        floor_score, inputs = floor.score, features(shapes, floor, is_tube=truth.is_tube)
    probability = screened.features.get("damage_probability")
    return PartVerdict(
        truth=truth,
        score=np.asarray(screened.score, dtype=float),
        p_value=np.asarray(screened.p_value, dtype=float),
        is_unread=np.asarray(screened.status == "unread"),
        probability=None if probability is None else np.asarray(probability, dtype=float),
        found=found,
        size_ratio=ratios,
        covered=covered,
        false_indications=sum(all(far[_index(q)] for q in i.points) for i in screened.indications),
        seconds=seconds,
        floor_score=floor_score,
        inputs=inputs,
    )


def _index(point: str) -> tuple[int, int]:
    _, station, position = point.split("-")
    return int(station) - 1, int(position) - 1


def _judged(job: tuple[Path, bool]) -> PartVerdict:
    return judge_part(job[0], is_tapscan_only=job[1])


def judge_family(
    name: str,
    parts: int,
    cache: Path,
    *,
    jobs: int = 1,
    is_tapscan_only: bool = False,
    say: Callable[[str], Any] = lambda _: None,
) -> FamilyRow:
    """Make the parts of a family where they are not kept yet, judge them, and sum up."""
    work = [(folder, is_tapscan_only) for folder in make_parts(cache, [name], parts, jobs)]
    verdicts = []
    if jobs == 1:
        judged: Iterable[PartVerdict] = map(_judged, work)
        verdicts = _collected(judged, work, say)
    else:
        with get_context("spawn").Pool(jobs) as pool:
            verdicts = _collected(pool.imap(_judged, work), work, say)
    return row_of(name, verdicts)


def _collected(
    judged: Iterable[PartVerdict], work: list[tuple[Path, bool]], say: Callable[[str], Any]
) -> list[PartVerdict]:
    verdicts = []
    for (folder, _), verdict in zip(work, judged, strict=True):
        say(
            f"{folder.parent.name} {folder.name}: {sum(verdict.found)} of {len(verdict.found)} found, "
            f"{verdict.false_indications} false, {verdict.seconds:.1f} s"
        )
        verdicts.append(verdict)
    return verdicts


def row_of(name: str, verdicts: Sequence[PartVerdict]) -> FamilyRow:
    """Sum up the verdicts of one family."""
    nowhere = [np.full(v.score.shape, np.nan) for v in verdicts]
    floors = [n if v.floor_score is None else v.floor_score for v, n in zip(verdicts, nowhere, strict=True)]
    inputs = [v.inputs for v in verdicts if v.inputs is not None]
    ceilings = nowhere
    if len(inputs) == len(verdicts):
        far_mm = max(v.far_mm for v in verdicts)
        ceilings = ceiling_scores(
            inputs, [v.truth.nearest_mm for v in verdicts], far_mm, [v.truth.is_tube for v in verdicts]
        )
    ratios = np.array([r for v in verdicts for r in v.size_ratio if np.isfinite(r)])
    covered = [c for v in verdicts for c in v.covered if c is not None]
    inside = [v.truth.nearest_mm < 0 for v in verdicts]
    quantiles = np.quantile(ratios, (0.05, 0.5, 0.95)) if ratios.size else np.full(3, np.nan)
    probability, is_damaged = _probabilities(verdicts)
    return FamilyRow(
        name=name,
        is_kept_back=name in KEPT_BACK,
        parts=len(verdicts),
        tapscan=_detector(verdicts, [np.where(v.is_unread, np.nan, v.score) for v in verdicts]),
        floor=_detector(verdicts, floors),
        ceiling=_detector(verdicts, ceilings),
        found=sum(sum(v.found) for v in verdicts),
        damages=sum(len(v.found) for v in verdicts),
        false_indications=sum(v.false_indications for v in verdicts),
        false_calls=_calls(verdicts, [v.p_value for v in verdicts]),
        floor_false_calls=_calls(
            verdicts, [naive_p(f) if np.isfinite(f).any() else np.full(f.shape, np.nan) for f in floors]
        ),
        damaged_points=int(sum(i.sum() for i in inside)),
        damaged_unread=int(sum((i & v.is_unread).sum() for i, v in zip(inside, verdicts, strict=True))),
        size_ratio=tuple(quantiles.tolist()),
        sized=len(covered),
        covered=sum(covered),
        seconds=float(np.mean([v.seconds for v in verdicts])),
        probability=probability,
        is_damaged=is_damaged,
    )


def _detector(verdicts: Sequence[PartVerdict], scores: Sequence[Array]) -> Detector:
    """Mean ROC areas over the damaged parts; NaN where the detector gave nothing."""
    areas = []
    for verdict, score in zip(verdicts, scores, strict=True):
        inside, far = verdict.truth.nearest_mm < 0, verdict.truth.nearest_mm > verdict.far_mm
        read = np.isfinite(score)
        if not inside.any() or not read.any():
            continue
        least = np.where(read, score, -np.inf)
        areas.append((roc_area(least[inside], least[far]), roc_area(score[inside & read], score[far & read])))
    if not areas:
        return Detector(float("nan"), float("nan"))
    both = np.array(areas)
    known = both[np.isfinite(both[:, 1]), 1]
    return Detector(float(both[:, 0].mean()), float(known.mean()) if known.size else float("nan"))


def _calls(verdicts: Sequence[PartVerdict], p_values: Sequence[Array]) -> tuple[Calls, ...]:
    far = [p[v.truth.nearest_mm > v.far_mm] for v, p in zip(verdicts, p_values, strict=True)]
    every = np.concatenate(far)
    every = every[np.isfinite(every)]
    return tuple(Calls(asked, int((every <= asked).sum()), every.size) for asked in ASKED)


def _probabilities(verdicts: Sequence[PartVerdict]) -> tuple[Array, Array]:
    """Stated probability of damage, and truth, of every point that has one."""
    stated: list[Array] = [np.zeros(0)]
    damaged: list[Array] = [np.zeros(0, dtype=bool)]
    for verdict in verdicts:
        if verdict.probability is not None:
            has_one = np.isfinite(verdict.probability)
            stated.append(verdict.probability[has_one])
            damaged.append(verdict.truth.nearest_mm[has_one] < 0)
    return np.concatenate(stated), np.concatenate(damaged)
