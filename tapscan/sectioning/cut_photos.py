"""Photos of cut faces in an inspection: their marks on disk, computed again, and as findings."""

import hashlib
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path, PurePosixPath
from typing import Any

import numpy as np
from numpy.typing import NDArray

from tapscan.errors import TapscanError, sentence
from tapscan.pictures import read_grey
from tapscan.plan.zones import Plan
from tapscan.records.writing import write_text
from tapscan.sectioning.findings.logbook import read_findings
from tapscan.sectioning.findings.places import parse_places
from tapscan.sectioning.findings.recorded import FINDINGS_NAME, Finding, Kind
from tapscan.sectioning.measured import (
    LINES,
    Face,
    Mark,
    Marked,
    marked_text,
    parse_marked,
    proposals,
    results_of,
)

__all__ = [
    "ENDING",
    "CutPhoto",
    "computed_again",
    "cut_photos",
    "findings_of",
    "marks_name",
    "measured_words",
    "proposed",
    "read_marks",
    "stored_marks",
    "write_marks",
]

ENDING = ".measured.json"
_MOST_BYTES = 20_000_000
_SEEN_BY = "measured on the photo"
_NOT_ACCEPTED = "is a proposal that nobody accepted"


@dataclass(frozen=True, slots=True, eq=False)
class CutPhoto:
    """One photo with its marks, what they measure, and its grey (rows, columns)."""

    marked: Marked
    results: tuple[dict[str, Any], ...]
    grey: NDArray[np.uint8]


def marks_name(photo: str) -> str:
    """Name the file of a photo's marks.

    Examples
    --------
    >>> marks_name("photos/cut-07.jpg")
    'photos/cut-07.measured.json'
    """
    return PurePosixPath(photo).with_suffix(ENDING).as_posix()


def read_marks(folder: Path, photo: str) -> Marked | None:
    """Read what was marked on a photo of an inspection; None when nothing was.

    Raises
    ------
    TapscanError
        When the file is wrong, or is that of another photo.
    """
    name = marks_name(photo)
    if not (folder / name).exists():
        return None
    marked = parse_marked(_text(folder, name), name)
    if marked.photo != photo:
        what = f"is of {marked.photo}, not of {photo}"
        raise TapscanError(name, what, "give one of the photos another name")
    return marked


def write_marks(folder: Path, marked: Marked) -> Marked:
    """Write marks with what they measure beside the photo, and return them as written.

    Raises
    ------
    TapscanError
        When the photo cannot be read, or a mark is wrong.
    """
    path = _inside(folder, marked.photo)
    digest = hashlib.sha256(path.read_bytes()).hexdigest() if path.is_file() else ""
    text = marked_text(marked.model_copy(update={"sha256": digest}), lambda: read_grey(path, marked.photo))
    name = marks_name(marked.photo)
    written = parse_marked(text, name)
    write_text(folder / name, text)
    return written


def proposed(folder: Path, marked: Marked, what: str, where: str = "", face: Face = "") -> tuple[Mark, ...]:
    """Propose ``voids``, ``adhesive`` or a ``wrinkle`` behind the accepted marks; older proposals go.

    `face` is the face of the joint that an adhesive line is on.

    Raises
    ------
    TapscanError
        When no region is drawn, or the photo cannot be read.
    """
    if len(marked.region_px) < 3:
        raise TapscanError(
            marked.photo, "has no region to search", 'draw one, or give --region "X,Y X,Y X,Y"'
        )
    found = proposals(read_grey(_inside(folder, marked.photo), marked.photo), marked, what)
    old = (one for one in marked.marks if one.state == "accepted")
    more: dict[str, str] = {"where": where, "face": face} if what == "adhesive" else {"where": where}
    return (*old, *(one.model_copy(update=more) for one in found))


def stored_marks(folder: Path) -> dict[str, str]:
    """Return every file of marks in an inspection, name to text."""
    paths = sorted((folder / "photos").glob(f"*{ENDING}"))
    return {f"photos/{path.name}": _text(folder, f"photos/{path.name}") for path in paths}


def computed_again(folder: Path) -> dict[str, str]:
    """Compute every file of marks again from its marks and photo, name to text; nothing is written.

    Raises
    ------
    TapscanError
        When a file of marks or a photo that it needs cannot be read.
    """
    result = {}
    for name, text in stored_marks(folder).items():
        marked = parse_marked(text, name)
        path = _inside(folder, marked.photo)
        result[name] = marked_text(marked, lambda path=path: read_grey(path))  # type: ignore[misc]
    return result


def cut_photos(folder: Path) -> tuple[tuple[CutPhoto, ...], tuple[str, ...]]:
    """Read the photos that have marks, and sentences about those that cannot be shown."""
    found, warnings = [], []
    for path in sorted((folder / "photos").glob(f"*{ENDING}")):
        name = f"photos/{path.name}"
        try:
            marked = parse_marked(_text(folder, name), name)
            photo = _inside(folder, marked.photo)
            grey = read_grey(photo, marked.photo)
            if marked.sha256 and hashlib.sha256(photo.read_bytes()).hexdigest() != marked.sha256:
                what = f"{marked.photo} was changed since it was marked"
                warnings.append(sentence(name, what, "put the original back, or mark it again"))
            found.append(CutPhoto(marked, tuple(results_of(marked, lambda grey=grey: grey)), grey))  # type: ignore[misc]
        except TapscanError as error:
            warnings.append(str(error))
    return tuple(found), tuple(warnings)


