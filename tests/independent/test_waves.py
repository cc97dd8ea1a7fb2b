"""Lines of A-scans that a general full-wave acoustics library made: `make_waves` states how."""

from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest

import tapscan
from tests.independent.make_waves import LINE_MM, PITCH_MM, RATE_MHZ

ROWS = 12  # the line beside itself: the waves know two dimensions only
NOISE = 0.01  # of the front-surface echo


def analysed(folder, name, bonded=""):
    """Analyse a zone whose positions are all the same line, each with noise of its own."""
    line = np.load(Path(__file__).parent / "waves.npz")[name]
    rng = np.random.default_rng([len(name), 5])
    traces = np.repeat(line[:, None], ROWS, axis=1)
    front = np.abs(line[:, : round(RATE_MHZ)]).max()
    traces = traces + NOISE * front * rng.normal(size=traces.shape)
    (folder / "ascans").mkdir()
    np.save(folder / "ascans" / "BM.npy", traces.astype(np.float32))
    (folder / "inspection.toml").write_text(
        f"""[laminate]
thickness_mm = 2.0
velocity_m_s = 2950.0
[[zone]]
code = "BM"
shape = "panel"
stations = {LINE_MM // PITCH_MM}
positions = {ROWS}
station_pitch_mm = {PITCH_MM}
position_pitch_mm = {PITCH_MM}
{bonded}
[ascan]
sample_rate_mhz = {RATE_MHZ}
""",
        encoding="utf-8",
    )
    (screened,) = tapscan.analyse(tapscan.open_inspection(folder)).screened
    return screened


def rims_mm(one):
    """Where the outline crosses the middle of the zone, from the lowest x to the highest."""
    middle, crossed = (ROWS - 1) / 2 * PITCH_MM, []
    for ring in one.outline:
        points = np.array([*ring, ring[0]])
        for (x0, s0), (x1, s1) in pairwise(points):
            if (s0 < middle) != (s1 < middle):
                crossed.append(x0 + (x1 - x0) * (middle - s0) / (s1 - s0))
    return min(crossed), max(crossed)


def inside(screened, column, from_mm, to_mm):
    """Return a feature at the stations between two places, a probe's width of 3 mm away from either."""
    x_mm = (np.arange(LINE_MM // PITCH_MM) + 0.5) * PITCH_MM
    return screened.features[column][(x_mm > from_mm + 2) & (x_mm < to_mm - 2)]


def test_rims_and_depth_of_a_delamination(tmp_path):
    screened = analysed(tmp_path, "rim")
    (one,) = screened.indications
    assert rims_mm(one) == pytest.approx((15.0, 24.0), abs=0.7)
    assert inside(screened, "depth_mm", 15, 24) == pytest.approx(1.0, abs=0.03)
    assert inside(screened, "thickness_mm", 26, 40) == pytest.approx(2.0, abs=0.03)


def test_a_step_of_thickness_is_no_damage(tmp_path):
    screened = analysed(tmp_path, "step")
    assert screened.indications == ()
    assert inside(screened, "thickness_mm", 0, 20) == pytest.approx(2.0, abs=0.03)
    assert inside(screened, "thickness_mm", 20, 40) == pytest.approx(1.625, abs=0.03)


def test_a_delamination_where_plies_end_above_it(tmp_path):
    screened = analysed(tmp_path, "under_a_drop")
    (one,) = screened.indications
    assert rims_mm(one) == pytest.approx((15.0, 26.0), abs=0.7)
    assert inside(screened, "depth_mm", 15, 26) == pytest.approx(0.75, abs=0.03)
    assert inside(screened, "thickness_mm", 28, 40) == pytest.approx(1.625, abs=0.03)


@pytest.mark.xfail(strict=True, reason="known: the disbond's score is 0.5 to 0.7, 1 is the limit")
def test_an_insert_that_has_come_off(tmp_path):
    screened = analysed(tmp_path, "insert", bonded=f'bonded = ["09-01:36-{ROWS}"]')
    (one,) = screened.indications
    assert one.kind == "disbond"
    assert rims_mm(one) == pytest.approx((15.0, 24.0), abs=0.7)
    assert one.depth_mm == pytest.approx(2.0, abs=0.03)
