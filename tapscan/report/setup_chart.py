"""The history of a known piece as control charts, one for each figure, so that a slow change shows."""

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from tapscan.proving.charts import individuals_chart
from tapscan.proving.checks import Check, comparable
from tapscan.proving.comparisons import COMPARED
from tapscan.records.writing import write_bytes
from tapscan.report.figures import drawing, new_figure, png_bytes
from tapscan.report.palette import CRAYON, INK, MUTED

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

    from tapscan.screening.results import Method

__all__ = ["draw_chart", "write_charts"]

LEAST = 3  # values: of fewer the moving range says nothing
ROW_IN = 1.3


def write_charts(check: Check, earlier: Sequence[Check], folder: Path) -> list[Path]:
    """Draw ``chart_tap.png`` and ``chart_ascan.png`` into a check's folder, where there is history enough."""
    written = []
    with drawing():
        for one in check.judged:
            method = one.figures.method
            past = [] if check.about.is_anew else comparable(earlier, check.mark, method)
            series = [*(judged.figures.values for judged in past), one.figures.values]
            if len(series) >= LEAST and "level_db" in one.figures.values:
                path = folder / f"chart_{method}.png"
                write_bytes(path, png_bytes(draw_chart(method, series)))
                written.append(path)
    return written


def draw_chart(method: "Method", series: "Sequence[object]") -> "Figure":
    """Draw one chart of individuals for each figure that checks compare, the newest check last.

    Limits are Shewhart's, from the moving ranges of all checks but the newest.
    """
    compared = COMPARED[method]
    figure = new_figure(0.5 + ROW_IN * len(compared))
    axes = figure.subplots(len(compared), 1, sharex=True)
    for one, panel in zip(compared, axes, strict=True):
        values = np.array([dict(each).get(one.figure, np.nan) for each in series])  # type: ignore[call-overload]
        _draw(panel, values)
        unit = one.figure.rpartition("_")[2].replace("mhz", "MHz").replace("db", "dB").replace("us", "µs")
        panel.set_title(f"{one.name}, {unit}", loc="left", fontsize=8)
    axes[-1].set_xlabel(
        "checks of this piece that were not called not ready, in order of time; the newest last"
    )
    figure.subplots_adjust(left=0.1, right=0.86, top=0.95, bottom=0.1, hspace=0.55)
    return figure


def _draw(panel: "Axes", values: "np.ndarray[tuple[int], np.dtype[np.float64]]") -> None:
    known = values[np.isfinite(values)]
    number = np.arange(1, values.size + 1)
    panel.plot(number, values, marker="o", markersize=3, linewidth=0.8, color=INK)
    panel.plot(
        number[-1:], values[-1:], marker="o", markersize=6, fillstyle="none", color=CRAYON, gid="newest"
    )
    if known.size < LEAST:
        return
    chart = individuals_chart(known[:-1])
    for level, style, text in (
        (chart.centre, "-", "mean"),
        (chart.low, "--", "lower limit"),
        (chart.high, "--", "upper limit"),
    ):
        panel.axhline(level, linestyle=style, linewidth=0.8, color=MUTED, gid=text)
        panel.annotate(
            text, (1.01, level), xycoords=("axes fraction", "data"), fontsize=6, va="center", color=MUTED
        )
    if individuals_chart(known).is_drifting:
        panel.annotate(
            "eight in a row on one side: it drifts",
            (0.5, 1.02),
            xycoords="axes fraction",
            fontsize=7,
            color=CRAYON,
        )
    panel.set_xticks(number)
