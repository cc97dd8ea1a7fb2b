"""What a study of the probability of detection says, as plain data for ``pod.json``."""

from collections.abc import Sequence
from dataclasses import asdict
from typing import Any

from tapscan.sectioning.pod.binomial import Share
from tapscan.sectioning.pod.hit_miss import pod_bounds, pod_value
from tapscan.sectioning.pod.study import Curve, Exact, Response, Study

__all__ = ["pod_document"]

_CURVE_POINTS = 41


def pod_document(studies: Sequence[Study], warnings: Sequence[str]) -> dict[str, Any]:
    """Lay the studies of all methods out; sizes are diameters in mm of a disc of the defect's area."""
    return {"studies": [_study(one) for one in studies], "warnings": list(warnings)}


def _study(one: Study) -> dict[str, Any]:
    trials = one.trials
    return {
        "method": trials.method,
        "parts": len(trials.parts),
        "defects_found": _share(one.found),
        "defects_unread": trials.unread,
        "false_calls": _share(one.false_calls),
        "curves": {link: _curve(curve) for link, curve in one.curves.items()},
        "why_no_curve": one.why_no_curve,
        "exact": [_exact(statement) for statement in one.exact],
        "response": None if one.response is None else _response(one.response),
        "why_no_response": one.why_no_response,
        "roc_area": None if one.roc is None else one.roc.area,
        "better_threshold": None
        if one.better is None
        else {**asdict(one.better), "is_sure": one.better.is_sure},
        "limits": list(one.limits),
        "trials": [
            {"part": trials.parts[part], "defect": name, "size_mm": size, "is_hit": hit, "score": score}
            for part, name, size, hit, score in zip(
                trials.part, trials.name, trials.size_mm, trials.is_hit, trials.score, strict=True
            )
        ],
    }


def _share(one: Share) -> dict[str, Any]:
    return {
        "count": one.hits,
        "of": one.trials,
        "share": one.value,
        "low": one.low,
        "high": one.high,
        "confidence": one.confidence,
    }


def _exact(one: Exact) -> dict[str, Any]:
    return {
        "from_mm": one.from_mm,
        "count": one.found.hits,
        "of": one.found.trials,
        "at_least": one.least,
        "more_needed": one.more,
    }


def _curve(one: Curve) -> dict[str, Any]:
    from numpy import geomspace

    sizes = geomspace(one.curve.smallest_mm, one.curve.largest_mm, _CURVE_POINTS)
    sizes[[0, -1]] = one.curve.smallest_mm, one.curve.largest_mm  # rounding must not leave what was cut
    low, high = pod_bounds(one.curve, sizes)
    return {
        "intercept": one.curve.fit.coefficients[0],
        "slope": one.curve.fit.coefficients[1],
        "covariance": one.curve.fit.covariance,
        "log_likelihood": one.curve.fit.log_likelihood,
        "smallest_mm": one.curve.smallest_mm,
        "largest_mm": one.curve.largest_mm,
        "a50_mm": one.a50_mm,
        "a90_mm": one.a90_mm,
        "a90_95_mm": one.a90_95_mm,
        "a90_95_wald_mm": one.a90_95_wald_mm,
        "a90_95_fieller_mm": one.a90_95_fieller_mm,
        "size_mm": sizes,
        "pod": pod_value(one.curve, sizes),
        "pod_low_95": low,
        "pod_high_95": high,
    }


def _response(one: Response) -> dict[str, Any]:
    return {
        **asdict(one.fit),
        "noise": one.noise,
        "ceiling": one.ceiling,
        "a50_mm": one.a50_mm,
        "a90_mm": one.a90_mm,
        "a90_95_wald_mm": one.a90_95_mm,
    }
