"""One check of the setup, from the readings on a known piece to its verdict, and how files keep it."""

import json
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass, replace
from typing import Any

import tapscan
from tapscan.errors import TapscanError
from tapscan.plan import Plan, SetupLimits, Zone
from tapscan.proving.figures.echoes import prove_echoes
from tapscan.proving.figures.separation import Separation
from tapscan.proving.figures.shown import Figures, FoundDamage, known_zone
from tapscan.proving.figures.taps import prove_taps
from tapscan.proving.judging import Item, Outcome, judge, overall
from tapscan.records.inspection import Inspection
from tapscan.records.runs import fingerprint
from tapscan.records.tables import json_text
from tapscan.screening.results import Method
from tapscan.screening.scans import methods

__all__ = ["About", "Check", "Judged", "check_setup", "check_text", "comparable", "parse_check", "piece_mark"]


@dataclass(frozen=True, slots=True)
class About:
    """When, by whom and on what a check was made.

    `time` is UTC, as 2026-11-30T12:07:55Z. `readings` are the marks of the part's readings that were there,
    by method. `is_anew` begins a new history: tapper or instrument was changed on purpose.
    """

    time: str
    operator: str = ""
    readings: Mapping[str, tuple[str, ...]] | None = None
    is_anew: bool = False


@dataclass(frozen=True, slots=True)
class Judged:
    """What one method came to."""

    figures: Figures
    items: tuple[Item, ...]

    @property
    def outcome(self) -> Outcome:
        """Ready, not ready or cannot say."""
        return overall(self.items)

    @property
    def because(self) -> list[str]:
        """Why it is not ready, a sentence each; failures before what cannot be judged."""
        return [*self._sentences("not ready"), *self._sentences("cannot say")]

    @property
    def changes(self) -> list[str]:
        """What has changed since the earlier checks by less than would matter, a sentence each."""
        return self._sentences("ready")

    def _sentences(self, outcome: Outcome) -> list[str]:
        names: dict[str, list[str]] = {}
        for item in self.items:
            if item.outcome == outcome and item.because:
                names.setdefault(f"{item.because} ({item.remedy})", []).append(item.name)
        return [f"{'; '.join(of)}: {sentence}" for sentence, of in names.items()]


@dataclass(frozen=True, slots=True)
class Check:
    """One check of the setup on a known piece; `mark` identifies this piece, as its plan has it."""

    about: About
    piece: str
    mark: str
    limits: SetupLimits
    judged: tuple[Judged, ...]
    warnings: tuple[str, ...]
    version: str

    @property
    def outcome(self) -> Outcome:
        """What all methods together come to."""
        return overall([item for one in self.judged for item in one.items])

    def of(self, method: str) -> Judged | None:
        """Return what this method came to; None when the check did not use it."""
        return next((one for one in self.judged if one.figures.method == method), None)


def check_setup(check: Inspection, plan: Plan, earlier: Sequence[Check], about: About) -> Check:
    """Measure and judge what was taken on a known piece.

    Parameters
    ----------
    check
        The readings, in an inspection folder whose plan is the known piece's.
    plan
        The plan of the part that the setup is for: its limits, false-call rate and velocity are used.
    earlier
        All earlier checks that are known, of any piece.
    about
        When and by whom.

    Raises
    ------
    TapscanError
        When the plan says nothing of known points, or there is no reading.
    """
    where = check.folder.as_posix()
    zone = known_zone(check.plan, where)
    mark, warnings = piece_mark(zone), list(check.warnings)
    judged = []
    for method in _methods(check, zone, where):
        prove = prove_taps if method == "tap" else prove_echoes
        figures = prove(check, zone, plan.false_call_rate, warnings)
        past = [] if about.is_anew else comparable(earlier, mark, method)
        values = [one.figures.values for one in past]
        judged.append(Judged(figures, judge(figures, values, plan.setup, _assumed_m_s(plan, zone))))
    name = check.plan.part.name or zone.name or zone.code
    return Check(about, name, mark, plan.setup, tuple(judged), tuple(warnings), tapscan.__version__)


