"""Tubes from the second simulator, which shares no code with the one that tapscan carries."""

import numpy as np
import pytest

from tapscan.plan import parse_point
from tests.independent.shell import Defect
from tests.independent.taps import tap_inspection
from tests.screening.parts import analysed

NEAR_MM = 10.0  # a tap this near to a rim hears the defect


@pytest.mark.slow
@pytest.mark.parametrize("seed", [0, 1])
def test_a_delamination_across_the_seam_is_found(tmp_path, seed):
    truth = tap_inspection(tmp_path, defects=(Defect(60, 118, 20, 0.5),), seed=seed, stations=16)
    (result,) = analysed(tmp_path).screened
    rims = [
        np.array([truth.rim_mm[p.station - 1, p.position - 1] for p in map(parse_point, one.points)])
        for one in result.indications
    ]
    found = [one for one, rim in zip(result.indications, rims, strict=True) if (rim < 0).any()]
    assert len(found) == 1
    assert found[0].s_mm[1] < found[0].s_mm[0]
    assert found[0].area_low_mm2 <= np.pi * 20**2 <= found[0].area_high_mm2
    assert sum((rim > NEAR_MM).all() for rim in rims) <= 1
    inside = truth.is_delaminated
    assert (result.status[inside] == "suspect").mean() > 0.6


@pytest.mark.slow
def test_a_sound_tube_has_at_most_one_indication(tmp_path):
    tap_inspection(tmp_path, defects=(), seed=1, stations=16)
    (result,) = analysed(tmp_path).screened
    assert len(result.indications) <= 1
    assert result.count("unread") == 0
    # 2 of 192 points are asked for; 8 are beyond a factor of two and what chance adds to that.
    assert result.count("suspect") <= 10
