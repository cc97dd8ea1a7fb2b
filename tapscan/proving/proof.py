"""What the checks of the setup prove of a part's readings: before them, after them, or not at all.

A check lists the readings that were there when it was made. So the last check that does not list a reading
came before it and the first that lists it came after it, whatever any clock says.
"""

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Literal

from tapscan.plan import Plan
from tapscan.proving.checks import Check
from tapscan.screening.results import Method

__all__ = ["MeasuredVelocity", "Proof", "measured_velocity", "proof_of", "when", "with_velocity"]

METHOD_WORDS: Mapping[str, str] = {"tap": "taps", "ascan": "A-scans"}
State = Literal["proved", "failed after", "failed before", "not proved"]


@dataclass(frozen=True, slots=True)
class Proof:
    """What is known of the setup behind one method's readings.

    `sentences` for the report's first page; `doubt`, empty unless a check that failed came after readings,
    marks the map.
    """

    method: Method
    state: State
    sentences: tuple[str, ...]
    doubt: str = ""


@dataclass(frozen=True, slots=True)
class MeasuredVelocity:
    """The velocity that a ready check measured, and what the plan had assumed."""

    m_s: float
    sd_m_s: float
    time: str
    assumed_m_s: tuple[float, ...]


def when(time: str) -> str:
    """Write a check's time as people read it.

    Examples
    --------
    >>> when("2026-11-30T12:07:55Z")
    '2026-11-30 12:07 UTC'
    """
    return f"{time[:10]} {time[11:16]} UTC"


def proof_of(method: Method, readings: Sequence[str], checks: Sequence[Check]) -> Proof:
    """Say between which checks a method's readings were taken.

    Parameters
    ----------
    method
        Taps or A-scans.
    readings
        Marks of the part's readings by this method.
    checks
        The part's checks, of any method.
    """
    word = METHOD_WORDS[method]
    used = sorted((one for one in checks if one.of(method)), key=lambda one: one.about.time)
    if not used:
        sentence = f"The setup behind the {word} was not proved: no known piece was checked, before or after."
        return Proof(method, "not proved", (sentence,))
    if not readings:
        return Proof(method, "not proved", ())
    # How many readings each check is the first to list; past the end, those that none lists.
    firsts = sorted(Counter(_first_listing(mark, method, used) for mark in readings).items())
    pairs = [(used[first - 1] if first else None, (*used, None)[first]) for first, _ in firsts]
    before, after = [one for one, _ in pairs], [one for _, one in pairs]
    failed_after = _latest(after, method, "not ready")
    failed_before = _latest(before, method, "not ready")
    sentences = [
        _sentence(pair, count, len(readings), method) for pair, (_, count) in zip(pairs, firsts, strict=True)
    ]
    if failed_after is not None:
        doubt = f"The setup check for {word} of {when(failed_after.about.time)}, after this work, failed."
        return Proof(method, "failed after", tuple(sentences), doubt)
    if failed_before is not None:
        return Proof(method, "failed before", tuple(sentences))
    outcomes = {_outcome(one, method) for one in (*before, *after)}
    return Proof(method, "proved" if outcomes == {"ready"} else "not proved", tuple(sentences))


Pair = tuple[Check | None, Check | None]


def _first_listing(mark: str, method: Method, checks: Sequence[Check]) -> int:
    """Return the number of the first check, from 0, that lists a reading: it was made after it."""
    lists = (mark in (one.about.readings or {}).get(method, ()) for one in checks)
    return next((number for number, is_listed in enumerate(lists) if is_listed), len(checks))


def _latest(checks: Sequence[Check | None], method: Method, outcome: str) -> Check | None:
    found = [one for one in checks if one is not None and _outcome(one, method) == outcome]
    return max(found, key=lambda one: one.about.time, default=None)


def _outcome(check: Check | None, method: Method) -> str:
    judged = None if check is None else check.of(method)
    return "" if judged is None else judged.outcome


def _sentence(pair: Pair, count: int, total: int, method: Method) -> str:
    before, after = pair
    files = "All readings" if count == total else f"{count:,} of {total:,} readings"
    first = f"before: {_said(before, method)}" if before else "before: not proved, no known piece was checked"
    last = f"after: {_said(after, method)}" if after else "after: not proved, no known piece was checked"
    return f"Setup for {METHOD_WORDS[method]}. {files}: {first}; {last}."


def _said(check: Check, method: Method) -> str:
    """Say what a check came to, in words."""
    judged = check.of(method)
    assert judged is not None
    words = {
        "ready": "proved ready on",
        "not ready": "NOT ready, checked on",
        "cannot say": "not proved, the check could not say, on",
    }
    text = f"{words[judged.outcome]} {check.piece}, {when(check.about.time)}"
    why = judged.because[:1]
    return f"{text} (because {why[0].split(' (')[0]})" if why else text


def measured_velocity(plan: Plan, checks: Sequence[Check]) -> MeasuredVelocity | None:
    """Return the velocity of the last check whose A-scans were ready, where the plan asks for it."""
    if not plan.setup.use_measured_velocity:
        return None
    for check in sorted(checks, key=lambda one: one.about.time, reverse=True):
        judged = check.of("ascan")
        if judged is None or "velocity_m_s" not in judged.figures.values:
            continue
        if judged.outcome == "ready":
            values = judged.figures.values
            assumed = {zone.laminate.velocity_m_s for zone in plan.zones} - {None}
            speeds = tuple(sorted(speed for speed in assumed if speed is not None))
            return MeasuredVelocity(
                values["velocity_m_s"], values["velocity_sd_m_s"], check.about.time, speeds
            )
    return None


def with_velocity(plan: Plan, measured: MeasuredVelocity) -> Plan:
    """Put the measured velocity in the place of the assumed one, in every zone."""
    speed = round(measured.m_s, 1)
    zones = (replace(zone, laminate=replace(zone.laminate, velocity_m_s=speed)) for zone in plan.zones)
    return replace(plan, zones=tuple(zones))
