"""Pictures of the probability of detection: the curve with its bounds, score over size, and the ROC.

One row for each method. Nothing is drawn beyond the sizes that were cut.
"""

from textwrap import fill
from typing import TYPE_CHECKING, Any

import numpy as np

from tapscan.report.maps.figures import WIDTH_IN, bare, halo, new_figure
from tapscan.report.maps.palette import ACCENT, CRAYON, HAIRLINE, INK, MUTED, PAPER
from tapscan.report.words import METHOD_NAMES
from tapscan.sectioning.pod.binomial import WANTED_POD
from tapscan.sectioning.pod.hit_miss import pod_bounds, pod_value

if TYPE_CHECKING:
    from collections.abc import Sequence

    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

    from tapscan.sectioning.pod.study import Study

__all__ = ["draw_pod"]

_ROW_IN, _HEAD_IN, _FOOT_IN = 3.15, 0.5, 0.55
_STEPS, _TITLE_LETTERS = 60, 58


def draw_pod(studies: "Sequence[Study]") -> "Figure":
    """Draw what each method showed.

    Parts of the picture carry a `gid` (``pod curve``, ``pod bounds``, ``hits``, ``misses``, ``a90/95``,
    ``no curve``, ``response line``, ``roc``, ``limit in use``).
    """
    figure = new_figure(_ROW_IN * len(studies))
    height_in = _ROW_IN * len(studies)
    for row, one in enumerate(studies):
        top = 1 - row * _ROW_IN / height_in
        bottom = top - (_ROW_IN - _FOOT_IN) / height_in
        high = (_ROW_IN - _HEAD_IN - _FOOT_IN) / height_in
        name = METHOD_NAMES[one.trials.method]
        figure.text(0.02, top - 0.08 / height_in, name, va="top", fontsize=9, fontweight="bold")
        boxes = ((0.075, 0.44), (0.605, 0.165), (0.845, 0.14))
        axes = [figure.add_axes((left, bottom, wide, high)) for left, wide in boxes]
        _draw_curve(axes[0], one)
        _draw_response(axes[1], one)
        _draw_roc(axes[2], one, high * height_in / (0.14 * WIDTH_IN))
        for each in axes:
            bare(each)
            each.tick_params(length=2, pad=1.5)
    return figure


def _size_axis(axes: "Axes", one: "Study") -> None:
    from matplotlib.ticker import FixedLocator, NullLocator

    sizes = one.trials.size_mm
    axes.set_xscale("log")
    low, high = (float(sizes.min()), float(sizes.max())) if sizes.size else (1.0, 10.0)
    axes.set_xlim(low / 1.15, high * 1.15)
    ticks = [t for d in (1, 10, 100) for t in (d, 2 * d, 3 * d, 5 * d) if low / 1.15 <= t <= high * 1.15]
    axes.xaxis.set_major_locator(FixedLocator(ticks))
    axes.xaxis.set_minor_locator(NullLocator())
    axes.set_xticks(ticks, [f"{tick:g}" for tick in ticks])
    axes.set_xlabel("size, mm across", labelpad=2)


def _draw_curve(axes: "Axes", one: "Study") -> None:
    _size_axis(axes, one)
    axes.set_ylim(-0.06, 1.06)
    axes.set_yticks([0, 0.25, 0.5, 0.75, 0.9, 1], ["0", "25", "50", "75", "90", "100"])
    axes.set_ylabel("found, %", labelpad=2)
    axes.axhline(WANTED_POD, color=HAIRLINE, linewidth=0.7, zorder=0)
    sizes, is_hit = one.trials.size_mm, one.trials.is_hit
    # Spread a little, so that equal sizes do not hide each other; always the same way.
    shift = 0.012 * (np.arange(sizes.size) % 3)
    look: dict[str, Any] = {"linewidths": 0.7, "edgecolors": INK, "zorder": 4}
    axes.scatter(
        sizes[is_hit],
        1.015 + shift[is_hit],
        s=13,
        marker="o",
        facecolors=INK,
        gid="hits",
        label="found",
        **look,
    )
    axes.scatter(
        sizes[~is_hit],
        -0.015 - shift[~is_hit],
        s=15,
        marker="X",
        facecolors=PAPER,
        gid="misses",
        label="missed",
        **look,
    )
    if one.curves:
        _draw_fits(axes, one)
    else:
        _draw_exact(axes, one)
    axes.legend(
        loc="center left", bbox_to_anchor=(0.0, 0.72), frameon=False, handlelength=1.8, labelspacing=0.35
    )


