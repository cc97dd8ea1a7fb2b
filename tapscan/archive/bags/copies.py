"""Second copies: an archive copied to another disk and checked, and a damaged bag brought back from one."""

import os
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

from tapscan.archive.bags.checking import check_bag, listed_files
from tapscan.archive.bags.making import beside, copy_hashed
from tapscan.archive.places import Bag, list_bags
from tapscan.errors import TapscanError
from tapscan.records.swapping import exchanged

__all__ = ["Copied", "bring_back", "copy_archive"]

_SEALS = (
    "tagmanifest-sha512.txt",
    "tagmanifest-sha256.txt",
    "manifest-sha512.txt",
    "manifest-sha256.txt",
)

Progress = Callable[[int, int], None]


@dataclass(frozen=True, slots=True)
class Copied:
    """Bags that were copied now, bags whose copy was there and is whole, and sentences about the others."""

    new: tuple[Bag, ...]
    same: tuple[Bag, ...]
    faults: tuple[str, ...]


def copy_archive(archive: Path, target: Path, progress: Progress = lambda *_: None) -> Copied:
    """Copy every bag of an archive that `target` does not have yet, and check every copy.

    A bag that is damaged is not copied, and the others go on. No bag in `target` is ever changed.

    Parameters
    ----------
    archive
        The archive to copy.
    target
        The folder of the second archive; made when there is none.
    progress
        Called with (bags done, bags to do).

    Raises
    ------
    TapscanError
        When one of the two is inside the other, there is nothing to copy, or the disk refuses.

    Examples
    --------
    >>> copy_archive(Path("archive"), Path("/media/stick/archive")).faults     # doctest: +SKIP
    ()
    """
    here, there = archive.resolve(), target.resolve()
    if here.is_relative_to(there) or there.is_relative_to(here):
        raise TapscanError(
            str(target), "is the archive itself, or inside it", "name a folder on another disk"
        )
    bags = list_bags(archive)
    if not bags:
        raise TapscanError(str(archive), "holds no bag", "add one: tapscan archive add DIR")
    known = {bag.label: bag for bag in list_bags(target)}
    new, same, faults = [], [], []
    for done, bag in enumerate(bags, start=1):
        try:
            if bag.label in known:
                _check_copy(bag, known[bag.label], archive, target)
                same.append(bag)
            else:
                _put(bag, target)
                new.append(bag)
        except TapscanError as error:
            faults.append(str(error))
        progress(done, len(bags))
    return Copied(tuple(new), tuple(same), tuple(faults))


def bring_back(bag: Bag, other: Path) -> Path:
    """Replace a damaged bag by its healthy copy in another archive; return where the damaged one is kept.

    Raises
    ------
    TapscanError
        When the other archive has no such bag, has another one under its name, or its copy is damaged, too.
    """
    copy = next((each for each in list_bags(other) if each.label == bag.label), None)
    remedy = "look for another copy"
    if copy is None:
        raise TapscanError(bag.label, f"is not in {other}", remedy)
    faults = check_bag(copy.folder)
    if faults:
        what = f"its copy in {other} is damaged, too: {faults[0].path} {faults[0].what}"
        raise TapscanError(bag.label, what, remedy)
    if not _is_same(bag, copy):
        raise TapscanError(bag.label, f"the bag of that name in {other} is another one", remedy)
    kept = _free_name(bag.folder)
    archive = bag.folder.parent
    try:
        with beside(archive, bag.name) as building:
            _fill(copy, building)
            building.chmod(0o755)
            if exchanged(building, bag.folder):
                building.rename(kept)
            else:
                bag.folder.rename(kept)
                building.rename(bag.folder)
    except OSError as error:
        raise _refused(archive, error) from None
    return kept


def _is_same(bag: Bag, copy: Bag) -> bool:
    """Whether two bags were one when they were sealed: one of the lists of checksums is still the same.

    Where damage has spared none of them only the name is left to go by.
    """
    lists = [(_bytes(bag.folder / name), _bytes(copy.folder / name)) for name in _SEALS]
    return any(own == other for own, other in lists if own) or not any(own for own, _ in lists)


def _bytes(path: Path) -> bytes:
    try:
        return path.read_bytes()
    except OSError:
        return b""


def _free_name(folder: Path) -> Path:
    number, name = 1, folder.with_name(f"{folder.name}.damaged")
    while os.path.lexists(name):
        number += 1
        name = folder.with_name(f"{folder.name}.damaged-{number}")
    return name


def _check_copy(bag: Bag, copy: Bag, archive: Path, target: Path) -> None:
    faults = check_bag(copy.folder)
    if faults:
        what = f"its copy is damaged: {faults[0].path} {faults[0].what}"
        remedy = f"run: tapscan archive check {bag.label} --archive {target} --from {archive}"
        raise TapscanError(bag.label, what, remedy)
    if _bytes(bag.folder / _SEALS[0]) != _bytes(copy.folder / _SEALS[0]):
        what = f"{target} has another bag of that name, or this one is damaged; it was left alone"
        raise TapscanError(bag.label, what, f"run: tapscan archive check {bag.label}; or copy elsewhere")


def _put(bag: Bag, target: Path) -> None:
    place = target / bag.folder.name
    try:
        with beside(target, bag.name) as building:
            _fill(bag, building)
            building.chmod(0o755)
            building.rename(place)
    except OSError as error:
        raise _refused(target, error) from None


def _fill(bag: Bag, building: Path) -> None:
    """Copy what belongs to a bag, and compare what has arrived with its checksums."""
    for path, size in _sizes(bag).items():
        copy_hashed(bag.folder / path, building / path, size)
    faults = check_bag(building)
    if faults:
        what = f"is damaged and was not copied: {faults[0].path} {faults[0].what}"
        raise TapscanError(bag.label, what, "run: tapscan archive check")


def _sizes(bag: Bag) -> dict[str, int]:
    """Return the size of every file that belongs to a bag and is there."""
    try:
        files = [path for path in listed_files(bag.folder) if (bag.folder / path).is_file()]
        return {path: (bag.folder / path).lstat().st_size for path in files}
    except OSError as error:
        what = f"cannot be read: {error.strerror or error}"
        raise TapscanError(bag.label, what, "check its permissions and its disk") from None


def _refused(place: Path, error: OSError) -> TapscanError:
    what = f"cannot be written: {error.strerror or error}"
    return TapscanError(str(error.filename or place), what, "make room, or name another disk")
