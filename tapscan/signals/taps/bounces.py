"""Whether a tap rings on by itself, or was struck again.

Modes that beat swell as suddenly as a second strike does. But what rings freely follows from what it did just
before: damped sinusoids obey a linear recurrence (Prony 1795; Makhoul, Proc. IEEE 63, 1975, 561-580, both
from memory). Only a strike is new. So the tap is predicted from its own past, and what the prediction leaves
is compared with what it leaves of the first strike.
"""

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view
from numpy.typing import NDArray

__all__ = ["is_struck_again"]

Floats = NDArray[np.float64]

_MEMORY_S = 2e-3  # what is predicted from: the recurrence of dozens of modes
_LAG_HZ = 48_000.0  # samples that are closer say the same
_HELD_S = 0.5e-3  # over which what is left is averaged
_EARLY_S, _LATE_S = 1e-3, 2e-3  # about the moment of a strike
_RINGING_S = 2e-3  # after the first strike all is free, but for strikes that are few
_LEVELLING_S = 2e-3  # so that a late moment counts as an early one
_FLOOR = 1e-3  # of the loudest
_STEADYING = 1e-4  # of the mean power, as noise would add: many modes make the recurrence ill-conditioned
# Of the first strike. Strikes 1 to 12 dB weaker leave so much less at most, most beats more.
_AGAIN_DB = -17.0
_RISE_DB = 13.0  # over the moments beside: 19 strikes of 20 rise by 16 dB and more, beats by 13 at most
_BESIDE_S = 6e-3  # how far those reach to either side


def is_struck_again(sound: Floats, lead: int, again: NDArray[np.intp], sample_rate_hz: float) -> bool:
    """Say whether any of the moments after a tap's onset is a strike and not its own ringing.

    Parameters
    ----------
    sound
        The tap, free of offset, (samples,), from at least 3 ms before its onset.
    lead
        Its onset, as an index into `sound`, to a millisecond.
    again
        Moments (n,) that may be strikes, likewise.
    sample_rate_hz
        Sampling rate.

    Examples
    --------
    >>> time_s = np.arange(3600) / 48000
    >>> ring = np.exp(-90 * time_s) * (np.sin(9000 * time_s) + np.sin(10000 * time_s))
    >>> tap = np.concatenate([np.zeros(200), ring])
    >>> noise = 1e-3 * np.random.default_rng(0).standard_normal(tap.size)
    >>> is_struck_again(tap + noise, 200, np.array([500, 1400]), 48000.0)
    False
    >>> bounced = tap + 0.4 * np.concatenate([np.zeros(1400), ring])[: tap.size]
    >>> is_struck_again(bounced + noise, 200, np.array([500, 1400]), 48000.0)
    True
    """
    memory, left = _unpredicted(sound, lead, sample_rate_hz)
    lead, again = lead - memory, again - memory
    early, late, reach = (round(time_s * sample_rate_hz) for time_s in (_EARLY_S, _LATE_S, _BESIDE_S))
    first = left[max(lead - early, 0) : lead + late].max()
    for at in again:
        before, after = left[max(at - reach, lead + late) : at - early], left[at + late : at + reach]
        beside = np.concatenate([before, after])
        usual = np.median(beside) if beside.size else np.inf  # nothing to compare it with
        if left[at - early : at + late].max() > max(
            first * 10 ** (_AGAIN_DB / 10), usual * 10 ** (_RISE_DB / 10)
        ):
            return True
    return False


def _unpredicted(sound: Floats, lead: int, sample_rate_hz: float) -> tuple[int, Floats]:
    """Power of what a tap's own past does not predict, and how many samples from its start that begins.

    The recurrence holds as well for samples some steps apart. It is fitted to the ringing, levelled.
    """
    step = max(1, round(sample_rate_hz / _LAG_HZ))
    order = max(1, round(_MEMORY_S * sample_rate_hz / step))
    memory = order * step
    past = sliding_window_view(sound, memory + 1)[:, :-1:step]
    now = sound[memory:]
    level = np.sqrt(_averaged(now**2, round(_LEVELLING_S * sample_rate_hz)))
    level += _FLOOR * level.max()
    rings = slice(max(lead - memory + round(_RINGING_S * sample_rate_hz), 0), None, step)
    rows, target = past[rings] / level[rings, None], now[rings] / level[rings]
    gram = rows.T @ rows
    gram += _STEADYING * np.trace(gram) / order * np.eye(order)
    left = now - past @ np.linalg.solve(gram, rows.T @ target)
    return memory, _averaged(left**2, round(_HELD_S * sample_rate_hz))


def _averaged(power: Floats, width: int) -> Floats:
    return np.convolve(power, np.full(max(width, 1), 1 / max(width, 1)), mode="same")
