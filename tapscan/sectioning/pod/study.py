"""Probability of detection from sectioned parts: what they show, what they do not, and what it would take.

A curve is given only over the sizes that were cut. Where the data fix no curve, or a size is beyond what was
cut, that is said, with the exact statement that holds all the same, and with how many more cuts it takes.
"""

import math
from dataclasses import dataclass

import numpy as np

from tapscan.sectioning.pod.binomial import (
    WANTED_POD,
    Share,
    least_trials,
    lower_bound,
    share,
)
from tapscan.sectioning.pod.hit_miss import (
    PodCurve,
    fieller_bound_mm,
    fit_pod,
    profile_bound_mm,
    separation,
    size_at_mm,
    wald_bound_mm,
)
from tapscan.sectioning.pod.regression import LINKS, Link
from tapscan.sectioning.pod.signal_response import (
    ResponseFit,
    fit_response,
    response_bound_mm,
    response_size_mm,
)
from tapscan.sectioning.pod.thresholds import BetterThreshold, Roc, better_threshold, roc
from tapscan.sectioning.pod.trials import Trials

__all__ = ["Curve", "Exact", "Response", "Study", "study"]

# Fewer hits and misses than this give an unstable curve, fewer responses an unstable line
# (MIL-HDBK-1823A, from memory; 60 also in ENIQ Report 41, 2010).
LEAST_HIT_MISS, LEAST_RESPONSES = 60, 40
# A response that sound points reach one time in twenty is not distinguished from noise.
_NOISE_SHARE, _LEAST_SOUND = 0.95, 20
_COUNTABLE = 1000  # sections beyond this nobody will cut for one curve


@dataclass(frozen=True, slots=True)
class Exact:
    """A statement without a curve: of defects from `from_mm` up, `found` were found.

    `more` is how many more must be cut, all of them found, to show 90 % at 95 % confidence; 0 when that is
    shown.
    """

    from_mm: float
    found: Share
    least: float
    more: int


@dataclass(frozen=True, slots=True, eq=False)
class Curve:
    """A fitted hit/miss curve and its sizes. A size is None where it is beyond what was cut.

    `a90_95_mm` is by profile likelihood; Wald's and Fieller's are given for comparison.
    """

    curve: PodCurve
    a50_mm: float | None
    a90_mm: float | None
    a90_95_mm: float | None
    a90_95_wald_mm: float | None
    a90_95_fieller_mm: float | None


@dataclass(frozen=True, slots=True, eq=False)
class Response:
    """The line of score over size, and the POD that follows from it at the limit in use."""

    fit: ResponseFit
    noise: float
    ceiling: float
    a50_mm: float | None
    a90_mm: float | None
    a90_95_mm: float | None


@dataclass(frozen=True, slots=True, eq=False)
class Study:
    """Everything about one method.

    `curves` is empty where none can be fitted, and `why_no_curve` says why. `exact` holds the same question
    for several least sizes. `limits` are sentences about what is missing, and what it would take.
    """

    trials: Trials
    found: Share
    false_calls: Share
    curves: dict[Link, Curve]
    why_no_curve: str
    exact: tuple[Exact, ...]
    response: Response | None
    why_no_response: str
    roc: Roc | None
    better: BetterThreshold | None
    limits: tuple[str, ...]


def study(trials: Trials) -> Study:
    """Say what the trials of one method show.

    Examples
    --------
    >>> none = np.empty(0)
    >>> trials = Trials("tap", ("A",), np.zeros(3, int), ("F1", "F2", "F3"), np.array([4.0, 9.0, 12.0]),
    ...     np.array([False, True, True]), np.array([0.4, 1.5, 3.0]), none.astype(int), none,
    ...     none.astype(bool), 0)
    >>> result = study(trials)
    >>> result.curves, result.why_no_curve
    ({}, 'every defect from 9 mm up was found and every one up to 4 mm was missed')
    """
    curves, why_no_curve = _curves(trials)
    response, why_no_response = _response(trials)
    sound = trials.sound_score[np.isfinite(trials.sound_score)]
    both = bool(sound.size and trials.size_mm.size)
    exact = _exact(trials, curves)
    return Study(
        trials=trials,
        found=share(int(trials.is_hit.sum()), trials.is_hit.size),
        false_calls=share(int(trials.is_called.sum()), trials.is_called.size),
        curves=curves,
        why_no_curve=why_no_curve,
        exact=exact,
        response=response,
        why_no_response=why_no_response,
        roc=roc(trials.sound_score, trials.score) if both else None,
        better=better_threshold((trials.sound_score, trials.sound_part), (trials.score, trials.part))
        if both
        else None,
        limits=tuple(_limits(trials, curves, exact)),
    )


def _curves(trials: Trials) -> tuple[dict[Link, Curve], str]:
    if not trials.size_mm.size:
        return {}, "no delamination or disbond was cut"
    apart = separation(trials.size_mm, trials.is_hit)
    if apart is not None:
        return {}, apart.what
    curves: dict[Link, Curve] = {}
    for link in LINKS:
        curve = fit_pod(trials.size_mm, trials.is_hit, link=link)
        if curve.fit.coefficients[1] <= 0:
            return {}, "larger defects were not found more often than small ones"
        curves[link] = Curve(
            curve=curve,
            a50_mm=_within(curve, size_at_mm(curve, 0.5)),
            a90_mm=_within(curve, size_at_mm(curve, WANTED_POD)),
            a90_95_mm=_within(curve, profile_bound_mm(curve)),
            a90_95_wald_mm=_within(curve, wald_bound_mm(curve)),
            a90_95_fieller_mm=_within(curve, fieller_bound_mm(curve)),
        )
    return curves, ""


