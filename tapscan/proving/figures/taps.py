"""What taps on a known piece show of tapper, hand, microphone and room."""

from collections import Counter

import numpy as np
from numpy.typing import NDArray

from tapscan.errors import TapscanError
from tapscan.plan import Zone, block_mask
from tapscan.proving.figures.separation import LEAST_SOUND, from_sound, separation
from tapscan.proving.figures.shown import Figures, FoundDamage, damages_of, state_mask
from tapscan.records.inspection import Inspection
from tapscan.records.readers import read_recording
from tapscan.screening.taps.points import LEAST_OVER_ROOM, TapTable, point_means, single_taps
from tapscan.screening.taps.readings import read_taps
from tapscan.signals import find_taps
from tapscan.signals.taps.bands import BAND_EDGES_HZ, STRIKE_S

__all__ = ["prove_taps", "scores_of_taps"]

Floats = NDArray[np.float64]

# Three quarters of the bands must be clear of the room: the share that recordings must have to compare.
WORST_BANDS = 0.25
_OCTAVES = np.log2(np.sqrt(BAND_EDGES_HZ[:-1] * BAND_EDGES_HZ[1:]) / 1000.0)


def prove_taps(check: Inspection, zone: Zone, false_call_rate: float, warnings: list[str]) -> Figures:
    """Measure the taps of a check on the piece's zone.

    What cannot be used adds a sentence to `warnings`.
    """
    readings = read_taps(check, zone, warnings, lambda *_: None)
    sound, damaged = (state_mask(zone, state) for state in ("sound", "delaminated"))
    read = readings.n_taps > 0
    planned = int((sound | damaged).sum())
    reasons = Counter(str(why) for why in readings.reason[(sound | damaged) & ~read])
    values = _recorded(check, zone)
    found: tuple[FoundDamage, ...] = ()
    apart = None
    if (sound & read).sum() >= LEAST_SOUND:
        is_sound = sound.ravel()
        values |= _values(readings.taps, is_sound, sound.size)
        means = point_means(readings.taps, sound.size)
        known = np.flatnonzero((sound | damaged).ravel() & means.read)
        scores = from_sound(means.sound_db[known], is_sound[known])
        apart = separation(scores[is_sound[known]], scores[~is_sound[known]], false_call_rate)
        found = _found(readings.taps, zone, is_sound, false_call_rate)
    if apart is not None:
        values["found_margin"] = apart.margin
    counts = int((sound & read).sum()), int((damaged & read).sum())
    return Figures("tap", *counts, planned, values, apart, found, dict(sorted(reasons.items())))


def scores_of_taps(check: Inspection, zone: Zone, warnings: list[str]) -> tuple[TapTable, Floats]:
    """Give all single taps of a check, and their features (taps, features) in dB."""
    taps = read_taps(check, zone, warnings, lambda *_: None).taps
    return taps, single_taps(taps)


def _recorded(check: Inspection, zone: Zone) -> dict[str, float]:
    """Count taps that were clipped or struck twice, and note the recorder's rate."""
    taps = clipped = double = 0
    rates: Counter[float] = Counter()
    for point, paths in check.tap_files.items():
        for path in paths if point.zone == zone.code else ():
            try:
                recording = read_recording(path)
            except TapscanError:  # named by `read_taps`
                continue
            onsets = find_taps(recording.samples, recording.sample_rate_hz)
            loud = ~onsets.is_quiet
            rates[recording.sample_rate_hz] += 1
            taps += int(loud.sum())
            clipped += int((loud & onsets.is_clipped).sum())
            double += int((loud & onsets.is_double).sum())
    if not taps:
        return {}
    rate_hz = max(rates, key=lambda rate: (rates[rate], rate))
    return {
        "taps": float(taps),
        "clipped_share": clipped / taps,
        "double_share": double / taps,
        "sample_rate_hz": rate_hz,
    }


def _values(taps: TapTable, is_sound: NDArray[np.bool_], points: int) -> dict[str, float]:
    """Measure level, brightness and room on the sound points, each alike, and how taps repeat on all."""
    heard, means = taps.heard, point_means(taps, points)
    strike, room = taps.strike[:, heard], np.nan_to_num(taps.room[:, heard]) * STRIKE_S
    clear = np.maximum(strike - room, LEAST_OVER_ROOM * room)
    brightness = clear @ _OCTAVES[heard] / np.maximum(clear.sum(axis=1), 1e-30)
    of_sound = is_sound[taps.at]
    at = taps.at[of_sound]
    count = np.bincount(at, minlength=points)
    by_point = np.bincount(at, brightness[of_sound], points)[count > 0] / count[count > 0]
    repeat_db2 = means.repeat_db2[:, : heard.size][:, heard]
    known = np.isfinite(repeat_db2)  # of points that were tapped twice
    values = {
        "level_db": float(np.nanmean(means.level_db[is_sound])),
        "brightness_octaves": float(by_point.mean()),
        "repeat_db": float(np.sqrt(repeat_db2[known].mean())) if known.any() else float("nan"),
    }
    if (room[of_sound] > 0).any():
        band_db = 10 * np.log10(clear[of_sound] / np.maximum(room[of_sound], 1e-30))
        room_db = 10 * np.log10(np.maximum(np.median(room[of_sound], axis=0), 1e-30))
        values["snr_db"] = float(np.quantile(np.median(band_db, axis=0), WORST_BANDS))
        values["room_db"] = float(10 * np.log10((10 ** (room_db / 10)).sum()))
    return values


def _found(
    taps: TapTable, zone: Zone, is_sound: NDArray[np.bool_], false_call_rate: float
) -> tuple[FoundDamage, ...]:
    """Count the single taps of each known delamination that are beyond what sound taps show."""
    scores = from_sound(single_taps(taps), is_sound[taps.at], taps.at)
    results = []
    for known in damages_of(zone):
        here = (block_mask(zone, known.points) & ~block_mask(zone, zone.skip)).ravel()[taps.at]
        apart = separation(scores[is_sound[taps.at]], scores[here], false_call_rate)
        if apart is not None:
            count = int((scores[here] > apart.threshold).sum())
            results.append(FoundDamage(known.size_mm, known.depth_mm, int(here.sum()), count))
    return tuple(results)
