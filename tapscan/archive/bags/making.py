"""Making bags: an inspection and all it led to, copied, sealed with checksums, and named in one step."""

import contextlib
import hashlib
import os
import platform
import shutil
import stat
import tempfile
import time
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import asdict, dataclass
from datetime import UTC, datetime
from importlib.metadata import PackageNotFoundError, version
from pathlib import Path
from typing import Any, BinaryIO

from tapscan import __version__
from tapscan.archive.bags.manifests import (
    ALGORITHMS,
    DECLARATION,
    PAYLOAD,
    manifest_text,
    tags_text,
    unportable,
    unsafe,
)
from tapscan.archive.places import SETTINGS, Bag, bag_name, list_bags
from tapscan.errors import TapscanError, sentence
from tapscan.plan import Plan
from tapscan.plan.text.reading import read_plan
from tapscan.records.digests import digests
from tapscan.records.inspection import Inspection, end_of, open_inspection
from tapscan.records.runs import RESULTS, doubts_about_others, doubts_about_run, was_analysed
from tapscan.records.tables import json_text
from tapscan.records.writing import UNFINISHED

__all__ = ["Added", "add_inspection", "beside", "copy_hashed"]

ABANDONED_S = 24 * 3600.0
_CHUNK = 1 << 20
# Decide the last digits of every result, so they are written down beside the settings.
_LIBRARIES = ("numpy", "scipy", "soundfile", "threadpoolctl")

Progress = Callable[[int, int], None]


@dataclass(frozen=True, slots=True)
class Added:
    """A new bag, what it holds, and sentences about what was not taken in."""

    bag: Bag
    files: int
    size_bytes: int
    warnings: tuple[str, ...]


def add_inspection(
    folder: Path, archive: Path, name: str | None = None, progress: Progress = lambda *_: None
) -> Added:
    """Copy the inspection in `folder` into a new bag of the archive.

    The bag is built beside its place and named in one step; a killed program leaves no bag at all. A name
    that is taken gets a new version, and no version is ever replaced.

    Parameters
    ----------
    folder
        The inspection. Links that lead out of it are not followed.
    archive
        The archive's folder; made when there is none.
    name
        What to call it; the folder's name when None.
    progress
        Called with (bytes copied, bytes to copy).

    Raises
    ------
    TapscanError
        When there is no plan, another part has the name, or the disk refuses.

    Examples
    --------
    >>> add_inspection(Path("my-part"), Path("archive")).bag.label           # doctest: +SKIP
    'my-part@1'
    """
    inspection = open_inspection(folder)
    name = bag_name(name if name is not None else folder.resolve().name)
    if archive.resolve().is_relative_to(folder.resolve()):
        raise TapscanError(str(archive), "is inside the inspection", "name another folder with --archive")
    _check_same_part(inspection.plan, name, archive)
    warnings: list[str] = []
    try:
        files = dict(_payload(folder, warnings))
        total = sum(path.stat().st_size for path in files.values())
    except OSError as error:
        raise _unreadable(Path(error.filename or folder), error) from None
    warnings += [*unportable(files), *_stale(inspection)]
    with _named(archive), beside(archive, name) as building:
        sums = _copy(files, building, total, progress)
        bag = _seal(building, archive, name, sums, inspection)
    return Added(bag, len(files), total, tuple(warnings))


@contextmanager
def beside(archive: Path, name: str) -> Iterator[Path]:
    """Make a hidden folder in the archive to build in; what is left of it in the end is removed.

    What killed programs left behind more than a day ago goes too.
    """
    archive.mkdir(parents=True, exist_ok=True)
    for left in archive.glob(f".*{UNFINISHED}"):
        with contextlib.suppress(FileNotFoundError):  # another program has just finished it
            if time.time() - left.lstat().st_mtime > ABANDONED_S:
                shutil.rmtree(left, ignore_errors=True)
    building = Path(tempfile.mkdtemp(dir=archive, prefix=f".{name}.", suffix=UNFINISHED))
    try:
        yield building
    finally:
        shutil.rmtree(building, ignore_errors=True)


