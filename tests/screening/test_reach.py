import pytest

from tapscan.plan.text.reading import parse_plan
from tapscan.screening.reach import ascan_outlook, outlook_of, pitch_mm, tap_outlook

WALL = "[laminate]\nthickness_mm = 1.6\nmodulus_gpa = 60.0\ndensity_kg_m3 = 1550.0\n"
TUBE = '[[zone]]\ncode = "BM"\nshape = "tube"\nstations = 40\npositions = 12\nstation_pitch_mm = 10.0\n'


def outlook(text):
    plan = parse_plan(text)
    return tap_outlook(plan, plan.zones[0])


def test_every_depth_is_reported_and_an_even_grid_is_no_warning():
    found = outlook(WALL + TUBE + "girth_mm = 120.0\n")
    assert [one.reach.depth_mm for one in found.detectable] == pytest.approx([0.2 * k for k in range(1, 8)])
    assert found.warnings == ()
    assert found.detectable[0].reach.limit == "the pitch"


def test_a_pitch_wider_than_what_could_be_found_is_a_warning():
    (warning,) = outlook(WALL + TUBE + "girth_mm = 300.0\n").warnings
    assert warning == (
        "zone BM: points are up to 25 mm apart, and a delamination 0.4 mm deep can be found from 7.5 mm "
        "across: most of these fall between points (narrow the pitch)"
    )


def test_missing_keys_are_named_with_what_they_are_for():
    found = outlook(WALL.replace("modulus_gpa = 60.0\n", "") + TUBE + "girth_mm = 120.0\n")
    assert found.detectable == ()
    assert "is not known without modulus_gpa (say them under [laminate]" in found.warnings[0]


def test_the_plans_tapper_counts():
    plain, heavy = (
        outlook(WALL + TUBE + "girth_mm = 120.0\n" + more) for more in ("", "[tap]\ntapper_mass_g = 30.0\n")
    )
    assert heavy.tapper.mass_g == 30.0
    assert heavy.detectable[1].softness_mm > plain.detectable[1].softness_mm


def test_the_widest_girth_sets_the_pitch():
    text = TUBE + "girth_start_mm = 80.0\ngirth_end_mm = 160.0\n"
    assert pitch_mm(parse_plan(text).zones[0]) == (10.0, pytest.approx(159.0 / 12))


PROBE = WALL.replace("[laminate]\n", "[laminate]\nvelocity_m_s = 2950.0\n") + TUBE + "girth_mm = 120.0\n"


def scanned(more):
    plan = parse_plan(PROBE + more)
    return ascan_outlook(plan, plan.zones[0])


def test_ascans_are_reported_of_when_the_plan_says_enough():
    outlook = scanned("[ascan]\ncentre_frequency_mhz = 5.0\n").detectable
    assert 0 < outlook.shallowest_mm < outlook.deepest_mm < 1.6
    assert outlook.reach.limit == "the pitch"
    silent = scanned("")
    assert silent.detectable is None
    assert "what A-scans can find is not known without centre_frequency_mhz (say" in silent.warnings[0]


def test_a_beam_narrower_than_the_pitch_and_a_wall_thinner_than_the_pulse_are_warnings():
    assert scanned("[ascan]\ncentre_frequency_mhz = 5.0\nbeam_mm = 12.0\n").warnings == ()
    (gaps,) = scanned("[ascan]\ncentre_frequency_mhz = 5.0\nbeam_mm = 4.0\n").warnings
    assert gaps == (
        "zone BM: points are up to 10 mm apart and the beam is 4 mm wide: a delamination may be between "
        "them (narrow the pitch to the beam's width)"
    )
    (thin,) = scanned("[ascan]\ncentre_frequency_mhz = 2.0\n").warnings
    assert "the wall is thinner than two lengths of the pulse" in thin


def test_a_tube_promises_less_than_a_panel_and_its_narrowest_girth_counts():
    panel = TUBE.replace("tube", "panel") + "position_pitch_mm = 10.0\n"
    tubes = ["girth_mm = 120.0\n", "girth_start_mm = 122.0\ngirth_end_mm = 242.0\n", "girth_mm = 60.0\n"]
    flat, *curved = (outlook(WALL + zone) for zone in (panel, *(TUBE + girth for girth in tubes)))
    radii = [[one.detectable_mm for one in each.detectable] for each in (flat, *curved)]
    assert all(a < b for a, b in zip(radii[0][1:], radii[1][1:], strict=True))
    # The taper's first station is 123.5 mm round: nearly the straight tube.
    assert radii[2][:4] == pytest.approx(radii[1][:4], rel=0.05)
    assert radii[3][3] == float("inf")


def test_it_can_be_written_as_json():
    plan = parse_plan(PROBE + "[ascan]\ncentre_frequency_mhz = 5.0\nbeam_mm = 12.0\n")
    outlook = outlook_of(plan, plan.zones[0], ["tap", "ascan"])
    assert outlook.is_known
    document = outlook.document()
    assert [one["depth_mm"] for one in document["tap"]["depths"]] == pytest.approx(
        [0.2 * k for k in range(1, 8)]
    )
    last = document["tap"]["depths"][-1]
    assert (last["smallest_radius_mm"], last["set_by"], last["points"]) == (None, "too stiff", None)
    assert document["ascan"]["beam_radius_mm"] == 6.0
    assert "Cawley & Adams" in " ".join(document["tap"]["assumptions"])
    nothing = outlook_of(plan, plan.zones[0], [])
    assert not nothing.is_known
    assert nothing.document() == {"pitch_mm": [10.0, 10.0], "tap": None, "ascan": None}
