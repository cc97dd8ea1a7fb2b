"""The demo's known piece: an invented offcut with a patch known to be delaminated, checked repeatedly."""

from dataclasses import replace

import numpy as np

from tapscan.plan.surfaces import block_mask
from tapscan.plan.text.reading import parse_plan
from tapscan.synth.ascans import AScanScene, simulate_ascans
from tapscan.synth.defects import Defect
from tapscan.synth.demo import DEMO_SEED, DEMO_TAPS
from tapscan.synth.folder import PLAN_FILE, ascan_files, tap_files
from tapscan.synth.seeds import generator
from tapscan.synth.taps import simulate_taps

__all__ = ["EARLIER", "PIECE_PLAN", "check_files"]

PIECE_PLAN = r"""# Known piece of the demo inspection, made by: tapscan demo DIR
# SYNTHETIC: every recording here was computed. There is no such piece.

[part]
name = "Demo known piece (synthetic)"
history = "Synthetic demonstration data made by tapscan demo; no real piece. Two sheets of film in an offcut."

[laminate]
thickness_mm = 2.4
modulus_gpa = 60.0
poisson = 0.3
density_kg_m3 = 1550.0
velocity_m_s = 2950.0

[[zone]]
code = "KP"
name = "Offcut"
shape = "panel"
stations = 5
positions = 5
station_pitch_mm = 10.0
position_pitch_mm = 10.0
skip = ["02-02", "02-04", "04-02", "04-04"]   # on the rim of the film: neither sound nor delaminated

[[zone.known]]
points = ["01-01:01-05", "02-01", "02-05", "03-01", "03-05", "04-01", "04-05", "05-01:05-05"]
state = "sound"
thickness_mm = 2.4

[[zone.known]]
points = ["02-03", "03-02:03-04", "04-03"]
state = "delaminated"
depth_mm = 0.4
size_mm = 28.0

[tap]
taps_per_point = 2

[ascan]
sample_rate_mhz = 100.0
centre_frequency_mhz = 5.0
"""

EARLIER = 7  # checks in the piece's history before the two of the demo
# The seed is another than the demo's, so that the piece's streams are, too.
_SEED = DEMO_SEED + 1000
_PATCH = Defect(x_mm=25.0, s_mm=20.0, radius_mm=14.0, depth_mm=0.4)


def check_files(visit: int) -> dict[str, bytes]:
    """Compute the plan and the recordings of one check of the piece, by name; equal visits, equal bytes.

    From visit to visit the microphone is a few millimetres elsewhere, the hand a little stronger or weaker,
    the probe coupled anew.
    """
    zone = parse_plan(PIECE_PLAN).zones[0]
    hand = generator(_SEED, "visit", zone.code, visit).standard_normal(4)
    scene = replace(
        DEMO_TAPS,
        taps=2,
        interval_s=0.12,
        tail_s=0.06,
        click_share=0.0,
        level=DEMO_TAPS.level * float(np.exp(0.06 * hand[0])),
        speed_m_s=DEMO_TAPS.speed_m_s * float(np.exp(0.05 * hand[1])),
        contact_stiffness_mn_m=DEMO_TAPS.contact_stiffness_mn_m * float(np.exp(0.05 * hand[2])),
    )
    probe = AScanScene(samples=400, level=0.5 * float(np.exp(0.05 * hand[3])))
    taps = simulate_taps(zone, [_PATCH], scene, _SEED, visit=visit)
    volume = simulate_ascans(zone, [_PATCH], probe, _SEED + visit)
    samples = volume.samples.copy()
    samples[block_mask(zone, zone.skip)] = np.nan
    return {
        PLAN_FILE: PIECE_PLAN.encode(),
        **tap_files(zone, taps),
        **ascan_files(zone, replace(volume, samples=samples)),
    }
