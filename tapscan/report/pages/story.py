"""The story of a cut zone in the order in which it happened: manufacture, load, the map, the saw."""

from collections.abc import Sequence
from typing import TYPE_CHECKING

from tapscan.report.words import METHOD_NAMES
from tapscan.sectioning.findings.recorded import defects_of, made_by_cutting

if TYPE_CHECKING:
    from tapscan.sectioning.findings.recorded import Finding, Kind
    from tapscan.sectioning.outcomes import Compared

__all__ = ["LEFT_BY_MANUFACTURE", "Chapter", "story_of"]

Chapter = tuple[str, tuple[str, ...]]

# What only lay-up, cure and bonding can leave. Where the file names no cause, these are from manufacture.
LEFT_BY_MANUFACTURE: frozenset["Kind"] = frozenset(
    {
        "void",
        "planar void",
        "porosity",
        "wrinkle",
        "resin pool",
        "adhesive thickness",
        "foreign matter",
        "missing isolation",
    }
)


def story_of(compared: Sequence["Compared"], findings: Sequence["Finding"]) -> tuple[Chapter, ...]:
    """Report what cutting showed of one zone, oldest first: titles, each with its sentences.

    `compared` holds the zone by each method; chapters that have nothing to say are left out. What may be of
    any age is in a chapter of its own: no cause is guessed for a crack, a separation or a broken fibre.
    """
    zone = compared[0].screened.zone
    made, load, unknown, saw = [], [], [], []
    for name, group in defects_of(zone, findings).items():
        cause = next((one.cause for one in group if one.cause not in ("unknown", "cutting")), "unknown")
        words = _flaw(name, group)
        if made_by_cutting(group):
            saw.append(words)
        elif cause == "manufacture" or (cause == "unknown" and group[0].kind in LEFT_BY_MANUFACTURE):
            made.append(words)
        elif cause == "unknown":
            unknown.append(words)
        else:
            load.append(f"{words} From {cause}.")
    said = [sentence for one in compared for sentence in _said(one)]
    chapters = (
        ("There from manufacture", made),
        ("What load and service made of it", load),
        ("Of unknown age", unknown),
        ("What the map had said", said),
        ("Done by the cut itself, neither hit nor miss", saw),
    )
    return tuple((title, tuple(sentences)) for title, sentences in chapters if sentences)


def _flaw(name: str, group: tuple["Finding", ...]) -> str:
    places = ", ".join(dict.fromkeys(one.where for one in group))
    sizes = [
        f"{max(values):g} {unit}"
        for column, unit in (
            ("depth_mm", "mm deep"),
            ("length_mm", "mm long"),
            ("width_mm", "mm wide"),
            ("thickness_mm", "mm thick"),
            ("area_mm2", "mm²"),
        )
        if (values := [value for one in group if (value := getattr(one, column)) is not None])
    ]
    start = next((one.starts_at for one in group if one.starts_at), "")
    runs = f" It runs from {start}." if start else ""
    return f"{name}: {group[0].kind} at {places}{', ' if sizes else ''}{', '.join(sizes)}.{runs}"


def _said(one: "Compared") -> list[str]:
    method = METHOD_NAMES[one.screened.method]
    result = []
    for defect in one.defects:
        if defect.verdict == "from cutting":
            continue
        by = f" by {', '.join(defect.indications)}" if defect.indications else ""
        why = f" ({defect.reason})" if defect.reason else ""
        result.append(f"{method}: {defect.id}, {defect.kind}: {defect.verdict}{by}{why}.")
    result += [
        f"{method}: {judged.id} was called, all of it was cut, and it is sound."
        for judged in one.indications
        if judged.verdict == "false"
    ]
    return result
