"""A mirror image shows what a zone's own readings cannot: damage all round its stations."""

from dataclasses import replace

import numpy as np
import pytest
from scipy.stats import binom

import tapscan
from tapscan.errors import TapscanError
from tapscan.plan.reading import parse_plan
from tapscan.screening import differences
from tapscan.screening.baselines import Baseline, Terms
from tapscan.screening.indications import find_indications, label_areas
from tapscan.screening.twins import matched
from tapscan.synth import Defect, TapScene, simulate_taps, write_inspection
from tapscan.synth import tap_files as files_of
from tapscan.synth import taps as simulator
from tests.screening.parts import TAPS

PLAN = """
[laminate]
thickness_mm = 1.6
modulus_gpa = 60.0
poisson = 0.3
density_kg_m3 = 1550.0
"""
ZONE = """
[[zone]]
code = "{code}"
shape = "tube"
stations = 24
positions = 8
station_pitch_mm = 10.0
girth_mm = 120.0
{extra}
"""
ALL_ROUND = [Defect(x, s, 14.0, 0.5) for x in (85.0, 105.0, 125.0) for s in range(0, 120, 12)]


def _write(folder, monkeypatch, defects, left_out=0):
    """Two sides of one kind of part, struck each in its own way; positions of R count the other way round."""
    plan = PLAN + ZONE.format(code="L", extra='mirror_of = "R"') + ZONE.format(code="R", extra="")
    left, right = parse_plan(plan).zones
    original = simulator.generator
    files = {}
    for visit, zone in enumerate((left, right)):

        def drawn(seed, name, _code, *place, visit=visit):
            return original(seed if name == "part" else seed + 1 + visit, name, "L", *place)

        monkeypatch.setattr(simulator, "generator", drawn)
        heard = simulate_taps(zone, defects if zone is left else [], TapScene(taps=2), seed=5)
        if zone is right:
            turned = heard.samples[:, (-np.arange(8)) % 8]
            heard = simulator.TapRecordings(turned, heard.sample_rate_hz, heard.onset_s)
        files |= files_of(zone, heard)
    for name in [name for name in files if name.startswith("taps/R")][:left_out]:
        del files[name]
    write_inspection(folder, {**files, "inspection.toml": plan.encode()})
    return tapscan.analyse(tapscan.open_inspection(folder))


@pytest.mark.slow
def test_damage_all_round_shows_beside_the_mirror_image(tmp_path, monkeypatch):
    results = _write(tmp_path / "part", monkeypatch, ALL_ROUND)
    left = results.screened[0]
    assert "mirror-image zone R" in left.baseline
    damaged = np.zeros((24, 8), dtype=bool)
    damaged[8:13] = True
    suspect = left.status == "suspect"
    assert suspect[damaged].mean() > 0.8
    assert suspect[:6].mean() + suspect[16:].mean() < 0.06
    plan = results.inspection.plan
    alone = replace(plan, zones=tuple(replace(zone, mirror_of=None) for zone in plan.zones))
    own = tapscan.analyse(replace(results.inspection, plan=alone)).screened[0]
    assert (own.status == "suspect")[damaged].mean() < 0.4
    assert left.indications[0].area_mm2 > 0.6 * 50 * 120
    # The evidence is the twin's: its own spectrum, which the zone does not share where it is damaged.
    twin = left.evidence.twin
    assert twin.source == "the mirror-image zone R"
    right = results.screened[1].evidence.spectrum_db[:, (-np.arange(8)) % 8]
    moved = (twin.spectrum_db - right)[twin.decided]  # by what the two usually differ by, band for band
    np.testing.assert_allclose(moved, np.broadcast_to(moved[0], moved.shape), atol=1e-9)
    away = np.abs(left.evidence.spectrum_db - twin.expected_db) / twin.spread_db
    assert np.median(away[damaged & twin.decided]) > 2 * np.median(away[~damaged & twin.decided])
    assert np.median(away[~damaged & twin.decided]) < 1
    assert own.evidence.twin is None


