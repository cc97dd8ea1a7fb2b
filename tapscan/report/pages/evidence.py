"""The evidence behind an indication: the reading at its strongest point beside the baseline there."""

from typing import TYPE_CHECKING, Any

import numpy as np

from tapscan.plan.points import parse_point
from tapscan.report.maps.figures import bare, new_figure
from tapscan.report.maps.palette import ACCENT, CRAYON, HAIRLINE, INK, MUTED, PAPER, colour_map
from tapscan.report.words import mm_text, short_id
from tapscan.screening.results import TapEvidence

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure
    from numpy.typing import NDArray

    from tapscan.plan.zones import Zone
    from tapscan.screening.results import AScanEvidence, Indication, Screened, TwinEvidence

__all__ = ["decided_by", "draw_ascan", "draw_evidence", "draw_spectrum", "window_us"]

_MOST_SPREADS = 10.0  # beyond, the line leaves the picture: that it is far out is all that counts


def draw_evidence(screened: "Screened", indication: "Indication") -> "Figure | None":
    """Draw the evidence for an indication; None when the zone holds no reading at its strongest point."""
    point = parse_point(indication.peak_point)
    if point is None:
        return None
    at = (point.station - 1, point.position - 1)
    if isinstance(screened.evidence, TapEvidence):
        if not np.isfinite(screened.evidence.spectrum_db[at]).any():
            return None
        return draw_spectrum(screened.evidence, indication, at)
    if not np.isfinite(screened.evidence.traces[at]).any():
        return None
    return draw_ascan(screened.evidence, screened.zone, indication, at)


def draw_spectrum(evidence: TapEvidence, indication: "Indication", at: tuple[int, int]) -> "Figure":
    """Draw the spectrum of one point's taps over the baseline's; below, the distance in standard deviations.

    The spread is the standard deviation of sound readings about the baseline. Where a twin
    decided, it is the twin that lets expect, and its own spectrum is drawn as well.
    """
    figure = new_figure(2.95)
    upper = figure.add_axes((0.085, 0.475, 0.895, 0.42))
    lower = figure.add_axes((0.085, 0.145, 0.895, 0.265), sharex=upper)
    band_hz, twin = evidence.band_hz, decided_by(evidence, at)
    expected, spread_db = (twin or evidence).expected_db[at], (twin or evidence).spread_db[at]
    what = "sound, " if twin is None else ""  # there is no room for more beside the twin
    for times, shade in ((2, 0.16), (1, 0.30)):
        reach = times * spread_db
        look: dict[str, Any] = {"color": ACCENT, "alpha": shade, "linewidth": 0}
        label = f"{what}± {times} standard dev."
        upper.fill_between(
            band_hz, expected - reach, expected + reach, label=label, gid=f"spread {times}", **look
        )
        lower.axhspan(-times, times, **look)
    label = "expected here" if twin is None else "expected from the twin"
    upper.plot(band_hz, expected, color=ACCENT, linewidth=1.2, dashes=(4, 2), label=label, gid="expected")
    if twin is not None:
        upper.plot(
            band_hz,
            twin.spectrum_db[at],
            color=INK,
            linewidth=0.9,
            dashes=(1, 1.5),
            label="the twin",
            gid="twin",
        )
    label = f"{indication.peak_point}, strongest in {short_id(indication)}"
    reading = evidence.spectrum_db[at]
    upper.plot(band_hz, reading, color=CRAYON, linewidth=1.6, label=label, gid="reading")
    known = spread_db > 0
    away = np.full(band_hz.shape, np.nan)
    away[known] = (reading[known] - expected[known]) / spread_db[known]
    lower.plot(band_hz, away, color=CRAYON, linewidth=1.6, gid="away")
    most = float(np.abs(away[np.isfinite(away)]).max(initial=3.0))
    limit = min(1.1 * most, _MOST_SPREADS)
    lower.set_ylim(-limit, limit)
    names = ("level in band, dB\nagainst the tap", "standard dev.\nfrom baseline")
    for axes, name in zip((upper, lower), names, strict=True):
        axes.set_ylabel(name)
        axes.yaxis.set_label_coords(-0.052, 0.5)
    _label_frequency(upper, lower, band_hz)
    handles, labels = upper.get_legend_handles_labels()
    figure.legend(
        handles[::-1],
        labels[::-1],
        loc="upper right",
        ncols=5,
        columnspacing=1.2,
        frameon=False,
        bbox_to_anchor=(0.99, 1.01),
    )
    return figure


