"""Repeatability and reproducibility: how much of a score is the part, the strike and the person."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

__all__ = ["AnovaRow", "Component", "GaugeStudy", "gauge_study"]

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class AnovaRow:
    """One source of a two-way analysis of variance; `f_ratio` and `p_value` are NaN where none is tested."""

    source: str
    freedoms: int
    sum_squares: float
    mean_square: float
    f_ratio: float = float("nan")
    p_value: float = float("nan")


@dataclass(frozen=True, slots=True)
class Component:
    """A variance component with its interval, none of them below 0."""

    name: str
    variance: float
    low: float
    high: float


@dataclass(frozen=True, slots=True)
class GaugeStudy:
    """The table, and what it says: `repeatability`, `operator`, `interaction`, `gauge` (these three), `part`.

    `is_pooled` when the interaction was smaller than the scatter of repeats and was counted with it.
    """

    table: tuple[AnovaRow, ...]
    components: tuple[Component, ...]
    is_pooled: bool

    def component(self, name: str) -> Component:
        """Return the component of this name."""
        return next(one for one in self.components if one.name == name)

    def share(self, name: str) -> float:
        """Return the component's share of the total variance (NaN when nothing varies)."""
        total = self.component("gauge").variance + self.component("part").variance
        return self.component(name).variance / total if total > 0 else float("nan")


def gauge_study(scores: ArrayLike, level: float = 0.95) -> GaugeStudy:
    """Part scores into part, operator, both together, and repeats, all of them random.

    Two-way analysis of variance with interaction, by expected mean squares; an interaction below the scatter
    of repeats is pooled with it. Intervals: chi-squared for repeats, Graybill & Wang (J. Amer. Stat. Assoc.
    75, 1980) for the gauge, Ting et al. (J. Stat. Comput. Simul. 35, 1990) for differences of mean squares;
    collected by Burdick, Borror & Montgomery, *Design and Analysis of Gauge R&R Studies* (all from memory).

    Parameters
    ----------
    scores
        Shape (parts, operators, trials), two of each at least, all finite.
    level
        Of the intervals, two-sided.

    Raises
    ------
    ValueError
        When the shape is another, or a score is not finite.

    Examples
    --------
    >>> study = gauge_study([[[1.0, 1.2], [1.1, 1.3]], [[3.0, 3.2], [3.1, 3.3]], [[5.0, 5.2], [5.1, 5.3]]])
    >>> round(study.component("repeatability").variance, 4), round(study.share("part"), 3)
    (0.015, 0.996)
    """
    values = np.asarray(scores, dtype=np.float64)
    if values.ndim != 3 or min(values.shape) < 2 or not np.isfinite(values).all():
        msg = f"scores must be finite, of shape (parts, operators, trials), two of each, not {values.shape}"
        raise ValueError(msg)
    part, operator, both, repeats = _sums(values)
    is_pooled = both.mean_square <= repeats.mean_square
    error = repeats
    if is_pooled:
        freedoms, total = both.freedoms + repeats.freedoms, both.sum_squares + repeats.sum_squares
        error = AnovaRow("repeats, pooled", freedoms, total, total / freedoms)
    against = error if is_pooled else both
    table = [_tested(part, against), _tested(operator, against), _tested(both, repeats), repeats]
    interaction = _difference("interaction", both, repeats, values.shape[2], (1 - level) / 2)
    components = _components((part, operator, against, error), interaction, values.shape, (1 - level) / 2)
    return GaugeStudy((*table, error) if is_pooled else tuple(table), components, is_pooled)


