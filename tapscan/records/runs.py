"""``results/`` as a whole: which run its files are of, and whether they belong together and to the inputs.

Each command makes some of the files there. It fills a new folder beside the old one, into which what the
others made is carried over, and the new folder takes the old one's place in one step. ``manifest.json`` in it
lists what each command made with its SHA-256, which shows whether two files are of one run.
"""

import hashlib
import json
import os
import re
import shutil
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from pathlib import Path
from typing import Any, Literal

from tapscan.errors import sentence
from tapscan.records.digests import digests
from tapscan.records.inspection import Inspection
from tapscan.records.swapping import replaced_folder
from tapscan.records.tables import json_text
from tapscan.records.writing import UNFINISHED, write_text

__all__ = [
    "MANIFEST",
    "RESULTS",
    "Maker",
    "doubts_about_others",
    "doubts_about_run",
    "faults_in_run",
    "fingerprint",
    "is_saved",
    "new_results",
    "was_analysed",
]

RESULTS, MANIFEST, SUMMARY = "results", "manifest.json", "summary.json"
_MOST_BYTES = 64_000_000

Maker = Literal["analyse", "grid", "outlook", "section", "cuts", "compare", "pod"]
# Which names in results/ are whose: a maker's old files go when it makes new ones, everything else stays.
_NAMES: Mapping[Maker, str] = {
    "analyse": r"points\.(csv|npz)|indications\.json|summary\.json|report(_short)?\.html"
    r"|(map|round|evidence|detectable|both)_[A-Za-z0-9_-]+\.png"
    r"|(wrap|photo)_[A-Z0-9]{1,8}_marked_(A4|Letter)\.pdf|outline_[A-Z0-9]{1,8}\.(svg|dxf|csv)",
    "grid": r"(wrap|photo)_[A-Z0-9]{1,8}_(A4|Letter)\.pdf",
    "outlook": r"detectable_[A-Z0-9]{1,8}\.png",
    "section": r"sections\.(json|csv)|section\.html|section_[A-Za-z0-9_-]+\.png",
    "cuts": r"cuts_[A-Z0-9]{1,8}\.png",
    "compare": r"change/change(\.csv|\.json|\.html|_[A-Za-z0-9_-]+\.png)",
    "pod": r"pod\.(json|png|html)",
}
# Those of the others that rest on the readings, the file that people open, and the command that makes it.
_RESTING: Mapping[Maker, tuple[str, str]] = {
    "section": ("section.html", "tapscan section"),
    "cuts": ("cuts_*.png", "tapscan section --plan-cuts"),
    "compare": ("change/change.html", "tapscan compare"),
    "pod": ("pod.html", "tapscan pod"),
}


def fingerprint(document: object) -> str:
    """Return a digest of plain data: the same data give the same digest on any machine, at any time.

    Examples
    --------
    >>> fingerprint({"version": "0.1.0"})[:12]
    '3b5777d9f33a'
    """
    return hashlib.sha256(json_text(document).encode("utf-8", "surrogatepass")).hexdigest()


@contextmanager
def new_results(home: Path, maker: Maker, about: Mapping[str, str]) -> Iterator[Path]:
    """Yield a folder for what `maker` makes; with it, ``results/`` is replaced in one step.

    What the other commands made, and what people put there, is carried over. When anything fails, or the
    program is killed, ``results/`` stays as it was.

    Parameters
    ----------
    home
        The inspection folder.
    maker
        Who makes the files; what is left of its earlier ones goes.
    about
        What the manifest says of them beside their names and checksums, such as the run's digest.

    Raises
    ------
    OSError
        When the disk refuses.
    """
    old = home / RESULTS
    with replaced_folder(old) as building:
        yield building
        made = {path: _sha256(building / path) for path in sorted(_files(building))}
        manifest: dict[str, Any] = {**_manifest(old), maker: {**about, "files": made}}
        for inner in _files(old):
            is_ours = inner == MANIFEST or re.fullmatch(_NAMES[maker], inner)
            if not is_ours and not os.path.lexists(building / inner):
                _carry(old / inner, building / inner)
        write_text(building / MANIFEST, json_text(dict(sorted(manifest.items()))))


def _files(folder: Path) -> Iterator[str]:
    """Yield everything in a folder that is no folder, by its path within; unfinished writes are left out."""
    for here, folders, names in os.walk(folder):
        for name in [*names, *(each for each in folders if Path(here, each).is_symlink())]:
            if not (name.startswith(".") and name.endswith(UNFINISHED)):
                yield Path(here, name).relative_to(folder).as_posix()


