"""Porosity of a cut as a share of its area, with an interval that allows for the image's correlation."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

__all__ = ["POLISHED", "Porosity", "measure_porosity"]

POLISHED = (
    "A sawn face smears resin over small voids and tears others open: it gives a rough share only. A face "
    "ground and polished, wet and in steps, gives voids below 0.1 mm, the plies, and the true edges."
)


@dataclass(frozen=True, slots=True)
class Porosity:
    """Share of dark area (0 to 1), its 95 % interval, and of how many independent spots it is worth."""

    share: float
    low: float
    high: float
    integral_range_px2: float
    independent: float


def measure_porosity(is_void: NDArray[np.bool_], is_region: NDArray[np.bool_]) -> Porosity:
    """Area share of voids in a region; both (rows, columns).

    Neighbouring pixels are of one void, so a region is worth its area over the integral range A = ∫ρ(h)dh of
    the voids' correlation ρ: var = p(1 - p)·A/area. The estimated correlation is integrated, averaged over
    directions, up to the distance at which it first reaches 0: the rest of it is noise. The interval is
    Wilson's at that number of independent spots. It is about the laminate that the cut is a sample of.

    Source: Matheron; Lantuéjoul, Journal of Microscopy 161 (1991) 387-403 (from memory).

    Examples
    --------
    Single dark pixels far apart are as many spots as there are pixels:

    >>> dark = np.zeros((60, 60), dtype=bool)
    >>> dark[::6, ::6] = True
    >>> found = measure_porosity(dark, np.ones((60, 60), dtype=bool))
    >>> round(found.share, 4), round(found.integral_range_px2, 1)
    (0.0278, 1.0)
    """
    region = np.asarray(is_region, dtype=bool)
    area = int(np.count_nonzero(region))
    if not area:
        msg = "the region holds no pixel"
        raise ValueError(msg)
    dark = np.asarray(is_void, dtype=bool) & region
    share = float(np.count_nonzero(dark) / area)
    extent = 1.0 if share in (0.0, 1.0) else _integral_range_px2(dark, region, share)
    independent = max(area / extent, 1.0)
    low, high = _wilson(share, independent)
    return Porosity(share, low, high, extent, independent)


def _integral_range_px2(dark: NDArray[np.bool_], region: NDArray[np.bool_], share: float) -> float:
    from scipy import fft

    shape = [fft.next_fast_len(2 * n, real=True) for n in dark.shape]
    held = region.astype(float)
    values = np.where(region, dark - share, 0.0)

    def lagged(field: NDArray[np.float64]) -> NDArray[np.float64]:
        return np.asarray(fft.irfft2(np.abs(fft.rfft2(field, shape)) ** 2, shape))

    overlap = lagged(held)
    covariance = lagged(values) / np.maximum(overlap, 0.5)
    correlation = covariance / covariance[0, 0]
    rows, columns = (np.minimum(np.arange(n), n - np.arange(n)) for n in shape)
    far = np.hypot(rows[:, None], columns[None])
    reach = min(dark.shape) // 2
    ring = np.rint(far).astype(int)
    inside = (ring <= reach) & (overlap > 0.5)
    total = np.bincount(ring[inside], correlation[inside], minlength=reach + 1)
    count = np.bincount(ring[inside], minlength=reach + 1)
    mean = total / np.maximum(count, 1)
    ends = np.flatnonzero(mean <= 0)
    last = int(ends[0]) if ends.size else reach + 1
    return float(max(total[:last].sum(), 1.0))


def _wilson(share: float, number: float) -> tuple[float, float]:
    """Wilson's 95 % interval of a share; E. B. Wilson, JASA 22 (1927) 209-212 (from memory)."""
    z_squared = 1.959964**2
    middle = (share + z_squared / (2 * number)) / (1 + z_squared / number)
    half = np.sqrt(z_squared * (share * (1 - share) / number + z_squared / (4 * number**2)))
    half /= 1 + z_squared / number
    return max(float(middle - half), 0.0), min(float(middle + half), 1.0)
