"""A pulse made ready for traces of one length, and their correlation with it.

Matched filter: Kay, Fundamentals of Statistical Signal Processing I (1993), section 3.11 (from memory).
"""

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy import fft

__all__ = [
    "LEAST_SAMPLES",
    "STEPS",
    "TAPS",
    "Kernel",
    "correlate",
    "correlate_whole",
    "make_kernel",
]

Floats = NDArray[np.float64]

LEAST_SAMPLES = 16  # fewer samples or grid points hold no pulse
STEPS = 64  # fractions of a grid step at which the autocorrelation is tabulated
TAPS = 8  # points of the local polynomial between grid samples
_PER_CYCLE = 8.0  # grid samples per cycle of the highest frequency that matters: error below 1e-4 of r there
_BAND_FLOOR = 1e-7  # relative power below which the pulse is taken to carry nothing
_TOP_FLOOR = 0.003  # relative power at the highest frequency that matters for reading between grid points
_LOW_END = 0.1  # of the root-mean-square frequency: what is below is offset and drift
_SUPPORT_FLOOR = 3e-4  # fraction of the root energy that may be outside the pulse's counted length


@dataclass(frozen=True, slots=True, eq=False)
class Kernel:
    """A pulse made ready for traces of one length.

    There are `up` grid points to a sample; grid point 0 is `lead` samples before the trace's first. `filter`
    (frequencies,) turns a trace's spectrum into its correlation on the grid, scaled so that r(0) = 1: a
    correlation is then an amplitude in units of the pulse's root energy. `r` (2·reach + 1,) is the
    autocorrelation, lag 0 in the middle; `shifted` (steps + 1, 2·reach + 1)
    is r for an echo that sits a fraction of a grid step late. `bandwidth` is the root-mean-square frequency
    in cycles per grid step. `grid` counts the times at which the whole pulse is inside the trace. `dense`
    (3, points) holds r and its two derivatives per grid step at every fraction that `shifted` knows.
    """

    samples: int
    lead: int
    size: int
    up: int
    length: int
    grid: int
    filter: NDArray[np.complex128]
    energy: float
    reach: int
    r: Floats
    shifted: NDArray[np.float32]
    dense: Floats
    bandwidth: float

    @property
    def stride(self) -> int:
        """Grid steps in an eighth of a cycle: closer ones say little more."""
        return max(1, int(1 / (8 * self.bandwidth)))


def make_kernel(
    pulse: Floats,
    samples: int,
    lead: int = 0,
    top_floor: float = _TOP_FLOOR,
    support_floor: float = _SUPPORT_FLOOR,
) -> Kernel:
    """Prepare a pulse for traces of a length.

    Parameters
    ----------
    pulse
        Shape (length,), finite, not all zero.
    samples
        Length of the traces.
    lead
        How many samples before the trace an echo may begin.
    top_floor
        Relative power at the highest frequency that matters for reading between grid points.
    support_floor
        Fraction of the root energy that the end of the trace may cut off an echo.
    """
    length, needed = _support(pulse, _SUPPORT_FLOOR), _support(pulse, support_floor)
    size = fft.next_fast_len(samples + lead, real=True)
    fine = fft.next_fast_len(4 * length + 4 * TAPS, real=True)
    spectrum, power = fft.rfft(pulse[:length], size), np.abs(fft.rfft(pulse[:length], fine)) ** 2
    strongest = power.max()
    frequency = np.arange(len(power)) / fine
    top = float(frequency[power > top_floor * strongest].max())
    up = int(2 ** max(0, np.ceil(np.log2(_PER_CYCLE * max(top, 1e-9)))))
    low = _LOW_END * float(np.sqrt((power * frequency**2).sum() / power.sum()))
    power = np.where((power > _BAND_FLOOR * strongest) & (frequency >= low), power, 0.0)
    weight = np.full(len(power), 2.0)
    weight[0] = 1.0
    if fine % 2 == 0:
        weight[-1] = 1.0
    energy = float((weight * power).sum() / fine)
    rate = 2j * np.pi * frequency / up
    reach = min(length * up + TAPS, fine * up // 2 - 1)
    late = np.exp(-rate * (np.arange(STEPS + 1) / STEPS)[:, None])
    shifted = [_lag_table(power * rate**k / energy * late, fine, up, reach) for k in range(3)]
    kept = (np.abs(spectrum) ** 2 > _BAND_FLOOR * strongest) & (np.arange(len(spectrum)) >= low * size)
    lag = np.exp(-2j * np.pi * np.arange(len(spectrum)) / size * lead)
    return Kernel(
        samples=samples,
        lead=lead,
        size=size,
        up=up,
        length=length,
        grid=max(0, (samples + lead - needed) * up + 1),
        filter=np.where(kept, np.conj(spectrum) * lag, 0.0) / np.sqrt(energy),
        energy=energy,
        reach=reach,
        r=shifted[0][0],
        shifted=shifted[0].astype(np.float32),
        # An echo that sits s steps late reads r(lag - s): the rows in reverse run forward in time.
        dense=np.stack([table[-1:0:-1].T.ravel() for table in shifted]),
        bandwidth=float(np.sqrt((weight * power * frequency**2).sum() / (weight * power).sum()) / up),
    )


def _support(pulse: Floats, floor: float) -> int:
    """Count the samples from the first on that hold all but a fraction of the root energy."""
    tail = np.sqrt(np.cumsum(pulse[::-1] ** 2)[::-1] / np.sum(pulse**2))
    return int(np.flatnonzero(tail > floor)[-1]) + 1


def _lag_table(spectrum: NDArray[Any], size: int, up: int, reach: int) -> Floats:
    """Turn a spectrum into a function of lag, −reach to reach."""
    full = fft.irfft(spectrum, size * up, axis=-1) * up
    return np.concatenate([full[..., -reach:], full[..., : reach + 1]], axis=-1)


def correlate(traces: NDArray[Any], kernel: Kernel) -> NDArray[Any]:
    """Correlate traces (n, samples) with the pulse: (n, grid), in the traces' precision, r(0) = 1."""
    return correlate_whole(traces, kernel)[:, : kernel.grid]


def correlate_whole(traces: NDArray[Any], kernel: Kernel) -> NDArray[Any]:
    """Correlate as `correlate` does, with zeros behind the grid that make rows one stretch of memory."""
    spectrum = fft.rfft(traces, kernel.size, axis=1)
    spectrum *= (kernel.filter * kernel.up).astype(spectrum.dtype)
    whole: NDArray[Any] = fft.irfft(spectrum, kernel.size * kernel.up, axis=1, overwrite_x=True)
    whole[:, kernel.grid :] = 0
    return whole
