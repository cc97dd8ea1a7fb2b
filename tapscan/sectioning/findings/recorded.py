"""What sectioning showed, on the same grid as the readings: frozen data, and what it says of every point.

A point is known where somebody cut and looked. Everywhere else it is *not known*, whatever the map says:
nothing here ever takes an uncut point for sound.
"""

from collections.abc import Callable, Hashable, Iterable, Sequence
from dataclasses import dataclass
from typing import Literal, get_args

import numpy as np
from numpy.typing import NDArray

from tapscan.errors import sentence
from tapscan.plan.points import Block
from tapscan.plan.surfaces import block_mask
from tapscan.plan.zones import Zone
from tapscan.sectioning.findings.places import places_text

__all__ = [
    "CAUSES",
    "FINDINGS_NAME",
    "FROM_CUTTING",
    "KINDS",
    "NOT_CUT",
    "SEPARATIONS",
    "SOUND",
    "Cause",
    "Finding",
    "Kind",
    "defects_of",
    "doubts",
    "made_by_cutting",
    "points_of",
    "shown",
]

FINDINGS_NAME = "findings.csv"

Kind = Literal[
    "delamination",
    "disbond",
    "void",
    "porosity",
    "wrinkle",
    "resin pool",
    "adhesive thickness",
    "foreign matter",
    "fibre break",
    "crack",
    "planar void",
    "missing isolation",
    "none",
]
KINDS: tuple[Kind, ...] = get_args(Kind)
Cause = Literal["impact", "manufacture", "cutting", "service", "unknown"]
CAUSES: tuple[Cause, ...] = get_args(Cause)
# What the maps look for. The other kinds are noted, and are neither hits nor misses.
SEPARATIONS: frozenset[Kind] = frozenset({"delamination", "disbond"})
# What a point is when nobody cut there, and when somebody cut, looked, and found nothing.
NOT_CUT, SOUND = "not cut", "none"
# Where saw or drill did damage of their own, what was there before is as little known as where nobody cut.
FROM_CUTTING = "from cutting"


@dataclass(frozen=True, slots=True)
class Finding:
    """One thing seen on a cut; one line of ``findings.csv``.

    `length_mm` runs along the zone's axis, `width_mm` round the girth or across the panel; `thickness_mm` is
    that of an adhesive layer. None is what was not measured. `cause` is what made it, and `starts_at` names
    the flaw that a crack or a delamination runs from: another defect's name, or words. Findings of one zone
    that share a name in `defect` are one defect seen on several cuts; one without a name is a defect of its
    own. `line` is its line in the file, 0 when it comes from no file.
    """

    kind: Kind
    zone: str
    blocks: tuple[Block, ...]
    defect: str = ""
    depth_mm: float | None = None
    length_mm: float | None = None
    width_mm: float | None = None
    thickness_mm: float | None = None
    area_mm2: float | None = None
    photo: str = ""
    seen_by: str = ""
    note: str = ""
    cause: Cause = "unknown"
    starts_at: str = ""
    line: int = 0

    @property
    def where(self) -> str:
        """Its places, as written in the file."""
        return places_text(self.zone, self.blocks)


def points_of(zone: Zone, findings: Iterable[Finding]) -> NDArray[np.bool_]:
    """Mark the points of a zone that any of these findings covers; shape (stations, positions)."""
    return block_mask(zone, [block for one in findings if one.zone == zone.code for block in one.blocks])


def shown(zone: Zone, findings: Sequence[Finding]) -> NDArray[np.str_]:
    """Say for every point what cutting showed: a kind, ``none``, or ``not cut``; shape (stations, positions).

    Where several findings meet, a separation counts before any other kind, and any kind before ``none``: a
    whole cut may be logged as ``none`` and what was found on it on lines of their own. Damage that the cut
    itself did is ``from cutting``; it counts before ``none``, and after everything that was there before.

    Examples
    --------
    >>> from tapscan.plan.text.reading import parse_plan
    >>> zone = parse_plan('zone = [{code = "A", shape = "panel", stations = 2, positions = 3, '
    ...                   'station_pitch_mm = 5.0, position_pitch_mm = 5.0}]').zones[0]
    >>> cut = Finding("none", "A", (Block(1, 1, 1, 3),)), Finding("void", "A", (Block(1, 2, 1, 2),))
    >>> shown(zone, cut).tolist()
    [['none', 'void', 'none'], ['not cut', 'not cut', 'not cut']]
    """
    result = np.full(zone.grid_shape, NOT_CUT, dtype="U20")
    for finding in sorted(findings, key=_rank):
        if finding.zone == zone.code:
            result[block_mask(zone, finding.blocks)] = (
                FROM_CUTTING if made_by_cutting([finding]) else finding.kind
            )
    return result


def made_by_cutting(group: Iterable[Finding]) -> bool:
    """Whether saw or drill made all of a defect: such a one is neither hit nor miss."""
    return all(one.cause == "cutting" for one in group)