def _within(curve: PodCurve, size_mm: float) -> float | None:
    """Give the size, or None beyond the sizes that were cut: nothing is known there."""
    return size_mm if curve.smallest_mm <= size_mm <= curve.largest_mm else None


def _exact(trials: Trials, curves: dict[Link, Curve]) -> tuple[Exact, ...]:
    """Ask the same question of all defects, and of those from a few sizes up that the data suggest.

    The sizes are looked for in the data, so that the best of several statements is a little too good; each
    by itself holds.
    """
    sizes = np.sort(trials.size_mm)
    if not sizes.size:
        return ()
    asked = {float(sizes[0]), *(float(v) for v in np.quantile(sizes, [0.5], method="higher"))}
    hits = trials.size_mm[trials.is_hit]
    misses = trials.size_mm[~trials.is_hit]
    above = hits[hits > misses.max()] if misses.size else hits
    if above.size:
        asked.add(float(above.min()))  # from here up nothing was missed
    asked |= {one.a90_mm for one in curves.values() if one.a90_mm is not None}
    result: dict[float, Exact] = {}
    for least_mm in sorted(asked):
        inside = trials.size_mm >= least_mm
        from_mm, chosen = float(trials.size_mm[inside].min()), trials.is_hit[inside]
        found = share(int(chosen.sum()), int(chosen.size))
        least = lower_bound(found.hits, found.trials)
        short = max(least_trials(found.trials - found.hits) - found.trials, 0)
        result[from_mm] = Exact(from_mm, found, least, 0 if least >= WANTED_POD else max(short, 1))
    return tuple(result.values())


def _response(trials: Trials) -> tuple[Response | None, str]:
    """Fit score over size; sound points say what is noise, and scores at their own top are cut off there."""
    sound = trials.sound_score[np.isfinite(trials.sound_score)]
    if sound.size < _LEAST_SOUND:
        return None, f"fewer than {_LEAST_SOUND} sound points were cut to measure noise"
    noise = float(np.quantile(sound, _NOISE_SHARE))
    finite = trials.score[np.isfinite(trials.score)]
    ceiling = math.inf
    if finite.size:
        top = float(finite.max())
        is_cut_off = np.count_nonzero(finite == top) > 1 or bool(np.isinf(trials.score).any())
        ceiling = top if is_cut_off else math.inf
    try:
        fit = fit_response(trials.size_mm, trials.score, noise, ceiling)
    except ValueError as error:
        return None, str(error)
    if fit.slope <= 0:
        return None, "larger defects did not score higher than small ones"
    low, high = float(trials.size_mm.min()), float(trials.size_mm.max())
    sizes = [response_size_mm(fit, 1.0, pod) for pod in (0.5, WANTED_POD)] + [response_bound_mm(fit, 1.0)]
    kept = [size if low <= size <= high else None for size in sizes]
    return Response(fit, noise, ceiling, *kept), ""


def _limits(trials: Trials, curves: dict[Link, Curve], exact: tuple[Exact, ...]) -> list[str]:
    result = []
    count = int(trials.size_mm.size)
    if count < LEAST_HIT_MISS:
        result.append(
            f"{count} defects are few: a curve from fewer than {LEAST_HIT_MISS} is unstable. "
            f"{LEAST_HIT_MISS - count} more sections of defects are needed, of sizes all along the curve."
        )
    first = curves.get(LINKS[0])
    if first is not None:
        result += _curve_limits(first, count)
    best = max(exact, key=lambda one: one.least, default=None)
    if best is not None and best.more and (first is None or first.a90_95_mm is None):
        result.append(
            f"By counting, {best.more} more cuts of defects from {best.from_mm:.3g} mm up, all found, would "
            f"demonstrate 90 % with 95 % confidence ({least_trials(0)} of {least_trials(0)} is the least)."
        )
    if trials.sound_score.size < least_trials(0):
        result.append("Few sound points were cut: the rate of false calls is barely known. Cut controls too.")
    if trials.unread:
        result.append(
            f"{trials.unread} defects were where nothing was read. They count neither as hits nor as misses."
        )
    return result


def _curve_limits(result: Curve, count: int) -> list[str]:
    """Say which size is beyond what was cut, and what it would take."""
    curve = result.curve
    if result.a90_mm is None:
        wanted_size = "larger" if size_at_mm(curve, WANTED_POD) > curve.largest_mm else "smaller"
        what = "The size that is found nine times in ten is not among those that were cut"
        cut = f"{curve.smallest_mm:.3g} to {curve.largest_mm:.3g} mm"
        return [
            f"{what}, {cut}, so that no size is given: nothing is extrapolated. Cut {wanted_size} defects."
        ]
    if result.a90_95_mm is not None:
        return []
    # A bound's distance shrinks with the root of the number of cuts.
    wanted = np.log(curve.largest_mm) - np.log(result.a90_mm)
    now = np.log(wald_bound_mm(curve)) - np.log(result.a90_mm)
    more = count * ((now / wanted) ** 2 - 1) if wanted > 0 else np.inf
    number = f"About {max(math.ceil(more), 1)}" if more <= _COUNTABLE else "Very many"
    what = (
        f"No size up to {curve.largest_mm:.3g} mm, the largest that was cut, is shown to be found nine times"
    )
    return [
        f"{what} in ten at 95 % confidence. {number} more sections of such sizes, or larger ones, are needed."
    ]
