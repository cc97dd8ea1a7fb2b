"""Steady hands and probes on a known piece, and ones that have changed: a small sample of the table."""

import pytest

from tapscan.proving.judging import overall
from tests.independent.setups import checked

REASONS = {
    "tapper of twice the mass": "brightness of the taps, as before",
    "microphone twice as far": "level of the taps, as before",
    "cracked probe, bandwidth -40 %": "bandwidth of the pulse, as before",
    "gain -6 dB": "level of the front-surface echo, as before",
    "velocity 5 % off": "velocity",
}


@pytest.mark.slow
@pytest.mark.parametrize("method", ["tap", "ascan"])
def test_changes_are_not_ready_for_the_right_reason_and_no_change_is(method):
    for name, results in checked(method, 1, 1).items():
        for items in results:
            failed = [item.name for item in items if item.outcome == "not ready"]
            if name == "as it was":
                assert failed == []
            else:
                assert overall(items) == "not ready"
                assert REASONS[name] in failed
