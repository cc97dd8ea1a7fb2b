"""Where the taps are in a recording, and cutting them out.

A tap is a sudden rise: the energy of one millisecond is compared with the loudest of the few before it.
Level, offset, hum and noise do not matter to that, and a recording may hold one tap or hundreds, close or
far apart. The onset is then placed to the sample with Akaike's criterion on the variance before and after
(Maeda 1985, from memory). Everything works on a causal high-pass of the recording, so that nothing moves
ahead of its onset.
"""

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from tapscan.signals.taps.bounces import is_struck_again
from tapscan.signals.taps.highpass import Sound, sound_of

if TYPE_CHECKING:
    from collections.abc import Iterator

    from numpy.typing import ArrayLike, NDArray

__all__ = ["TapOnsets", "cut_taps", "find_taps"]

_HOP_S = 0.25e-3
_LOOK_HOPS = 4  # one millisecond: the energy that is compared
_BEFORE_HOPS = 12  # three milliseconds: what it is compared with
_LONG_HOPS = (
    80  # twenty milliseconds: what a tap of its own must rise over, lest a room's fading pass for one
)
_RISE = 4.0  # energy ratio, 6 dB, of a tap over what was before it
_SUSPECT_RISE = 1.6  # the same, 2 dB, of what may be a second strike over the first's ringing
_OVER_NOISE = 16.0  # energy ratio, 12 dB
_BOUNCE_S = 0.075  # what follows a tap sooner belongs to it
_SAME_HIT_S = 0.003
_AHEAD_S, _RINGS_ON_S = 0.004, 0.04  # before a tap and after its last rise: what separates beats from strikes
_BOUNCE_DB = -14.0
_WEAKEST_DB = -30.0  # against the strongest tap of the recording
_QUIET_SNR_DB = 20.0
_QUIET_DB = -20.0  # against the median tap of the recording
_TWO_STEPS = 2.0**-14  # of a 16-bit recorder


@dataclass(frozen=True, slots=True, eq=False)
class TapOnsets:
    """Taps found in one recording, in order of time; every array has shape ``(k,)``.

    Attributes
    ----------
    start
        Sample of the onset.
    peak
        Largest excursion from the recording's median within 20 ms, relative to full scale 1.0.
    snr_db
        Peak over the root mean square of the recording's noise, both above hum.
    is_clipped
        The recorder ran into its limit.
    is_double
        The hammer bounced: a second hit was detected within 75 ms, less than 14 dB weaker. In the first one's
        ringing a weak one may be missed.
    is_quiet
        Less than 20 dB over the noise, or 20 dB under the median tap of the recording.
    noise_power
        Mean square of the noise, the same for every tap; what `tap_features` takes.
    """

    start: "NDArray[np.intp]"
    peak: "NDArray[np.float64]"
    snr_db: "NDArray[np.float64]"
    is_clipped: "NDArray[np.bool_]"
    is_double: "NDArray[np.bool_]"
    is_quiet: "NDArray[np.bool_]"
    noise_power: "NDArray[np.float64]"


