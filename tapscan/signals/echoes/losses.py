"""How fast a laminate's loss weakens an echo, from what it takes off the pulse's high frequencies."""

from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy import fft

from tapscan.signals.echoes.pulses import centre_frequency_hz
from tapscan.signals.echoes.sampling import spread_evenly

__all__ = ["loss_db_per_s"]

Floats = NDArray[np.float64]

_MOST_TRACES = 512  # spread evenly over the zone
_LEAST_TRACES = 12  # fewer hold no median worth the name
_HALF_WINDOW = 1.5  # periods to either side of an echo's peak: what is further off is another echo
_BAND = (0.6, 1.35)  # of the centre frequency: where a probe of 70 % bandwidth sends enough
_BINS = 256  # of the transform: finer than so short a window resolves


def loss_db_per_s(traces: NDArray[Any], front_s: Floats, backwall_s: Floats, sample_rate_hz: float) -> float:
    """Return how many decibels an echo at the centre frequency loses in each second that it is under way.

    A loss that is proportional to frequency, as a carbon laminate's nearly is, tilts the back wall's spectrum
    against the front-surface echo's: the slope in decibels per hertz times the frequency is the loss, and
    no reflection coefficient is needed (spectral-shift method: Kuc & Schwartz, IEEE Trans. Sonics Ultrason.
    26, 1979, 353-362, from memory). The echoes are cut out short, since plies send back all around them, so
    that it is known to a third.

    Parameters
    ----------
    traces
        Shape (stations, positions, samples); may be memory-mapped, of which a few hundred are read.
    front_s, backwall_s
        When both echoes peak, (stations, positions); NaN where there is none.
    sample_rate_hz
        Sampling rate.

    Returns
    -------
    float
        At least 0; 0 as well where fewer than a dozen traces show a back wall.

    Examples
    --------
    >>> t = np.arange(400) / 100e6
    >>> def echo(peak_s, centre_hz):
    ...     return np.exp(-(((t - peak_s) / 0.1e-6) ** 2)) * np.cos(2 * np.pi * centre_hz * (t - peak_s))
    >>> trace = echo(1e-6, 5e6) - 0.5 * echo(3e-6, 4.6e6)
    >>> times = np.full((3, 5), 1e-6), np.full((3, 5), 3e-6)
    >>> loss = loss_db_per_s(np.tile(trace, (3, 5, 1)), *times, 100e6)
    >>> round(loss / 1e6, 1)  # (2π · 0.1 µs)² · 0.4 MHz · 5 MHz · 4.34 dB / 2 µs, less what the window takes
    1.3
    """
    rows = np.argwhere(np.isfinite(front_s) & np.isfinite(backwall_s))
    if len(rows) < _LEAST_TRACES:
        return 0.0
    at = tuple(rows[spread_evenly(len(rows), _MOST_TRACES)].T)
    some = np.nan_to_num(np.asarray(traces[at], dtype=float))
    some -= np.median(some, axis=1, keepdims=True)
    centre_hz = centre_frequency_hz(some, sample_rate_hz)
    if not centre_hz > 0:
        return 0.0
    half = round(_HALF_WINDOW * sample_rate_hz / centre_hz)
    front, back = (_power(some, peak_s[at] * sample_rate_hz, half) for peak_s in (front_s, backwall_s))
    frequency_hz = fft.rfftfreq(_BINS, 1 / sample_rate_hz)
    band = (frequency_hz > _BAND[0] * centre_hz) & (frequency_hz < _BAND[1] * centre_hz)
    band &= (front > 0) & (back > 0)
    if np.count_nonzero(band) < 2:
        return 0.0
    level_db = 10 * np.log10(back[band] / front[band])
    slope = np.polyfit(frequency_hz[band], level_db, 1, w=(front * back)[band] ** 0.25)[0]
    under_way_s = float(np.median(backwall_s[at] - front_s[at]))
    return max(0.0, -float(slope) * centre_hz / under_way_s)


def _power(traces: Floats, peak: Floats, half: int) -> Floats:
    """Give the median power spectrum about each trace's peak, given in samples."""
    at = np.rint(peak).astype(int)[:, None] + np.arange(-half, half + 1)
    padded = np.pad(traces, ((0, 0), (half, half)))
    echoes = np.take_along_axis(padded, np.clip(at + half, 0, padded.shape[1] - 1), axis=1)
    return np.asarray(
        np.median(np.abs(fft.rfft(echoes * np.hanning(2 * half + 3)[1:-1], _BINS)) ** 2, axis=0)
    )
