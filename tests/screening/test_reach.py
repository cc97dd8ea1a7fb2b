import pytest

from tapscan.plan.reading import parse_plan
from tapscan.screening.reach import ascan_outlook, pitch_mm, tap_outlook

WALL = "[laminate]\nthickness_mm = 1.6\nmodulus_gpa = 60.0\ndensity_kg_m3 = 1550.0\n"
TUBE = '[[zone]]\ncode = "BM"\nshape = "tube"\nstations = 40\npositions = 12\nstation_pitch_mm = 10.0\n'


def outlook(text):
    plan = parse_plan(text)
    return tap_outlook(plan, plan.zones[0])


def test_every_depth_is_told_and_an_even_grid_is_no_warning():
    told = outlook(WALL + TUBE + "girth_mm = 120.0\n")
    assert [one.reach.depth_mm for one in told.told] == pytest.approx([0.2 * k for k in range(1, 8)])
    assert told.warnings == ()
    assert told.told[0].reach.limit == "the pitch"


def test_a_pitch_wider_than_what_could_be_found_is_a_warning():
    (warning,) = outlook(WALL + TUBE + "girth_mm = 300.0\n").warnings
    assert warning == (
        "zone BM: points stand up to 25 mm apart, and a delamination 0.2 mm deep could be told from 12 mm "
        "across: it may lie between them (narrow the pitch)"
    )


def test_missing_keys_are_named_with_what_they_are_for():
    told = outlook(WALL.replace("modulus_gpa = 60.0\n", "") + TUBE + "girth_mm = 120.0\n")
    assert told.told == ()
    assert "is not told without modulus_gpa (say them under [laminate]" in told.warnings[0]


def test_the_plans_tapper_counts():
    plain, heavy = (
        outlook(WALL + TUBE + "girth_mm = 120.0\n" + more) for more in ("", "[tap]\ntapper_mass_g = 30.0\n")
    )
    assert heavy.tapper.mass_g == 30.0
    assert heavy.told[5].softness_mm > plain.told[5].softness_mm


def test_the_widest_girth_sets_the_pitch():
    text = TUBE + "girth_start_mm = 80.0\ngirth_end_mm = 160.0\n"
    assert pitch_mm(parse_plan(text).zones[0]) == (10.0, pytest.approx(159.0 / 12))


def test_ascans_are_told_of_when_the_plan_says_enough():
    text = WALL.replace("[laminate]\n", "[laminate]\nvelocity_m_s = 2950.0\n") + TUBE + "girth_mm = 120.0\n"
    plan = parse_plan(text + "[ascan]\ncentre_frequency_mhz = 5.0\n")
    told = ascan_outlook(plan, plan.zones[0])
    assert 0 < told.shallowest_mm < told.deepest_mm < 1.6
    assert told.reach.limit == "the pitch"
    silent = parse_plan(text)
    assert ascan_outlook(silent, silent.zones[0]) is None
