"""How strong the reading is against how large the defect is, and the POD that follows for any threshold.

``ln â = β0 + β1 ln a + N(0, τ²)``: the signal-response model of MIL-HDBK-1823A (from memory). A response that
drowned in the noise is known only to be below it (left-censored), one beyond the scale only to be
above it (right-censored). The fit is by maximum likelihood in Olsen's form, β/τ and 1/τ, in which the
log-likelihood is concave (Olsen, Econometrica 46 (1978) 1211-1215, from memory).

A defect is found where â reaches the threshold, so ``POD(a) = Φ((ln a - μ)/σ)`` with
``μ = (ln threshold - β0)/β1`` and ``σ = τ/β1``.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from tapscan.sectioning.pod.binomial import WANTED_CONFIDENCE, WANTED_POD
from tapscan.sectioning.pod.hit_miss import mm_of

__all__ = ["ResponseFit", "fit_response", "response_bound_mm", "response_size_mm"]

Array = NDArray[np.float64]

_LEAST_SCATTER = 1e-6  # in ln(response): a thousandth of a per mille


@dataclass(frozen=True, slots=True, eq=False)
class ResponseFit:
    """Line and scatter of ln(response) over ln(size in mm).

    `covariance` (3, 3) is that of (β0, β1, τ), from the observed information. `censored` counts the
    responses known only as below the noise or beyond the scale.
    """

    intercept: float
    slope: float
    scatter: float
    covariance: Array
    log_likelihood: float
    cases: int
    censored: int


@dataclass(frozen=True, slots=True, eq=False)
class _Data:
    design: Array
    log_response: Array
    low: NDArray[np.bool_]
    high: NDArray[np.bool_]


def fit_response(
    size_mm: ArrayLike, response: ArrayLike, noise: float = 0.0, ceiling: float = float("inf")
) -> ResponseFit:
    """Fit the line to sizes (n,) and responses (n,); those up to `noise` or from `ceiling` on are censored.

    Where nothing is noise, a response of 0 is below the least that was read.

    Raises
    ------
    ValueError
        When fewer than three responses are between noise and ceiling, or sizes do not differ, or a
        size is not positive, or the responses are on one line exactly; when one is infinite and there is
        no ceiling.

    Examples
    --------
    >>> fit = fit_response([1.0, 2.0, 4.0, 8.0], [1.1, 1.8, 4.4, 7.2])
    >>> round(fit.slope, 3), fit.censored
    (0.942, 0)
    """
    from scipy.optimize import minimize

    size, seen = np.asarray(size_mm, dtype=float), np.asarray(response, dtype=float)
    low, high = seen <= noise, seen >= ceiling
    between = ~(low | high)
    if np.isinf(seen).any() and np.isinf(ceiling):
        msg = "a response without bounds needs a ceiling"
        raise ValueError(msg)
    if between.sum() < 3 or size.min() <= 0 or np.ptp(size[between]) == 0:
        msg = "a line needs three responses or more between noise and ceiling, at sizes that differ"
        raise ValueError(msg)
    floor = noise if noise > 0 else seen[between].min()
    held = np.where(low, floor, np.where(high, ceiling, seen))
    data = _Data(np.column_stack([np.ones(size.size), np.log(size)]), np.log(held), low, high)
    start, *_ = np.linalg.lstsq(data.design[between], data.log_response[between], rcond=None)
    spread = float(np.std((data.log_response - data.design @ start)[between]))
    if spread < _LEAST_SCATTER:
        msg = "the responses are on one line: without scatter there are no bounds"
        raise ValueError(msg)
    found = minimize(
        lambda gamma: -_height(gamma, data),
        np.append(start, 1.0) / spread,
        jac=lambda gamma: -_slopes(gamma, data),
        method="L-BFGS-B",
        bounds=[(None, None), (None, None), (1e-9, None)],
        options={"maxiter": 2000, "ftol": 1e-15, "gtol": 1e-9},
    )
    gamma = np.asarray(found.x, dtype=float)
    tau = 1 / gamma[2]
    # From (β/τ, 1/τ) to (β0, β1, τ).
    change = np.array(
        [[tau, 0, -gamma[0] * tau**2], [0, tau, -gamma[1] * tau**2], [0, 0, -(tau**2)]], dtype=float
    )
    inner = np.asarray(np.linalg.inv(_information(gamma, data)), dtype=float)
    return ResponseFit(
        intercept=float(gamma[0] * tau),
        slope=float(gamma[1] * tau),
        scatter=float(tau),
        covariance=change @ inner @ change.T,
        log_likelihood=_height(gamma, data),
        cases=int(size.size),
        censored=int(np.count_nonzero(~between)),
    )


def response_size_mm(fit: ResponseFit, threshold: float, pod: float) -> float:
    """Size at which a share of `pod` responds beyond `threshold`: ``exp(μ + σ·Φ⁻¹(pod))``.

    Examples
    --------
    >>> fit = ResponseFit(0.1, 0.95, 0.25, np.zeros((3, 3)), 0.0, 40, 0)
    >>> round(response_size_mm(fit, 3.0, 0.5), 6), round(response_size_mm(fit, 3.0, 0.9), 6)
    (2.860999, 4.008517)
    """
    from scipy.special import ndtri

    log_size = (np.log(threshold) - fit.intercept + fit.scatter * ndtri(pod)) / fit.slope
    return mm_of(log_size)


def response_bound_mm(
    fit: ResponseFit, threshold: float, pod: float = WANTED_POD, confidence: float = WANTED_CONFIDENCE
) -> float:
    """Upper bound of the size that reaches `pod`, by the delta method on ln(size) (Wald's).

    Examples
    --------
    >>> fit = ResponseFit(0.1, 0.95, 0.25, np.diag([0.01, 0.002, 0.001]), 0.0, 40, 0)
    >>> round(response_bound_mm(fit, 3.0), 3)
    4.973
    """
    from scipy.special import ndtri

    log_size = (np.log(threshold) - fit.intercept + fit.scatter * ndtri(pod)) / fit.slope
    gradient = np.array([-1.0, -log_size, ndtri(pod)]) / fit.slope
    spread = np.sqrt(gradient @ fit.covariance @ gradient)
    return mm_of(float(log_size + ndtri(confidence) * spread))


def _height(gamma: Array, data: _Data) -> float:
    """Log-likelihood; in (β/τ, 1/τ) every standardised residual is linear."""
    from scipy.special import log_ndtr

    z = gamma[2] * data.log_response - data.design @ gamma[:2]
    between = ~(data.low | data.high)
    exact = np.log(gamma[2]) - 0.5 * z[between] ** 2 - 0.5 * np.log(2 * np.pi)
    return float(exact.sum() + log_ndtr(z[data.low]).sum() + log_ndtr(-z[data.high]).sum())


def _slopes(gamma: Array, data: _Data) -> Array:
    """First derivative of the log-likelihood over (β/τ, 1/τ)."""
    z = gamma[2] * data.log_response - data.design @ gamma[:2]
    by_z = np.where(data.low, _tail(z), np.where(data.high, -_tail(-z), -z))
    between = ~(data.low | data.high)
    by_scale = float(by_z @ data.log_response) + np.count_nonzero(between) / gamma[2]
    return np.append(-data.design.T @ by_z, by_scale)


def _information(gamma: Array, data: _Data) -> Array:
    """Minus the second derivative of the log-likelihood."""
    z = gamma[2] * data.log_response - data.design @ gamma[:2]
    low, high = _tail(z), _tail(-z)
    weight = np.where(data.low, low * (low + z), np.where(data.high, high * (high - z), 1.0))
    moved = np.column_stack([-data.design, data.log_response])
    information = (moved.T * weight) @ moved
    information[2, 2] += np.count_nonzero(~(data.low | data.high)) / gamma[2] ** 2
    return np.asarray(information, dtype=float)


def _tail(z: Array) -> Array:
    """φ(z)/Φ(z), safe far out in the tail."""
    from scipy.special import log_ndtr

    return np.asarray(np.exp(-0.5 * z**2 - 0.5 * np.log(2 * np.pi) - log_ndtr(z)), dtype=float)
