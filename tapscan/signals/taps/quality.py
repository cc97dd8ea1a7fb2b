"""Whether a recording can be measured at all, and if not, why."""

from typing import TYPE_CHECKING

import numpy as np

from tapscan.signals.taps.finding import find_taps

if TYPE_CHECKING:
    from numpy.typing import ArrayLike, NDArray

__all__ = ["has_flat_tops", "recording_fault"]

_SILENT = 1e-4  # of full scale: 80 dB down, three steps of a 16-bit recorder
_FINER = 8  # samples between two, so that a crest of three samples has a width and a slope
_END = 4  # samples that interpolation reaches beyond either end
_HIGH, _ALIKE = 0.85, 0.95  # of the highest crest: where width and slope are measured; crests cut alike
# Width times slope over height of a crest, where it passes 0.85 of its height. Of A·cos(ωt), cut at A/g, it
# is 2·acos(0.85/g)·g·sqrt(1 - (0.85/g)²), whatever A and ω: 0.58 whole, 0.9 cut by 0.7 dB, 1.5 by 2 dB.
_CUT_TWICE, _CUT_ONCE = 0.9, 1.5


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
        loud enough ran into the recorder's limit) or ``'noisy'`` (no tap is 20 dB above the noise).

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


def has_flat_tops(tap: "ArrayLike", lead: int) -> bool:
    """Detect a clipped tap by its flat tops, also where a change of rate has rounded them.

    A converter that runs into its limit cuts the crests: they stay wide for slopes so steep, and are equally
    high, although a tap dies away. Resampling and a change of level keep both. One crest that was cut by 2 dB
    counts, or two by 0.7 dB; clipping by less is not detected.

    Parameters
    ----------
    tap
        Shape ``(samples,)``, in any unit. What is not finite counts as silence.
    lead
        The sample of it at which the strike begins; what is before that is the room.

    Raises
    ------
    ValueError
        When `tap` is not one-dimensional.

    Examples
    --------
    >>> time_s = np.arange(2400) / 48000
    >>> ring = np.exp(-200 * time_s) * np.sin(2 * np.pi * 1500 * time_s)
    >>> has_flat_tops(ring, 0), has_flat_tops(0.3 * np.clip(2 * ring, -1, 1), 0)
    (False, True)
    """
    sound = np.asarray(tap, dtype=np.float64)
    if sound.ndim != 1:
        msg = f"tap must have shape (samples,), not {sound.shape}"
        raise ValueError(msg)
    sound = np.where(np.isfinite(sound), sound, 0.0)
    if sound.size < 2 or not np.ptp(sound) > 0:
        return False
    sound = (sound - np.median(sound[: lead + 1])) / np.ptp(sound)
    spectrum = np.fft.rfft(sound)
    # The sharp end of the band shows crests that were cut a little; of those that were cut deeply it makes
    # the edges overshoot, which a gentle roll-off does not.
    gentle = 0.5 + 0.5 * np.cos(np.pi * np.arange(spectrum.size) / spectrum.size)
    shapes = (np.fft.irfft(each, _FINER * sound.size) for each in (spectrum, gentle * spectrum))
    return any(_is_cut(fine, max(lead, _END) * _FINER) for fine in shapes)


def _is_cut(fine: "NDArray[np.float64]", lead: int) -> bool:
    top = np.abs(fine).max()
    cut = np.concatenate([_cuts(side, lead) for side in (fine, -fine) if side.max() > top / 2])
    return bool((cut >= _CUT_ONCE).any() or np.count_nonzero(cut >= _CUT_TWICE) >= 2)


def _cuts(side: "NDArray[np.float64]", lead: int) -> "NDArray[np.float64]":
    """Width times slope over height of the crests after `lead` that are about as high as the highest."""
    above = side >= _HIGH * side.max()
    edges = np.flatnonzero(np.diff(np.concatenate([[0], above.view(np.int8), [0]])))
    begin, end = edges[::2], edges[1::2]
    # What runs on to the end is a step, and no crest.
    inside = (begin >= lead) & (end < side.size - _END * _FINER)
    begin, end = begin[inside], end[inside]
    height = np.array([side[a:b].max() for a, b in zip(begin, end, strict=True)])
    slope = (side[begin] - side[begin - 2] + side[end - 1] - side[end + 1]) / 4
    return np.asarray(((end - begin) * slope / height)[height >= _ALIKE * side.max()])
