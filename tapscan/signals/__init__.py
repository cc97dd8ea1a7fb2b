"""Arrays in, numbers out: taps, spectra, modes and echoes. Knows no files and no part, and draws nothing."""

from tapscan.signals.ascans import (
    AScanFeatures,
    AScanSettings,
    Workers,
    depth_mm,
    measure_ascans,
    measure_volume,
)
from tapscan.signals.echoes import Echoes, find_echoes
from tapscan.signals.modes import ModeFits, fit_modes
from tapscan.signals.quality import recording_fault
from tapscan.signals.spectrum import TapFeatures, tap_features
from tapscan.signals.taps import TapOnsets, cut_taps, find_taps

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
