"""Sizes measured by taps on a tapered tube, across the seam: the bounds hold the true area."""

import numpy as np
import pytest
from scipy.stats import binom

from tapscan.plan import parse_point
from tapscan.synth import Defect, true_mask
from tests.screening import parts

COVERAGE = 0.9


@pytest.mark.slow
def test_bounds_hold_the_true_area_on_a_taper_across_the_seam(tmp_path, monkeypatch):
    """Eight of the tubes on which 23 of 23 held; what is asked for is nine in ten, less what chance takes."""
    monkeypatch.setattr(
        parts, "TUBE", parts.TUBE.replace("girth_mm = 120.0", "girth_start_mm = 130.0\ngirth_end_mm = 100.0")
    )
    held, tubes = 0, 8
    for seed in range(400, 400 + tubes):
        rng = np.random.default_rng(seed)
        radius_mm, x_mm, depth_mm = rng.uniform(14, 24), rng.uniform(35, 105), rng.uniform(0.4, 0.7)
        defect = Defect(x_mm, rng.uniform(-8, 8) % (130 - 30 * x_mm / 140), radius_mm, depth_mm)
        plan, zone, recordings = parts.tapped([defect], seed=seed, stations=14)
        (result,) = parts.analysed(parts.write_tapped(tmp_path / str(seed), plan, zone, recordings)).screened
        inside = true_mask(zone, [defect])
        hits = [
            one
            for one in result.indications
            if any(inside[p.station - 1, p.position - 1] for p in map(parse_point, one.points))
        ]
        low_mm2, high_mm2 = sum(one.area_low_mm2 for one in hits), sum(one.area_high_mm2 for one in hits)
        held += low_mm2 <= np.pi * radius_mm**2 <= high_mm2
    assert held >= binom.ppf(0.05, tubes, COVERAGE)
