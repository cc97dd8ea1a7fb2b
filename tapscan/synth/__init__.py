"""The seeded, physical simulator behind the demo and the tests."""

from tapscan.synth.ascans import AScanScene, AScanVolume, Insert, beam_share, simulate_ascans
from tapscan.synth.defects import Defect, distance_mm, true_mask
from tapscan.synth.folder import ascan_files, tap_files, wav_bytes, write_inspection
from tapscan.synth.taps import TapRecordings, TapScene, contact_times_us, simulate_taps

__all__ = [
    "AScanScene",
    "AScanVolume",
    "Defect",
    "Insert",
    "TapRecordings",
    "TapScene",
    "ascan_files",
    "beam_share",
    "contact_times_us",
    "distance_mm",
    "simulate_ascans",
    "simulate_taps",
    "tap_files",
    "true_mask",
    "wav_bytes",
    "write_inspection",
]
