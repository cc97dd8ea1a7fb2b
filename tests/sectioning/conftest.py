"""A small plan and made-up screenings: what was called is given, so that comparing can be judged by hand."""

import numpy as np
import pytest

from tapscan.plan.text.reading import parse_plan
from tapscan.screening.results import CLEAR, SKIPPED, SUSPECT, UNREAD, Indication, Screened

PLAN = """
[laminate]
thickness_mm = 1.6
modulus_gpa = 60.0
poisson = 0.3
density_kg_m3 = 1550.0
velocity_m_s = 2950.0

[[zone]]
code = "BM"
shape = "tube"
stations = 8
positions = 12
station_pitch_mm = 10.0
girth_mm = 120.0
skip = ["08-12"]

[[zone]]
code = "SP"
shape = "panel"
stations = 6
positions = 8
station_pitch_mm = 5.0
position_pitch_mm = 5.0

[ascan]
sample_rate_mhz = 100.0
centre_frequency_mhz = 5.0
beam_mm = 5.0
"""


@pytest.fixture(scope="session")
def plan():
    return parse_plan(PLAN)


@pytest.fixture
def screened(plan):
    """Make a screening of a zone: suspect points by name, groups of them being indications."""

    def make(code="BM", indications=(), lone=(), unread=(), method="tap", scores=None, depth_mm=None):
        zone = plan.zone(code)
        status = np.full(zone.grid_shape, CLEAR, dtype="U8")
        reason = np.full(zone.grid_shape, "", dtype="U20")
        score = np.full(zone.grid_shape, 0.4)
        for names in (*indications, *((name,) for name in lone)):
            for name in names:
                status[at(name)], score[at(name)] = SUSPECT, 2.0
        for name in unread:
            status[at(name)], reason[at(name)], score[at(name)] = UNREAD, "silent", np.nan
        for name, value in (scores or {}).items():
            score[at(name)] = value
        for block in zone.skip:
            status[block.first_station - 1, block.first_position - 1] = SKIPPED
            score[block.first_station - 1, block.first_position - 1] = np.nan
        return Screened(
            zone=zone,
            method=method,
            status=status,
            reason=reason,
            score=score,
            p_value=np.exp(-score),
            is_reference=np.zeros(zone.grid_shape, dtype=bool),
            features={},
            indications=tuple(
                indication(f"{code}-{'T' if method == 'tap' else 'A'}{n}", names, method, depth_mm)
                for n, names in enumerate(indications, 1)
            ),
            baseline="made up",
            evidence=None,
        )

    return make


def at(name):
    _, station, position = name.split("-")
    return int(station) - 1, int(position) - 1


def indication(name, points, method, depth_mm):
    area = 100.0 * len(points)
    return Indication(
        id=name,
        zone=points[0].split("-")[0],
        method=method,
        points=tuple(points),
        area_mm2=area,
        area_low_mm2=0.5 * area,
        area_high_mm2=1.5 * area,
        x_mm=(0.0, 10.0),
        s_mm=(0.0, 10.0),
        depth_mm=depth_mm,
        peak_point=points[0],
        score=2.0,
        outline=(((0.0, 0.0), (10.0, 0.0), (10.0, 10.0)),),
    )