def _sides(folder, monkeypatch, seed):
    """Left and right of one kind of tube, both sound: wall, tapper, level, noise and strikes differ."""
    original = simulator.generator
    text = PLAN + ZONE.format(code="L", extra='mirror_of = "R"') + ZONE.format(code="R", extra="")
    text = text.replace("positions = 8", "positions = 12").replace("stations = 24", "stations = 14")
    text += "thickness_mm = 1.64"  # of R, which is last
    files = {}
    scenes = TAPS, replace(TAPS, level=0.12, contact_stiffness_mn_m=5.4, snr_db=32.0)
    for side, (zone, scene) in enumerate(zip(parse_plan(text).zones, scenes, strict=True)):

        def drawn(seed, name, _code, *place, side=side):
            return original(seed if name == "part" else seed + 1000 * (1 + side), name, "BM", *place)

        monkeypatch.setattr(simulator, "generator", drawn)
        heard = simulate_taps(zone, [], scene, seed)
        turn = (-np.arange(12)) % 12 if side else np.arange(12)
        files |= files_of(
            zone, replace(heard, samples=heard.samples[:, turn], onset_s=heard.onset_s[:, turn])
        )
    write_inspection(folder, {**files, "inspection.toml": text.encode()})
    return tapscan.analyse(tapscan.open_inspection(folder)).screened[0]


@pytest.mark.slow
def test_sound_sides_that_are_not_quite_alike_get_the_false_calls_asked_for(tmp_path, monkeypatch):
    told = [_sides(tmp_path / str(seed), monkeypatch, seed) for seed in range(300, 306)]
    assert all("mirror-image zone R" in one.baseline for one in told)
    assert sum(len(one.indications) for one in told) <= 1
    p_value = np.array([one.p_value for one in told])
    for rate in (0.05, 0.01):
        calls = int((p_value < rate).sum())
        low, high = binom.ppf(1e-3, p_value.size, rate / 2), binom.isf(1e-3, p_value.size, 2 * rate)
        assert low <= calls <= high, f"{calls} of {p_value.size} called at {rate}"


@pytest.mark.slow
def test_too_few_partners_fall_back_with_a_warning(tmp_path, monkeypatch):
    results = _write(tmp_path / "part", monkeypatch, [], left_out=160)
    assert "the zone itself" in results.screened[0].baseline
    assert any("good partner in the mirror-image zone R" in text for text in results.summary["warnings"])


def test_other_girths_and_shapes_are_no_twins():
    tube = parse_plan(ZONE.format(code="L", extra="")).zones[0]
    wide = parse_plan(ZONE.format(code="R", extra="").replace("120.0", "150.0")).zones[0]
    with pytest.raises(TapscanError, match=r"has a girth of 120 mm, its twin of 150 mm"):
        matched(tube, wide)


def test_mirrored_twice_is_the_zone_itself():
    tube = parse_plan(ZONE.format(code="L", extra="")).zones[0]
    match = matched(tube, tube, is_mirror=True)
    assert match.found.all()
    once = match.position[0]
    assert (once[once] == np.arange(8)).all()
    assert once.tolist() == [0, 7, 6, 5, 4, 3, 2, 1]


def _end_warnings(station_db, *blocks):
    """Warnings for areas of a tube whose stations differ so much from their twins."""
    (zone,) = parse_plan(PLAN + ZONE.format(code="L", extra="")).zones
    suspect = np.zeros(zone.grid_shape, dtype=bool)
    for block in blocks:
        suspect[block] = True
    areas = label_areas(suspect, closed=True)
    found = find_indications(zone, "tap", areas, np.where(suspect, 2.0, 0.2), ~suspect & False)
    expected = np.repeat(np.asarray(station_db), 8)[:, None] * [1.0, -1.0]
    terms = Terms(np.eye(192), np.zeros((192, 192)), (24, 8), closed=True)
    ones = np.ones((192, 2))
    kept = np.ones(192, dtype=bool)
    baseline = Baseline(terms, expected, ones[:, 0], kept, ones, np.eye(2), ones, ones[:, 0])
    return differences._end_warnings(zone, found, baseline, "the inspection earlier")


def test_an_indication_at_an_end_is_doubted_where_stations_sound_as_with_another_tapper():
    at_end, within, long = np.s_[:2, 2:5], np.s_[10:12, 2:5], np.s_[20:, 5:7]
    another = np.where(np.arange(24) < 12, 0.6, -0.6)
    (warning,) = _end_warnings(another, at_end, within, long)
    assert warning.startswith("zone L: its stations sound 0.6 dB otherwise than in the inspection earlier")
    assert warning.endswith("(tap the ends again with the tapper used there)")
    assert ": L-T2 (" in warning  # the largest reaches further in, the smallest lies within
    assert _end_warnings(another, within, long) == []
    assert _end_warnings(another / 6, at_end) == []  # as when one tapper comes twice
    assert _end_warnings(another + 3, at_end) != []
    assert _end_warnings(np.full(24, 3.0), at_end) == []  # another recorder