def find_taps(recording: "ArrayLike", sample_rate_hz: float) -> TapOnsets:
    """Find the taps in a recording of any length.

    Parameters
    ----------
    recording
        Shape ``(samples,)``, relative to full scale 1.0. What is not finite counts as silence.
    sample_rate_hz
        Samples per second.

    Returns
    -------
    TapOnsets
        Empty when there are none. Hits within 75 ms of each other are one tap.

    Raises
    ------
    ValueError
        When `recording` is not one-dimensional or the rate is not positive.

    Examples
    --------
    >>> t = np.arange(4800) / 48000.0
    >>> tap = np.exp(-300 * t) * np.sin(2 * np.pi * 3000 * t)
    >>> rng = np.random.default_rng(1)
    >>> recording = np.concatenate([np.zeros(9600), tap, np.zeros(6000), 0.5 * tap])
    >>> found = find_taps(recording + 0.01 * rng.normal(size=25200), 48000.0)
    >>> abs(found.start - np.array([9600, 20400])).max() <= 4
    np.True_
    """
    signal = np.asarray(recording)
    if signal.ndim != 1:
        msg = f"recording must have shape (samples,), not {signal.shape}"
        raise ValueError(msg)
    if not sample_rate_hz > 0:
        msg = f"sample_rate_hz must be positive, not {sample_rate_hz}"
        raise ValueError(msg)
    hop = max(1, round(_HOP_S * sample_rate_hz))
    if len(signal) < 8 * hop:
        return _no_taps()
    sound = sound_of(signal, sample_rate_hz, hop)
    energy = sound.hop_energy()
    noise = _noise_power(energy)
    leaders, suspects = _group(_hits(energy, noise), hop / sample_rate_hz)
    if not len(leaders):
        return _no_taps()
    doubles = [_is_double(sound, lead, later) for lead, later in zip(leaders, suspects, strict=True)]
    return _describe(sound, leaders, np.array(doubles, dtype=bool), noise)


def cut_taps(
    recording: "ArrayLike", starts: "ArrayLike", sample_rate_hz: float, duration_s: float
) -> "NDArray[np.floating]":
    """Cut taps out of a recording, each from its onset.

    A tap ends a millisecond before the next one begins, and where the recording ends; the rest of its row
    is zero.

    Parameters
    ----------
    recording
        Shape ``(samples,)``.
    starts
        Samples of the onsets in ascending order, shape ``(k,)``.
    sample_rate_hz
        Samples per second.
    duration_s
        Length of every cut.

    Returns
    -------
    NDArray[np.floating]
        Shape ``(k, round(duration_s * sample_rate_hz))``; float32 when the recording is, else float64.

    Raises
    ------
    ValueError
        When the starts do not ascend or are outside the recording, or the duration is not positive.

    Examples
    --------
    >>> cut_taps(np.arange(6.0), [1, 4], 2.0, 2.0)
    array([[1., 2., 3., 0.],
           [4., 5., 0., 0.]])
    """
    signal = np.asarray(recording)
    if signal.dtype not in (np.float32, np.float64):
        signal = signal.astype(np.float64)
    first = np.asarray(starts, dtype=np.intp)
    length = round(duration_s * sample_rate_hz)
    if length < 1:
        msg = f"duration_s must hold a sample, not {duration_s}"
        raise ValueError(msg)
    if len(first) and (np.any(np.diff(first) <= 0) or first[0] < 0 or first[-1] >= len(signal)):
        msg = "starts must ascend and be within the recording"
        raise ValueError(msg)
    gap = int(1e-3 * sample_rate_hz)
    stop = np.minimum(np.append(first[1:] - gap, len(signal)), first + length)
    taps = np.zeros((len(first), length), dtype=signal.dtype)
    for row, (begin, end) in enumerate(zip(first, stop, strict=True)):
        taps[row, : max(end - begin, 0)] = signal[begin : max(end, begin)]
    return taps