def _text(folder: Path, name: str) -> str:
    path = _inside(folder, name)
    try:
        if path.stat().st_size > _MOST_BYTES:
            raise TapscanError(name, "is too large for marks on a photo", "mark the photo again")
        return path.read_bytes().decode("utf-8")
    except OSError as error:
        raise TapscanError(name, f"cannot be read: {error.strerror or error}", "check the file") from None
    except UnicodeDecodeError:
        raise TapscanError(name, "is not text", "mark the photo again") from None


def _inside(folder: Path, name: str) -> Path:
    path = folder / name
    if not path.resolve().is_relative_to(folder.resolve()):
        raise TapscanError(name, "is outside the inspection folder", "copy it into photos")
    return path


def findings_of(folder: Path, plan: Plan, marked: Marked) -> tuple[tuple[Finding, ...], tuple[str, ...]]:
    """Make findings of what is accepted and has a place, and sentences about what is left out and why.

    A length on the face runs round the girth or across on a cut along a station (`width_mm`), along the part
    on one along a position (`length_mm`). The area on the face goes into the note: `area_mm2` of a finding is
    that of a defect seen from outside. What findings.csv has from this photo already is not written again;
    two marks of one kind at one place, as on both faces of a joint, are two lines.
    """
    logged = Counter(
        (one.kind, one.where) for one in read_findings(folder, plan).rows if one.photo == marked.photo
    )
    found, left = [], []
    along = _along(plan, marked)
    results = results_of(marked, lambda: read_grey(_inside(folder, marked.photo), marked.photo))
    for number, (mark, result) in enumerate(zip(marked.marks, results, strict=True), start=1):
        place = f"{marked.photo}: mark {number}, {mark.words}"
        if mark.state == "proposed":
            left.append(sentence(place, _NOT_ACCEPTED, "accept it, or take it out"))
        elif mark.kind == "wall thickness":
            left.append(sentence(place, "is no flaw and stays with the photo", "nothing to do"))
        elif not mark.where:
            left.append(sentence(place, "has no place on the grid", "give it one, as BM-07-05"))
        else:
            zone, blocks = parse_places(mark.where, plan, place)
            sizes, note = _sizes(mark.kind, result, along)
            words = "; ".join(filter(None, [mark.face and f"face {mark.face}", mark.note, note]))
            kind: Kind = mark.kind
            finding = Finding(
                kind,
                zone.code,
                blocks,
                photo=marked.photo,
                seen_by=_SEEN_BY,
                note=words,
                cause=mark.cause,
                **sizes,
            )
            if logged[finding.kind, finding.where] > 0:
                logged[finding.kind, finding.where] -= 1
                what = f"is in {FINDINGS_NAME} already, from this photo"
                left.append(sentence(place, what, "change it there"))
            else:
                found.append(finding)
    return tuple(found), tuple(left)


def _along(plan: Plan, marked: Marked) -> str:
    """Say which column a length along the face goes into; '' when the cut is along neither."""
    if not marked.cut:
        return ""
    _, blocks = parse_places(marked.cut, plan, f"{marked.photo}: cut")
    if len({s for one in blocks for s in (one.first_station, one.last_station)}) == 1:
        return "width_mm"
    positions = {p for one in blocks for p in (one.first_position, one.last_position)}
    return "length_mm" if len(positions) == 1 else ""


def _sizes(kind: str, result: dict[str, Any], along: str) -> tuple[dict[str, Any], str]:
    sizes: dict[str, Any] = {}
    if kind == "adhesive thickness":
        sizes["thickness_mm"] = _rounded(result["mean_mm"])
    length = result.get("longest_mm") or result.get("length_mm")
    if length is not None and along:
        sizes[along] = _rounded(length)
    if kind in LINES:
        sizes["depth_mm"] = _rounded(result["depth_mm"])
    return sizes, "; ".join(measured_words(result))


def _rounded(one: dict[str, float]) -> float:
    return float(f"{one['value']:.3g}")


def measured_words(result: dict[str, Any]) -> Sequence[str]:
    """Say what was measured, each value with half its 95 % interval.

    Examples
    --------
    >>> measured_words({"count": 2, "mean_mm": {"value": 0.5, "sd": 0.02, "low_95": 0.46, "high_95": 0.54}})
    ['count 2', 'mean 0.500 mm ±0.039']
    """
    if "independent" in result:
        share, low, high = (100 * result[name] for name in ("share", "low", "high"))
        return [f"area share {share:.2g} % (between {low:.2g} and {high:.2g} %)"]
    words = []
    for name, one in result.items():
        if name == "share" and one is not None:
            share, half = 100 * one["value"], 196 * one["sd"]
            words.append(f"share of the region {_number(share)} % ±{half:.2g}")
        elif isinstance(one, dict):
            stem, _, unit = name.rpartition("_") if name.endswith(("_mm", "_mm2", "_deg")) else (name, "", "")
            unit = {"mm2": " mm²", "deg": "°", "mm": " mm", "": ""}[unit]
            half = 1.959964 * one["sd"]
            words.append(f"{stem.replace('_', ' ')} {_number(one['value'])}{unit} ±{half:.2g}")
        elif name == "count":
            words.append(f"count {one}")
        elif name == "scatter_mm" and one is not None:
            words.append(f"scatter {one:.2g} mm")
    return words


def _number(value: float) -> str:
    return f"{value:#.3g}".rstrip(".")
