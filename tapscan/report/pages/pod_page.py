"""``pod.html``, ``pod.png`` and ``pod.json``: what a number of sectioned parts shows of each method."""

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

from tapscan.errors import TapscanError
from tapscan.records.tables import json_text
from tapscan.records.writing import write_bytes, write_text
from tapscan.report import words
from tapscan.report.filling import filled
from tapscan.report.maps.figures import drawing, png_bytes
from tapscan.report.maps.pods import draw_pod
from tapscan.report.pages.section_page import share_text
from tapscan.report.pictures import Picture
from tapscan.sectioning.pod.data import pod_document

if TYPE_CHECKING:
    from tapscan.sectioning.pod.study import Curve, Response, Study
    from tapscan.sectioning.pod.thresholds import BetterThreshold

__all__ = ["COUNTING_IS_STRICTER", "better_text", "curve_text", "exact_text", "write_pod"]


def write_pod(studies: "Sequence[Study]", warnings: Sequence[str], folder: Path, version: str) -> Path:
    """Write ``pod.json``, ``pod.png`` and the page into a folder; return the path of the page.

    Raises
    ------
    TapscanError
        When the folder cannot be written.
    """
    with drawing():
        picture = Picture("pod.png", png_bytes(draw_pod(studies)), _alt(studies), _CAPTION)
    page = filled(
        "pod.html.jinja",
        picture=picture,
        studies=[_study(one) for one in studies],
        parts=sorted({name for one in studies for name in one.trials.parts}),
        warnings=warnings,
        version=version,
    )
    try:
        write_text(folder / "pod.json", json_text({"version": version, **pod_document(studies, warnings)}))
        write_bytes(folder / picture.name, picture.png)
        write_bytes(folder / "pod.html", page.encode("utf-8", "replace"))
    except OSError as error:
        what = f"cannot be written: {error.strerror or error}"
        raise TapscanError(str(folder), what, "make room, or name another folder") from None
    return folder / "pod.html"


COUNTING_IS_STRICTER = (
    "A curve uses the cuts of all sizes and assumes a shape. Counting assumes nothing and needs more cuts: "
    "it may not demonstrate 90 % yet where the curve does."
)
_CAPTION = (
    "Left: each defect that was cut, found or missed, over the diameter of a disc of its area; the log-odds "
    "curve with its bounds, and the probit curve. Middle: the highest score over each defect, the limit in "
    "use, and, grey, what sound points score too. Right: defects over sound points called, by score alone; "
    "the diamond is the limit in use, the dot the best one. Nothing is drawn beyond the sizes that were cut."
)


def curve_text(one: "Curve | Response") -> str:
    """Write the three sizes of a curve, or that they are beyond what was cut.

    For example ``a50 14.6 mm, a90 19.3 mm, a90/95 24.4 mm``.
    """
    sizes = (("a50", one.a50_mm), ("a90", one.a90_mm), ("a90/95", one.a90_95_mm))
    return ", ".join(
        f"{name} {'beyond what was cut' if size is None else f'{size:.3g} mm'}" for name, size in sizes
    )


def exact_text(study: "Study") -> list[str]:
    """Say what holds without a curve, from several sizes up."""
    result = []
    for one in study.exact:
        cuts = "cut" if one.more == 1 else "cuts"
        more = "" if not one.more else f"; {one.more} more {cuts}, all found, would demonstrate 90 %"
        least = "90 % are demonstrated" if not one.more else f"at least {100 * one.least:.0f} % are found"
        result.append(
            f"Counting only sizes from {one.from_mm:.3g} mm up, {one.found.hits} of {one.found.trials} were "
            f"found: {least}, with 95 % confidence{more}."
        )
    return result


def better_text(one: "BetterThreshold | None") -> str:
    """Say which limit of the score would have served better, and how sure that is."""
    if one is None:
        return "Without both defects and sound points nothing can be said about the limit."
    if one.best == one.used:
        return f"No other limit of the score than {one.used:g} would have served better on these parts."
    found, false = one.found, one.false
    what = (
        f"By score alone, a limit of {one.best:.2g} in place of {one.used:g} would have called {found[1]} "
        f"defects in place of {found[0]}, and {false[1]} sound points in place of {false[0]}"
    )
    if one.gain_low is None or one.gain_high is None:
        return f"{what}. Too few parts to say how sure that is."
    gain = f"{100 * one.gain_low:+.0f} to {100 * one.gain_high:+.0f}".replace("-", "−")
    sure = "That is beyond chance" if one.is_sure else "That may be chance"
    return (
        f"{what}. {sure}: on parts that had no say in the choice, the share of defects called less that of "
        f"sound points called changes by {gain} points of a hundred (95 % interval); the limit itself is "
        f"between {one.low:.2g} and {one.high:.2g}."
    )


def _study(one: "Study") -> dict[str, Any]:
    response = one.response
    return {
        "method": words.METHOD_NAMES[one.trials.method],
        "found": share_text(one.found),
        "false_calls": share_text(one.false_calls),
        "curves": [
            ("log-odds" if link == "logit" else link, curve_text(curve)) for link, curve in one.curves.items()
        ],
        "others": _others(one),
        "why_no_curve": one.why_no_curve,
        "exact": [*exact_text(one), *([COUNTING_IS_STRICTER] if one.curves and one.exact else [])],
        "response": ""
        if response is None
        else (
            f"ln(score) = {response.fit.intercept:.3g} + {response.fit.slope:.3g} ln(size), scatter "
            f"{response.fit.scatter:.2g}, {response.fit.censored} of {response.fit.cases} in the noise "
            f"or beyond the scale. By it: {curve_text(response)} (Wald's bound)"
        ).replace("-", "−"),
        "why_no_response": one.why_no_response,
        "area": "" if one.roc is None else f"{one.roc.area:.3f}",
        "better": better_text(one.better),
        "limits": one.limits,
    }


def _others(one: "Study") -> str:
    """a90/95 of the log-odds curve by the methods that others print."""
    curve = one.curves.get("logit")
    if curve is None:
        return ""
    sizes = (("Wald", curve.a90_95_wald_mm), ("Fieller", curve.a90_95_fieller_mm))
    return ", ".join(f"{name} {'beyond' if size is None else f'{size:.3g} mm'}" for name, size in sizes)


def _alt(studies: "Sequence[Study]") -> str:
    result = []
    for one in studies:
        curve = one.curves.get("logit")
        what = f"no curve, as {one.why_no_curve}" if curve is None else curve_text(curve)
        result.append(f"{words.METHOD_NAMES[one.trials.method]}: {share_text(one.found)} found; {what}.")
    return f"Probability of detection over size of defect. {' '.join(result)}"
