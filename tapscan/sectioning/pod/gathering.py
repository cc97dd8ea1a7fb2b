"""Sectioned parts from folders: which inspections there are, and what each of them showed."""

import json
import re
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path

from tapscan.analysis import Results, analyse
from tapscan.errors import TapscanError, sentence
from tapscan.plan.text.reading import PLAN_NAME
from tapscan.records.inspection import open_inspection
from tapscan.records.runs import doubts_about_run
from tapscan.sectioning.comparing import compare_all
from tapscan.sectioning.findings.logbook import read_findings
from tapscan.sectioning.findings.recorded import FINDINGS_NAME
from tapscan.sectioning.outcomes import Compared

__all__ = ["Gathered", "baseline_warning", "gather", "inspections_in", "is_in_bag"]

_BAG, _BAG_MARK = "data", "bagit.txt"  # where a bag (RFC 8493) holds what was put into it, and its sign
_VERSION = re.compile(r"(?P<name>.+)@(?P<version>[0-9]+)")  # how an archive names the versions of one part


@dataclass(frozen=True, slots=True, eq=False)
class Gathered:
    """Sectioned parts by name, and sentences about what was left out."""

    parts: tuple[tuple[str, tuple[Compared, ...]], ...]
    warnings: tuple[str, ...]


def inspections_in(paths: Sequence[Path]) -> list[Path]:
    """List inspection folders: each path is one, or a folder or an archive of such.

    Of an archive's versions of one inspection only the newest counts.

    Raises
    ------
    TapscanError
        When a path holds no inspection, or an inspection is named twice.
    """
    found: dict[Path, Path] = {}
    for path in paths:
        own = _inspection(path)
        inside = [own] if own is not None else _below(path)
        if not inside:
            what = f"holds no {PLAN_NAME}, neither itself nor in its folders"
            raise TapscanError(str(path), what, "name an inspection, or a folder of inspections")
        for one in inside:
            if one.resolve() in found:
                raise TapscanError(
                    str(one), "is named twice", "name each inspection once: it would count twice"
                )
            found[one.resolve()] = one
    return list(found.values())


def gather(folders: Sequence[Path], progress: Callable[[int, int], None] = lambda *_: None) -> Gathered:
    """Analyse each inspection anew and compare it with its findings; those without findings are left out.

    Readings, plan and this version give the same numbers whenever it is done, so that nothing stale counts.

    Raises
    ------
    TapscanError
        When a plan or a table of findings is wrong.
    """
    parts, warnings = [], []
    for done, folder in enumerate(folders):
        progress(done, len(folders))
        try:
            inspection = open_inspection(folder)
            findings = read_findings(folder, inspection.plan)
        except TapscanError as error:
            where = f"{folder}, {error.where}"
            raise TapscanError(where, error.what, error.remedy) from None
        if not findings.rows:
            what = f"has no {FINDINGS_NAME} and was left out"
            warnings.append(sentence(str(folder), what, "log what cutting showed: tapscan section DIR"))
            continue
        warnings += [f"{folder}, {warning}" for warning in findings.warnings]
        warnings += filter(None, [baseline_warning(folder)])
        if not is_in_bag(folder):  # nobody may analyse in there again; the archive lists those
            warnings += [f"{folder}, {doubt}" for doubt in doubts_about_run(inspection)]
        results = analyse(inspection, writer=_unwritten)
        parts.append(
            (folder.name if folder.name != _BAG else folder.parent.name, compare_all(results, findings.rows))
        )
    progress(len(folders), len(folders))
    return Gathered(tuple(parts), tuple(warnings))


def baseline_warning(folder: Path, others: int = 0) -> str:
    """Say so when the results that were saved rest on other inspections than are named now; '' when not.

    What was called then is not what is called now, and it is the former that people cut by.
    """
    try:
        result = json.loads((folder / "results/summary.json").read_text(encoding="utf-8"))
        names = [str(one["folder"]) for one in result["against"]]
    except (OSError, ValueError, KeyError, TypeError):
        return ""  # no results, or those of a version that knew no others
    if len(names) == others:
        return ""
    then = ", ".join(names) or "no other inspection"
    what = f"its results were compared with {then}, and are now computed anew"
    return sentence(str(folder), what, "name the same inspections with --against, or analyse it again")


def _unwritten(results: Results) -> Path:
    return results.inspection.folder


def _inspection(path: Path) -> Path | None:
    """Find the inspection that a path is, or that is in it as in a bag."""
    return next((one for one in (path, path / _BAG) if (one / PLAN_NAME).is_file()), None)


def _below(path: Path) -> list[Path]:
    """List the inspections in a folder's folders; of several archived versions of one, the newest."""
    if not path.is_dir():
        return []
    newest: dict[str, tuple[int, Path]] = {}
    for child in sorted(path.iterdir()):
        own = _inspection(child) if child.is_dir() and not child.name.startswith(".") else None
        if own is None:
            continue
        match = _VERSION.fullmatch(child.name)
        name, version = (match["name"], int(match["version"])) if match else (child.name, 0)
        if name not in newest or newest[name][0] < version:
            newest[name] = version, own
    return [own for _, own in newest.values()]


def is_in_bag(folder: Path) -> bool:
    """Whether an inspection is in a bag, whose checksums hold only while nothing is added to it."""
    return folder.resolve().name == _BAG and (folder.resolve().parent / _BAG_MARK).is_file()