def copy_hashed(source: Path, target: Path, most_bytes: int) -> dict[str, str]:
    """Copy a regular file and return the checksums of the very bytes that were written.

    Raises
    ------
    TapscanError
        When the source is a link or no regular file, or yields more than `most_bytes`.
    """
    target.parent.mkdir(parents=True, exist_ok=True)
    hashes = {algorithm: hashlib.new(algorithm) for algorithm in ALGORITHMS}
    written = 0
    with _opened(source) as reading, target.open("xb") as writing:
        while chunk := _next(reading, source):
            written += len(chunk)
            if written > most_bytes:
                raise TapscanError(str(source), "grew while it was copied", "try again when it is at rest")
            for one in hashes.values():
                one.update(chunk)
            writing.write(chunk)
        writing.flush()
        os.fsync(writing.fileno())
    return {algorithm: one.hexdigest() for algorithm, one in hashes.items()}


def _opened(source: Path) -> BinaryIO:
    flags = os.O_RDONLY | getattr(os, "O_NOFOLLOW", 0) | getattr(os, "O_BINARY", 0)
    try:
        stream = os.fdopen(os.open(source, flags), "rb")
    except OSError as error:
        raise _unreadable(source, error) from None
    if not stat.S_ISREG(os.fstat(stream.fileno()).st_mode):
        stream.close()
        raise TapscanError(str(source), "is not a regular file", "put the file itself there")
    return stream


def _next(reading: BinaryIO, source: Path) -> bytes:
    try:
        return reading.read(_CHUNK)
    except OSError as error:
        raise _unreadable(source, error) from None


def _unreadable(source: Path, error: OSError) -> TapscanError:
    what = f"cannot be read: {error.strerror or error}"
    return TapscanError(str(source), what, "check its permissions and its disk, then try again")


def _check_same_part(plan: Plan, name: str, archive: Path) -> None:
    """Keep two parts whose folders are called alike from becoming versions of one another."""
    earlier = [bag for bag in list_bags(archive) if bag.name == name]
    if not earlier:
        return
    try:
        before = read_plan(max(earlier).inspection).part
    except (TapscanError, OSError):
        return  # a damaged bag says nothing of its part; the new one is kept all the same
    for what, old, new in (
        ("serial", before.serial, plan.part.serial),
        ("name", before.name, plan.part.name),
    ):
        if old and new:
            if old != new:
                problem = f"the archive has another part under that name ({what} {old!r}, not {new!r})"
                raise TapscanError(name, problem, "give this one a name of its own with --name")
            return


def _payload(folder: Path, warnings: list[str]) -> Iterator[tuple[str, Path]]:
    """Yield every file of the inspection, by its path within; unfinished writes are none."""
    root = folder.resolve()
    waiting: list[tuple[Path, str, tuple[Path, ...]]] = [(root, "", (root,))]
    while waiting:
        here, prefix, above = waiting.pop()
        for path in sorted(here.iterdir()):
            inner, real = f"{prefix}{path.name}", end_of(path)
            if real is None or real in above:
                what = "is a link that leads back to itself and was not archived"
                warnings.append(sentence(inner, what, "take it away"))
            elif not real.is_relative_to(root):
                what = "is a link out of the inspection and was not archived"
                warnings.append(sentence(inner, what, "copy the file there and add again"))
            elif path.name.startswith(".") and path.name.endswith(UNFINISHED):
                continue
            elif real.is_dir():
                waiting.append((real, f"{inner}/", (*above, real)))
            elif not real.is_file():
                warnings.append(sentence(inner, "is not a regular file and was not archived", "move it away"))
            else:
                _check_name(inner)
                yield inner, real


def _check_name(inner: str) -> None:
    try:
        inner.encode("utf-8")
        reason = unsafe(inner)
    except UnicodeEncodeError:
        inner, reason = ascii(inner), "is not in UTF-8"
    if reason is not None:
        raise TapscanError(inner, f"its name {reason}, so that other systems could not open it", "rename it")


