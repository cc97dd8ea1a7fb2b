"""The taps of one point to be heard, and to be seen dying away.

Ears compare notes, not how hard the hand struck: every tap is brought to the same peak.
"""

import io
import wave
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from tapscan.errors import TapscanError
from tapscan.records.readers import file_name, read_recording
from tapscan.signals import cut_taps, find_taps, fit_modes, tap_features

if TYPE_CHECKING:
    from pathlib import Path

    from numpy.typing import NDArray

    from tapscan.plan import Point
    from tapscan.records.inspection import Inspection

__all__ = ["HeardTaps", "decay_document", "taps_at", "wav_of"]

# Long enough to hear a tap die away; in the analysis a shorter piece is measured.
_HEARD_S, _MEASURED_S, _PAUSE_S = 0.35, 0.1, 0.12
_PEAK = 0.7
_MOST_TAPS, _MODES = 3, 4
_ENVELOPE_POINTS = 400


@dataclass(frozen=True, slots=True, eq=False)
class HeardTaps:
    """Taps from their onsets, `taps` (k, samples), and the mean square of the noise in each, (k,).

    `name` is the first file they come from; `is_usable` says that the analysis would use them.
    """

    taps: "NDArray[np.float64]"
    noise_power: "NDArray[np.float64]"
    sample_rate_hz: float
    name: str
    is_usable: bool


def taps_at(inspection: "Inspection", point: "Point") -> HeardTaps:
    """Cut the first usable taps out of the recordings at a point; doubtful ones where there is no other.

    Raises
    ------
    TapscanError
        When there is no recording at the point, or none that holds a tap.
    """
    fault = TapscanError(str(point), "has no tap recording", "tap it, or choose another point")
    found: list[HeardTaps] = []
    for path in inspection.tap_files.get(point, ()):
        try:
            one = _taps_in(path)
        except TapscanError as error:
            fault = error
            continue
        # Recordings at another rate cannot be joined to the first.
        if not found or one.sample_rate_hz == found[0].sample_rate_hz:
            found.append(one)
        if sum(len(one.taps) for one in found) >= _MOST_TAPS:
            break
    if not found:
        raise fault
    usable = [one for one in found if one.is_usable] or found
    return HeardTaps(
        np.concatenate([one.taps for one in usable])[:_MOST_TAPS],
        np.concatenate([one.noise_power for one in usable])[:_MOST_TAPS],
        usable[0].sample_rate_hz,
        usable[0].name,
        usable[0].is_usable,
    )


def _taps_in(path: "Path") -> HeardTaps:
    recording = read_recording(path)
    samples, rate_hz = np.nan_to_num(recording.samples), recording.sample_rate_hz
    found = find_taps(samples, rate_hz)
    if not found.start.size:
        raise TapscanError(file_name(path), "holds no tap", "record the point again")
    good = ~(found.is_clipped | found.is_double | found.is_quiet)
    chosen = good if good.any() else ~good
    taps = cut_taps(samples, found.start, rate_hz, _HEARD_S)[chosen]
    return HeardTaps(
        taps.astype(float), found.noise_power[chosen], rate_hz, file_name(path), bool(good.any())
    )


def wav_of(heard: HeardTaps) -> bytes:
    """Encode the taps one after the other as a 16-bit WAV, each at the same peak and faded at its end."""
    rate = round(heard.sample_rate_hz)
    fade = np.minimum(1.0, np.arange(heard.taps.shape[1])[::-1] / (0.02 * rate))
    pause = np.zeros(round(_PAUSE_S * rate))
    pieces = [pause]
    for tap in heard.taps:
        peak = float(np.abs(tap).max())
        pieces += [tap * fade * (_PEAK / peak if peak > 0 else 0.0), pause]
    integers = np.round(np.concatenate(pieces) * 32767).astype("<i2")
    stream = io.BytesIO()
    with wave.open(stream, "wb") as file:
        file.setnchannels(1)
        file.setsampwidth(2)
        file.setframerate(rate)
        file.writeframes(integers.tobytes())
    return stream.getvalue()


def decay_document(heard: HeardTaps) -> dict[str, Any]:
    """Show the first tap dying away, and the natural frequencies in it, strongest first.

    The modes are fitted to the piece of the tap that the analysis measures, by `tapscan.signals.fit_modes`.
    """
    rate_hz = heard.sample_rate_hz
    measured = heard.taps[:1, : round(_MEASURED_S * rate_hz)]
    features = tap_features(measured, rate_hz, noise_power=heard.noise_power[:1])
    modes = fit_modes(measured, rate_hz, _MODES)
    found = np.isfinite(modes.frequency_hz[0])
    return {
        "file": heard.name,
        "taps": len(heard.taps),
        "duration_s": measured.shape[1] / rate_hz,
        "envelope_db": _envelope_db(measured[0]),
        "decay_time_s": float(features.decay_time_s[0]),
        "modes": [
            {"frequency_hz": float(hz), "damping_ratio": float(zeta)}
            for hz, zeta in zip(modes.frequency_hz[0][found], modes.damping_ratio[0][found], strict=True)
        ],
    }


def _envelope_db(tap: "NDArray[np.float64]") -> "NDArray[np.float64]":
    """Peak of the tap in each short stretch, in dB below its loudest, cut off at -60."""
    starts = np.linspace(0, tap.size, min(_ENVELOPE_POINTS, tap.size) + 1).astype(int)[:-1]
    peaks = np.maximum.reduceat(np.abs(tap), starts)
    return np.asarray(20 * np.log10(np.maximum(peaks / max(float(peaks.max()), 1e-12), 1e-3)))
