"""Verdicts on made-up figures: each fault alone, with its reason."""

from dataclasses import replace

import numpy as np
import pytest

from tapscan.plan import SetupLimits
from tapscan.proving.figures.separation import Separation
from tapscan.proving.figures.shown import Figures
from tapscan.proving.judging import judge, overall

CLEAR = Separation(8.0, 6.0, 10.0, 0.99, 0.9, 1.0, 5.0)
TAPS = {
    "taps": 120.0,
    "clipped_share": 0.0,
    "double_share": 0.0,
    "sample_rate_hz": 48_000.0,
    "level_db": -30.0,
    "brightness_octaves": 1.5,
    "repeat_db": 2.0,
    "snr_db": 25.0,
    "found_margin": 2.3,
}
SCANS = {
    "saturated_share": 0.0,
    "sample_rate_hz": 100e6,
    "level_db": -6.0,
    "backwall_db": -3.0,
    "snr_db": 45.0,
    "centre_mhz": 5.0,
    "bandwidth_mhz": 4.0,
    "tof_us": 1.6,
    "velocity_m_s": 2950.0,
    "velocity_sd_m_s": 20.0,
    "found_margin": 6.0,
}
SCATTER = {"level_db": 0.5, "brightness_octaves": 0.02, "backwall_db": 0.2}


def history(values, count=8):
    """Earlier checks that scatter evenly about `values`: by 2 % where nothing else is said."""
    steps = np.linspace(-1.2, 1.2, count)[np.random.default_rng(0).permutation(count)]
    compared = set(SCATTER) | {"repeat_db", "bandwidth_mhz", "centre_mhz", "tof_us"}
    return [
        {
            name: value + step * SCATTER.get(name, abs(value) * (0.002 if name == "tof_us" else 0.02))
            if name in compared
            else value
            for name, value in values.items()
        }
        for step in steps
    ]


def judged(values, changes=None, *, count=8, limits=None, assumed=None, **more):
    method = "tap" if values is TAPS else "ascan"
    figures = Figures(method, 20, 6, 26, {**values, **(changes or {})}, CLEAR)
    return judge(replace(figures, **more), history(values, count), limits or SetupLimits(), assumed)


@pytest.mark.parametrize("values", [TAPS, SCANS])
def test_as_before_is_ready(values):
    items = judged(values, assumed=2950.0)
    assert overall(items) == "ready"
    assert all(item.because == item.remedy == "" for item in items)


FAULTS = [
    (TAPS, {"level_db": -36.0}, "quieter than in the earlier checks", "microphone at its usual distance"),
    (TAPS, {"level_db": -24.0}, "louder than in the earlier checks", "gain"),
    (TAPS, {"brightness_octaves": 1.2}, "duller: a heavier tapper", "look at its tip"),
    (TAPS, {"brightness_octaves": 1.8}, "brighter: a lighter tapper", "use the tapper"),
    (TAPS, {"repeat_db": 4.0}, "agree less than they did", "strike square"),
    (TAPS, {"clipped_share": 0.1}, "run into the recorder's limit", "turn the gain down"),
    (TAPS, {"snr_db": 4.0}, "room is too loud", "quieten the room"),
    (TAPS, {"sample_rate_hz": 44_100.0}, "samples at 44,100 Hz, in the check before at 48,000 Hz", "--anew"),
    (SCANS, {"level_db": -12.0}, "gain is lower", "set the gain"),
    (SCANS, {"bandwidth_mhz": 2.4}, "lost bandwidth: the probe is cracked", "another cable and probe"),
    (SCANS, {"centre_mhz": 3.5}, "centre frequency has fallen", "probe"),
    (SCANS, {"tof_us": 1.68}, "time base has changed", "time base"),
    (SCANS, {"backwall_db": -9.0}, "less of the back wall", "couplant"),
    (SCANS, {"snr_db": 15.0}, "too close to the noise", "raise the gain"),
    (SCANS, {"saturated_share": 0.1}, "saturated", "turn the gain down"),
    (SCANS, {"velocity_m_s": 2950 * 1.05}, "measured 3098 ± 39 m/s, the plan says 2950 m/s", "velocity_m_s"),
    (SCANS, {"zero_us": 0.2, "zero_sd_us": 0.01}, "time base begins 0.200 µs off", "set the delay"),
]


@pytest.mark.parametrize(("values", "changes", "because", "remedy"), FAULTS)
def test_each_fault_is_not_ready_with_its_reason_and_no_other(values, changes, because, remedy):
    items = judged(values, changes, assumed=2950.0)
    failed = [item for item in items if item.outcome != "ready"]
    assert overall(items) == "not ready"
    assert len(failed) == 1
    assert because in failed[0].because
    assert remedy in failed[0].remedy


