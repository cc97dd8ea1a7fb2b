"""The main job: an inspection in, results out."""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import asdict, dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray
from threadpoolctl import threadpool_limits

import tapscan
from tapscan.errors import TapscanError, sentence
from tapscan.plan import point_name, s_mm, x_mm
from tapscan.proving.checks import Check
from tapscan.proving.keeping import part_checks, reading_marks
from tapscan.proving.proof import measured_velocity, proof_of, with_velocity
from tapscan.records.digests import digests
from tapscan.records.inspection import Inspection
from tapscan.records.runs import fingerprint
from tapscan.records.tables import csv_text, json_text
from tapscan.screening.areas.agreement import agreement
from tapscan.screening.areas.references import marked_inside, reference_doubts
from tapscan.screening.change.likeness import screen_against
from tapscan.screening.known import NOT_CUT, KnownFromCuts
from tapscan.screening.results import CLEAR, SKIPPED, SUSPECT, UNREAD, Indication, Screened
from tapscan.screening.scans import Progress, Scan, screen_inspection
from tapscan.screening.taps.damage import DamageClass, damage_class, damage_class_sha256
from tapscan.screening.taps.readings import TapReadings
from tapscan.screening.taps.shop import SectionedPart, retrained, sectioned_part
from tapscan.signals import Workers

__all__ = ["Progress", "Results", "analyse"]


@dataclass(frozen=True, slots=True, eq=False)
class Results:
    """Everything that one run of the main job found: pure data.

    `screened` holds one entry per zone and method, in plan order, taps before A-scans. `summary` is what
    becomes ``summary.json``. `writer` is handed in by whoever knows how results are written (see
    `tapscan.analyse`), since writing them needs the report, which is a layer above this module.
    """

    inspection: Inspection
    screened: tuple[Screened, ...]
    summary: Mapping[str, Any]
    writer: "Callable[[Results], Path]"

    @property
    def indications(self) -> tuple[Indication, ...]:
        """All indications, in plan order."""
        return tuple(indication for part in self.screened for indication in part.indications)

    @property
    def points(self) -> dict[str, NDArray[Any]]:
        """The columns of ``points.csv``: one row per planned point and method."""
        return point_columns(self.screened)

    @property
    def origin(self) -> dict[str, str]:
        """Digests of the run and of its inputs: what identifies the files of this run."""
        return {"run": self.summary["run"], "inputs": fingerprint(self.summary["inputs"])}

    @property
    def tables(self) -> dict[str, str]:
        """The files of ``results/`` that programs read: name to text."""
        return {
            "points.csv": csv_text(self.points),
            "indications.json": json_text([asdict(one) for one in self.indications]),
            "summary.json": json_text(self.summary),
        }

    def save(self) -> Path:
        """Write ``results/`` in the inspection folder and return the path of the report."""
        return self.writer(self)


def analyse(
    inspection: Inspection,
    against: Sequence[Inspection] = (),
    cuts: Sequence[KnownFromCuts] = (),
    *,
    writer: Callable[[Results], Path],
    progress: Progress = lambda *_: None,
    workers: int | Workers = 2,
) -> Results:
    """Measure every reading, compare it with its baseline, and gather what differs.

    The baseline comes from the inspections `against` which this one is compared (an earlier one of the same
    part, or some of like parts), else from the mirror-image zone, else from the zone itself. `cuts`, when
    given, says for each of those others what cutting has shown of it since; that also retrains the damage
    class of taps for this inspection.

    `workers` measure A-scans, as for `tapscan.signals.measure_volume`; no result depends on them.

    Nothing is written, and no reading is an error: one that cannot be used, or was never
    taken, leaves its point unread, with a reason and a warning.

    Raises
    ------
    TapscanError
        When the inspection is compared with itself, or twice against the same one.
    """
    others = _in_order(inspection, against, cuts or [NOT_CUT] * len(against))
    warnings = list(inspection.warnings)
    checks = part_checks(inspection.folder, warnings)
    measured = measured_velocity(inspection.plan, checks)
    if measured is not None:
        inspection = replace(inspection, plan=with_velocity(inspection.plan, measured))
    # Sums depend on how many threads share them; one thread gives the same bits on any machine.
    with threadpool_limits(limits=1, user_api="blas"):
        aside: list[str] = []
        scans = [_screen_other(other, known, aside, progress) for other, known in others]
        parts = _sectioned(scans, damage_class())
        trees = retrained(damage_class(), parts)
        scan = screen_inspection(inspection, warnings, progress, workers, trees)
        warnings += aside + _one_sided(parts, trees)
        screened = tuple(_in_words(screen_against(one, scan, scans, warnings), trees) for one in scan.seen)
    for one in screened:
        warnings += reference_doubts(one, inspection.plan.false_call_rate) or marked_inside(one)
    summary = _summary(inspection, others, screened, warnings, trees)
    summary["setup"] = setup = _setup(screened, summary["inputs"], checks)
    setup["velocity"] = None if measured is None else asdict(measured)
    doubts = {one["method"]: one["doubt"] for one in setup["proofs"]}
    screened = tuple(replace(one, doubt=doubts[one.method]) for one in screened)
    return Results(inspection, screened, summary, writer)


def _setup(
    screened: Sequence[Screened], inputs: Mapping[str, str], checks: Sequence[Check]
) -> dict[str, Any]:
    """Say what checks on a known piece prove of the readings, for each method that was used."""
    marks = reading_marks(inputs)
    methods = dict.fromkeys(one.method for one in screened)
    return {"proofs": [asdict(proof_of(method, marks.get(method, ()), checks)) for method in methods]}