def _rank(finding: Finding) -> int:
    if finding.kind == "none":
        return 0
    return 1 if finding.cause == "cutting" else 3 if finding.kind in SEPARATIONS else 2


def defects_of(zone: Zone, findings: Sequence[Finding]) -> dict[str, tuple[Finding, ...]]:
    """Gather the findings of a zone, other than ``none``, into defects: name to its findings, in file order.

    A defect without a name of its own is called ``F`` and its number in the zone.
    """
    own = [one for one in findings if one.zone == zone.code and one.kind != "none"]
    named: dict[str, list[Finding]] = {}
    taken = {one.defect for one in own}
    number = 0
    for finding in own:
        name = finding.defect
        if not name:
            number += 1
            while f"F{number}" in taken:
                number += 1
            name = f"F{number}"
        named.setdefault(name, []).append(finding)
    return {name: tuple(group) for name, group in named.items()}


def doubts(zone: Zone, findings: Sequence[Finding]) -> list[str]:
    """Name what does not go together in the findings of a zone: sentences to read, nothing is refused.

    Lines that have the same in common are one sentence, so that the number of sentences, and the time, grow
    no faster than the number of lines.
    """
    own = [one for one in findings if one.zone == zone.code]
    return [*_too_deep(zone, own), *_sound_and_not(zone, own), *_counted_twice(zone, own)]


def _too_deep(zone: Zone, findings: Sequence[Finding]) -> list[str]:
    wall, result = zone.laminate.thickness_mm, []
    for finding in findings:
        if wall is not None and finding.depth_mm is not None and finding.depth_mm > 1.2 * wall:
            what = f"depth_mm {finding.depth_mm:g} is beyond the wall of {wall:g} mm"
            result.append(sentence(_line(finding), what, "check the depth, or thickness_mm in the plan"))
    return result


def _sound_and_not(zone: Zone, findings: Sequence[Finding]) -> list[str]:
    """Name places called sound that are no larger than a defect there; a whole cut may be called sound."""
    found = {one.blocks: one for one in reversed(findings) if one.kind != "none" and one.cause != "cutting"}
    if not found:
        return []
    covers = np.array([block_mask(zone, blocks).ravel() for blocks in found])
    others = tuple(found.values())
    result = []
    for lines in _alike(findings, lambda one: one.blocks if one.kind == "none" else None):
        inside = covers[:, block_mask(zone, lines[0].blocks).ravel()].all(axis=1)
        if inside.any():
            other = min((others[i] for i in np.flatnonzero(inside)), key=lambda one: one.line)
            what = f"calls {lines[0].where} sound, where line {other.line} has a {other.kind}, which counts"
            result.append(sentence(_lines(lines), what, "take one of the two out"))
    return result


def _counted_twice(zone: Zone, findings: Sequence[Finding]) -> list[str]:
    """Group findings of one kind that share points; findings that share a name are one defect by intent."""
    result = []
    kinds = _alike(findings, lambda one: one.kind if one.kind != "none" and not one.defect else None)
    for lines in kinds:
        first = np.full(zone.grid_shape, -1)  # which line was the first at each point
        leader = list(range(len(lines)))

        def head(number: int, leader: list[int] = leader) -> int:
            while leader[number] != number:
                leader[number] = number = leader[leader[number]]
            return number

        for number, one in enumerate(lines):
            mask = block_mask(zone, one.blocks)
            for other in {head(int(each)) for each in np.unique(first[mask & (first >= 0)])}:
                leader[max(head(number), other)] = min(head(number), other)
            first[mask & (first < 0)] = number
        groups: dict[int, list[Finding]] = {}
        for number, one in enumerate(lines):
            groups.setdefault(head(number), []).append(one)
        for group in groups.values():
            if len(group) > 1:
                what = f"share points and count as {len(group)} defects"
                result.append(
                    sentence(_lines(group), what, "if they are one, give all the same name in defect")
                )
    return result


def _alike(findings: Sequence[Finding], key: Callable[[Finding], Hashable | None]) -> Iterable[list[Finding]]:
    """Group findings by a key, in the order in which each group begins; those without a key are left out."""
    groups: dict[Hashable, list[Finding]] = {}
    for one in findings:
        if key(one) is not None:
            groups.setdefault(key(one), []).append(one)
    return groups.values()


def _lines(findings: Sequence[Finding]) -> str:
    if len(findings) == 1:
        return _line(findings[0])
    first, second = (str(one.line) if one.line else one.where for one in findings[:2])
    more = f", {second} and {len(findings) - 2} more" if len(findings) > 2 else f" and {second}"
    return f"{FINDINGS_NAME}: lines {first}{more}"


def _line(finding: Finding) -> str:
    return f"{FINDINGS_NAME}: line {finding.line}" if finding.line else finding.where
