"""The demo inspection: an invented part, simulated, with defects whose truth is known.

The truth lives here and nowhere in the folder: whoever looks at the readings knows no more than an inspector
would, and the findings know what a saw would have shown.
"""

from collections.abc import Callable
from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from tapscan.plan.text.reading import parse_plan
from tapscan.synth.ascans import AScanScene, AScanVolume, simulate_ascans
from tapscan.synth.defects import Defect
from tapscan.synth.folder import PLAN_FILE, ascan_files, tap_files
from tapscan.synth.rendered.junction import PHOTO_NAME, junction_files, junction_zone_text
from tapscan.synth.saw import FINDINGS_HEADER, Cut, cut_findings
from tapscan.synth.taps import TapRecordings, TapScene, simulate_taps

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from tapscan.plan.zones import Zone

__all__ = [
    "BOOM_CUTS",
    "BOOM_DEFECTS",
    "DEMO_ASCANS",
    "DEMO_PLAN",
    "DEMO_SEED",
    "DEMO_TAPS",
    "SEAT_CUTS",
    "SEAT_DEFECTS",
    "demo_files",
]

DEMO_SEED = 20_417

DEMO_PLAN = r'''# Demo inspection, made by: tapscan demo DIR
# SYNTHETIC: every recording here was computed. There is no such part.

[part]
name = "Recumbent trike, main boom, seat pan and lug (synthetic)"
owner_ref = "DEMO"
serial = "SYNTHETIC-01"
history = """\
Synthetic demonstration data made by tapscan demo; no real part. The story: a garage door came down on the \
parked trike. It struck the boom from above, pressed it against a stone step, and a corner of the door \
hit the seat pan; the blow went through the lug at the cross tube. Nothing to be seen but scuffed lacquer."""
inspector = "the simulator"

[laminate]
thickness_mm = 1.6
modulus_gpa = 60.0             # in-plane bending modulus, quasi-isotropic equivalent
poisson = 0.3
density_kg_m3 = 1550.0
velocity_m_s = 2950.0          # longitudinal, through the thickness

[[zone]]
code = "BM"
name = "Main boom, from the cross tube forward"
shape = "tube"
stations = 16
positions = 12
station_pitch_mm = 10.0
girth_mm = 120.0
reference = ["07-01:10-12", "12-11:14-02"]   # far from both scuffs; the second block crosses the datum line
skip = ["16-07"]               # cable hole

[[zone]]
code = "SP"
name = "Seat pan, left half"
shape = "panel"
stations = 24
positions = 16
station_pitch_mm = 5.0
position_pitch_mm = 5.0
thickness_mm = 2.4

[tap]
taps_per_point = 3

[ascan]
sample_rate_mhz = 100.0
centre_frequency_mhz = 5.0

[analysis]
false_call_rate = 0.01
'''

# The first crosses the datum line and sounds dull; the second is stiffer and rings above the boom's own
# notes.
BOOM_DEFECTS = (
    Defect(x_mm=34.0, s_mm=118.0, radius_mm=18.0, depth_mm=0.45),
    Defect(x_mm=124.0, s_mm=61.0, radius_mm=15.0, depth_mm=0.7),
)
SEAT_DEFECTS = (
    Defect(x_mm=47.0, s_mm=33.0, radius_mm=18.0, depth_mm=1.0),
    Defect(x_mm=96.0, s_mm=52.0, radius_mm=6.0, depth_mm=0.6),
)

# Through every defect both ways, and one of each zone through nothing but clear points.
BOOM_CUTS = (Cut(station=4), Cut(position=1), Cut(station=9), Cut(station=13), Cut(position=7))
SEAT_CUTS = (Cut(station=10), Cut(position=8), Cut(station=4), Cut(station=20), Cut(position=11))

# A hand that leans now and then, a microphone that wanders over a bench, a fan and a knock.
DEMO_TAPS = TapScene(
    sample_rate_hz=24_000.0,
    lead_s=0.05,
    interval_s=0.18,
    tail_s=0.11,
    interval_spread_s=0.004,
    tilt_db_octave=0.6,
    bench_share=0.3,
    bench_path_mm=120.0,
    microphone_spread=0.1,
    snr_db=30.0,
    noise_slope_db_octave=-3.0,
    click_share=0.05,
)
DEMO_ASCANS = AScanScene(samples=400)

# Points counted from 1, as (station, position).
SILENT_TAP = (6, 8)  # the microphone's plug had slipped
CLIPPED_TAP = (11, 4)  # the recorder's gain was knocked
MISSING_TAP = (15, 3)
SATURATED_TRACE = (3, 14)
MISSING_TRACES = ((22, 2), (22, 3))


def demo_files(progress: Callable[[int, int], None] | None = None) -> dict[str, bytes]:
    """Compute every file of the demo inspection: name below the folder to content.

    `progress` is called now and then with how many of how many points are done. The same bytes come out every
    time.
    """
    plan = parse_plan(DEMO_PLAN)
    boom, seat = plan.zones
    recordings = simulate_taps(boom, BOOM_DEFECTS, DEMO_TAPS, DEMO_SEED, progress)
    taps = tap_files(boom, replace(recordings, samples=_mishandled(recordings)))
    del taps[f"taps/{boom.code}-{MISSING_TAP[0]:02d}-{MISSING_TAP[1]:02d}.wav"]
    volume = simulate_ascans(seat, SEAT_DEFECTS, DEMO_ASCANS, DEMO_SEED)
    traces = ascan_files(seat, replace(volume, samples=_badly_coupled(volume)))
    junction = junction_files(DEMO_SEED)
    text = DEMO_PLAN + junction_zone_text(junction[PHOTO_NAME])
    return {PLAN_FILE: text.encode(), "findings.csv": _findings(boom, seat), **taps, **traces, **junction}


def _findings(boom: "Zone", seat: "Zone") -> bytes:
    """Write down what sectioning would have shown: invented, as the notes in it say."""
    lines = cut_findings(boom, BOOM_DEFECTS, BOOM_CUTS, DEMO_SEED)
    lines += cut_findings(seat, SEAT_DEFECTS, SEAT_CUTS, DEMO_SEED)
    return "".join(f"{line}\n" for line in [FINDINGS_HEADER, *lines]).encode()


def _mishandled(recordings: TapRecordings) -> "NDArray[np.float32]":
    samples = recordings.samples.copy()
    samples[_index(SILENT_TAP)] = 0.0
    samples[_index(CLIPPED_TAP)] *= 30.0
    return samples


def _badly_coupled(volume: AScanVolume) -> "NDArray[np.float32]":
    samples = volume.samples.copy()
    samples[_index(SATURATED_TRACE)] = np.clip(samples[_index(SATURATED_TRACE)] * 6.0, -1.0, 1.0)
    for point in MISSING_TRACES:
        samples[_index(point)] = np.nan
    return samples


def _index(point: tuple[int, int]) -> tuple[int, int]:
    return point[0] - 1, point[1] - 1
