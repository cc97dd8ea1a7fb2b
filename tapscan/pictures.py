"""Pictures from a camera: their head, checked before memory is taken, and the picture the right way up.

No file is ever changed. What is wrong with one is said in a sentence, whatever its bytes are.
"""

import hashlib
import warnings
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from tapscan.errors import TapscanError

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

    import numpy as np
    from numpy.typing import NDArray
    from PIL.Image import Image

__all__ = [
    "MOST_MEGAPIXELS",
    "PictureFacts",
    "picture_facts",
    "read_coloured",
    "read_grey",
    "sha256_of",
    "upright",
    "without_place",
]

# Policy: more than any camera at a bench gives; grey and colour of that many take 500 MB at most.
MOST_MEGAPIXELS = 100
# Tags of the public Exif specification: which side is up, and the table of the place.
_ORIENTATION, _PLACE = 0x0112, 0x8825
_FOR_PAGES = ("JPEG", "PNG")  # what browsers show, too
_KINDS = (*_FOR_PAGES, "TIFF", "WEBP")


@dataclass(frozen=True, slots=True)
class PictureFacts:
    """What the head of a picture says: its size the right way up, and whether it says where it was taken."""

    width_px: int
    height_px: int
    has_place: bool


def picture_facts(path: Path, where: str) -> PictureFacts:
    """Read the head of a JPEG or PNG file; `where` names it in errors.

    Raises
    ------
    TapscanError
        When there is no such file, it is no picture of these kinds, or it is too large.
    """
    with _opened(path, where, _FOR_PAGES) as image:
        exif = image.getexif()
        width, height = image.size
        if exif.get(_ORIENTATION, 1) in {5, 6, 7, 8}:  # the camera was held upright
            width, height = height, width
        return PictureFacts(width, height, bool(exif.get_ifd(_PLACE)))


def sha256_of(path: Path) -> str:
    """SHA-256 of a file's bytes; '' when it cannot be read."""
    try:
        with path.open("rb") as stream:
            return hashlib.file_digest(stream, "sha256").hexdigest()
    except OSError:
        return ""


def upright(path: Path, where: str, most_px: int) -> "NDArray[np.uint8]":
    """Read a JPEG or PNG picture the right way up, (height, width, 3), its longer side at most `most_px`.

    Raises
    ------
    TapscanError
        As `picture_facts`, and when the file is broken.
    """
    import numpy as np
    from PIL import ImageOps

    with _opened(path, where, _FOR_PAGES) as image:
        image.draft("RGB", (most_px, most_px))
        turned = ImageOps.exif_transpose(image).convert("RGB")
        turned.thumbnail((most_px, most_px))
        return np.asarray(turned, dtype=np.uint8)


def read_grey(path: Path, where: str = "") -> "NDArray[np.uint8]":
    """Grey levels 0 to 255 of a photo, (rows, columns), turned as its EXIF orientation says.

    JPEG, PNG, TIFF and WebP; deeper than 8 bits is stretched from its least to its most. `where` is how the
    file is called in what is said of it.

    Raises
    ------
    TapscanError
        When it is no photo, is broken, or is too large.
    """
    return _read(path, where, _grey)


def read_coloured(path: Path, where: str = "") -> "NDArray[np.uint8]":
    """Red, green and blue of a photo, (rows, columns, 3), its pixels where `read_grey` has them.

    Deeper than 8 bits is grey, stretched as `read_grey` does.

    Raises
    ------
    TapscanError
        As `read_grey`.
    """
    return _read(path, where, _coloured)


def without_place(path: Path, where: str) -> bytes:
    """Give the content of a picture without the place where it was taken; its pixels are coded again.

    Raises
    ------
    TapscanError
        As `picture_facts`, and when the file is broken.
    """
    from io import BytesIO

    with _opened(path, where, _FOR_PAGES) as image:
        exif = image.getexif()
        exif.pop(_PLACE, None)
        kept = BytesIO()
        options = {"quality": "keep"} if image.format == "JPEG" else {}
        image.save(kept, format=image.format, exif=exif, **options)
        return kept.getvalue()


def _read(path: Path, where: str, taken: "Callable[[Image], NDArray[np.uint8]]") -> "NDArray[np.uint8]":
    from PIL import ImageOps

    with _opened(path, where or path.name, _KINDS) as image:
        image.load()
        return taken(ImageOps.exif_transpose(image))


@contextmanager
def _opened(path: Path, where: str, kinds: tuple[str, ...]) -> "Iterator[Image]":
    """Open a picture, its size checked by its head; whatever is wrong with its bytes becomes a sentence."""
    from PIL import Image, UnidentifiedImageError

    if not path.is_file():
        raise TapscanError(where, "is missing", "put the photo back, or name the one that is there")
    smaller = "save it smaller: 12 megapixels show all that is needed"
    too_large = f"more than the {MOST_MEGAPIXELS} megapixels that are read"
    names = f"{', '.join(kinds[:-1])} or {kinds[-1]}"
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")  # what matters of a file is said below
            with Image.open(path, formats=kinds) as image:
                megapixels = image.size[0] * image.size[1] / 1e6
                if megapixels > MOST_MEGAPIXELS:
                    raise TapscanError(where, f"has {megapixels:.0f} megapixels, {too_large}", smaller)
                yield image
    except UnidentifiedImageError:
        raise TapscanError(where, f"is no {names} picture", f"save the photo as {names}") from None
    except Image.DecompressionBombError:
        raise TapscanError(where, f"has far {too_large}", smaller) from None
    except (OSError, ValueError, SyntaxError, EOFError, IndexError, KeyError, TypeError) as error:
        reason = " ".join(str(error).split())[:100] or type(error).__name__
        raise TapscanError(where, f"is broken: {reason}", "copy it from the camera again") from None


def _grey(image: "Image") -> "NDArray[np.uint8]":
    import numpy as np

    if not _is_deep(image.mode):
        return np.asarray(image.convert("L"), dtype=np.uint8)
    deep = np.asarray(image, dtype=np.float32)
    finite = np.isfinite(deep)
    low, high = (float(f(deep[finite])) if finite.any() else 0.0 for f in (np.min, np.max))
    stretched = np.nan_to_num((deep - low) * (255.0 / max(high - low, 1e-9)))
    return np.asarray(stretched.round(), dtype=np.uint8)


def _coloured(image: "Image") -> "NDArray[np.uint8]":
    import numpy as np

    if _is_deep(image.mode):
        return np.repeat(_grey(image)[:, :, None], 3, axis=2)
    return np.asarray(image.convert("RGB"), dtype=np.uint8)


def _is_deep(mode: str) -> bool:
    return mode in ("I", "F") or mode.startswith("I;16")
