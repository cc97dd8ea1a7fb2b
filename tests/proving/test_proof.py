"""What checks prove of readings, by which readings they list."""

from dataclasses import replace

import pytest

from tapscan.errors import TapscanError
from tapscan.plan import SetupLimits
from tapscan.plan.text.reading import parse_plan
from tapscan.proving.checks import About, Check, Judged, check_text, comparable, parse_check
from tapscan.proving.figures.separation import Separation
from tapscan.proving.figures.shown import Figures, FoundDamage
from tapscan.proving.judging import Item
from tapscan.proving.proof import measured_velocity, proof_of, with_velocity
from tests.plan.test_reading import PANEL

LEVEL = {"level_db": -30.0, "velocity_m_s": 2900.0, "velocity_sd_m_s": 15.0}


def check(hour, outcome="ready", readings=(), method="tap", **about):
    because, remedy = ("taps are duller", "look at the tip") if outcome != "ready" else ("", "")
    item = Item("brightness of the taps, as before", outcome, 1.0, 0.9, 1.1, "octaves", because, remedy)
    apart = Separation(5.0, 4.0, 6.0, 0.9, 0.8, 0.95, 3.0)
    figures = Figures(method, 20, 6, 26, LEVEL, apart, (FoundDamage(18.0, 0.6, 20, 19),), {"missing": 2})
    facts = About(f"2026-03-01T{hour:02d}:00:00Z", "Ann", {method: tuple(readings)}, **about)
    return Check(facts, "Piece", "mark", SetupLimits(), (Judged(figures, (item,)),), ("a warning",), "1")


def test_a_check_comes_back_from_its_file():
    one = check(8, "not ready", ["a", "b"])
    assert parse_check(check_text(one), "check.json") == one


@pytest.mark.parametrize("text", ["", "{}", "[]", '{"time": 3}', "[" * 100_000])
def test_what_is_no_check_is_refused(text):
    with pytest.raises(TapscanError, match="is not a check that tapscan wrote"):
        parse_check(text, "setup/x/check.json")


def test_between_two_ready_checks_readings_are_proved():
    proof = proof_of("tap", ["a", "b"], [check(8), check(16, readings=["a", "b"])])
    assert (proof.state, proof.doubt) == ("proved", "")
    before, _, after = proof.sentences[0].partition("; ")
    assert before == "Setup for taps. All readings: before: proved ready on Piece, 2026-03-01 08:00 UTC"
    assert after == "after: proved ready on Piece, 2026-03-01 16:00 UTC."


def test_no_check_is_said_in_plain_words():
    proof = proof_of("ascan", ["a"], [check(8)])  # of taps alone
    assert proof.state == "not proved"
    assert "The setup behind the A-scans was not proved: no known piece was checked" in proof.sentences[0]


def test_readings_after_the_last_check_are_not_proved_after():
    proof = proof_of("tap", ["a", "b", "c"], [check(8), check(12, readings=["a", "b"])])
    assert proof.state == "not proved"
    assert "2 of 3 readings: before: proved ready" in proof.sentences[0]
    assert "1 of 3 readings: before: proved ready on Piece, 2026-03-01 12:00" in proof.sentences[1]
    assert proof.sentences[1].endswith("after: not proved, no known piece was checked.")


def test_a_check_that_failed_after_the_work_puts_the_map_in_doubt():
    proof = proof_of("tap", ["a"], [check(8), check(16, "not ready", ["a"])])
    assert proof.state == "failed after"
    assert proof.doubt == "The setup check for taps of 2026-03-01 16:00 UTC, after this work, failed."
    assert (
        "after: NOT ready, checked on Piece, 2026-03-01 16:00 UTC (because brightness" in proof.sentences[0]
    )


def test_a_later_ready_check_does_not_heal_readings_before_the_failed_one():
    checks = [
        check(8),
        check(10, "not ready", ["a"]),
        check(12, readings=["a"]),
        check(14, readings=["a", "b"]),
    ]
    assert proof_of("tap", ["a", "b"], checks).state == "failed after"
    assert proof_of("tap", ["b"], checks).state == "proved"


def test_work_on_a_setup_that_was_not_ready():
    assert proof_of("tap", ["a"], [check(8, "not ready"), check(12, readings=["a"])]).state == "failed before"


def test_history_begins_anew_and_leaves_out_what_failed():
    checks = [check(8), check(9, is_anew=True), check(10, "not ready"), check(11, "cannot say")]
    assert comparable(checks, "mark", "tap") == [checks[1].judged[0], checks[3].judged[0]]
    assert comparable(checks, "another", "tap") == []


def test_the_measured_velocity_replaces_the_assumed_one_only_when_asked():
    plan = parse_plan(PANEL + "velocity_m_s = 2950.0\n")
    checks = [check(8, method="ascan"), check(9, "not ready", method="ascan")]
    assert measured_velocity(plan, checks) is None
    asked = replace(plan, setup=SetupLimits(use_measured_velocity=True))
    measured = measured_velocity(asked, checks)
    assert (measured.m_s, measured.time, measured.assumed_m_s) == (2900.0, "2026-03-01T08:00:00Z", (2950.0,))
    assert with_velocity(asked, measured).zones[0].laminate.velocity_m_s == 2900.0