def _sums(values: Floats) -> tuple[AnovaRow, AnovaRow, AnovaRow, AnovaRow]:
    parts, operators, trials = values.shape
    mean, cell = values.mean(), values.mean(axis=2)
    by_part, by_operator = values.mean(axis=(1, 2)), values.mean(axis=(0, 2))
    crossed = cell - by_part[:, None] - by_operator[None] + mean
    sums = (
        ("part", parts - 1, operators * trials * ((by_part - mean) ** 2).sum()),
        ("operator", operators - 1, parts * trials * ((by_operator - mean) ** 2).sum()),
        ("part and operator", (parts - 1) * (operators - 1), trials * (crossed**2).sum()),
        ("repeats", parts * operators * (trials - 1), ((values - cell[..., None]) ** 2).sum()),
    )
    first, second, third, fourth = (AnovaRow(name, df, float(ss), float(ss) / df) for name, df, ss in sums)
    return first, second, third, fourth


def _tested(row: AnovaRow, against: AnovaRow) -> AnovaRow:
    from scipy.stats import f

    if against.mean_square <= 0:
        return row
    ratio = row.mean_square / against.mean_square
    chance = float(f.sf(ratio, row.freedoms, against.freedoms))
    return AnovaRow(row.source, row.freedoms, row.sum_squares, row.mean_square, ratio, chance)


def _components(
    rows: tuple[AnovaRow, AnovaRow, AnovaRow, AnovaRow],
    interaction: Component,
    shape: tuple[int, ...],
    tail: float,
) -> tuple[Component, ...]:
    """Turn the mean squares of part, operator, what these are tested against, and error into components."""
    part, operator, against, error = rows
    parts, operators, trials = shape
    repeatability = _sum("repeatability", [(1.0, error)], tail)
    weights = [(1 / (parts * trials), operator), ((1 - 1 / parts) / trials, against), (1 - 1 / trials, error)]
    if against is error:
        weights = [(1 / (parts * trials), operator), (1 - 1 / (parts * trials), error)]
    gauge = _sum("gauge", weights, tail)
    if operator.mean_square < against.mean_square:  # an operator's variance below 0 is 0
        variance = repeatability.variance + interaction.variance
        gauge = Component("gauge", variance, min(gauge.low, variance), max(gauge.high, variance))
    return (
        repeatability,
        _difference("operator", operator, against, parts * trials, tail),
        interaction,
        gauge,
        _difference("part", part, against, operators * trials, tail),
    )


def _sum(name: str, weighted: list[tuple[float, AnovaRow]], tail: float) -> Component:
    """Interval of a sum of mean squares: Graybill & Wang; of one alone it is exact."""
    from scipy.stats import chi2

    estimate = sum(weight * row.mean_square for weight, row in weighted)
    below = above = 0.0
    for weight, row in weighted:
        size = (weight * row.mean_square) ** 2
        below += (1 - row.freedoms / chi2.ppf(1 - tail, row.freedoms)) ** 2 * size
        above += (row.freedoms / chi2.ppf(tail, row.freedoms) - 1) ** 2 * size
    return Component(name, estimate, max(float(estimate - below**0.5), 0.0), float(estimate + above**0.5))


def _difference(name: str, more: AnovaRow, less: AnovaRow, times: int, tail: float) -> Component:
    """Interval of (more − less)/times: Ting and others."""
    from scipy.stats import chi2, f

    n1, n2, s1, s2 = more.freedoms, less.freedoms, more.mean_square, less.mean_square
    g1, g2 = (1 - n / chi2.ppf(1 - tail, n) for n in (n1, n2))
    h1, h2 = (n / chi2.ppf(tail, n) - 1 for n in (n1, n2))
    upper, lower = f.ppf(1 - tail, n1, n2), f.ppf(tail, n1, n2)
    g12 = ((upper - 1) ** 2 - g1**2 * upper**2 - h2**2) / upper
    h12 = ((1 - lower) ** 2 - h1**2 * lower**2 - g2**2) / lower
    below = g1**2 * s1**2 + h2**2 * s2**2 + g12 * s1 * s2
    above = h1**2 * s1**2 + g2**2 * s2**2 + h12 * s1 * s2
    low, high = (s1 - s2 - max(below, 0.0) ** 0.5) / times, (s1 - s2 + max(above, 0.0) ** 0.5) / times
    return Component(name, max((s1 - s2) / times, 0.0), max(float(low), 0.0), max(float(high), 0.0))
