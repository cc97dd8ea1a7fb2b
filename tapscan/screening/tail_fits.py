"""Beta-prime laws fitted to values seen up to a limit: the best shape and scale for each of several tails.

Maximum likelihood by Newton's method, all tails at once. Each tail's step is bounded by a radius of its own
that shrinks when a step does not help (a trust region: Nocedal & Wright, Numerical Optimization, 2006,
ch. 4, from memory).
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

__all__ = ["TailFits", "fit_tails"]

Floats = NDArray[np.float64]

# Squared distances of readings with two hundred independent features would be so narrow; none are.
SHAPE_RANGE = (0.05, 1e2)
LOG_SCALE_RANGE = (-690.0, 690.0)
MAX_STEPS = 200
# In log shape and log scale.
FIRST_RADIUS = 1.0
# In cost per reading: when a step promises less, it is the last.
LEAST_GAIN = 1e-8
# Share of the larger curvature that the smaller one has at least, or a flat valley has no step.
LEAST_CURVE = 1e-9
# Share of the shape by which the incomplete beta function is moved to tell its derivatives.
DIFFERENCE = 1e-3


@dataclass(frozen=True, slots=True, eq=False)
class TailFits:
    """Each tail's best log shape and log scale, (2, tails), and the cost per reading, (tails,)."""

    parameters: Floats
    cost: Floats


@dataclass(frozen=True, slots=True, eq=False)
class _Slopes:
    """Cost, (tails,), its gradient, (2, tails), and its curvature, (2, 2, tails)."""

    cost: Floats
    gradient: Floats
    curvature: Floats

    def chosen(self, better: NDArray[np.bool_], other: "_Slopes") -> "_Slopes":
        return _Slopes(
            np.where(better, other.cost, self.cost),
            np.where(better, other.gradient, self.gradient),
            np.where(better, other.curvature, self.curvature),
        )


def fit_tails(values: Floats, limit: float, tails: Floats, start: Floats) -> TailFits:
    """Fit each tail's shape and scale to values, (n,), positive, of which none above `limit` was seen.

    `start` holds log shape and log scale to begin from, (2, tails).

    Examples
    --------
    >>> draws = np.random.default_rng(1).chisquare(6, size=5000)
    >>> fits = fit_tails(draws[draws < 8], 8.0, np.array([1e4]), np.zeros((2, 1)))
    >>> bool(abs(np.exp(fits.parameters) - [[3], [2]]).max() < 0.3)  # a gamma law of shape 3 and scale 2
    True
    """
    low, high = (np.array(edges)[:, None] for edges in zip(np.log(SHAPE_RANGE), LOG_SCALE_RANGE, strict=True))
    at = np.clip(start, low, high)
    here = _slopes(values, limit, tails, at)
    radius = np.full(len(tails), FIRST_RADIUS)
    for _ in range(MAX_STEPS):
        # A parameter that is held at its bound takes no part in the step.
        held = ((at <= low) & (here.gradient > 0)) | ((at >= high) & (here.gradient < 0))
        newton = _newton_step(here, held)
        length = np.abs(newton).max(axis=0)
        step = np.clip(at + newton * np.minimum(1.0, radius / np.maximum(length, 1e-300)), low, high) - at
        # So near, Newton's step leads to the bottom, and the cost there need not be asked.
        if (np.abs(np.sum(here.gradient * step, axis=0)) < LEAST_GAIN).all():
            return TailFits(at + step, here.cost)
        there = _slopes(values, limit, tails, at + step)
        better = there.cost <= here.cost
        length = np.abs(step).max(axis=0)
        at, here = np.where(better, at + step, at), here.chosen(better, there)
        radius = np.where(better, np.maximum(radius, 2 * length), length / 4)
    return TailFits(at, here.cost)


def _newton_step(here: _Slopes, held: NDArray[np.bool_]) -> Floats:
    """Newton's step, (2, tails), always downhill: by the curvature's absolute value.

    Of a symmetric 2 × 2 matrix H that is (H² + |det H|) / (|λ₁| + |λ₂|), by Cayley and Hamilton; where H is
    definite it is H or -H.
    """
    gradient = np.where(held, 0.0, here.gradient)
    # What is held is given a curvature of its own, and no slope.
    free = ~(held[:, None] | held[None])
    (a, b), (_, d) = np.where(free, here.curvature, np.eye(2)[:, :, None])
    det = np.abs(a * d - b * b)
    sizes = np.sqrt(a * a + 2 * b * b + d * d + 2 * det) + 1e-300  # |λ₁| + |λ₂|
    least = LEAST_CURVE * (1 + sizes)
    a, b, d = (
        (a * a + b * b + det) / sizes + least,
        b * (a + d) / sizes,
        (b * b + d * d + det) / sizes + least,
    )
    step = np.stack([b * gradient[1] - d * gradient[0], b * gradient[0] - a * gradient[1]])
    return np.asarray(step / (a * d - b * b))


def _slopes(values: Floats, limit: float, tails: Floats, at: Floats) -> _Slopes:
    """Cost per reading and its derivatives by log shape and log scale.

    The density of y = value / (scale · tail) is y^(shape-1) (1 + y)^-(shape+tail) / B(shape, tail), over the
    share that lies below the limit, a regularised incomplete beta function.
    """
    from scipy.special import betaln, psi, zeta

    shape, log_unit = np.exp(at[0]), at[1] + np.log(tails)
    unit = np.exp(log_unit)
    ratio = values / unit[:, None]
    mean_log1p = np.log1p(ratio).mean(axis=1)
    share = ratio / (1 + ratio)  # as a beta variable
    mean_share, mean_spread = share.mean(axis=1), (share * (1 - share)).mean(axis=1)
    mean_log = np.log(values).mean() - log_unit

    edge, beyond = limit / (limit + unit), unit / (limit + unit)
    beside = log_unit - np.log(limit)
    log_edge, log_beyond = -np.logaddexp(0, beside), -np.logaddexp(0, -beside)
    log_seen, seen_slope, seen_bend = _log_seen(shape, tails, edge)
    log_beta, psi_sum = betaln(shape, tails), psi(shape + tails)
    # How fast the logarithm of what is seen falls as the scale grows.
    falls = np.exp(shape * log_edge + tails * log_beyond - log_beta - log_seen)

    cost = log_unit + log_seen + log_beta - (shape - 1) * mean_log + (shape + tails) * mean_log1p
    by_shape = seen_slope + psi(shape) - psi_sum - mean_log + mean_log1p
    by_scale = shape - falls - (shape + tails) * mean_share
    bend = seen_bend + zeta(2, shape) - zeta(2, shape + tails)  # the trigamma function
    mixed = shape * (1 - falls * (log_edge - psi(shape) + psi_sum - seen_slope) - mean_share)
    scale_bend = (shape + tails) * mean_spread - falls * (tails * edge - shape * beyond + falls)
    shape_bend = shape**2 * bend + shape * by_shape
    gradient = np.stack([shape * by_shape, by_scale])
    return _Slopes(cost, gradient, np.stack([[shape_bend, mixed], [mixed, scale_bend]]))


def _log_seen(shape: Floats, tails: Floats, edge: Floats) -> tuple[Floats, Floats, Floats]:
    """Logarithm of the share seen, with its first and second derivative by shape, by central differences."""
    from scipy.special import betainc

    move = DIFFERENCE * shape
    near = np.stack([shape - move, shape, shape + move])
    less, same, more = np.log(np.maximum(betainc(near, tails, edge), 1e-300))
    return same, (more - less) / (2 * move), (more - 2 * same + less) / move**2
