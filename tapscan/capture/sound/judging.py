"""Whether a tap that was heard is worth keeping, and if not, what to do about it."""

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from tapscan.capture.sound.listening import Hit
from tapscan.signals import find_taps
from tapscan.signals.taps.bands import band_energy
from tapscan.signals.taps.quality import has_flat_tops

if TYPE_CHECKING:
    from numpy.typing import NDArray

__all__ = ["ADVICE", "Memory", "compare", "fault", "is_one_good_tap", "kept_sound", "swells"]

ADVICE = {
    "clipped": "strike more lightly, or lower the input's gain",
    "too quiet": "strike harder, or raise the input's gain",
    "double hit": "let the tapper spring back, and strike again",
    "double strike": "the first strike counts; let the tapper spring back, and wait for the cue",
    "noisy": "wait for quiet, and strike again",
    "does not match the other taps here": "strike the mark itself, as before",
    "not finite": "check the input, and strike again",
}
LEAST_SNR_DB = 20.0
QUIET_DB = -20.0  # against the median of the taps kept before, as find_taps has it
STRAY_DB = -30.0  # what is weaker than this against them is no tap at all: a step, a word, a chair
MOST_STRAYS = 3  # in a row: then somebody strikes, or has turned the gain down
SWELL_S, SWELL_TIMES = 0.005, 10.0  # energy of a later moment over the first: more is a tone or a word
AUDIBLE = 0.01  # of full scale: before any tap was kept, what stays below is quiet and not noisy
USUAL_TAPS = 30
FULL_SCALE = 1 - 2.0**-14  # a step below the highest number of 16 bits; what was resampled goes beyond it
BEFORE_S = 0.003
# Kept before a tap, the first of these with which it is by itself; the last still shows the room.
LEADS_S = (0.25, 0.07, 0.03)
WITHIN_DB = 30.0  # of the strongest band: what is weaker says little
UNLIKE_DB, UNLIKE_TIMES = 7.0, 3.0
# How far apart taps at one mark are taken to be until more of them were heard: struck up to 10 mm off the
# mark, simulated beams differ by 2 to 3 dB, one pair in a hundred by 6 to 9.
FIRST_APART_DB = (3.0, 3.0, 3.0)


@dataclass(frozen=True, slots=True, eq=False)
class Memory:
    """What taps were like lately: bounded, whatever the capture's length.

    `peaks` are those of the last taps kept, `apart_db` how far each was from the others there; `spectra`
    belong to the taps of the present point and `odd` to the one that was just refused there for being unlike
    them. `strays` counts the faint sounds since the last tap that was one.
    """

    peaks: tuple[float, ...] = ()
    apart_db: tuple[float, ...] = ()
    spectra: tuple["NDArray[np.float64]", ...] = ()
    odd: "NDArray[np.float64] | None" = None
    strays: int = 0


def fault(hit: Hit, memory: Memory, sample_rate_hz: float) -> str:
    """Say why a tap is not good by itself: ``''`` when it is, ``'stray'`` when it is not worth a word."""
    usual = float(np.median(memory.peaks)) if memory.peaks else 0.0
    if hit.peak < usual * 10 ** (STRAY_DB / 20) and memory.strays < MOST_STRAYS:
        return "stray"
    if not np.isfinite(hit.samples).all():
        return "not finite"
    if swells(hit, sample_rate_hz):
        return "stray"
    lead = min(hit.lead, round(BEFORE_S * sample_rate_hz))
    strike = hit.samples[hit.lead - lead :]
    if hit.is_clipped or np.abs(strike).max() >= FULL_SCALE:
        return "clipped"
    if hit.peak < usual * 10 ** (QUIET_DB / 20):
        return "too quiet"
    if hit.snr_db < LEAST_SNR_DB:
        return "noisy" if hit.peak >= (usual / 2 or AUDIBLE) else "too quiet"
    if has_flat_tops(strike, lead):  # as a browser's resampling leaves them
        return "clipped"
    return "double hit" if hit.is_double else ""


def swells(hit: Hit, sample_rate_hz: float) -> bool:
    """Whether a sound goes on growing, as this program's own cues do: a tap is loudest at once.

    Differences from sample to sample keep hum out of it.
    """
    step = round(SWELL_S * sample_rate_hz)
    steps = np.diff(hit.samples[hit.lead :].astype(np.float64))
    energy = (steps[: len(steps) // step * step].reshape(-1, step) ** 2).sum(axis=1)
    return bool((energy > SWELL_TIMES * energy[:1]).any())


def kept_sound(hit: Hit, sample_rate_hz: float) -> "NDArray[np.float32] | None":
    """Cut the sound to be kept so that an analysis will find one usable tap in it; None when none is.

    The fading of a much louder tap before it may pass for a tap where the sound begins: then less is kept of
    what was before.
    """
    for lead_s in LEADS_S:
        samples = hit.samples[max(hit.lead - round(lead_s * sample_rate_hz), 0) :]
        if is_one_good_tap(samples, sample_rate_hz):
            return samples
    return None


def is_one_good_tap(samples: "NDArray[np.float32]", sample_rate_hz: float) -> bool:
    """Whether an analysis will find one usable tap in a sound, and nothing else."""
    found = find_taps(samples, sample_rate_hz)
    flaws = found.is_clipped | found.is_double | found.is_quiet
    return len(found.start) == 1 and not flaws[0]


def compare(hit: Hit, memory: Memory, sample_rate_hz: float) -> tuple[bool, Memory]:
    """Decide whether a tap sounds like the others at its point, and note it among them, or as the odd one.

    One that agrees with the tap refused before it is taken: two outvote what was there.
    """
    spectrum = _spectrum(hit, sample_rate_hz)
    apart = memory.apart_db
    if memory.spectra:
        limit_db = max(UNLIKE_DB, UNLIKE_TIMES * float(np.median((*FIRST_APART_DB, *apart))))
        apart_db = _apart_db(spectrum, memory.spectra)
        agrees = memory.odd is not None and _apart_db(spectrum, (memory.odd,)) <= limit_db
        if apart_db > limit_db and not agrees:
            return False, replace(memory, odd=spectrum)
        apart = (*apart, apart_db)[-USUAL_TAPS:]
    peaks = (*memory.peaks, hit.peak)[-USUAL_TAPS:]
    return True, Memory(peaks, apart, (*memory.spectra, spectrum)[-USUAL_TAPS:])


def _spectrum(hit: Hit, sample_rate_hz: float) -> "NDArray[np.float64]":
    """Energy of a tap in the bands that the analysis compares, in dB relative to its strongest."""
    energy = band_energy(hit.samples[None, hit.lead :], sample_rate_hz)
    total = energy.strike[0] + energy.ringing[0]
    level_db = 10 * np.log10(np.maximum(total[np.isfinite(total)], 1e-30))
    return np.asarray(level_db - level_db.max())


def _apart_db(spectrum: "NDArray[np.float64]", others: tuple["NDArray[np.float64]", ...]) -> float:
    """Root mean square difference between a spectrum and the median of others, deep bands left out."""
    typical = np.median(np.stack(others), axis=0)
    floor = np.full_like(typical, -WITHIN_DB)
    return float(np.sqrt(np.mean((np.maximum(spectrum, floor) - np.maximum(typical, floor)) ** 2)))
