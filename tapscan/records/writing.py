"""Files are written beside and renamed, so a killed program leaves the old file or the new one, whole."""

import os
import shutil
import tempfile
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import BinaryIO

__all__ = ["UNFINISHED", "copy_new", "held", "sync_folder", "write_bytes", "write_new", "write_text"]

UNFINISHED = ".part"  # ends the name of what is being written; its name begins with a dot


@contextmanager
def held(folder: Path) -> Iterator[bool]:
    """Let one program at a time change a folder; False on systems and shares without such locks."""
    try:
        import fcntl
    except ImportError:
        yield False
        return
    handle = os.open(folder, os.O_RDONLY)
    try:
        is_alone = False
        with suppress(OSError):  # a share that knows no locks
            fcntl.flock(handle, fcntl.LOCK_EX)
            is_alone = True
        yield is_alone
    finally:
        os.close(handle)  # which lets go of the lock


def sync_folder(folder: Path) -> None:
    """Have the names in a folder on the disk before anything else happens, where the system can."""
    if os.name == "nt":
        return  # folders cannot be opened there
    handle = os.open(folder, os.O_RDONLY)
    try:
        with suppress(OSError):  # some shares cannot
            os.fsync(handle)
    finally:
        os.close(handle)


def write_bytes(path: Path, content: bytes) -> None:
    """Replace `path` with `content` in one step, making its folder when there is none.

    Raises
    ------
    OSError
        When the disk is full or the folder may not be written; the old file is then untouched.
    """
    _write(path, lambda stream: stream.write(content), Path.replace)


def write_text(path: Path, text: str) -> None:
    """Replace `path` with `text` in UTF-8 in one step; line ends stay as they are in `text`."""
    write_bytes(path, text.encode("utf-8"))


def write_new(path: Path, content: bytes) -> None:
    """Write a file that is not there yet, whole or not at all.

    Raises
    ------
    FileExistsError
        When there is a file of that name, even one that appeared while writing.
    OSError
        When the disk is full or the folder may not be written.
    """
    _write(path, lambda stream: stream.write(content), _rename_new)


def copy_new(source: Path, path: Path) -> None:
    """Copy a file of any size to a name that is not taken yet, whole or not at all.

    Raises
    ------
    FileExistsError
        When there is a file of that name, even one that appeared while copying.
    OSError
        When the source cannot be read, the disk is full or the folder may not be written.
    """
    with source.open("rb") as content:
        _write(path, lambda stream: shutil.copyfileobj(content, stream, 1 << 20), _rename_new)


def _write(path: Path, fill: Callable[[BinaryIO], object], rename: Callable[[Path, Path], object]) -> None:
    path.parent.mkdir(parents=True, exist_ok=True)
    handle, name = tempfile.mkstemp(dir=path.parent, prefix=f".{path.name}.", suffix=UNFINISHED)
    beside = Path(name)
    try:
        with os.fdopen(handle, "wb") as stream:
            fill(stream)
            stream.flush()
            os.fsync(stream.fileno())
        beside.chmod(0o644)
        rename(beside, path)
    finally:
        beside.unlink(missing_ok=True)


def _rename_new(beside: Path, path: Path) -> None:
    try:
        path.hardlink_to(beside)  # fails where a plain rename would replace
    except FileExistsError:
        raise
    except OSError:
        # Memory sticks know no hard links; there the check and the rename are two steps.
        if path.exists():
            raise FileExistsError(path) from None
        beside.rename(path)