def piece_mark(zone: Zone) -> str:
    """Mark a known piece: another grid or other known points make another piece; notes do not."""
    said = asdict(replace(zone, notes=(), name=""))
    for later in ("layout", "same_points_as"):
        if said[later] is None:  # checks from before zones could be on photos stay comparable
            del said[later]
    return fingerprint(said)[:16]


def comparable(checks: Sequence[Check], mark: str, method: Method) -> list[Judged]:
    """Pick what later checks of a piece compare with, in order of time.

    Those since the history was last begun anew, less those that were not ready.
    """
    chosen: list[Judged] = []
    for check in sorted(checks, key=lambda one: one.about.time):
        one = check.of(method)
        if check.mark != mark or one is None:
            continue
        chosen = [] if check.about.is_anew else chosen
        if one.outcome != "not ready" and "level_db" in one.figures.values:
            chosen.append(one)
    return chosen


def _methods(check: Inspection, zone: Zone, where: str) -> list[Method]:
    if not (check.tap_files or check.trace_files or check.volumes):
        remedy = "name recordings or traces by the piece's points, or take them live"
        raise TapscanError(where, "holds no reading of the known piece", remedy)
    return list(methods(check, zone))


def _assumed_m_s(plan: Plan, piece: Zone) -> float | None:
    """Return the velocity that the part's plan assumes; where its zones differ, the piece's own.

    A plan that takes what is measured assumes none.
    """
    if plan.setup.use_measured_velocity:
        return None
    speeds = {zone.laminate.velocity_m_s for zone in plan.zones} - {None}
    return speeds.pop() if len(speeds) == 1 else piece.laminate.velocity_m_s


def check_text(check: Check) -> str:
    """Write a check as ``check.json``."""
    return json_text(
        {
            "version": check.version,
            "time": check.about.time,
            "outcome": check.outcome,
            "operator": check.about.operator,
            "piece": check.piece,
            "mark": check.mark,
            "begins_anew": check.about.is_anew,
            "limits": asdict(check.limits),
            "methods": [
                {
                    "outcome": one.outcome,
                    "figures": asdict(one.figures),
                    "items": [asdict(i) for i in one.items],
                }
                for one in check.judged
            ],
            "warnings": list(check.warnings),
            "readings": {name: list(marks) for name, marks in (check.about.readings or {}).items()},
        }
    )


def parse_check(text: str, where: str) -> Check:
    """Read ``check.json``.

    Raises
    ------
    TapscanError
        When it is not what `check_text` writes.
    """
    try:
        document = json.loads(text)
        about = About(
            str(document["time"]),
            str(document["operator"]),
            {str(name): tuple(map(str, marks)) for name, marks in document["readings"].items()},
            bool(document["begins_anew"]),
        )
        limits = {name: document["limits"][name] for name in SetupLimits.__slots__}
        judged = tuple(
            Judged(_figures(one["figures"]), tuple(Item(**item) for item in one["items"]))
            for one in document["methods"]
        )
        warnings = tuple(map(str, document["warnings"]))
        names = (str(document[name]) for name in ("piece", "mark", "version"))
        piece, mark, version = names
        return Check(about, piece, mark, SetupLimits(**limits), judged, warnings, version)
    except (ValueError, KeyError, TypeError, AttributeError, RecursionError):
        raise TapscanError(where, "is not a check that tapscan wrote", "make the check again") from None


def _figures(document: dict[str, Any]) -> Figures:
    apart, found = document["separation"], document["found"]
    values = {str(name): float(value) for name, value in document["values"].items() if value is not None}
    return Figures(
        method=document["method"],
        sound=int(document["sound"]),
        damaged=int(document["damaged"]),
        planned=int(document["planned"]),
        values=values,
        separation=None if apart is None else Separation(**apart),
        found=tuple(FoundDamage(**one) for one in found),
        reasons={str(name): int(count) for name, count in document["reasons"].items()},
    )
