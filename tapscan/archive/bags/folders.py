"""New folders: built beside their place and named in one step, and never over anything that is there."""

import shutil
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from tapscan.errors import TapscanError
from tapscan.records.writing import UNFINISHED

__all__ = ["check_new", "new_folder"]


def check_new(target: Path) -> None:
    """Make sure that a folder is new or empty, before work is put into what shall go there.

    Raises
    ------
    TapscanError
        When it is a file, a link, or holds anything already.
    """
    if target.is_symlink() or (target.exists() and not target.is_dir()):
        raise TapscanError(str(target), "is a file or a link", "name a new or empty folder")
    if target.is_dir() and any(target.iterdir()):
        raise TapscanError(str(target), "is not empty, nothing was written", "name a new or empty folder")


@contextmanager
def new_folder(target: Path) -> Iterator[Path]:
    """Yield a hidden folder beside `target` to fill; it becomes `target` when all went well, else it goes.

    Raises
    ------
    TapscanError
        When the target is taken, or the disk refuses.
    """
    check_new(target)
    building: Path | None = None
    try:
        target.parent.mkdir(parents=True, exist_ok=True)
        building = Path(tempfile.mkdtemp(dir=target.parent, prefix=f".{target.name}.", suffix=UNFINISHED))
        yield building
        building.chmod(0o755)
        if target.is_dir():
            target.rmdir()  # fails when something has come in meanwhile
        building.rename(target)
    except OSError as error:
        what = f"cannot be written: {error.strerror or error}"
        raise TapscanError(str(error.filename or target), what, "make room, or name another folder") from None
    finally:
        if building is not None:
            shutil.rmtree(building, ignore_errors=True)
