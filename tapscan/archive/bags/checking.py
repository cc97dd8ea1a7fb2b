"""Checking a bag against its own checksums: what was changed, lost, added or renamed, each by name.

Checksums detect accidents, not forgery: whoever can write the bag can write its checksums too.
"""

import errno
import hashlib
import os
import threading
from collections.abc import Callable, Iterable, Mapping
from concurrent.futures import Executor, ThreadPoolExecutor
from dataclasses import dataclass
from pathlib import Path
from typing import Literal

from tapscan.archive.bags.manifests import ALGORITHMS, PAYLOAD, parse_manifest, parse_tags, unsafe
from tapscan.errors import TapscanError

__all__ = ["Fault", "Kind", "Sealed", "check_bag", "check_bags", "listed_files", "read_seal"]

Kind = Literal["changed", "missing", "extra", "renamed", "link", "unsafe", "unreadable"]
# A manifest has some 200 bytes for each file; nobody inspects a part with a million files.
MOST_FILES = 1_000_000
MOST_TAG_BYTES = 256_000_000
_INFO = "bag-info.txt"
_CHUNK = 1 << 20
_REMEDY = "bring the bag back from a copy"

Progress = Callable[[int, int], None]
Sums = Mapping[str, str]


@dataclass(frozen=True, slots=True, order=True)
class Fault:
    """One thing that is wrong with one file of a bag, as a sentence that goes with its path."""

    path: str
    kind: Kind
    what: str


@dataclass(frozen=True, slots=True)
class Sealed:
    """What a bag says it holds: the checksums of each payload file by algorithm, and its size in all.

    `size_bytes` is None where the bag makes no claim.
    """

    files: Mapping[str, Sums]
    size_bytes: int | None


def read_seal(folder: Path, algorithms: tuple[str, ...] = ALGORITHMS) -> Sealed:
    """Read what a bag claims in the manifests of these algorithms, without looking at the files themselves.

    Raises
    ------
    TapscanError
        When a text file of the bag is missing, damaged or beyond all measure, or its manifests disagree.
    """
    if "BagIt-Version" not in parse_tags(_text(folder / "bagit.txt")):
        raise TapscanError(_where(folder, "bagit.txt"), "does not say that this is a bag", _REMEDY)
    manifests = {
        algorithm: parse_manifest(_text(path), _where(folder, path.name))
        for algorithm in algorithms
        if (path := folder / f"manifest-{algorithm}.txt").is_file()
    }
    if not manifests:
        names = " nor ".join(f"manifest-{algorithm}.txt" for algorithm in algorithms)
        raise TapscanError(folder.name, f"has neither {names}", _REMEDY)
    paths = [set(manifest) for manifest in manifests.values()]
    if any(other != paths[0] for other in paths):
        odd = min(set().union(*paths) - paths[0].intersection(*paths))
        raise TapscanError(folder.name, f"its manifests disagree about {odd}", _REMEDY)
    if len(paths[0]) > MOST_FILES:
        raise TapscanError(folder.name, f"claims {len(paths[0]):,} files", "this is no inspection")
    files = {path: {each: manifests[each][path] for each in manifests} for path in sorted(paths[0])}
    return Sealed(files, _claimed_bytes(folder, len(files)))


def check_bag(folder: Path, progress: Progress = lambda *_: None) -> tuple[Fault, ...]:
    """Compare every file of a bag with its checksums; an empty answer means that all is as it was.

    A file that is missing under its name and turns up under another is recognised by its checksum. Nothing is
    written. `progress` is called with (bytes read, bytes to read).

    Examples
    --------
    >>> check_bag(Path("archive/my-part@1"))                                 # doctest: +SKIP
    (Fault(path='data/taps/BM-07-05.wav', kind='changed', what='was changed'),)
    """
    try:
        return _checked(folder, progress)
    except OSError as error:  # a disk that fails, or a folder that may not be looked into
        return (Fault(_inner(folder, error), "unreadable", f"cannot be read: {error.strerror or error}"),)


def check_bags(
    folders: Iterable[Path], progress: Progress = lambda *_: None
) -> dict[Path, tuple[Fault, ...]]:
    """Check several bags, as `check_bag` does, with one count of bytes over all of them."""
    sizes = {folder: _size_bytes(folder) for folder in folders}
    total, before, found = sum(sizes.values()), 0, {}
    for folder, size in sizes.items():
        begun = before

        def report(done: int, _: int, begun: int = begun) -> None:
            progress(begun + done, total)

        found[folder] = check_bag(folder, report)
        before += size
        progress(before, total)
    return found