def decided_by(evidence: TapEvidence, at: tuple[int, int]) -> "TwinEvidence | None":
    """Return the twin that decided at a point; None where the zone's own baseline did."""
    twin = evidence.twin
    return twin if twin is not None and bool(twin.decided[at]) else None


def _label_frequency(upper: "Axes", lower: "Axes", band_hz: "NDArray[np.float64]") -> None:
    """Write round frequencies in kHz below the lower of two axes that share them."""
    from matplotlib.ticker import FuncFormatter, NullFormatter

    upper.set_xscale("log")
    upper.set_xlim(band_hz[0], band_hz[-1])
    decades = (100, 200, 500, 1000, 2000, 5000, 10_000, 20_000)
    lower.set_xticks([hz for hz in decades if band_hz[0] <= hz <= band_hz[-1]])
    lower.xaxis.set_major_formatter(FuncFormatter(lambda hz, _: f"{hz / 1000:g}"))
    lower.xaxis.set_minor_formatter(NullFormatter())
    lower.set_xlabel("frequency, kHz", labelpad=2)
    upper.tick_params(labelbottom=False)
    for axes in (upper, lower):
        axes.grid(visible=True)
        bare(axes)


def draw_ascan(
    evidence: "AScanEvidence", zone: "Zone", indication: "Indication", at: tuple[int, int]
) -> "Figure":
    """Draw one point's A-scan with its echoes over a typical sound trace; below it the B-scan through it."""
    figure = new_figure(4.5)
    window = window_us(evidence, at)
    _draw_trace(figure.add_axes((0.085, 0.565, 0.895, 0.315)), evidence, zone, indication, at, window)
    _draw_bscan(figure.add_axes((0.085, 0.085, 0.845, 0.33)), evidence, zone, at, window)
    return figure


def window_us(evidence: "AScanEvidence", at: tuple[int, int]) -> tuple[float, float]:
    """Show from a little before the front surface to a little past the back wall; else the whole trace."""
    end = (evidence.traces.shape[-1] - 1) / evidence.sample_rate_hz * 1e6
    front = float(evidence.front_us[at])
    walls = evidence.backwall_us[np.isfinite(evidence.backwall_us)]
    wall = float(evidence.backwall_us[at])
    last = wall if np.isfinite(wall) else float(np.median(walls)) if walls.size else np.nan
    if not (np.isfinite(front) and last > front):
        return 0.0, end
    span = last - front
    return max(0.0, front - 0.35 * span), min(end, last + 0.6 * span)


def _draw_trace(
    axes: "Axes",
    evidence: "AScanEvidence",
    zone: "Zone",
    indication: "Indication",
    at: tuple[int, int],
    window: tuple[float, float],
) -> None:
    trace = np.asarray(evidence.traces[at], dtype=float)
    time_us = np.arange(trace.size) / evidence.sample_rate_hz * 1e6
    axes.plot(time_us, evidence.typical_trace, color=ACCENT, linewidth=1.0, alpha=0.75, gid="typical")
    axes.plot(time_us, trace, color=CRAYON, linewidth=1.3, gid="reading")
    axes.set_xlim(*window)
    seen = np.isfinite(trace) & (time_us >= window[0]) & (time_us <= window[1])
    reach = float(max(np.abs(trace[seen]).max(initial=0.0), _largest(evidence.typical_trace[seen]))) or 1.0
    axes.set_ylim(-1.1 * reach, 1.75 * reach)
    marks = (
        ("front surface", evidence.front_us[at]),
        ("echo", evidence.echo_us[at]),
        ("back wall", evidence.backwall_us[at]),
    )
    for row, (name, when_us) in enumerate(marks):
        if np.isfinite(when_us):
            _mark(axes, float(when_us), name, 1.62 - 0.24 * (row % 2))
    if not np.isfinite(evidence.backwall_us[at]):
        axes.text(
            0.995,
            0.94,
            "no back-wall echo found",
            transform=axes.transAxes,
            ha="right",
            va="top",
            color=MUTED,
        )
    axes.text(
        0.0,
        1.31,
        f"A-scan at {indication.peak_point}",
        transform=axes.transAxes,
        fontweight="bold",
        fontsize=8,
    )
    axes.text(0.62, 1.31, "this point", transform=axes.transAxes, color=CRAYON, fontweight="bold")
    axes.text(0.74, 1.31, "a typical sound trace", transform=axes.transAxes, color=ACCENT, fontweight="bold")
    axes.set_xlabel("time, µs", labelpad=1)
    axes.set_ylabel("amplitude", labelpad=2)
    axes.axhline(0, color=HAIRLINE, linewidth=0.5, zorder=0)
    bare(axes)
    _add_depth_axis(axes, zone, float(evidence.front_us[at]), along="x")


