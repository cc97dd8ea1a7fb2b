"""An archive of small sectioned parts, simulated: something to learn a probability of detection from.

Each part has a tapped tube and a scanned panel with one delamination each, of sizes spread evenly in their
logarithm from hopeless to plain. Afterwards each is taken apart ply by ply, so that all of it is known.
"""

from collections.abc import Iterator

import numpy as np

from tapscan.plan.text.reading import parse_plan
from tapscan.synth.ascans import AScanScene, simulate_ascans
from tapscan.synth.defects import Defect
from tapscan.synth.folder import PLAN_FILE, ascan_files, tap_files
from tapscan.synth.saw import FINDINGS_HEADER, taken_apart
from tapscan.synth.seeds import generator
from tapscan.synth.taps import TapScene, simulate_taps

__all__ = ["FLEET_SEED", "fleet"]

FLEET_SEED = 60_607

_PLAN = """# SYNTHETIC: part {number} of a simulated archive, made by: tapscan demo DIR --parts N
# There is no such part, and nothing was cut.

[part]
name = "Simulated part {number:03d} (synthetic)"
serial = "SYNTHETIC-{number:03d}"
inspector = "the simulator"

[laminate]
thickness_mm = 1.6
modulus_gpa = 60.0
poisson = 0.3
density_kg_m3 = 1550.0
velocity_m_s = 2950.0

[[zone]]
code = "BM"
shape = "tube"
stations = 12
positions = 10
station_pitch_mm = 10.0
girth_mm = 100.0

[[zone]]
code = "SP"
shape = "panel"
stations = 14
positions = 12
station_pitch_mm = 4.0
position_pitch_mm = 4.0

[tap]
taps_per_point = 2

[ascan]
sample_rate_mhz = 100.0
centre_frequency_mhz = 5.0
beam_mm = 5.0
"""

_TAPS = TapScene(
    sample_rate_hz=24_000.0,
    taps=2,
    lead_s=0.05,
    interval_s=0.18,
    tail_s=0.11,
    interval_spread_s=0.004,
    snr_db=35.0,
)
_ASCANS = AScanScene(samples=320)
# Smallest and largest radius, and depths.
_TUBE_RADII_MM, _TUBE_DEPTHS_MM = (4.0, 16.0), (0.3, 0.8)
_PANEL_RADII_MM, _PANEL_DEPTHS_MM = (0.8, 5.0), (0.5, 1.1)


def fleet(
    count: int, seed: int = FLEET_SEED, *, tapped: bool = True
) -> Iterator[tuple[str, dict[str, bytes]]]:
    """Yield so many parts, each a name and its files by their names; the same seed gives the same bytes.

    Without taps (`tapped` false) the rest is the same, and ready sooner.

    Examples
    --------
    >>> name, files = next(fleet(1))
    >>> name, len(files), "findings.csv" in files
    ('part-001', 123, True)
    """
    for number in range(1, count + 1):
        plan = _PLAN.format(number=number)
        tube, panel = parse_plan(plan).zones
        rng = generator(seed, "fleet", "", number)
        in_tube, in_panel = _defect(rng, tube.code), _defect(rng, panel.code)
        own_seed = int(rng.integers(2**31))
        lines = [
            FINDINGS_HEADER,
            *taken_apart(tube, in_tube, own_seed),
            *taken_apart(panel, in_panel, own_seed),
        ]
        taps = tap_files(tube, simulate_taps(tube, in_tube, _TAPS, own_seed)) if tapped else {}
        yield (
            f"part-{number:03d}",
            {
                PLAN_FILE: plan.encode(),
                "findings.csv": "".join(f"{line}\n" for line in lines).encode(),
                **taps,
                **ascan_files(panel, simulate_ascans(panel, in_panel, _ASCANS, own_seed)),
            },
        )


def _defect(rng: np.random.Generator, code: str) -> tuple[Defect, ...]:
    """Draw a delamination well inside the zone; on the tube anywhere round it, across the datum line too."""
    radii, depths = (_TUBE_RADII_MM, _TUBE_DEPTHS_MM) if code == "BM" else (_PANEL_RADII_MM, _PANEL_DEPTHS_MM)
    radius_mm = float(np.exp(rng.uniform(*np.log(radii))))
    depth_mm = float(rng.uniform(*depths))
    along, across = rng.random(2)
    if code == "BM":
        return (Defect(25.0 + 70.0 * along, 100.0 * across, radius_mm, depth_mm),)
    return (Defect(10.0 + 36.0 * along, 10.0 + 24.0 * across, radius_mm, depth_mm),)
