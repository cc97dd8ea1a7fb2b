"""Arrays in, numbers out: taps, spectra, modes and echoes. Knows no files and no part, and draws nothing."""

from tapscan.signals.quality import recording_fault
from tapscan.signals.spectrum import TapFeatures, tap_features
from tapscan.signals.taps import TapOnsets, cut_taps, find_taps

__all__ = [
    "TapFeatures",
    "TapOnsets",
    "cut_taps",
    "find_taps",
    "recording_fault",
    "tap_features",
]