def _noise_power(energy: "NDArray[np.float64]") -> float:
    """Mean square of the quietest tenth of the recording, digital silence left out."""
    width = min(20, len(energy))
    blocks = energy[: len(energy) // width * width].reshape(-1, width).mean(axis=1)
    sounding = blocks[blocks > 0]
    if not sounding.size:
        return 0.0
    floor = 1e-14 * float(energy.max())
    # Of 5 ms means of white noise the lowest tenth is near 0.9 of the mean.
    return max(float(np.quantile(sounding, 0.1)) / 0.9, floor)


def _hits(
    energy: "NDArray[np.float64]", noise: float
) -> "tuple[NDArray[np.intp], NDArray[np.float64], NDArray[np.bool_]]":
    """Hop and strength of every rise, and whether it may be a tap's: sudden, and over the 20 ms before it."""
    padded = np.concatenate([np.full(_LONG_HOPS + _LOOK_HOPS, noise), energy, np.zeros(_LOOK_HOPS * 5)])
    total = np.concatenate([[0.0], np.cumsum(padded)])
    look = (total[_LOOK_HOPS:] - total[:-_LOOK_HOPS]) / _LOOK_HOPS
    look = np.maximum(look, 0.0)
    before = _running_max(look, _BEFORE_HOPS - _LOOK_HOPS + 1)
    first = _LONG_HOPS + _LOOK_HOPS
    after = look[first : first + len(energy)]
    earlier = before[first - _BEFORE_HOPS : first - _BEFORE_HOPS + len(energy)]
    long_before = _running_max(look, _LONG_HOPS - _LOOK_HOPS + 1)[first - _LONG_HOPS :][: len(energy)]
    strength = _running_max(look, _LOOK_HOPS * 4)[first : first + len(energy)]
    ratio = after / np.maximum(earlier, max(noise, np.finfo(float).tiny))
    rising = (ratio > _SUSPECT_RISE) & (after > _OVER_NOISE * noise)
    if not rising.any():
        return np.empty(0, dtype=np.intp), np.empty(0), np.empty(0, dtype=bool)
    edges = np.flatnonzero(np.diff(np.concatenate([[0], rising.view(np.int8), [0]])))
    begins, ends = edges[::2], edges[1::2]
    hop = np.array([b + int(np.argmax(ratio[b:e])) for b, e in zip(begins, ends, strict=True)])
    return hop, strength[hop], (ratio[hop] > _RISE) & (strength[hop] > _RISE * long_before[hop])


def _running_max(values: "NDArray[np.float64]", width: int) -> "NDArray[np.float64]":
    """Largest of each value and the ``width - 1`` after it."""
    from scipy.ndimage import maximum_filter1d

    return np.asarray(maximum_filter1d(values, width, mode="nearest", origin=-(width // 2)))


def _group(
    hits: "tuple[NDArray[np.intp], NDArray[np.float64], NDArray[np.bool_]]", hop_s: float
) -> "tuple[NDArray[np.intp], list[list[int]]]":
    """Gather hits into taps, each with what may be further strikes of its own.

    The first hit leads unless one at least 10 dB stronger than all so far follows at once.
    """
    hop, strength, own = hits
    if not len(hop):
        return hop, []
    keep = strength >= strength.max() * 10 ** (_WEAKEST_DB / 10)
    leaders: list[int] = []
    suspects: list[list[int]] = []
    leader_strength = loudest = 0.0
    for at, power, may_lead in zip(hop[keep], strength[keep], own[keep], strict=True):
        since_s = (at - leaders[-1]) * hop_s if leaders else np.inf
        if since_s > _BOUNCE_S:
            if may_lead:
                leaders.append(int(at))
                suspects.append([])
                leader_strength = loudest = float(power)
        elif since_s > _SAME_HIT_S and may_lead and power > 10 * loudest:
            leaders[-1], suspects[-1], leader_strength = int(at), [], float(power)
            loudest = leader_strength
        elif since_s > _SAME_HIT_S and power > leader_strength * 10 ** (_BOUNCE_DB / 10):
            suspects[-1].append(int(at))
            loudest = max(loudest, float(power))
    return np.array(leaders, dtype=np.intp), suspects


def _is_double(sound: Sound, lead: int, later: list[int]) -> bool:
    """Say whether any of the later hops holds a strike, and not just modes that beat."""
    if not later:
        return False
    rate_hz = sound.sample_rate_hz
    onset, last = lead * sound.hop, later[-1] * sound.hop
    begin = onset - round(_AHEAD_S * rate_hz)
    tap = sound.high(max(begin, 0), last + round(_RINGS_ON_S * rate_hz))
    tap = np.concatenate([np.zeros(max(-begin, 0)), tap])
    return is_struck_again(tap, onset - begin, np.array(later) * sound.hop - begin, rate_hz)


def _describe(
    sound: Sound, leaders: "NDArray[np.intp]", doubles: "NDArray[np.bool_]", noise: float
) -> TapOnsets:
    start, peak, high_peak, clipped = [], [], [], []
    for onset in _onsets(sound, leaders, noise):
        window = sound.raw(onset, onset + round(0.02 * sound.sample_rate_hz))
        start.append(onset)
        peak.append(np.abs(window).max())
        high_peak.append(np.abs(sound.high(onset, onset + len(window))).max())
        clipped.append(_is_clipped(window + sound.offset))
    snr_db = 20 * np.log10(np.maximum(high_peak, 1e-30) / np.sqrt(max(noise, 1e-60)))
    peaks = np.array(peak)
    quiet = (snr_db < _QUIET_SNR_DB) | (peaks < np.median(peaks) * 10 ** (_QUIET_DB / 20))
    return TapOnsets(
        start=np.array(start, dtype=np.intp),
        peak=peaks,
        snr_db=snr_db,
        is_clipped=np.array(clipped, dtype=bool),
        is_double=doubles,
        is_quiet=quiet,
        noise_power=np.full(len(peaks), noise),
    )


def _onsets(sound: Sound, leaders: "NDArray[np.intp]", noise: float) -> "Iterator[int]":
    """Place each onset to the sample."""
    rate = sound.sample_rate_hz
    for hop in leaders:
        near = int(hop) * sound.hop
        begin = max(near - round(4e-3 * rate), 0)
        level = np.abs(sound.high(begin, near + round(4e-3 * rate)))
        top = level[near - begin :].max()
        earlier = level[: max(near - begin - sound.hop, 0)]
        before = float(np.sqrt(np.mean(earlier**2))) if earlier.size else 0.0
        threshold = min(max(5 * before, 5 * np.sqrt(noise), 0.05 * top), 0.5 * top)
        search = max(near - begin - round(1e-3 * rate), 0)
        crossing = search + int(np.argmax(level[search:] >= threshold))
        lead = min(crossing, round(3e-3 * rate))
        if lead >= 8:
            part = level[crossing - lead : crossing + max(8, round(0.5e-3 * rate))]
            crossing = min(crossing, crossing - lead + _split(part))
        yield begin + crossing


def _split(level: "NDArray[np.float64]") -> int:
    """First sample of the louder part: Akaike's criterion k ln var before + (n - k) ln var after, least."""
    power = level**2
    total = np.concatenate([[0.0], np.cumsum(power)])
    n = len(power)
    k = np.arange(4, n - 3)
    tiny = 1e-12 * total[-1] / n + 1e-300
    before = (total[k] / k).clip(tiny)
    after = ((total[-1] - total[k]) / (n - k)).clip(tiny)
    return int(k[np.argmin(k * np.log(before) + (n - k) * np.log(after))])


def _is_clipped(window: "NDArray[np.float64]") -> bool:
    """Detect a flat top: samples that stay at the extreme though the signal ran into it steeply."""
    for side in (window, -window):
        top = side.max()
        if top <= 0:
            continue
        flat = side >= top - 1e-6 * max(top, 1.0) - (_TWO_STEPS if top > 0.99 else 0.0)
        if np.count_nonzero(flat) < 2:
            continue
        edges = np.flatnonzero(np.diff(np.concatenate([[0], flat.view(np.int8), [0]])))
        for begin, end in zip(edges[::2], edges[1::2], strict=True):
            steep = begin >= 2 and side[begin - 1] - side[begin - 2] > 0.01 * top
            steep |= begin == 1 and side[0] < 0.9 * top
            if end - begin >= 3 and (steep or top > 0.99):
                return True
            if end - begin == 2 and top > 0.999 and steep:
                return True
    return False


def _no_taps() -> TapOnsets:
    none = np.empty(0)
    flag = np.empty(0, dtype=bool)
    return TapOnsets(np.empty(0, dtype=np.intp), none, none, flag, flag, flag, none)
