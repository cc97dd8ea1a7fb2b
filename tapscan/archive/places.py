"""Where the archive is and what its bags are called: ``NAME@VERSION``, one folder each."""

import hashlib
import os
import re
import stat
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path

from tapscan.errors import TapscanError, nearest

__all__ = [
    "DEFAULT",
    "SETTINGS",
    "VARIABLE",
    "Bag",
    "archive_folder",
    "bag_name",
    "find_bag",
    "list_bags",
    "newest",
    "seal_of",
    "small_file",
]

VARIABLE = "TAPSCAN_ARCHIVE"
DEFAULT = "tapscan-archive"
SETTINGS = "settings.json"  # in each bag: versions and settings at work, checksums of the inputs
MOST_TEXT_BYTES = 16_000_000
# Where the system has them: a link is not followed, and a pipe that nobody fills is not waited for.
_NO_LINK, _NO_WAIT = (getattr(os, name, 0) for name in ("O_NOFOLLOW", "O_NONBLOCK"))
SEALS = ("tagmanifest-sha512.txt", "tagmanifest-sha256.txt")
_BAG = re.compile(r"(?P<name>\w[\w.-]{0,79})@(?P<version>[1-9][0-9]{0,5})")


@dataclass(frozen=True, slots=True, order=True)
class Bag:
    """One version of one archived inspection."""

    name: str
    version: int
    folder: Path

    @property
    def label(self) -> str:
        """What the bag is called, by people and on disk."""
        return f"{self.name}@{self.version}"

    @property
    def inspection(self) -> Path:
        """The archived inspection folder within the bag."""
        return self.folder / "data"


def archive_folder(chosen: Path | None = None) -> Path:
    """Return the archive's folder: the one chosen, else that of the environment, else one in the home folder.

    Examples
    --------
    >>> archive_folder(Path("/media/stick/archive")).as_posix()
    '/media/stick/archive'
    """
    if chosen is not None:
        return chosen
    named = os.environ.get(VARIABLE)
    return Path(named) if named else Path.home() / DEFAULT


def bag_name(text: str) -> str:
    """Make a bag's name of a folder's or a part's: letters, figures, dots, dashes and underscores.

    Raises
    ------
    TapscanError
        When nothing of the text can be kept.

    Examples
    --------
    >>> bag_name("Anna's trike (left)")
    'Anna-s-trike-left'
    """
    name = re.sub(r"[^\w.-]+", "-", text).strip("-._")[:80]
    if not name:
        raise TapscanError(repr(text), "gives no name for a bag", "name it with --name")
    return name


def list_bags(archive: Path) -> list[Bag]:
    """All bags of the archive by name and version; links and unfinished bags are none.

    Raises
    ------
    TapscanError
        When the archive is not a folder, or may not be looked into.
    """
    try:
        with os.scandir(archive) as entries:
            found = [
                Bag(match["name"], int(match["version"]), archive / entry.name)
                for entry in entries
                if (match := _BAG.fullmatch(entry.name)) and entry.is_dir(follow_symlinks=False)
            ]
    except FileNotFoundError:
        return []
    except OSError as error:
        what = f"cannot be looked into: {error.strerror or error}"
        raise TapscanError(str(archive), what, "name the archive's folder with --archive") from None
    return sorted(found, key=lambda bag: (bag.name, bag.version))


def newest(bags: Iterable[Bag]) -> list[Bag]:
    """Return the newest version of every name."""
    return list({bag.name: bag for bag in sorted(bags)}.values())


def seal_of(bag: Bag) -> str:
    """Return a checksum that changes when anything in the bag is sealed anew; empty when there is no seal."""
    for name in SEALS:
        content = small_file(bag.folder / name)
        if content:
            return hashlib.sha256(content).hexdigest()
    return ""


def small_file(path: Path) -> bytes:
    """Read a regular file of sane size; nothing when it is no such file, for `check` is there to complain."""
    try:
        if not _NO_LINK and path.is_symlink():
            return b""
        with open(os.open(path, os.O_RDONLY | _NO_LINK | _NO_WAIT), "rb") as stream:  # noqa: PTH123 - its flags
            facts = os.fstat(stream.fileno())
            return stream.read() if stat.S_ISREG(facts.st_mode) and facts.st_size <= MOST_TEXT_BYTES else b""
    except (OSError, ValueError):
        return b""


def find_bag(archive: Path, label: str) -> Bag:
    """Find a bag by ``NAME`` (its newest version) or ``NAME@VERSION``.

    Raises
    ------
    TapscanError
        When the archive holds no such bag; the message names the nearest one.
    """
    bags = list_bags(archive)
    fitting = [bag for bag in bags if label in {bag.name, bag.label}]
    if fitting:
        return max(fitting)
    known = [bag.name for bag in newest(bags)]
    close = nearest(label.partition("@")[0], known)
    if not bags:
        raise TapscanError(str(archive), "holds no bag", "add one: tapscan archive add DIR")
    remedy = f"did you mean {close}?" if close else "see: tapscan archive list"
    if close is not None and close == label.partition("@")[0]:
        versions = ", ".join(bag.label for bag in bags if bag.name == close)
        remedy = f"there is {versions}"
    raise TapscanError(label, "is not in the archive", remedy)
