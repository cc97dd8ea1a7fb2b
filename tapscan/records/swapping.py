"""A folder replaced as a whole: built beside its place, put there in one step, and whole after any stop.

Where the system can exchange two names in one step (Linux, macOS) there is no moment without the folder.
Elsewhere the old folder is set aside, the new one takes its name, and the old one goes. A program killed
between the two leaves the old folder under its other name, and whoever opens the place next puts it back.
"""

import os
import shutil
import sys
import tempfile
import time
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

from tapscan.records.writing import UNFINISHED, held, sync_folder

__all__ = ["exchanged", "put_back", "replaced_folder"]

ABANDONED_S = 24 * 3600.0
_AT_CWD, _EXCHANGE = -100, 2  # of linux/fcntl.h and linux/fs.h; macOS' RENAME_SWAP is 2, too


@contextmanager
def replaced_folder(folder: Path) -> Iterator[Path]:
    """Yield an empty folder to fill; it takes the place of `folder` when all went well, else nothing changes.

    One program at a time, where the system knows locks.

    Raises
    ------
    OSError
        When the disk refuses, or another program holds files of the old folder open (Windows).
    """
    with held(folder.parent) as is_alone:
        _put_back(folder)
        _clear(folder, is_alone=is_alone)
        building = Path(tempfile.mkdtemp(dir=folder.parent, prefix=f".{folder.name}.", suffix=UNFINISHED))
        try:
            yield building
            building.chmod(0o755)
            for inner in [path for path in building.rglob("*") if path.is_dir() and not path.is_symlink()]:
                sync_folder(inner)
            sync_folder(building)
            _swap(building, folder)
        finally:
            _remove(building)


def put_back(folder: Path) -> None:
    """Give a folder its name again when a program was killed while it was replaced; else do nothing."""
    if _is_set_aside(folder):
        with held(folder.parent):
            _put_back(folder)


def _aside(folder: Path) -> Path:
    return folder.with_name(f".{folder.name}.before{UNFINISHED}")


def _is_set_aside(folder: Path) -> bool:
    return not os.path.lexists(folder) and _aside(folder).is_dir()


def _put_back(folder: Path) -> None:
    if _is_set_aside(folder):
        with suppress(OSError):  # on a disk that is only read it stays where it is
            _aside(folder).rename(folder)


def _clear(folder: Path, *, is_alone: bool) -> None:
    """Remove what killed programs left; without a lock, only what no running program can be filling."""
    for left in folder.parent.glob(f".{folder.name}.*{UNFINISHED}"):
        with suppress(FileNotFoundError):
            if is_alone or left == _aside(folder) or time.time() - left.lstat().st_mtime > ABANDONED_S:
                _remove(left)


def _remove(path: Path) -> None:
    if path.is_symlink():
        path.unlink()
    else:
        shutil.rmtree(path, ignore_errors=True)


def _swap(building: Path, folder: Path) -> None:
    if not os.path.lexists(folder):
        building.rename(folder)
    elif not exchanged(building, folder):
        _set_aside(building, folder)
    sync_folder(folder.parent)


def exchanged(one: Path, other: Path) -> bool:
    """Exchange two names in one step; False where this system or this disk cannot."""
    import ctypes

    places = os.fsencode(one), os.fsencode(other)
    try:
        library = ctypes.CDLL(None)
        if sys.platform == "darwin":
            return bool(library.renamex_np(*places, _EXCHANGE) == 0)
        return bool(library.renameat2(_AT_CWD, places[0], _AT_CWD, places[1], _EXCHANGE) == 0)
    except (AttributeError, TypeError, OSError):  # no such call, or no library to ask
        return False


def _set_aside(building: Path, folder: Path) -> None:
    aside = _aside(folder)
    try:
        folder.rename(aside)
        building.rename(folder)
    except BaseException:
        _put_back(folder)
        raise
    _remove(aside)
