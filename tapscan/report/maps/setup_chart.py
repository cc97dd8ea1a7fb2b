"""A check of the setup judged, kept and drawn: its history as control charts, so that a slow change shows."""

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from tapscan.proving.checks import About, Check, check_setup, comparable
from tapscan.proving.figures.charts import individuals_chart
from tapscan.proving.figures.comparisons import COMPARED
from tapscan.proving.keeping import all_checks, keep
from tapscan.records.inspection import Inspection, open_inspection
from tapscan.records.writing import write_bytes
from tapscan.report.maps.figures import drawing, new_figure, png_bytes
from tapscan.report.maps.palette import CRAYON, INK, MUTED

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

    from tapscan.screening.results import Method

__all__ = ["chart_name", "chart_png", "conclude_check", "draw_chart", "has_chart", "write_charts"]

LEAST = 3  # values: of fewer the moving range says nothing
ROW_IN = 1.3


def chart_name(method: str) -> str:
    """Name the file of a method's chart in a check's folder."""
    return f"chart_{method}.png"


def conclude_check(part: Inspection, piece: Path, place: Path, about: About, warnings: list[str]) -> Check:
    """Judge what was taken into a check's folder, keep it there and in the piece's history, draw its charts.

    Parameters
    ----------
    part
        The inspection that the setup is for.
    piece, place
        Folders of the known piece and of the check.
    about
        When and by whom.
    warnings
        A sentence is added for what cannot be read or written beside it.

    Raises
    ------
    TapscanError
        When nothing was taken that can be judged.
    """
    earlier = all_checks(part.folder, piece, warnings)
    check = check_setup(open_inspection(place), part.plan, earlier, about)
    keep(check, place, piece, warnings)
    write_charts(check, earlier, place)
    return check


def write_charts(check: Check, earlier: Sequence[Check], folder: Path) -> list[Path]:
    """Draw ``chart_tap.png`` and ``chart_ascan.png`` into a check's folder, where there is history enough."""
    written = []
    for one in check.judged:
        content = chart_png(check, earlier, one.figures.method)
        if content is not None:
            written.append(folder / chart_name(one.figures.method))
            write_bytes(written[-1], content)
    return written


def chart_png(check: Check, earlier: Sequence[Check], method: "Method") -> bytes | None:
    """Draw one method's chart of a check as PNG; None where the history is too short."""
    series = _series(check, earlier, method)
    if len(series) < LEAST:
        return None
    with drawing():
        return png_bytes(draw_chart(method, series))


def has_chart(check: Check, earlier: Sequence[Check], method: "Method") -> bool:
    """Whether `chart_png` draws anything."""
    return len(_series(check, earlier, method)) >= LEAST


def _series(check: Check, earlier: Sequence[Check], method: "Method") -> list[object]:
    judged = check.of(method)
    if judged is None or "level_db" not in judged.figures.values:
        return []
    before = [one for one in earlier if one.about.time < check.about.time]
    past = [] if check.about.is_anew else comparable(before, check.mark, method)
    return [*(one.figures.values for one in past), judged.figures.values]


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