@pytest.mark.parametrize("count", [0, 1, 2])
def test_without_a_history_it_cannot_say(count):
    items = judged(TAPS, count=count)
    assert overall(items) == "cannot say"
    unsaid = [item for item in items if item.outcome == "cannot say"]
    words = f"not known yet ({count} earlier {'check' if count == 1 else 'checks'})"
    assert all(words in item.because for item in unsaid)
    assert all("set up anew in between" in item.remedy for item in unsaid)


def test_a_wider_notice_makes_a_short_history_enough():
    wide = SetupLimits(notice_level_db=60.0, notice_brightness_octaves=3.0, notice_repeat_db=60.0)
    assert overall(judged(TAPS, count=2)) == "cannot say"
    assert overall(judged(TAPS, count=2, limits=wide)) == "ready"


def test_a_change_that_is_too_small_to_matter_is_ready_and_said():
    items = judged(SCANS, {"tof_us": 1.6 * 1.01})
    assert overall(items) == "ready"
    (item,) = [one for one in items if one.because]
    assert item.name == "time base, as before"
    assert (
        "come later than in the earlier checks: the time base has changed (+1 %), less than would"
        in item.because
    )
    assert item.remedy == "watch it in the chart"


def test_scatter_as_wide_as_the_change_to_notice_cannot_say():
    """Six decibels less is not called ready, however much the earlier checks scatter."""
    figures = Figures("tap", 20, 6, 26, {**TAPS, "level_db": -36.0}, CLEAR)
    levels = -30 + 1.1 * np.array([-1.2, 1.2, -0.8, 0.8, -1.0, 1.0, 0.0, 0.0])
    past = [{**one, "level_db": level} for one, level in zip(history(TAPS), levels, strict=True)]
    (item,) = [one for one in judge(figures, past, SetupLimits()) if one.outcome != "ready"]
    assert (item.name, item.outcome) == ("level of the taps, as before", "not ready")
    past = [{**one, "level_db": -30 + 2 * (one["level_db"] + 30)} for one in past]
    (item,) = [one for one in judge(figures, past, SetupLimits()) if one.outcome != "ready"]
    assert (item.name, item.outcome) == ("level of the taps, as before", "cannot say")


@pytest.mark.parametrize(("off", "outcome"), [(1.02, "ready"), (1.04, "not ready")])
def test_a_velocity_that_is_known_well_enough_decides_as_it_is(off, outcome):
    items = judged(SCANS, {"velocity_m_s": 2950 * off, "velocity_sd_m_s": 40.0}, assumed=2950.0)
    assert overall(items) == outcome


def test_known_damage_that_does_not_show_is_not_ready():
    hidden = Separation(0.5, -0.2, 1.2, 0.05, 0.01, 0.2, 5.0)
    (item,) = [one for one in judged(TAPS, separation=hidden) if one.outcome != "ready"]
    assert item.outcome == "not ready"
    assert "does not differ enough" in item.because


def test_in_doubt_the_earlier_checks_count_too():
    doubt = Separation(4.0, 2.0, 6.0, 0.8, 0.4, 0.95, 5.0)
    figures = Figures("tap", 20, 4, 24, TAPS, doubt)
    past = [{**one, "found_margin": 0.5 + 0.25 * k} for k, one in enumerate(history(TAPS))]
    alone = [{**one, "found_margin": -0.5 + 0.2 * k} for k, one in enumerate(history(TAPS))]
    assert overall(judge(figures, past, SetupLimits())) == "ready"
    (item,) = [one for one in judge(figures, alone, SetupLimits()) if one.outcome != "ready"]
    assert item.because == "how often it is found is not certain: 0.40 to 0.95"


def test_too_few_points_cannot_say_and_unreadable_ones_are_not_ready():
    (few,) = judged(TAPS, sound=3, reasons={"missing": 17})
    assert few.outcome == "cannot say"
    assert few.because == "3 sound points of the piece were read, 6 are needed (17 missing)"
    (clipped,) = judged(TAPS, {"clipped_share": 0.9}, sound=3, reasons={"clipped": 17})
    assert clipped.outcome == "not ready"
    assert clipped.remedy == "turn the gain down and take them again"


def test_a_thin_wall_cannot_say_what_the_velocity_is():
    items = judged(SCANS, {"velocity_sd_m_s": 90.0}, assumed=2950.0)
    (item,) = [one for one in items if one.outcome != "ready"]
    assert (item.name, item.outcome) == ("velocity", "cannot say")
    assert "thicker piece" in item.remedy