def _largest(trace: "NDArray[np.float64]") -> float:
    finite = trace[np.isfinite(trace)]
    return float(np.abs(finite).max(initial=0.0))


def _mark(axes: "Axes", when_us: float, name: str, height: float) -> None:
    """Mark an echo by a line, its name and its time."""
    top = axes.get_ylim()[1] / 1.75
    axes.plot(
        [when_us, when_us],
        [-1.1 * top, height * top],
        color=INK,
        linewidth=0.8,
        dashes=(2, 2),
        gid=f"mark {name}",
    )
    axes.annotate(
        f"{name}, {when_us:.2f} µs",
        (when_us, height * top),
        xytext=(2.5, 0),
        textcoords="offset points",
        va="center",
        fontsize=8,
        bbox={"boxstyle": "square,pad=0.1", "facecolor": PAPER, "edgecolor": "none"},
    )


def _add_depth_axis(axes: "Axes", zone: "Zone", front_us: float, along: str) -> None:
    """Write depth beside time, where the plan gives the velocity: half the way, there and back."""
    velocity = zone.laminate.velocity_m_s
    if velocity is None or not np.isfinite(front_us):
        return
    mm_per_us = velocity / 2000.0
    both = (lambda us: (us - front_us) * mm_per_us, lambda mm: mm / mm_per_us + front_us)
    if along == "x":
        beside = axes.secondary_xaxis("top", functions=both)
        beside.set_xlabel("depth below the front surface, mm", labelpad=2, color=MUTED)
    else:
        beside = axes.secondary_yaxis("right", functions=both)
        beside.set_ylabel("depth, mm", labelpad=3, color=MUTED)
    beside.tick_params(length=2, pad=1, labelsize=8, labelcolor=MUTED)


def _draw_bscan(
    axes: "Axes", evidence: "AScanEvidence", zone: "Zone", at: tuple[int, int], window: tuple[float, float]
) -> None:
    """Draw the section along the stations at this position: strong signal dark, time downward."""
    per_us = evidence.sample_rate_hz * 1e-6
    first, last = int(window[0] * per_us), int(np.ceil(window[1] * per_us)) + 1
    section = np.abs(np.asarray(evidence.traces[:, at[1], first:last], dtype=float))
    reach = float(np.nanquantile(section, 0.995)) if np.isfinite(section).any() else 1.0
    pitch = zone.station_pitch_mm
    axes.imshow(
        np.ma.masked_invalid(section.T),
        extent=(0, zone.stations * pitch, (first + section.shape[1] - 0.5) / per_us, (first - 0.5) / per_us),
        aspect="auto",
        interpolation="nearest",
        cmap=colour_map("score"),
        vmin=0,
        vmax=reach or 1.0,
        gid="section",
    )
    here = (at[0] + 0.5) * pitch
    axes.axvline(here, color=CRAYON, linewidth=1.0, dashes=(4, 2), gid="here")
    axes.set_ylim(window[1], window[0])
    axes.set_xlabel(f"x along the part, mm (the A-scan above is at x = {mm_text(here)} mm)", labelpad=1)
    axes.set_ylabel("time, µs", labelpad=2)
    axes.set_title(
        f"B-scan along position {at[1] + 1:02d}, strong signal dark",
        loc="left",
        fontweight="bold",
        fontsize=8,
    )
    axes.tick_params(length=2, pad=1)
    _add_depth_axis(axes, zone, float(evidence.front_us[at]), along="y")
