"""Samples counted against the clock: a stream may lose some without saying so."""

from dataclasses import dataclass, replace

__all__ = ["Count", "count_block"]

SPAN_S = 5.0  # how often the books are made up
LOST_SHARE = 0.005  # a sound card's clock is off by far less than this


@dataclass(frozen=True, slots=True)
class Count:
    """How far a stream lags behind the clock.

    `least_lag_s` is the least lag of the present span: a late block lags for a moment, a lost one for good.
    `settled_lag_s` is that of the span before, None in the first one.
    """

    sample_rate_hz: float
    began_s: float
    samples: int = 0
    span_began_s: float = 0.0
    least_lag_s: float = float("inf")
    settled_lag_s: float | None = None


def count_block(count: Count, samples: int, now_s: float) -> tuple[Count, float]:
    """Count a block that has just come, and give the share of samples that was lost lately, mostly 0.

    Parameters
    ----------
    count
        The books so far; begin with ``Count(sample_rate_hz, began_s=now_s)`` before the first block.
    samples
        How many samples the block has.
    now_s
        The time at which it came, on a clock that is never set.

    Examples
    --------
    >>> count, lost = Count(48_000.0, began_s=0.0), []
    >>> for second in range(1, 31):
    ...     given = 48_000 if second < 15 else 40_000
    ...     count, share = count_block(count, given, float(second))
    ...     lost.append(round(share, 2))
    >>> max(lost[:14]), max(lost[20:])
    (0.0, 0.17)
    """
    total = count.samples + samples
    lag_s = now_s - count.began_s - total / count.sample_rate_hz
    count = replace(count, samples=total, least_lag_s=min(count.least_lag_s, lag_s))
    elapsed_s = now_s - count.began_s - count.span_began_s
    if elapsed_s < SPAN_S:
        return count, 0.0
    before_s = count.least_lag_s if count.settled_lag_s is None else count.settled_lag_s
    share = (count.least_lag_s - before_s) / elapsed_s
    count = replace(
        count,
        span_began_s=now_s - count.began_s,
        settled_lag_s=count.least_lag_s,
        least_lag_s=float("inf"),
    )
    return count, share if share > LOST_SHARE else 0.0
