"""Refusing, in words, arrays and rates that mean nothing."""

from typing import Any

import numpy as np
from numpy.typing import NDArray

from tapscan.errors import TapscanError

__all__ = ["require_axes", "require_rate", "require_real"]


def require_rate(sample_rate_hz: float) -> None:
    """Raise unless the rate is a finite number above 0."""
    if not (np.isfinite(sample_rate_hz) and sample_rate_hz > 0):
        where = "sample_rate_hz"
        raise TapscanError(where, f"is {sample_rate_hz}", "give a rate above 0")


def require_real(name: str, values: NDArray[Any]) -> None:
    """Raise unless the array holds real numbers."""
    if values.dtype.kind not in "fiub":
        raise TapscanError(name, f"holds {values.dtype}, not real numbers", "give a real array")


def require_axes(name: str, values: NDArray[Any], allowed: tuple[int, ...], axes: str) -> None:
    """Raise unless the array has one of the allowed numbers of axes, described by `axes`."""
    if values.ndim not in allowed:
        raise TapscanError(name, f"has {values.ndim} axes, not {axes}", "reshape the array")
