from tapscan.plan.text.doubts import doubts
from tapscan.plan.text.reading import parse_plan

TUBE = 'code = "BM"\nshape = "tube"\nstations = 4\npositions = 6\nstation_pitch_mm = 10.0\ngirth_mm = 120.0\n'


def reported(more):
    return doubts(parse_plan(f"[[zone]]\n{TUBE}{more}"))


def test_an_ordinary_plan_is_in_no_doubt():
    assert reported('reference = ["01-01:02-06"]\nskip = ["03-01"]\n') == []


def test_a_zone_that_is_skipped_as_a_whole():
    (doubt,) = reported('reference = ["01-01"]\nskip = ["01-01:02-06", "03-05:04-04"]\n')
    assert doubt == (
        'inspection.toml: zone "BM": every point is skipped, so nothing is inspected there '
        "(correct skip, or take the zone out)"
    )


def test_references_that_are_skipped_are_counted_block_by_block():
    some, one = reported('reference = ["01-05:02-02", "04-01", "03-03"]\nskip = ["02-06:03-01", "04-01"]\n')
    assert some == (
        'inspection.toml: zone "BM": reference "01-05:02-02" holds 2 points that the plan skips: '
        "they count for nothing (correct reference or skip)"
    )
    assert 'reference "04-01" holds 1 point that the plan skips' in one


def test_a_plan_in_centimetres_is_asked_about():
    girth, wall = doubts(
        parse_plan(
            '[[zone]]\ncode = "BM"\nshape = "tube"\nstations = 4\npositions = 6\nstation_pitch_mm = 1.0\n'
            "girth_mm = 12.0\nthickness_mm = 0.16\n"
        )
    )
    assert girth == (
        'inspection.toml: zone "BM": girth_mm = 12 is very little for such a part '
        "(write millimetres, not centimetres or inches)"
    )
    assert "thickness_mm = 0.16 is very little" in wall
