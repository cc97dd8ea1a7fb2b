"""The demo's junction: its photo, its plan, its truth, and what is found of it."""

import numpy as np
import pytest

import tapscan
from tapscan.pictures import picture_facts
from tapscan.plan.photos.cells import cells_of
from tapscan.plan.photos.scale import area_share, polygon_area, tilt_deg, to_mm
from tapscan.plan.surfaces import block_mask, placed
from tapscan.plan.text.reading import read_plan
from tapscan.synth.demo import DEMO_PLAN, DEMO_SEED
from tapscan.synth.folder import write_inspection
from tapscan.synth.rendered import junction


@pytest.fixture(scope="module")
def part(tmp_path_factory):
    folder = tmp_path_factory.mktemp("lug") / "part"
    files = junction.junction_files(DEMO_SEED)
    head, tail = DEMO_PLAN[: DEMO_PLAN.index("[[zone]]")], DEMO_PLAN[DEMO_PLAN.index("[ascan]") :]
    text = head + tail + junction.junction_zone_text(files[junction.PHOTO_NAME])
    write_inspection(folder, {"inspection.toml": text.encode(), **files})
    return folder


@pytest.fixture(scope="module")
def zone(part):
    return read_plan(part).zones[0]


def test_photo_and_recordings_are_small(part):
    assert (part / "ascans" / "LG.npy").stat().st_size < 1_500_000
    assert (part / "photos" / "lug.png").stat().st_size < 500_000
    facts = picture_facts(part / "photos" / "lug.png", "the photo")
    assert (facts.width_px, facts.height_px, facts.has_place) == (960, 720, False)


def test_the_scale_gives_the_lug_its_size(zone):
    at_mm = cells_of(zone.layout).at_mm
    names = [(one.station, one.position) for one in zone.layout.points]
    true = (np.array(names) - 0.5) * junction.PITCH_MM
    # Written to a tenth of a pixel, of which a millimetre has six.
    apart, true_apart = (np.linalg.norm(a[:, None] - a[None], axis=2) for a in (at_mm, true))
    assert apart == pytest.approx(true_apart, abs=0.1)
    outline = polygon_area(to_mm(zone.layout, np.array(zone.layout.outline_px)))
    lug = (junction.LENGTH_MM - 30.0) * junction.HEIGHT_MM + np.pi * 30.0**2 / 2
    assert abs(outline) == pytest.approx(lug, rel=0.01)
    assert area_share(zone.layout) < 0.15
    assert tilt_deg(zone.layout) == pytest.approx(junction._TILT_DEG, abs=3.0)
    assert cells_of(zone.layout).is_lattice


def test_bonded_points_are_those_before_the_insert(zone):
    x = (np.arange(junction.STATIONS) + 0.5) * junction.PITCH_MM
    behind = (x >= junction.INSERT_MM[0]) & (x <= junction.INSERT_MM[1])
    there = placed(zone)
    assert (
        block_mask(zone, zone.bonded)[there] == np.broadcast_to(behind[:, None], there.shape)[there]
    ).all()


def test_the_delamination_and_the_insert_that_came_off_are_found_and_sized(part):
    results = tapscan.analyse(tapscan.open_inspection(part))
    off, split = sorted(results.indications, key=lambda one: one.kind, reverse=True)
    assert (off.kind, split.kind) == ("disbond", "delamination")
    for found, true in zip((split, off), junction.JUNCTION_DEFECTS, strict=True):
        assert found.depth_mm == pytest.approx(true.depth_mm, abs=0.1)
        assert found.area_mm2 == pytest.approx(np.pi * true.radius_mm**2, rel=0.15)
        assert found.area_low_mm2 < np.pi * true.radius_mm**2 < found.area_high_mm2
        assert np.mean(found.x_mm) == pytest.approx(true.x_mm, abs=2.0)
        assert np.mean(found.s_mm) == pytest.approx(true.s_mm, abs=2.0)
