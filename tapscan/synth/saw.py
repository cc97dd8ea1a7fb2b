"""Simulated sectioning: what somebody who cuts a simulated part would write down.

The truth is known to the simulator; the saw's findings are not quite that. A cut takes away a kerf and is
looked at with a loupe and a rule, so that lengths are good to a millimetre and depths to a twentieth.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from tapscan.plan.points import Block
from tapscan.plan.surfaces import s_mm, x_mm
from tapscan.synth.defects import Defect, distance_mm
from tapscan.synth.seeds import generator

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from tapscan.plan.zones import Zone

__all__ = ["FINDINGS_HEADER", "Cut", "cut_findings", "taken_apart"]

FINDINGS_HEADER = "kind,where,defect,depth_mm,length_mm,width_mm,thickness_mm,area_mm2,photo,seen_by,note"
_SEEN_BY = "loupe and rule (simulated)"
_NOTE = "synthetic: no part was cut"
_LENGTH_SPREAD_MM, _DEPTH_SPREAD_MM, _DEPTH_STEP_MM = 0.5, 0.03, 0.05


@dataclass(frozen=True, slots=True)
class Cut:
    """A cut along one station (round the girth or across) or along one position; the other is None."""

    station: int | None = None
    position: int | None = None


def cut_findings(zone: "Zone", defects: Sequence[Defect], cuts: Sequence[Cut], seed: int) -> list[str]:
    """Write down what each cut shows: the lines of ``findings.csv`` without its header.

    A cut through a defect shows how wide it is along that cut; all the rest of a cut is called ``none``.
    """
    lines = []
    for number, cut in enumerate(cuts, 1):
        on_cut = np.zeros(zone.grid_shape, dtype=bool)
        whole = Block(
            cut.station or 1, cut.position or 1, cut.station or zone.stations, cut.position or zone.positions
        )
        on_cut[
            whole.first_station - 1 : whole.last_station, whole.first_position - 1 : whole.last_position
        ] = True
        rng = generator(seed, "saw", zone.code, number)
        for name, defect in enumerate(defects, 1):
            away_mm = np.where(on_cut, distance_mm(zone, defect), np.inf)
            met = away_mm <= defect.radius_mm
            if not met.any():
                continue
            off_mm = abs(_off_mm(zone, defect, cut))
            chord_mm = 2 * np.sqrt(max(defect.radius_mm**2 - off_mm**2, 0.0))
            lines.append(_line(zone, met, f"{zone.code}-D{name}", defect, (cut, chord_mm), rng))
        lines.append(_none(zone, whole))
    return lines


def taken_apart(zone: "Zone", defects: Sequence[Defect], seed: int) -> list[str]:
    """Write down what a zone taken apart ply by ply shows: every defect at full size, and all else known."""
    lines = []
    for number, defect in enumerate(defects, 1):
        away_mm = distance_mm(zone, defect)
        # One between the points is noted at the nearest.
        met = away_mm <= max(defect.radius_mm, float(away_mm.min()))
        rng = generator(seed, "saw", zone.code, number)
        lines.append(_line(zone, met, f"{zone.code}-D{number}", defect, (Cut(), 2 * defect.radius_mm), rng))
    return [*lines, _none(zone, Block(1, 1, zone.stations, zone.positions))]


def _off_mm(zone: "Zone", defect: Defect, cut: Cut) -> float:
    """How far a cut passes from a defect's centre."""
    if cut.station is not None:
        return float(x_mm(zone)[cut.station - 1, 0] - defect.x_mm)
    assert cut.position is not None
    line = s_mm(zone)[:, cut.position - 1]
    across = float(np.interp(defect.x_mm, x_mm(zone)[:, 0], line)) - defect.s_mm
    if zone.is_tube:
        girth = float(s_mm(zone)[0, 1]) * zone.positions
        across -= girth * round(across / girth)
    return across


def _line(
    zone: "Zone",
    met: "NDArray[np.bool_]",
    name: str,
    defect: Defect,
    measured: tuple[Cut, float],
    rng: np.random.Generator,
) -> str:
    cut, chord_mm = measured
    seen_mm = [max(1, round(chord_mm + rng.normal(0, _LENGTH_SPREAD_MM))) for _ in range(2)]
    length = "" if cut.station is not None else str(seen_mm[0])
    width = "" if cut.position is not None else str(seen_mm[1])
    depth = round((defect.depth_mm + rng.normal(0, _DEPTH_SPREAD_MM)) / _DEPTH_STEP_MM) * _DEPTH_STEP_MM
    depth = max(depth, _DEPTH_STEP_MM)
    where = " ".join(f"{zone.code}-{block}" for block in _blocks(met))
    return f"delamination,{where},{name},{depth:.2f},{length},{width},,,,{_SEEN_BY},{_NOTE}"


def _none(zone: "Zone", block: Block) -> str:
    return f"none,{zone.code}-{block},,,,,,,,{_SEEN_BY},{_NOTE}"


def _blocks(met: "NDArray[np.bool_]") -> list[Block]:
    """Cut the marked points into runs along the positions; a run over the seam stays in one piece."""
    blocks = []
    positions = met.shape[1]
    for station in np.flatnonzero(met.any(axis=1)).tolist():
        row = met[station]
        if row.all():
            blocks.append(Block(station + 1, 1, station + 1, positions))
            continue
        starts = np.flatnonzero(row & ~np.roll(row, 1))
        ends = np.flatnonzero(row & ~np.roll(row, -1))
        if row[0] and row[-1]:
            ends = np.roll(ends, -1)
        blocks += [
            Block(station + 1, first + 1, station + 1, last + 1)
            for first, last in zip(starts.tolist(), ends.tolist(), strict=True)
        ]
    return blocks
