"""Files are written beside and renamed, so a killed program leaves the old file or the new one, whole."""

import os
import tempfile
from pathlib import Path

__all__ = ["write_bytes", "write_text"]


def write_bytes(path: Path, content: bytes) -> None:
    """Replace `path` with `content` in one step, making its folder when there is none.

    Raises
    ------
    OSError
        When the disk is full or the folder may not be written; the old file is then untouched.
    """
    path.parent.mkdir(parents=True, exist_ok=True)
    handle, beside = tempfile.mkstemp(dir=path.parent, prefix=f".{path.name}.", suffix=".part")
    try:
        with os.fdopen(handle, "wb") as stream:
            stream.write(content)
            stream.flush()
            os.fsync(stream.fileno())
        Path(beside).chmod(0o644)
        Path(beside).replace(path)
    except BaseException:
        Path(beside).unlink(missing_ok=True)
        raise


def write_text(path: Path, text: str) -> None:
    """Replace `path` with `text` in UTF-8 in one step; line ends stay as they are in `text`."""
    write_bytes(path, text.encode("utf-8"))
