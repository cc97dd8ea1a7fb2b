import re
import tomllib

import pytest

from tapscan.errors import TapscanError
from tapscan.plan.text.reading import parse_plan
from tapscan.plan.text.template import PLAN_TEMPLATE

FILLED = {
    'code = "?" ': 'code = "BM" ',
    "stations = 0 ": "stations = 40 ",
    "positions = 0 ": "positions = 12 ",
    "station_pitch_mm = 0.0": "station_pitch_mm = 10.0",
    "\ngirth_mm = 0.0": "\ngirth_mm = 120.0",
}


def filled() -> str:
    text = PLAN_TEMPLATE
    for old, new in FILLED.items():
        assert text.count(old) == 1
        text = text.replace(old, new)
    return text


def test_it_is_toml_and_no_plan_until_it_is_filled_in():
    tomllib.loads(PLAN_TEMPLATE)
    with pytest.raises(TapscanError, match=r"code = '\?' is not accepted .*; 4 more errors"):
        parse_plan(PLAN_TEMPLATE)


@pytest.mark.parametrize("left", FILLED)
def test_no_placeholder_slips_through(left):
    with pytest.raises(TapscanError, match=re.escape(left.split("=")[0].strip()) + " = .* is not accepted"):
        parse_plan(filled().replace(FILLED[left], left))


def test_filled_in_it_is_a_plan():
    assert parse_plan(filled()).zones[0].grid_shape == (40, 12)


def test_every_line_that_is_offered_is_understood():
    offered = re.sub(r"(?m)^# ([\w-]+ = |\[[a-z.]+\])", r"\1", filled())
    text = re.sub(r"(?m)^(girth_start_mm|girth_end_mm|position_pitch_mm|mirror_of) = .*$", "", offered)
    plan = parse_plan(re.sub(r"(mhz|beam_mm) = 0\.0", r"\1 = 5.0", text))
    assert plan.zones[0].laminate.velocity_m_s == 2950.0
    assert plan.sample_rate_mhz == plan.beam_mm == 5.0
    assert plan.tapper_mass_g == 4.1
    assert len(plan.zones[0].bonded) == 1
    assert str(plan.zones[0].notes[0].point) == "BM-07-05"
    for key in ("girth_start_mm", "girth_end_mm", "position_pitch_mm", "mirror_of"):
        assert f"{key} = " in offered
