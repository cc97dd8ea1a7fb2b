"""Plans for the simulator's tests, as an inspector would write them."""

from tapscan.plan.text.reading import parse_plan
from tapscan.plan.zones import Zone

LAMINATE = """
thickness_mm = 1.6
modulus_gpa = 60.0
poisson = 0.3
density_kg_m3 = 1550.0
velocity_m_s = 2950.0
"""


def tube(
    stations: int = 8, positions: int = 12, girth: str = "girth_mm = 120.0", laminate: str = LAMINATE
) -> Zone:
    return _zone("tube", stations, positions, f"station_pitch_mm = 10\n{girth}{laminate}")


def panel(stations: int = 8, positions: int = 8, pitch_mm: float = 5.0, laminate: str = LAMINATE) -> Zone:
    pitches = f"station_pitch_mm = {pitch_mm}\nposition_pitch_mm = {pitch_mm}"
    return _zone("panel", stations, positions, f"{pitches}{laminate}")


def _zone(shape: str, stations: int, positions: int, rest: str) -> Zone:
    grid = f'shape = "{shape}"\nstations = {stations}\npositions = {positions}'
    return parse_plan(f'[[zone]]\ncode = "A"\n{grid}\n{rest}').zones[0]