def _size_bytes(folder: Path) -> int:
    """Return how large a bag says that its payload is; 0 where it does not say."""
    try:
        size, _, _ = parse_tags(_text(folder / _INFO)).get("Payload-Oxum", "").partition(".")
    except TapscanError:
        return 0
    return int(size) if size.isdecimal() and len(size) <= 18 else 0


def listed_files(folder: Path) -> list[str]:
    """List every file that belongs to a bag by its own manifests: payload and the bag's own text files.

    Raises
    ------
    TapscanError
        When they cannot be read, or name a path that leaves the bag.
    """
    _, tags = _check_tags(folder)
    paths = sorted({*read_seal(folder).files, *tags})
    for path in paths:
        reason = unsafe(path)
        if reason is not None:
            msg = f"{folder.name}/{path}"
            raise TapscanError(msg, f"its path {reason}", "do not trust this bag")
    return paths


def _checked(folder: Path, progress: Progress) -> tuple[Fault, ...]:
    faults: list[Fault] = []
    try:
        faults, tags = _check_tags(folder)
        damaged = {fault.path for fault in faults}
        # A file is not called changed because a manifest was, as long as the other manifest is whole.
        whole = tuple(each for each in ALGORITHMS if f"manifest-{each}.txt" not in damaged)
        sealed = read_seal(folder, whole or ALGORITHMS)
    except TapscanError as error:
        where = error.where.removeprefix(f"{folder.name}/")
        return (*sorted(faults), Fault(where, "unreadable", error.what))
    present, links, closed = _present(folder)
    faults += closed
    faults += [Fault(path, "link", "is a link, which no bag holds") for path in links]
    payload = [path for path in present if path.startswith(f"{PAYLOAD}/")]
    outside = [path for path in present if path not in tags and not path.startswith(f"{PAYLOAD}/")]
    faults += [Fault(path, "extra", "is not part of the bag") for path in outside]
    for path in sealed.files:
        reason = unsafe(path) or (None if path.startswith(f"{PAYLOAD}/") else "is not inside data/")
        if reason is not None:
            faults.append(Fault(path, "unsafe", f"its path {reason}"))
    found = _compare(folder, sealed.files, payload, progress)
    hidden = tuple(f"{fault.path}/" for fault in closed)
    faults += [fault for fault in found if fault.kind != "missing" or not fault.path.startswith(hidden)]
    return tuple(sorted(faults))


def _inner(folder: Path, error: OSError) -> str:
    """Name the place that an error speaks of by its path within the bag."""
    path = Path(os.fsdecode(error.filename)) if error.filename else folder
    inner = path.relative_to(folder).as_posix() if path.is_relative_to(folder) else path.name
    return inner if inner != "." else folder.name


def _compare(folder: Path, files: Mapping[str, Sums], payload: list[str], progress: Progress) -> list[Fault]:
    found, faults = _all_sums(folder, payload, progress)
    unread = {fault.path for fault in faults}
    homes = {_mark(sums): path for path, sums in files.items()}
    missing = {path for path in files if path not in found and path not in unread and unsafe(path) is None}
    for path, sums in found.items():
        home = homes.get(_mark(sums))
        if path in files:
            if _differ(files[path], sums):
                what = f"was changed: it holds what {home} held" if home else "was changed"
                faults.append(Fault(path, "changed", what))
        elif home in missing:
            missing.discard(home)
            faults.append(Fault(str(home), "renamed", f"was renamed: it is now {path}"))
        else:
            like = f", a copy of {home}" if home else ""
            faults.append(Fault(path, "extra", f"is not part of the bag{like}"))
    return faults + [Fault(path, "missing", "is missing") for path in missing]


def _all_sums(folder: Path, payload: list[str], progress: Progress) -> tuple[dict[str, Sums], list[Fault]]:
    """Compute the checksums of many files, several at once: one processor alone is slower than most disks."""
    total, done, turn = sum((folder / path).stat().st_size for path in payload), 0, threading.Lock()

    def count(size: int) -> None:
        nonlocal done
        with turn:
            done += size
            progress(done, total)

    def work(path: str) -> Sums | Fault:
        try:
            return _sums(folder / path, count, helpers)
        except OSError as error:
            return Fault(path, "unreadable", f"cannot be read: {error.strerror or error}")

    count_of = min(4, os.cpu_count() or 1)
    with ThreadPoolExecutor(count_of) as helpers, ThreadPoolExecutor(count_of) as pool:
        checked = dict(zip(payload, pool.map(work, payload), strict=True))
    found = {path: one for path, one in checked.items() if not isinstance(one, Fault)}
    return found, [one for one in checked.values() if isinstance(one, Fault)]


def _mark(sums: Sums) -> str:
    return next((sums[algorithm] for algorithm in reversed(ALGORITHMS) if algorithm in sums), "")


