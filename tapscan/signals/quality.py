"""Whether a recording can be measured at all, and if not, why."""

from typing import TYPE_CHECKING

import numpy as np

from tapscan.signals.taps import find_taps

if TYPE_CHECKING:
    from numpy.typing import ArrayLike

__all__ = ["recording_fault"]

_SILENT = 1e-4  # of full scale: 80 dB down, three steps of a 16-bit recorder


def recording_fault(recording: "ArrayLike", sample_rate_hz: float) -> str:
    """Say in a word or two why no tap in a recording can be measured; say nothing when one can.

    Parameters
    ----------
    recording
        Shape ``(samples,)``, relative to full scale 1.0.
    sample_rate_hz
        Samples per second.

    Returns
    -------
    str
        ``''`` when at least one tap is neither clipped nor quiet; else ``'not finite'`` (a sample is no
        number), ``'silent'`` (nothing rises above 1e-4 of full scale), ``'clipped'`` (every tap that is
        loud enough ran into the recorder's limit) or ``'noisy'`` (no tap stands 20 dB above the noise).

    Raises
    ------
    ValueError
        When `recording` is not one-dimensional or the rate is not positive.

    Examples
    --------
    >>> recording_fault(np.zeros(4800), 48000.0)
    'silent'
    >>> recording_fault(np.random.default_rng(0).normal(0, 0.1, 48000), 48000.0)
    'noisy'
    """
    signal = np.asarray(recording)
    taps = find_taps(signal, sample_rate_hz)
    if signal.dtype.kind == "f" and not np.isfinite(signal).all():
        return "not finite"
    if not signal.size or float(signal.max()) - float(signal.min()) < _SILENT:
        return "silent"
    loud = ~taps.is_quiet
    if (loud & ~taps.is_clipped).any():
        return ""
    return "clipped" if loud.any() else "noisy"
