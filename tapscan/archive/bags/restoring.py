"""Taking an inspection out of the archive: a bag may come from anywhere, so nothing it says is believed."""

import shutil
import stat
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

from tapscan.archive.bags.checking import Sealed, read_seal
from tapscan.archive.bags.folders import check_new, new_folder
from tapscan.archive.bags.making import copy_hashed
from tapscan.archive.bags.manifests import PAYLOAD, unsafe
from tapscan.errors import TapscanError, sentence

__all__ = ["Restored", "restore_bag"]

_REMEDY = "check it: tapscan archive check; what is intact comes out with --intact-only"

Progress = Callable[[int, int], None]
# The path of a file that cannot be restored, and why.
Lost = tuple[str, str]


@dataclass(frozen=True, slots=True)
class Restored:
    """Where the inspection went, how many files it has, and sentences about those that were left out."""

    folder: Path
    files: int
    left_out: tuple[str, ...]


def restore_bag(
    bag: Path, target: Path, *, intact_only: bool = False, progress: Progress = lambda *_: None
) -> Restored:
    """Copy the inspection out of a bag into `target`, which must not exist or be empty.

    Every path, size and checksum is checked on the way, and `target` appears in one step: all of it or
    nothing. With `intact_only` damaged and missing files are left out and named instead.

    Raises
    ------
    TapscanError
        When the target is taken; when a path leaves the folder or runs over a link; when the files are
        larger than the bag claims or the disk has room for; when a file is missing or changed.
    """
    check_new(target)
    sealed = read_seal(bag)
    sizes, faults = _sizes(bag, sealed)
    _refuse(faults, intact_only=intact_only)
    total = sum(sizes.values())
    _check_room(bag, target, sealed, total)
    restored = done = 0
    with new_folder(target) as building:
        for path, size in sizes.items():
            out = building / path.removeprefix(f"{PAYLOAD}/")
            real = copy_hashed(bag / path, out, size)
            if any(real[algorithm] != digest for algorithm, digest in sealed.files[path].items()):
                out.unlink()
                faults.append((path, "was changed since it was archived"))
            else:
                restored += 1
            done += size
            progress(done, total)
        _refuse(faults, intact_only=intact_only)
    left_out = tuple(sentence(*fault, "it was left out") for fault in faults)
    return Restored(target, restored, left_out)


def _sizes(bag: Path, sealed: Sealed) -> tuple[dict[str, int], list[Lost]]:
    """Find the size of every file that may be copied; a path or link that leads astray ends it all."""
    root = bag.resolve()
    sizes: dict[str, int] = {}
    faults: list[Lost] = []
    for path in sealed.files:
        reason = unsafe(path) or (None if path.startswith(f"{PAYLOAD}/") else "is not inside data/")
        if reason is not None:
            what = f"a path of the bag {reason}, nothing was restored"
            raise TapscanError(path, what, "do not trust this bag")
        real = root / path
        try:
            state = real.lstat()
            if real.resolve() != real or stat.S_ISLNK(state.st_mode):
                raise TapscanError(path, "is a link, nothing was restored", "do not trust this bag")
            if not stat.S_ISREG(state.st_mode):
                raise TapscanError(path, "is not a regular file, nothing was restored", "do not trust it")
            sizes[path] = state.st_size
        except (FileNotFoundError, NotADirectoryError):
            faults.append((path, "is missing from the bag"))
        except OSError as error:
            faults.append((path, f"cannot be read: {error.strerror or error}"))
    return sizes, faults


def _check_room(bag: Path, target: Path, sealed: Sealed, total: int) -> None:
    if sealed.size_bytes is not None and total > sealed.size_bytes:
        what = f"holds {total:,} bytes and claims {sealed.size_bytes:,}, nothing was restored"
        raise TapscanError(bag.name, what, "check it: tapscan archive check")
    home = next(folder for folder in target.absolute().parents if folder.is_dir())
    free = shutil.disk_usage(home).free
    if total > free:
        what = f"needs {total:,} bytes and {home} has room for {free:,}"
        raise TapscanError(bag.name, what, "make room, or restore onto another disk")


def _refuse(faults: list[Lost], *, intact_only: bool) -> None:
    if faults and not intact_only:
        where, what = faults[0]
        more = f"; {len(faults) - 1} more files are damaged" if len(faults) > 1 else ""
        raise TapscanError(where, what + more, _REMEDY)
