"""``findings.csv`` in the inspection folder: read whole, and added to without losing a line."""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path

from tapscan.errors import TapscanError, sentence
from tapscan.plan.zones import Plan
from tapscan.records.inspection import end_of
from tapscan.records.writing import held, write_text
from tapscan.sectioning.findings.csv_text import findings_text, parse_findings
from tapscan.sectioning.findings.recorded import FINDINGS_NAME, Finding, doubts

__all__ = ["Findings", "add_findings", "change_finding", "read_findings", "read_text"]

_MOST_BYTES = 20_000_000


@dataclass(frozen=True, slots=True)
class Findings:
    """All findings of an inspection, in file order, and sentences about what does not go together."""

    rows: tuple[Finding, ...]
    warnings: tuple[str, ...]


def read_findings(folder: Path, plan: Plan) -> Findings:
    """Read ``findings.csv`` of an inspection; no file is no findings.

    Raises
    ------
    TapscanError
        When the file cannot be read or a line is wrong: which line, which column, what, and the remedy.
    """
    path = folder / FINDINGS_NAME
    if not path.exists():
        if path.is_symlink():
            raise TapscanError(FINDINGS_NAME, "is a link to nowhere", "put the file itself there")
        return Findings((), ())
    if not path.resolve().is_relative_to(folder.resolve()):
        raise TapscanError(FINDINGS_NAME, "is a link out of the inspection", "copy the file there")
    rows = parse_findings(read_text(path, FINDINGS_NAME), plan, FINDINGS_NAME)
    warnings = [doubt for zone in plan.zones for doubt in doubts(zone, rows)]
    photos: dict[str, int] = {one.photo: one.line for one in reversed(rows) if one.photo}
    for photo, line in sorted(photos.items(), key=lambda each: each[1]):
        fault = _photo_fault(folder, photo)
        if fault:
            place = f"{FINDINGS_NAME}: line {line}"
            warnings.append(sentence(place, f"photo {photo!r} {fault}", "copy it there"))
    return Findings(rows, tuple(warnings))


def _photo_fault(folder: Path, photo: str) -> str:
    path = folder / photo
    end = end_of(path)
    try:
        if end is None or not path.is_file():
            return "is not there"
    except (OSError, ValueError):  # a name that no system can have
        return "is not there"
    return "" if end.is_relative_to(folder.resolve()) else "is a link out of the inspection"


def add_findings(folder: Path, plan: Plan, new: Sequence[Finding]) -> int:
    """Add findings behind those that are there; return how many were new.

    A finding that is there already, equal in everything, is not written twice. The file is written beside
    and renamed, by one program at a time. What it held is kept, in the columns' usual order.

    Raises
    ------
    TapscanError
        When the file that is there cannot be read; nothing is changed then.
    OSError
        When the disk is full or the folder may not be written; nothing is changed then.
    """
    with held(folder):
        old = read_findings(folder, plan).rows
        known = dict.fromkeys(replace(one, line=0) for one in old)
        fresh = [one for one in dict.fromkeys(replace(one, line=0) for one in new) if one not in known]
        if fresh:
            write_text(folder / FINDINGS_NAME, findings_text([*old, *fresh]))
    return len(fresh)


def change_finding(folder: Path, plan: Plan, old: Finding, new: Finding | None) -> None:
    """Put `new` in the place of a finding equal to `old`, or take that one out when `new` is None.

    The other lines keep their order.

    Raises
    ------
    TapscanError
        When no finding is equal to `old` any more, or the file cannot be read; nothing is changed then.
    OSError
        When the disk is full or the folder may not be written; nothing is changed then.
    """
    with held(folder):
        rows = [replace(one, line=0) for one in read_findings(folder, plan).rows]
        if replace(old, line=0) not in rows:
            what = "changed since this page read it; nothing was written"
            raise TapscanError(FINDINGS_NAME, what, "load the page again")
        at = rows.index(replace(old, line=0))
        rows[at : at + 1] = [] if new is None else [replace(new, line=0)]
        write_text(folder / FINDINGS_NAME, findings_text(rows))


def read_text(path: Path, where: str) -> str:
    """Read a table's text in UTF-8, UTF-16 with its mark, or what older spreadsheets write.

    Raises
    ------
    TapscanError
        When there is no such file, it is too large, or holds no text.
    """
    if not path.is_file():
        raise TapscanError(where, "is not there", "check the name and the folder")
    if path.stat().st_size > _MOST_BYTES:
        raise TapscanError(where, "is too large for a table of findings", "name the right file")
    content = path.read_bytes()
    is_wide = content.startswith((b"\xff\xfe", b"\xfe\xff"))
    if not is_wide and b"\0" in content:
        raise TapscanError(where, "holds bytes that no text has", "save it as CSV")
    try:
        return content.decode("utf-16" if is_wide else "utf-8-sig")
    except UnicodeDecodeError:
        return content.decode("cp1252", "replace")
