"""Photos of cut faces: read the right way up, in grey, with bounded memory; the file is never changed."""

import warnings
from collections.abc import Callable
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from tapscan.errors import TapscanError

__all__ = ["MOST_PIXELS", "read_coloured", "read_photo"]

# Policy: more than any camera at a bench gives; grey and colour of that many take 600 MB at most.
MOST_PIXELS = 120_000_000
_FORMATS = ("JPEG", "PNG", "TIFF", "WEBP")
_AS_JPEG = "save it as JPEG, PNG or TIFF"


def read_photo(path: Path, where: str = "") -> NDArray[np.uint8]:
    """Grey levels 0 to 255 of a photo, (rows, columns), turned as its EXIF orientation says.

    Deeper than 8 bits is stretched from its least to its most. The number of pixels that the file claims is
    checked before any memory is taken. `where` is how the file is called in what is said of it.

    Raises
    ------
    TapscanError
        When it is no photo, is broken, or is too large.
    """
    return _read(path, where, _grey)


def read_coloured(path: Path, where: str = "") -> NDArray[np.uint8]:
    """Red, green and blue of a photo, (rows, columns, 3), its pixels where `read_photo` has them.

    Deeper than 8 bits is grey, stretched as `read_photo` does.

    Raises
    ------
    TapscanError
        When it is no photo, is broken, or is too large.
    """
    return _read(path, where, _coloured)


def _read(path: Path, where: str, taken: Callable[[object], NDArray[np.uint8]]) -> NDArray[np.uint8]:
    from PIL import Image, ImageOps, UnidentifiedImageError

    name = where or path.name
    if not path.is_file():
        raise TapscanError(name, "is not there", "check the name and the folder")
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")  # what matters of a file is said below
            with Image.open(path, formats=_FORMATS) as picture:
                _check_size(picture.size, name)
                picture.load()
                return taken(ImageOps.exif_transpose(picture))
    except UnidentifiedImageError:
        raise TapscanError(name, "is not a photo that can be read", _AS_JPEG) from None
    except Image.DecompressionBombError:
        what = f"claims more pixels than the {MOST_PIXELS // 1_000_000} million that are read"
        raise TapscanError(name, what, "save it smaller, or cut the face out of it") from None
    except (OSError, ValueError, SyntaxError, EOFError, IndexError, KeyError, TypeError) as error:
        reason = " ".join(str(error).split())[:100] or type(error).__name__
        raise TapscanError(name, f"is broken: {reason}", "copy it from the camera again") from None


def _check_size(size: tuple[int, int], name: str) -> None:
    width, height = size
    if width * height > MOST_PIXELS:
        what = (
            f"has {width} × {height} pixels, more than the {MOST_PIXELS // 1_000_000} million that are read"
        )
        raise TapscanError(name, what, "save it smaller, or cut the face out of it")


def _grey(picture: object) -> NDArray[np.uint8]:
    from PIL import Image

    assert isinstance(picture, Image.Image)
    if _is_deep(picture.mode):
        deep = np.asarray(picture, dtype=np.float32)
        finite = np.isfinite(deep)
        low, high = (float(f(deep[finite])) if finite.any() else 0.0 for f in (np.min, np.max))
        stretched = np.nan_to_num((deep - low) * (255.0 / max(high - low, 1e-9)))
        return np.asarray(stretched.round(), dtype=np.uint8)
    return np.asarray(picture.convert("L"), dtype=np.uint8)


def _is_deep(mode: str) -> bool:
    return mode in ("I", "F") or mode.startswith("I;16")


def _coloured(picture: object) -> NDArray[np.uint8]:
    from PIL import Image

    assert isinstance(picture, Image.Image)
    if _is_deep(picture.mode):
        return np.repeat(_grey(picture)[:, :, None], 3, axis=2)
    return np.asarray(picture.convert("RGB"), dtype=np.uint8)
