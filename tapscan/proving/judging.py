"""Ready, not ready or cannot say: figures against the plan's limits, and against the earlier checks."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np

from tapscan.plan import SetupLimits
from tapscan.proving.figures.charts import prediction
from tapscan.proving.figures.comparisons import COMPARED, Compared
from tapscan.proving.figures.separation import LEAST_DAMAGED, LEAST_SOUND
from tapscan.proving.figures.shown import Figures

__all__ = ["Item", "Outcome", "judge", "overall"]

Outcome = Literal["ready", "not ready", "cannot say"]
NORMAL_95 = 1.96  # of a standard uncertainty: a two-sided 95 % interval
TAIL = 0.05  # one-sided


@dataclass(frozen=True, slots=True)
class Item:
    """One thing that was checked: what came out, what it had to be, and what to do about it.

    `low` and `high` are the limits used, None where there is none. `because` and `remedy` are empty where the
    outcome is ready, unless a change is shown that is too small to matter.
    """

    name: str
    outcome: Outcome
    value: float | None
    low: float | None
    high: float | None
    unit: str
    because: str = ""
    remedy: str = ""


def judge(
    figures: Figures,
    earlier: Sequence[Mapping[str, float]],
    limits: SetupLimits,
    assumed_m_s: float | None = None,
) -> tuple[Item, ...]:
    """Judge one method's figures.

    Parameters
    ----------
    figures
        What was measured.
    earlier
        Figures of the earlier checks of this piece that were not called not ready, in order of time.
    limits
        From the plan.
    assumed_m_s
        The velocity that the plan assumes; None when there is none to compare with.
    """
    items = [_coverage(figures)]
    if figures.sound < LEAST_SOUND or "level_db" not in figures.values:
        return tuple(items)
    items += _recorder(figures, earlier)
    items += _signal(figures, limits)
    items.append(_known_damage(figures, earlier, limits))
    if figures.method == "ascan":
        items += _velocity(figures, limits, assumed_m_s)
    compared = COMPARED[figures.method]
    rate = limits.false_alarm_rate / len(compared)
    items += [_unchanged(one, figures, earlier, limits, rate) for one in compared]
    return tuple(items)


def overall(items: Sequence[Item]) -> Outcome:
    """Say what all items together come to: one that failed decides, then one that cannot be judged."""
    outcomes = {item.outcome for item in items}
    if "not ready" in outcomes:
        return "not ready"
    return "cannot say" if "cannot say" in outcomes or not items else "ready"


def _item(
    name: str, value: float, limit: tuple[float | None, float | None], unit: str, words: tuple[str, str]
) -> Item:
    """Judge a plain value between limits."""
    low, high = limit
    is_good = (low is None or value >= low) and (high is None or value <= high)
    if is_good:
        return Item(name, "ready", value, low, high, unit)
    return Item(name, "not ready", value, low, high, unit, *words)


def _coverage(figures: Figures) -> Item:
    """Check that enough of the known points were read."""
    name, value, unit = "points that were read", float(figures.sound + figures.damaged), "points"
    if figures.sound >= LEAST_SOUND:
        return Item(name, "ready", value, float(LEAST_SOUND), None, unit)
    clipped = figures.values.get("clipped_share", 0.0) > 0 or figures.reasons.get("saturated", 0) > 0
    because = f"{figures.sound} sound points of the piece were read, {LEAST_SOUND} are needed"
    if figures.reasons:
        why = ", ".join(f"{count} {reason}" for reason, count in figures.reasons.items())
        because = f"{because} ({why})"
    remedy = "turn the gain down and take them again" if clipped else "read more points of the piece"
    unread = sum(count for reason, count in figures.reasons.items() if reason != "missing")
    outcome: Outcome = "not ready" if unread >= LEAST_SOUND else "cannot say"
    return Item(name, outcome, value, float(LEAST_SOUND), None, unit, because, remedy)


def _recorder(figures: Figures, earlier: Sequence[Mapping[str, float]]) -> list[Item]:
    """Check that the sampling rate is that of the last check."""
    rate_hz, before = figures.values["sample_rate_hz"], [one["sample_rate_hz"] for one in earlier]
    if not before:
        return []
    words = (
        f"it samples at {rate_hz:,.0f} Hz, in the check before at {before[-1]:,.0f} Hz",
        "set it as before; after a change on purpose, begin a new history with --anew",
    )
    # Time bases are compared to a millionth: that is rounding in a file.
    close = 1e-6 * before[-1]
    item = _item("sampling rate", rate_hz, (before[-1] - close, before[-1] + close), "Hz", words)
    return [replace(item, low=before[-1], high=before[-1])]


def _signal(figures: Figures, limits: SetupLimits) -> list[Item]:
    """Check noise and clipping."""
    values = figures.values
    if figures.method == "ascan":
        words = ("the echoes are too close to the noise", "raise the gain, couple better, check the cable")
        saturated = ("traces are saturated", "turn the gain down")
        return [
            _item(
                "front-surface echo over noise",
                values["snr_db"],
                (limits.least_ascan_snr_db, None),
                "dB",
                words,
            ),
            _item(
                "saturated traces", values["saturated_share"], (None, limits.most_clipped), "share", saturated
            ),
        ]
    clipped = ("taps run into the recorder's limit", "turn the gain down, or move the microphone away")
    items = [_item("clipped taps", values["clipped_share"], (None, limits.most_clipped), "share", clipped)]
    if "snr_db" not in values:
        because = "no recording holds enough quiet before its first tap to measure the room"
        remedy = "let each recording begin a tenth of a second before the first tap"
        return [
            *items,
            Item("taps over the room", "cannot say", None, limits.least_snr_db, None, "dB", because, remedy),
        ]
    noisy = ("the room is too loud for the taps", "quieten the room, or move the microphone closer")
    return [*items, _item("taps over the room", values["snr_db"], (limits.least_snr_db, None), "dB", noisy)]


def _known_damage(figures: Figures, earlier: Sequence[Mapping[str, float]], limits: SetupLimits) -> Item:
    """Check that a single reading of the known damage would be found more often than the plan asks.

    Where a check of a few points leaves that in doubt, the earlier checks of the piece count with it.
    """
    name, least = "known damage found by one point", limits.least_found
    apart = figures.separation
    if apart is None:
        because = f"{figures.damaged} points of known damage were read, {LEAST_DAMAGED} are needed"
        remedy = "read them, or make a piece with a larger patch"
        return Item(name, "cannot say", None, least, None, "probability", because, remedy)
    if apart.found_high < least:
        because = "the known damage does not differ enough from the known sound laminate"
        remedy = "check tapper, microphone or probe; no map made like this would show such damage"
        return Item(name, "not ready", apart.found, least, None, "probability", because, remedy)
    margins = [one["found_margin"] for one in earlier if "found_margin" in one]
    if apart.found_low >= least or _is_found(apart.margin, margins, limits):
        return Item(name, "ready", apart.found, least, None, "probability")
    because = f"how often it is found is not certain: {apart.found_low:.2f} to {apart.found_high:.2f}"
    remedy = "read more points of it, or check the piece again"
    return Item(name, "cannot say", apart.found, least, None, "probability", because, remedy)


def _is_found(margin: float, earlier: Sequence[float], limits: SetupLimits) -> bool:
    """Whether this check is as the earlier ones, and the mean of all shows the damage (one-sided 95 %)."""
    from scipy.stats import norm, t

    if len(earlier) < 2 or margin < prediction(earlier, limits.false_alarm_rate)[0]:
        return False
    every = np.array([*earlier, margin])
    doubt = t.ppf(0.95, every.size - 1) * every.std(ddof=1) / np.sqrt(every.size)
    return bool(every.mean() - doubt >= norm.ppf(limits.least_found))


def _velocity(figures: Figures, limits: SetupLimits, assumed_m_s: float | None) -> list[Item]:
    """Compare the assumed velocity and the zero of the time base with walls of known thickness.

    Where its 95 % uncertainty is smaller than the tolerance, the measured velocity decides as it is (simple
    acceptance, JCGM 106:2012, from memory): a right plan is then called wrong once in twenty at most.
    """
    values, share = figures.values, limits.velocity_tolerance
    items = []
    if assumed_m_s is not None and "velocity_m_s" in values:
        measured, doubt = values["velocity_m_s"], NORMAL_95 * values["velocity_sd_m_s"]
        low, high = assumed_m_s * (1 - share), assumed_m_s * (1 + share)
        off = f"measured {measured:.0f} ± {doubt:.0f} m/s, the plan says {assumed_m_s:.0f} m/s"
        name = "velocity"
        is_sure = measured + doubt < low or measured - doubt > high
        if is_sure or (doubt <= share * assumed_m_s and not low <= measured <= high):
            remedy = "correct velocity_m_s, or set use_measured_velocity = true; check the time base"
            items.append(Item(name, "not ready", measured, low, high, "m/s", off, remedy))
        elif doubt > share * assumed_m_s:
            remedy = "use a thicker piece, or measure its wall with a micrometer"
            items.append(Item(name, "cannot say", measured, low, high, "m/s", off, remedy))
        else:
            items.append(Item(name, "ready", measured, low, high, "m/s"))
    if "zero_us" in values:
        zero, doubt = values["zero_us"], NORMAL_95 * values["zero_sd_us"]
        most = share * values["tof_us"]
        words = (
            f"the time base begins {zero:.3f} µs off, by walls of two thicknesses",
            "set the delay so that the front-surface echo is at zero, and check the thicknesses",
        )
        near = zero if abs(zero) - doubt > most else 0.0
        item = _item("zero of the time base", near, (-most, most), "µs", words)
        items.append(replace(item, value=zero))
    return items


def _unchanged(
    one: Compared,
    figures: Figures,
    earlier: Sequence[Mapping[str, float]],
    limits: SetupLimits,
    rate: float,
) -> Item:
    """Check that a figure is as in the earlier checks.

    Ready when it is nearer to their mean than to the change that must not slip through, or within their
    prediction interval, but never so near to that change that it would slip through more than once in 20
    times. Not ready when it is outside all of this. What is neither leaves it open.
    """
    before = np.array([past[one.figure] for past in earlier if one.figure in past])
    value, name = figures.values[one.figure], f"{one.name}, as before"
    scaled = np.log(np.maximum(before, 1e-12)) if one.is_ratio else before
    now = np.log(max(value, 1e-12)) if one.is_ratio else value
    (low, high), (low_90, high_90) = prediction(scaled, rate), prediction(scaled, 2 * TAIL)
    if not np.isfinite(low):
        return Item(name, "cannot say", value, None, None, one.unit, *_short_history(before.size))
    centre, half, notice = (low + high) / 2, (high - low) / 2, one.notice(limits)
    limit = max(notice / 2, half)
    change, allowed = now - centre, min(limit, notice - (high_90 - low_90) / 2)
    ends = centre - limit, centre + limit
    shown = np.exp(ends) if one.is_ratio else ends
    item = Item(name, "ready", value, float(shown[0]), float(shown[1]), one.unit)
    because, remedy = one.lower if change < 0 else one.higher
    because = f"{because} {_change(one, change)}"
    if abs(change) > limit:
        return replace(item, outcome="not ready", because=because, remedy=remedy)
    if abs(change) > allowed:
        because, remedy = _short_history(before.size)
        return replace(item, outcome="cannot say", because=because, remedy=remedy)
    if abs(change) > half:
        return replace(item, because=f"{because}, less than would matter", remedy="watch it in the chart")
    return item


def _short_history(count: int) -> tuple[str, str]:
    word = "check" if count == 1 else "checks"
    return (
        f"how much this varies from check to check is not known yet ({count} earlier {word})",
        "check the piece again, with tapper, microphone or probe put down and set up anew in between",
    )


def _change(one: Compared, change: float) -> str:
    if one.is_ratio:
        return f"({100 * np.expm1(change):+.0f} %)"
    return f"({change:+.2f} octaves)" if one.unit == "octaves" else f"({change:+.1f} dB)"
