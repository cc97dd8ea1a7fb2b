"""How the energy of a tap is spread over frequency and time: what the tap screening compares.

A tap is split into bands of equal width on a logarithmic scale, and in time into its *strike* (contact and
first ringing) and its *ringing*. The same is done to the room just before it, so that the noise in each band
is measured and not assumed.
"""

from dataclasses import dataclass
from functools import lru_cache
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import ArrayLike, NDArray

__all__ = ["BAND_EDGES_HZ", "RINGING_S", "STRIKE_S", "BandEnergy", "band_energy", "band_freedoms"]

# Below 300 Hz rooms rumble and small microphones hear little; above 20 kHz recorders hear nothing. Some four
# bands an octave: a mode of 1 kHz and a damping ratio of 0.01 to 0.05 is narrower, a loose sheet's is not.
BAND_EDGES_HZ = np.geomspace(300.0, 20_000.0, 23)
BAND_EDGES_HZ.setflags(write=False)
# A contact is over after some 0.5 ms, and a loose sheet (damping ratio 0.03 at 2 kHz) has lost 13 dB after
# 8 ms; the wall's own modes ring on.
STRIKE_S, RINGING_S = 0.008, 0.024
# Of the sampling rate: the 20 kHz that a recorder of 44.1 kHz passes.
HIGHEST_SHARE = 20.0 / 44.1


@dataclass(frozen=True, slots=True, eq=False)
class BandEnergy:
    """Energy of taps in bands; all arrays have shape ``(n, bands)``.

    Attributes
    ----------
    strike, ringing
        Sum of squares times the sampling interval, in s, within `STRIKE_S` of the onset and in the
        `RINGING_S` after that. NaN in bands above `HIGHEST_SHARE` of the rate.
    """

    strike: "NDArray[np.float64]"
    ringing: "NDArray[np.float64]"


def band_energy(taps: "ArrayLike", sample_rate_hz: float) -> BandEnergy:
    """Measure the energy of a batch of taps in bands.

    Parameters
    ----------
    taps
        Shape ``(n, samples)``, relative to full scale 1.0, each from its onset. Shorter ones count as silent
        where they end.
    sample_rate_hz
        Samples per second.

    Returns
    -------
    BandEnergy
        By Parseval's theorem the bands of a tap add up to the energy of its samples, but for what is
        outside all bands.

    Raises
    ------
    ValueError
        When `taps` is not two-dimensional or the rate is not positive.

    Examples
    --------
    >>> time_s = np.arange(1600) / 48000
    >>> energy = band_energy(np.sin(2 * np.pi * 3000 * time_s)[None], 48000.0)
    >>> int(energy.strike.argmax()), float(energy.strike.sum().round(5))
    (12, 0.004)
    """
    batch = np.asarray(taps)
    if batch.ndim != 2:
        msg = f"taps must have shape (n, samples), not {batch.shape}"
        raise ValueError(msg)
    if not sample_rate_hz > 0:
        msg = f"sample_rate_hz must be positive, not {sample_rate_hz}"
        raise ValueError(msg)
    first, last = (round(time_s * sample_rate_hz) for time_s in (STRIKE_S, STRIKE_S + RINGING_S))
    return BandEnergy(
        _energy(batch[:, :first], sample_rate_hz), _energy(batch[:, first:last], sample_rate_hz)
    )


def band_freedoms(duration_s: float) -> "NDArray[np.float64]":
    """Give the number of independent complex amplitudes of noise in each band of a stretch of time.

    Width times duration, one at least (Bendat & Piersol, *Random Data*, from memory).

    Examples
    --------
    >>> band_freedoms(0.008).round(1)[[0, -1]]
    array([ 1. , 27.8])
    """
    return np.maximum(np.diff(BAND_EDGES_HZ) * duration_s, 1.0)


def _energy(stretch: "NDArray[np.floating]", sample_rate_hz: float) -> "NDArray[np.float64]":
    """Energy in each band of equally long stretches of sound, in s."""
    from scipy import fft

    n, samples = stretch.shape
    if samples == 0:
        return np.zeros((n, BAND_EDGES_HZ.size - 1))
    # A bin must be narrower than the narrowest band, or bands share what one of them holds.
    length = fft.next_fast_len(
        max(samples, int(sample_rate_hz / (BAND_EDGES_HZ[1] - BAND_EDGES_HZ[0]))), real=True
    )
    spectrum = fft.rfft(stretch, length, axis=1)
    power = (spectrum.real**2 + spectrum.imag**2).astype(np.float64)
    energy = power @ _shares(length, sample_rate_hz) * (2 / length / sample_rate_hz)
    energy[:, BAND_EDGES_HZ[1:] > HIGHEST_SHARE * sample_rate_hz + 1] = np.nan
    return np.asarray(energy)


@lru_cache(maxsize=8)  # recordings of one zone are alike
def _shares(length: int, sample_rate_hz: float) -> "NDArray[np.float64]":
    """Share of each bin within each band, ``(bins, bands)``; bins that straddle an edge are shared."""
    width_hz = sample_rate_hz / length
    place = np.arange(length // 2 + 1) * width_hz
    low = np.maximum(place[:, None] - width_hz / 2, BAND_EDGES_HZ[:-1])
    high = np.minimum(place[:, None] + width_hz / 2, BAND_EDGES_HZ[1:])
    shares = np.asarray(np.maximum(high - low, 0.0) / width_hz)
    shares.setflags(write=False)
    return shares