def _stale(inspection: Inspection) -> list[str]:
    """Say so when the results are missing, of several runs, or of other inputs than those archived."""
    if not was_analysed(inspection.folder):
        remedy = f"run: tapscan analyse {inspection.folder}, and add again"
        return [sentence(RESULTS, "the inspection was never analysed; it is archived without", remedy)]
    return [*doubts_about_run(inspection), *doubts_about_others(inspection)]


def _copy(
    files: Mapping[str, Path], building: Path, total: int, progress: Progress
) -> dict[str, dict[str, str]]:
    sums: dict[str, dict[str, str]] = {}
    done = 0
    for inner, source in files.items():
        size = source.stat().st_size
        sums[f"{PAYLOAD}/{inner}"] = copy_hashed(source, building / PAYLOAD / inner, size)
        done += size
        progress(done, total)
    return sums


def _seal(
    building: Path, archive: Path, name: str, sums: Mapping[str, Mapping[str, str]], inspection: Inspection
) -> Bag:
    """Write what the bag says of itself and give it the next free version; the name is taken in one step."""
    for algorithm in ALGORITHMS:
        _write(
            building / f"manifest-{algorithm}.txt", manifest_text({p: s[algorithm] for p, s in sums.items()})
        )
    _write(building / "bagit.txt", DECLARATION)
    _write(building / SETTINGS, json_text(_settings(inspection)))
    number = max((bag.version for bag in list_bags(archive) if bag.name == name), default=0)
    while True:
        number += 1
        bag = Bag(name, number, archive / f"{name}@{number}")
        _write(building / "bag-info.txt", tags_text(_description(bag, building, sums, inspection.plan)))
        tags = ["bagit.txt", "bag-info.txt", SETTINGS, *(f"manifest-{each}.txt" for each in ALGORITHMS)]
        for algorithm in ALGORITHMS:
            sealed = {tag: hashlib.new(algorithm, (building / tag).read_bytes()).hexdigest() for tag in tags}
            _write(building / f"tagmanifest-{algorithm}.txt", manifest_text(sealed))
        try:
            building.chmod(0o755)
            building.rename(bag.folder)  # fails where a bag of that name has come meanwhile
        except OSError:
            if not bag.folder.exists():
                raise
            continue
        return bag


def _description(
    bag: Bag, building: Path, sums: Mapping[str, Mapping[str, str]], plan: Plan
) -> list[tuple[str, str]]:
    size = sum((building / path).stat().st_size for path in sums)
    return [
        ("External-Description", plan.part.name),
        ("External-Identifier", bag.label),
        ("Bag-Group-Identifier", bag.name),
        ("Bagging-Date", datetime.now(UTC).date().isoformat()),
        ("Payload-Oxum", f"{size}.{len(sums)}"),
        ("Bag-Software-Agent", f"tapscan {__version__}"),
        ("Internal-Sender-Identifier", plan.part.owner_ref),
        ("Part-Serial", plan.part.serial),
        ("Inspection-Date", plan.part.date),
        ("Inspector", plan.part.inspector),
    ]


def _settings(inspection: Inspection) -> dict[str, Any]:
    """Gather what the numbers depend on beside the files: versions at work, every setting as understood."""
    return {
        "tapscan": __version__,
        "python": platform.python_version(),
        "machine": platform.machine(),
        "libraries": {name: _version(name) for name in _LIBRARIES},
        "settings": asdict(inspection.plan),
        "inputs": digests(inspection),
    }


def _version(library: str) -> str | None:
    try:
        return version(library)
    except PackageNotFoundError:  # pragma: no cover - frozen programs carry no package data
        return None


def _write(path: Path, text: str) -> None:
    with path.open("wb") as stream:
        stream.write(text.encode("utf-8"))
        stream.flush()
        os.fsync(stream.fileno())


@contextmanager
def _named(archive: Path) -> Iterator[None]:
    try:
        yield
    except OSError as error:
        what = f"cannot be written: {error.strerror or error}"
        raise TapscanError(str(error.filename or archive), what, "make room, then add again") from None