def _draw_fits(axes: "Axes", one: "Study") -> None:
    logit, probit = one.curves["logit"], one.curves["probit"]
    low, high = logit.curve.smallest_mm, logit.curve.largest_mm
    sizes = np.clip(np.geomspace(low, high, _STEPS), low, high)
    bounds = pod_bounds(logit.curve, sizes)
    axes.fill_between(
        sizes,
        *bounds,
        color=ACCENT,
        alpha=0.18,
        linewidth=0,
        gid="pod bounds",
        label="95 % bounds, each side",
    )
    axes.plot(
        sizes, pod_value(logit.curve, sizes), color=ACCENT, linewidth=1.6, gid="pod curve", label="log-odds"
    )
    axes.plot(
        sizes,
        pod_value(probit.curve, sizes),
        color=INK,
        linewidth=0.8,
        dashes=(4, 2),
        gid="probit",
        label="probit",
    )
    for size, share, name, label_at in (
        (logit.a50_mm, 0.5, "a50", 0.2),
        (logit.a90_mm, WANTED_POD, "a90", 0.02),
        (logit.a90_95_mm, WANTED_POD, "a90/95", 0.38),
    ):
        if size is None:
            continue
        axes.plot([size, size], [-0.06, share], color=CRAYON, linewidth=0.9, gid=name)
        axes.annotate(
            f"{name}\n{size:.3g}",
            (size, label_at),
            xytext=(2, 0),
            textcoords="offset points",
            fontsize=8,
            color=CRAYON,
            va="bottom",
            path_effects=halo(2.0),
        )


def _draw_exact(axes: "Axes", one: "Study") -> None:
    """Draw what holds without a curve: from a size up, at least so many are found."""
    largest = float(one.trials.size_mm.max()) if one.trials.size_mm.size else 1.0
    for number, each in enumerate(one.exact):
        axes.plot(
            [each.from_mm, largest],
            [each.least, each.least],
            color=ACCENT,
            linewidth=1.6,
            gid="exact bound",
            label="at least so many, 95 % sure" if number == 0 else None,
        )
    title = axes.set_title(
        fill(f"No curve: {one.why_no_curve}.", _TITLE_LETTERS), fontsize=8, color=CRAYON, pad=4
    )
    title.set_gid("no curve")


def _draw_response(axes: "Axes", one: "Study") -> None:
    """Draw score over size, both in logarithms, with the fitted line and the limit in use."""
    from matplotlib.ticker import FuncFormatter, NullFormatter

    _size_axis(axes, one)
    axes.set_yscale("log")
    axes.yaxis.set_major_formatter(FuncFormatter(lambda value, _: f"{value:g}"))
    axes.yaxis.set_minor_formatter(NullFormatter())
    axes.set_ylabel("highest score", labelpad=1)
    score = one.trials.score
    finite = np.isfinite(score) & (score > 0)
    is_hit = one.trials.is_hit
    for mask, marker, inside in ((finite & is_hit, "o", INK), (finite & ~is_hit, "X", PAPER)):
        axes.scatter(
            one.trials.size_mm[mask],
            score[mask],
            s=9,
            marker=marker,
            facecolors=inside,
            edgecolors=INK,
            linewidths=0.6,
            zorder=3,
        )
    axes.axhline(1.0, color=CRAYON, linewidth=0.8, gid="limit in use")
    if one.response is not None:
        ends = np.array([one.trials.size_mm.min(), one.trials.size_mm.max()])
        line = np.exp(one.response.fit.intercept + one.response.fit.slope * np.log(ends))
        axes.plot(ends, line, color=ACCENT, linewidth=1.4, gid="response line")
        axes.axhspan(
            axes.get_ylim()[0],
            one.response.noise,
            color=HAIRLINE,
            alpha=0.5,
            linewidth=0,
            zorder=0,
            gid="noise",
        )
    axes.set_title("score over size", fontsize=8, color=MUTED, pad=3)


def _draw_roc(axes: "Axes", one: "Study", tall: float) -> None:
    axes.set_title("ROC", fontsize=8, color=MUTED, pad=3)
    axes.set_box_aspect(min(tall, 1.6))
    axes.set_xlim(-0.03, 1.03)
    axes.set_ylim(-0.03, 1.03)
    axes.set_xticks([0, 0.5, 1], ["0", "50", "100"])
    axes.set_yticks([0, 0.5, 1], ["0", "50", "100"])
    axes.set_xlabel("sound called, %", labelpad=2)
    axes.set_ylabel("defects called, %", labelpad=1)
    axes.plot([0, 1], [0, 1], color=HAIRLINE, linewidth=0.7)
    if one.roc is None:
        return
    axes.plot(one.roc.false_share, one.roc.true_share, color=ACCENT, linewidth=1.4, gid="roc")
    limits = [(1.0, "D", PAPER)]
    if one.better is not None and one.better.best != one.better.used:
        limits.append((one.better.best, "o", CRAYON))
    for limit, marker, inside in limits:
        at = int(np.searchsorted(-one.roc.threshold, -limit, "right")) - 1
        axes.scatter(
            one.roc.false_share[at], one.roc.true_share[at], s=16, marker=marker, facecolors=inside,
            edgecolors=CRAYON, linewidths=0.9, zorder=4, gid="limit in use" if limit == 1.0 else "best limit",
        )  # fmt: skip
    axes.text(0.97, 0.05, f"area {one.roc.area:.3f}", ha="right", fontsize=8, color=INK)