def _differ(claimed: Sums, real: Sums) -> bool:
    return any(claimed[algorithm] != real[algorithm] for algorithm in claimed)


def _check_tags(folder: Path) -> tuple[list[Fault], set[str]]:
    """Hold the bag's own text files against the tag manifests; also return which of them belong there."""
    faults: list[Fault] = []
    known: set[str] = set()
    named: dict[str, set[str]] = {}
    for algorithm in ALGORITHMS:
        name = f"tagmanifest-{algorithm}.txt"
        if not _is_file(folder / name):
            faults.append(Fault(name, "missing", "is missing"))
            continue
        known.add(name)
        listed = parse_manifest(_text(folder / name), _where(folder, name))
        named[name] = set(listed)
        for tag, digest in listed.items():
            known.add(tag)
            if unsafe(tag) is not None:
                faults.append(Fault(tag, "unsafe", f"its path {unsafe(tag)}"))
            elif not _is_file(folder / tag):
                faults.append(Fault(tag[:200], "missing", "is missing"))
            elif hashlib.new(algorithm, _bytes(folder / tag)).hexdigest() != digest:
                faults.append(Fault(tag, "changed", "was changed"))
    # Each lists the same files; one that was emptied would otherwise find nothing wrong.
    every = set().union(*named.values())
    short = (name for name, tags in named.items() if tags != every)
    faults += [
        Fault(name, "changed", "was changed: it lacks a file that the other one names") for name in short
    ]
    return list(dict.fromkeys(faults)), known


def _is_file(path: Path) -> bool:
    """Whether there is a regular file, also where a manifest names what no system can have."""
    try:
        return path.is_file()
    except ValueError:
        return False
    except OSError as error:
        if error.errno == errno.ENAMETOOLONG:
            return False
        raise


def _present(folder: Path) -> tuple[list[str], list[str], list[Fault]]:
    """Every regular file in the bag, every link or other thing that is neither, and what may not be seen."""
    files: list[str] = []
    others: list[str] = []
    closed: list[Fault] = []

    def note(error: OSError) -> None:
        what = f"cannot be looked into: {error.strerror or error}"
        closed.append(Fault(_inner(folder, error), "unreadable", what))

    for here, folders, names in os.walk(folder, onerror=note):
        for name in [*folders, *names]:
            path = Path(here, name)
            inner = path.relative_to(folder).as_posix()
            if path.is_symlink() or not (path.is_dir() or path.is_file()):
                others.append(inner)
            elif path.is_file():
                files.append(inner)
    return sorted(files), sorted(others), closed


def _sums(path: Path, count: Callable[[int], None], helpers: Executor) -> dict[str, str]:
    """Compute both checksums of a file, side by side, reading it once."""
    hashes = {algorithm: hashlib.new(algorithm) for algorithm in ALGORITHMS}
    with path.open("rb") as stream:
        while chunk := stream.read(_CHUNK):
            others = [helpers.submit(one.update, chunk) for one in list(hashes.values())[1:]]
            hashes[ALGORITHMS[0]].update(chunk)
            for other in others:
                other.result()
            count(len(chunk))
    return {algorithm: one.hexdigest() for algorithm, one in hashes.items()}


def _claimed_bytes(folder: Path, files: int) -> int | None:
    """Return the size that the bag claims; its claim of how many files there are must fit the manifests."""
    path = folder / _INFO
    claim = parse_tags(_text(path)).get("Payload-Oxum") if path.is_file() else None
    if claim is None:
        return None
    size, _, count = claim.partition(".")
    if not (size.isdecimal() and count.isdecimal()) or len(size) > 18 or int(count[:9]) != files:
        what = f"claims {claim[:40]} (bytes.files), and the manifests name {files} files"
        raise TapscanError(_where(folder, _INFO), what, _REMEDY)
    return int(size)


def _bytes(path: Path) -> bytes:
    where = _where(path.parent, path.name)
    try:
        if path.is_symlink():
            raise TapscanError(where, "is a link", _REMEDY)
        if not path.is_file():
            raise TapscanError(where, "is missing", _REMEDY)
        if path.stat().st_size > MOST_TAG_BYTES:
            raise TapscanError(where, f"is {path.stat().st_size:,} bytes, too large to be true", _REMEDY)
        return path.read_bytes()
    except OSError as error:
        raise TapscanError(where, f"cannot be read: {error.strerror or error}", _REMEDY) from None


def _text(path: Path) -> str:
    try:
        return _bytes(path).decode("utf-8-sig")
    except UnicodeDecodeError:
        raise TapscanError(_where(path.parent, path.name), "is not UTF-8 text", _REMEDY) from None


def _where(folder: Path, name: str) -> str:
    return f"{folder.name}/{name}"
