"""Arrays in, numbers out: taps, spectra, modes and echoes. Knows no files and no part, and draws nothing."""

from tapscan.signals.echoes.finding import Echoes, find_echoes
from tapscan.signals.echoes.measuring import (
    AScanFeatures,
    AScanSettings,
    Workers,
    depth_mm,
    measure_ascans,
    measure_volume,
)
from tapscan.signals.modes.ringing import ModeFits, fit_modes
from tapscan.signals.taps.finding import TapOnsets, cut_taps, find_taps
from tapscan.signals.taps.quality import recording_fault
from tapscan.signals.taps.spectrum import TapFeatures, tap_features

__all__ = [
    "AScanFeatures",
    "AScanSettings",
    "Echoes",
    "ModeFits",
    "TapFeatures",
    "TapOnsets",
    "Workers",
    "cut_taps",
    "depth_mm",
    "find_echoes",
    "find_taps",
    "fit_modes",
    "measure_ascans",
    "measure_volume",
    "recording_fault",
    "tap_features",
]