def _in_order(
    inspection: Inspection, against: Sequence[Inspection], cuts: Sequence[KnownFromCuts]
) -> list[tuple[Inspection, KnownFromCuts]]:
    """Put the others into an order that does not depend on how they were named, each of them once."""
    places = {inspection.folder.resolve(): "is the inspection itself"}
    for other in against:
        name, place = other.folder.as_posix(), other.folder.resolve()
        if place in places:
            raise TapscanError(name, places[place], "name other inspections to compare it with")
        places[place] = "is named twice"
    pairs = zip(against, cuts, strict=True)
    return sorted(pairs, key=lambda pair: pair[0].folder.as_posix())


def _screen_other(other: Inspection, cuts: KnownFromCuts, warnings: list[str], progress: Progress) -> Scan:
    """Look at another inspection; its warnings say whose they are."""
    own, name = list(other.warnings), other.folder.as_posix()
    scan = screen_inspection(other, own, lambda what, done, total: progress(f"{name}: {what}", done, total))
    warnings += [f"{name}, {warning}" for warning in own]
    return replace(scan, cuts=cuts)


def _sectioned(scans: Sequence[Scan], trained: DamageClass) -> list[SectionedPart]:
    """Gather the tapped zones of other inspections that were cut."""
    parts = [
        sectioned_part(one.screened.zone, one.readings, scan.cuts.zones[one.screened.zone.code], trained)
        for scan in scans
        for one in scan.seen
        if isinstance(one.readings, TapReadings) and one.screened.zone.code in scan.cuts.zones
    ]
    return [part for part in parts if part is not None]


def _one_sided(parts: Sequence[SectionedPart], trees: DamageClass) -> list[str]:
    """Warn when findings of one kind alone leave the damage class as trained."""
    if any(trees.cut) or not any(part.known.any() for part in parts):
        return []
    missing = "damaged" if any(part.sound.any() for part in parts) else "sound"
    what = f"show no {missing} point that was tapped; the damage class stays as trained on simulated parts"
    return [sentence("prior findings", what, "write down what each cut showed, and none where it was sound")]


def _in_words(screened: Screened, trees: DamageClass) -> Screened:
    """State beside the baseline that prior findings retrained the class."""
    if screened.method != "tap" or not any(trees.cut):
        return screened
    sound, damaged = trees.cut
    words = (
        f"What damage sounds like was learned from simulated parts and from {sound} sound and {damaged} "
        "damaged points of sectioned parts."
    )
    return replace(screened, baseline=f"{screened.baseline} {words}")


def point_columns(screened: tuple[Screened, ...]) -> dict[str, NDArray[Any]]:
    """Lay out all planned points as table columns; points skipped on purpose have no row."""
    names = list(dict.fromkeys(name for part in screened for name in part.features))
    rows = [_rows(part, names) for part in screened]
    return {name: np.concatenate([row[name] for row in rows]) for name in rows[0]} if rows else {}


def _rows(part: Screened, names: list[str]) -> dict[str, NDArray[Any]]:
    zone, planned = part.zone, part.status != SKIPPED
    station, position = (axis[planned] + 1 for axis in np.indices(zone.grid_shape))
    unknown = np.full(station.size, np.nan)
    return {
        "point": np.array(
            [point_name(zone.code, i, p) for i, p in zip(station, position, strict=True)], dtype=object
        ),
        "zone": np.full(station.size, zone.code, dtype=object),
        "station": station,
        "position": position,
        "x_mm": x_mm(zone)[planned],
        "s_mm": s_mm(zone)[planned],
        "method": np.full(station.size, part.method, dtype=object),
        "status": part.status[planned].astype(object),
        "reason": part.reason[planned].astype(object),
        "score": part.score[planned],
        "p_value": part.p_value[planned],
        "is_reference": part.is_reference[planned],
        **{name: part.features[name][planned] if name in part.features else unknown for name in names},
    }


def _summary(
    inspection: Inspection,
    others: Sequence[tuple[Inspection, KnownFromCuts]],
    screened: Sequence[Screened],
    warnings: list[str],
    trees: DamageClass,
) -> dict[str, Any]:
    """Put together what ``summary.json`` says, in an order that depends on the plan alone."""
    counted = [
        {
            "zone": part.zone.code,
            "method": part.method,
            **{status: part.count(status) for status in (CLEAR, SUSPECT, UNREAD, SKIPPED)},
            "indications": len(part.indications),
            "baseline": part.baseline,
        }
        for part in screened
    ]
    inputs = digests(inspection)
    held = [
        {"folder": other.folder.as_posix(), "inputs": digests(other, cuts.file)} for other, cuts in others
    ]
    # Not the folders' names: the same inputs are the same run wherever they are.
    parts = [
        tapscan.__version__,
        damage_class_sha256(),
        inputs,
        sorted(fingerprint(one["inputs"]) for one in held),
    ]
    return {
        "version": tapscan.__version__,
        "run": fingerprint(parts),
        "damage_class": damage_class_sha256(),
        "prior_findings": dict(zip(("sound_points", "damaged_points"), trees.cut, strict=True)),
        "settings": asdict(inspection.plan),
        "counts": counted,
        "agreement": agreement(screened),
        "warnings": warnings,
        "inputs": inputs,
        "against": held,
    }
