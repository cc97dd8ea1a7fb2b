"""What earlier checks say of the next one: prediction intervals, and Shewhart's chart of individuals."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

__all__ = ["IndividualsChart", "individuals_chart", "prediction"]

Floats = NDArray[np.float64]

# Mean range of two normal values over their standard deviation, 2/√π, as the handbook tabulates it.
D2 = 1.128
RUN = 8  # values in a row on one side of the centre: one chance in 128 (Western Electric, fourth rule)


@dataclass(frozen=True, slots=True, eq=False)
class IndividualsChart:
    """Shewhart's chart of single values with its limits; `beyond` and `is_drifting` are what it shows.

    Shapes: `values` and `beyond` (n,).
    """

    values: Floats
    centre: float
    low: float
    high: float
    moving_range: float
    beyond: NDArray[np.bool_]
    is_drifting: bool


def individuals_chart(values: ArrayLike) -> IndividualsChart:
    """Chart single values in order of time: centre line, and limits from their mean moving range.

    Centre ± 3·(mean moving range)/1.128 (NIST/SEMATECH e-Handbook of Statistical Methods, section 6.3.2.2).
    The values drift when the last eight are on one side of the centre.

    Parameters
    ----------
    values
        Shape (n,), two at least.

    Raises
    ------
    ValueError
        When there are fewer than two values.

    Examples
    --------
    >>> chart = individuals_chart([49.6, 47.6, 49.9, 51.3, 47.8, 51.2, 52.6, 52.4, 53.6, 52.1])
    >>> round(chart.low, 4), round(chart.centre, 2), round(chart.high, 4)
    (45.8159, 50.81, 55.8041)
    """
    series = np.asarray(values, dtype=np.float64)
    if series.ndim != 1 or series.size < 2:
        msg = f"values must have shape (n,), two at least, not {series.shape}"
        raise ValueError(msg)
    centre, moving = float(series.mean()), float(np.abs(np.diff(series)).mean())
    low, high = centre - 3 * moving / D2, centre + 3 * moving / D2
    side = np.sign(series[-RUN:] - centre)
    is_drifting = side.size == RUN and bool(abs(side.sum()) == RUN)
    return IndividualsChart(series, centre, low, high, moving, (series < low) | (series > high), is_drifting)


def prediction(earlier: ArrayLike, rate: float) -> tuple[float, float]:
    """Give the interval in which the next value falls but for a share `rate` of times.

    Mean ± t·s·√(1 + 1/n) with n − 1 degrees of freedom, for normal values (Hahn & Meeker, *Statistical
    Intervals*, from memory). Without two earlier values it is endless.

    Examples
    --------
    >>> low, high = prediction([10.0, 11.0, 12.0], 0.05)
    >>> round(low, 2), round(high, 2)
    (6.03, 15.97)
    """
    from scipy.stats import t

    series = np.asarray(earlier, dtype=np.float64)
    if series.size < 2:
        return -np.inf, np.inf
    half = float(t.ppf(1 - rate / 2, series.size - 1) * series.std(ddof=1) * np.sqrt(1 + 1 / series.size))
    return float(series.mean()) - half, float(series.mean()) + half
