"""Binomial regression: the chance of a hit as a curve over covariates, fitted by maximum likelihood.

``P(hit) = F(Zβ + offset)`` with F the logistic or the standard normal distribution. The log-likelihood is
concave in β for both, so Newton's method with a halved step finds the one maximum, where there is one.
Source: McCullagh & Nelder, Generalized Linear Models, chapters 2 and 4 (from memory).
"""

from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

__all__ = ["LINKS", "Fit", "Link", "fit_binomial", "link_of", "log_likelihood", "probability"]

Link = Literal["logit", "probit"]
LINKS: tuple[Link, ...] = ("logit", "probit")
Array = NDArray[np.float64]

_MOST_STEPS, _MOST_HALVINGS, _ENOUGH = 100, 40, 1e-12


@dataclass(frozen=True, slots=True, eq=False)
class Fit:
    """Coefficients (p,), their covariance (p, p) from the expected information, and how well they fit."""

    coefficients: Array
    covariance: Array
    log_likelihood: float
    deviance: float
    link: Link


def probability(linear: ArrayLike, link: Link) -> Array:
    """Chance of a hit at a value of the linear predictor; any shape.

    Examples
    --------
    >>> probability([0.0], "logit"), probability([0.0], "probit")
    (array([0.5]), array([0.5]))
    """
    from scipy.special import expit, ndtr

    return np.asarray(expit(linear) if link == "logit" else ndtr(linear), dtype=float)


def link_of(share: float, link: Link) -> float:
    """Linear predictor at which a share of `share` is hit: the inverse of `probability`.

    Examples
    --------
    >>> round(link_of(0.9, "logit"), 6), round(link_of(0.9, "probit"), 6)
    (2.197225, 1.281552)
    """
    from scipy.special import logit, ndtri

    return float(logit(share) if link == "logit" else ndtri(share))


def log_likelihood(linear: Array, hits: Array, trials: Array, link: Link) -> float:
    """Sum of hits·ln P + misses·ln(1-P), without the binomial coefficients, safe far out in the tails."""
    from scipy.special import log_expit, log_ndtr

    log_of = log_expit if link == "logit" else log_ndtr
    return float(np.sum(hits * log_of(linear) + (trials - hits) * log_of(-linear)))


def fit_binomial(
    design: ArrayLike,
    hits: ArrayLike,
    trials: ArrayLike | None = None,
    link: Link = "logit",
    offset: ArrayLike = 0.0,
) -> Fit:
    """Fit coefficients of a design (n, p) to hits (n,) out of trials (n,), one each when None.

    Raises
    ------
    ValueError
        When the maximum is at infinity (separated data), or the columns of the design are not independent.

    Examples
    --------
    >>> fit = fit_binomial([[1, 0.0], [1, 1.0]], hits=[2, 6], trials=[8, 8])
    >>> [round(float(value), 6) for value in fit.coefficients]
    [-1.098612, 2.197225]
    """
    columns, successes = np.asarray(design, dtype=float), np.asarray(hits, dtype=float)
    total = np.ones_like(successes) if trials is None else np.asarray(trials, dtype=float)
    shift = np.broadcast_to(np.asarray(offset, dtype=float), successes.shape)
    beta = np.zeros(columns.shape[1])
    best = log_likelihood(columns @ beta + shift, successes, total, link)
    for _ in range(_MOST_STEPS):
        score, information = _slopes(columns, columns @ beta + shift, successes, total, link)
        step = _solve(information, score)
        beta, gained, best = _climb(columns, (successes, total, shift), link, (beta, step, best))
        if gained <= _ENOUGH * (1 + abs(best)) and np.all(np.abs(step) <= 1e-8 * (1 + np.abs(beta))):
            break
    else:
        msg = "the fit runs off to infinity: the data are separated"
        raise ValueError(msg)
    linear = columns @ beta + shift
    _, information = _slopes(columns, linear, successes, total, link)
    deviance = 2 * (_saturated(successes, total) - best)
    return Fit(beta, np.asarray(np.linalg.inv(information), dtype=float), best, deviance, link)


def _climb(
    columns: Array, data: tuple[Array, Array, Array], link: Link, now: tuple[Array, Array, float]
) -> tuple[Array, float, float]:
    """Go one step uphill, halved until it is uphill; return where, how much was gained, how high."""
    (successes, total, shift), (beta, step, best) = data, now
    for halving in range(_MOST_HALVINGS):
        tried = beta + step / 2**halving
        height = log_likelihood(columns @ tried + shift, successes, total, link)
        # At the top the last step is smaller than what rounding leaves of the height.
        if height >= best - _ENOUGH * (1 + abs(best)):
            return tried, height - best, height
    return beta, 0.0, best


def _slopes(columns: Array, linear: Array, hits: Array, trials: Array, link: Link) -> tuple[Array, Array]:
    """First derivative of the log-likelihood, and the expected information."""
    p = probability(linear, link)
    if link == "logit":
        weight = trials * p * (1 - p)
        return columns.T @ (hits - trials * p), (columns.T * weight) @ columns
    density = np.exp(-0.5 * linear**2) / np.sqrt(2 * np.pi)
    both = p * probability(-linear, link)
    # Far out both go to 0; the point then carries no information.
    ratio = np.divide(density, both, out=np.zeros_like(both), where=both > 0)
    return columns.T @ ((hits - trials * p) * ratio), (columns.T * (trials * density * ratio)) @ columns


def _solve(information: Array, score: Array) -> Array:
    try:
        step = np.asarray(np.linalg.solve(information, score), dtype=float)
    except np.linalg.LinAlgError:
        step = np.full_like(score, np.nan)
    if not np.isfinite(step).all() or np.linalg.cond(information) > 1e14:
        msg = "the fit cannot be made: the data are separated, or one covariate is a sum of others"
        raise ValueError(msg)
    return step


def _saturated(hits: Array, trials: Array) -> float:
    """Log-likelihood of the model that gives each group its own share."""
    from scipy.special import xlogy

    return float(np.sum(xlogy(hits, hits / trials) + xlogy(trials - hits, 1 - hits / trials)))
