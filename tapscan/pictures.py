"""Pictures from a camera: their head, checked before memory is taken, and the picture the right way up."""

import hashlib
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from tapscan.errors import TapscanError

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray
    from PIL.Image import Image

__all__ = ["MOST_MEGAPIXELS", "PictureFacts", "picture_facts", "sha256_of", "upright", "without_place"]

MOST_MEGAPIXELS = 100  # policy: beyond it a picture takes over 300 MB of memory and shows nothing more
# Tags of the public Exif specification: which side is up, and the table of the place.
_ORIENTATION, _PLACE = 0x0112, 0x8825
_KINDS = ("JPEG", "PNG")


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
    with _opened(path, where) as image:
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
    """Read a picture the right way up, (height, width, 3), its longer side at most `most_px`.

    Raises
    ------
    TapscanError
        As `picture_facts`, and when the file is damaged.
    """
    import numpy as np
    from PIL import ImageOps

    with _opened(path, where) as image:
        try:
            image.draft("RGB", (most_px, most_px))
            turned = ImageOps.exif_transpose(image).convert("RGB")
            turned.thumbnail((most_px, most_px))
            return np.asarray(turned, dtype=np.uint8)
        except (OSError, SyntaxError, ValueError):
            raise TapscanError(where, "is damaged", "save the photo again") from None


def without_place(path: Path, where: str) -> bytes:
    """Give the content of a picture without the place where it was taken; its pixels are coded again.

    Raises
    ------
    TapscanError
        As `picture_facts`.
    """
    from io import BytesIO

    with _opened(path, where) as image:
        exif = image.getexif()
        exif.pop(_PLACE, None)
        kept = BytesIO()
        options = {"quality": "keep"} if image.format == "JPEG" else {}
        image.save(kept, format=image.format, exif=exif, **options)
        return kept.getvalue()


def _opened(path: Path, where: str) -> "Image":
    import warnings

    from PIL import Image, UnidentifiedImageError

    if not path.is_file():
        raise TapscanError(where, "is missing", "put the photo back, or name the one that is there")
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore", Image.DecompressionBombWarning)  # our own limit is below
            image = Image.open(path, formats=_KINDS)
    except Image.DecompressionBombError:
        raise TapscanError(where, f"has far more than {MOST_MEGAPIXELS} megapixels", _SMALLER) from None
    except (UnidentifiedImageError, OSError, SyntaxError, ValueError):
        raise TapscanError(where, "is no JPEG or PNG picture", "save the photo as JPEG or PNG") from None
    megapixels = image.size[0] * image.size[1] / 1e6
    if megapixels > MOST_MEGAPIXELS:
        image.close()
        what = f"has {megapixels:.0f} megapixels, more than {MOST_MEGAPIXELS}"
        raise TapscanError(where, what, _SMALLER)
    return image


_SMALLER = "save it smaller: 12 megapixels show all that is needed"
