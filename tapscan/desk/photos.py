"""Photos, taken with the tablet's camera or chosen, kept in the inspection folder."""

import re
from itertools import count
from pathlib import Path, PurePath

from tapscan.errors import TapscanError
from tapscan.records.writing import write_new

__all__ = ["MOST_PHOTO_BYTES", "keep_new", "keep_photo"]

MOST_PHOTO_BYTES = 50_000_000
_FOLDER = "photos"
# How files of these kinds begin (their public specifications); "ftyp" follows four bytes of length.
_STARTS = {
    ".jpg": (0, b"\xff\xd8\xff"),
    ".png": (0, b"\x89PNG\r\n\x1a\n"),
    ".tif": (0, b"II*\0"),
    ".tiff": (0, b"MM\0*"),
    ".webp": (8, b"WEBP"),
    ".heic": (4, b"ftyp"),
}


def keep_photo(folder: Path, name: str, content: bytes) -> str:
    """Write a photo into ``photos/``, never over another one; return its name in the inspection folder.

    A photo that is there already, byte for byte, keeps its name.

    Raises
    ------
    TapscanError
        When it is no photo of a known kind, or cannot be written.
    """
    kind = next(
        (suffix for suffix, (at, start) in _STARTS.items() if content[at : at + len(start)] == start), None
    )
    if kind is None:
        raise TapscanError(repr(name[:60]), "is not a photo that is known here", "save it as JPEG or PNG")
    stem = re.sub(r"[^A-Za-z0-9_-]+", "-", PurePath(name).stem)[:60].strip("-") or "photo"
    return keep_new(folder, stem, kind, content)


def keep_new(folder: Path, stem: str, kind: str, content: bytes) -> str:
    """Write a file into ``photos/`` under the first free name; return its name in the inspection folder.

    Raises
    ------
    TapscanError
        When it cannot be written.
    """
    for number in count(1):
        path = folder / _FOLDER / (f"{stem}{kind}" if number == 1 else f"{stem}_{number}{kind}")
        if not path.resolve().is_relative_to(folder.resolve()):
            raise TapscanError(_FOLDER, "is a link out of the inspection", "make it a folder")
        try:
            if path.is_file() and path.read_bytes() == content:
                break
            write_new(path, content)
        except FileExistsError:
            continue
        except OSError as error:
            what = f"cannot be written: {error.strerror or error}"
            raise TapscanError(path.name, what, "make room, or make the folder writable") from None
        break
    return f"{_FOLDER}/{path.name}"