def _carry(source: Path, target: Path) -> None:
    target.parent.mkdir(parents=True, exist_ok=True)
    try:
        os.link(source, target, follow_symlinks=False)
    except (OSError, NotImplementedError):  # memory sticks know no hard links
        shutil.copy2(source, target, follow_symlinks=False)


def _sha256(path: Path) -> str:
    with path.open("rb") as stream:
        return hashlib.file_digest(stream, "sha256").hexdigest()


def _manifest(results: Path) -> dict[str, Any]:
    """Read the manifest as far as it is one: what cannot be read is left out."""
    document = _document(results / MANIFEST)
    entries = document.items() if isinstance(document, dict) else ()
    return {key: each for key, each in entries if isinstance(each, dict) and _is_listing(each.get("files"))}


def _is_listing(files: object) -> bool:
    return isinstance(files, dict) and all(isinstance(digest, str) for digest in files.values())


def _document(path: Path) -> object:
    try:
        if path.stat().st_size > _MOST_BYTES:
            return None
        return json.loads(path.read_bytes())
    except (OSError, ValueError, RecursionError):
        return None


def was_analysed(home: Path) -> bool:
    """Whether there are results of the main job."""
    return (home / RESULTS / SUMMARY).is_file()


def is_saved(home: Path, run: str, name: str) -> bool:
    """Whether ``results/`` holds this file, as it was made by the run with this digest."""
    record = _manifest(home / RESULTS).get("analyse", {})
    if record.get("run") != run or name not in record["files"]:
        return False
    return _fault(home / RESULTS, name, record["files"][name]) is None


def faults_in_run(results: Path) -> list[str]:
    """Say which files in ``results/`` are not of the run that the manifest names; nothing without a manifest.

    Each is a file's name and what is wrong with it.
    """
    record = _manifest(results).get("analyse")
    if record is None:
        return []
    found = ((name, _fault(results, name, digest)) for name, digest in sorted(record["files"].items()))
    return [f"{RESULTS}/{name} {fault}" for name, fault in found if fault is not None]


def _fault(results: Path, name: str, digest: str) -> str | None:
    if not re.fullmatch(_NAMES["analyse"], name):
        return "is not the name of a result"  # nobody else's files are opened because a manifest names them
    try:
        return None if _sha256(results / name) == digest else "is not of the run that the others are of"
    except FileNotFoundError:
        return "is missing"
    except OSError as error:
        return f"cannot be read: {error.strerror or error}"


def doubts_about_run(inspection: Inspection) -> list[str]:
    """Say why the results of the main job in an inspection should not be relied on; nothing when they may be.

    They may not be of one run, or rest on other inputs than are there now. Where there are none, nothing is
    said.
    """
    results = inspection.folder / RESULTS
    remedy = f"run: tapscan analyse {inspection.folder}"
    if not was_analysed(inspection.folder):
        return []
    summary = _document(results / SUMMARY)
    if not isinstance(summary, dict):
        return [sentence(f"{RESULTS}/{SUMMARY}", "cannot be read", remedy)]
    if "analyse" not in _manifest(results):
        what = f"nothing says that they are of one run: {MANIFEST} is missing or damaged"
        return [sentence(RESULTS, what, remedy)]
    faults = faults_in_run(results)
    if faults:
        more = f", and {len(faults) - 1} more files" if len(faults) > 1 else ""
        return [sentence(RESULTS, f"are not of one run: {faults[0]}{more}", remedy)]
    if summary.get("inputs") != digests(inspection):
        return [sentence(RESULTS, "belong to other inputs than those that are there now", remedy)]
    return []


def doubts_about_others(inspection: Inspection) -> list[str]:
    """Name what other commands made in ``results/`` that rests on other inputs than are there now."""
    manifest = _manifest(inspection.folder / RESULTS)
    resting = {maker: manifest[maker].get("inputs") for maker in _RESTING if maker in manifest}
    if not resting:
        return []
    now = fingerprint(digests(inspection))
    what = "rests on other inputs than those that are there now"
    stale = ((maker, *_RESTING[maker]) for maker, inputs in resting.items() if inputs != now)
    return [sentence(f"{RESULTS}/{name}", what, f"run again: {command}") for _, name, command in stale]
