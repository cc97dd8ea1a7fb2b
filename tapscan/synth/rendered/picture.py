"""Grey pictures as PNG files, and words in them, the same to the byte on every machine."""

import struct
import zlib
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

__all__ = ["grey_png", "write_words"]

_STORED_BYTES = 65_535  # of one block that is not compressed (RFC 1951)
_GREYS = 16

# Five columns of seven dots, from the left.
_LETTERS = {
    " ": "....... " * 5,
    "A": "..##### .#.#... #..#... .#.#... ..#####",
    "C": ".#####. #.....# #.....# #.....# .#...#.",
    "E": "####### #..#..# #..#..# #..#..# #.....#",
    "H": "####### ...#... ...#... ...#... #######",
    "I": "....... #.....# ####### #.....# .......",
    "N": "####### .#..... ..##... ....#.. #######",
    "O": ".#####. #.....# #.....# #.....# .#####.",
    "P": "####### #..#... #..#... #..#... .##....",
    "R": "####### #..#... #..##.. #..#.#. .##...#",
    "S": ".##...# #..#..# #..#..# #..#..# #...##.",
    "T": "#...... #...... ####### #...... #......",
    "U": "######. ......# ......# ......# ######.",
    "W": "######. ......# ...###. ......# ######.",
    "Y": "##..... ..#.... ...#### ..#.... ##.....",
}


def write_words(grey: "NDArray[np.float64]", word: str, at: tuple[int, int], dot_px: int) -> None:
    """Write words in capitals into a picture, dark, their upper left corner at the row and column `at`.

    Examples
    --------
    >>> grey = np.full((7, 6), 200.0)
    >>> write_words(grey, "I", (0, 0), 1)
    >>> (grey < 100).astype(int)[0].tolist()
    [0, 1, 1, 1, 0, 0]
    """
    columns = [line for letter in word for line in (*_LETTERS[letter].split(), ".......")]
    dots = np.array([[dot == "#" for dot in line] for line in columns]).T
    large = np.kron(dots, np.ones((dot_px, dot_px), dtype=bool))[:, :-dot_px]
    row, column = at
    grey[row : row + large.shape[0], column : column + large.shape[1]][large] = 20.0


def grey_png(grey: "NDArray[np.float64]") -> bytes:
    """Encode grey levels 0 to 255, (rows, columns), as a PNG of 16 greys that is not compressed.

    Compressed bytes differ from one version of a library to the next. So every row is stored as it is (PNG
    specification, W3C; zlib and deflate formats, RFC 1950 and 1951, from memory).
    """
    levels = np.clip(np.round(grey / 255 * (_GREYS - 1)), 0, _GREYS - 1).astype(np.uint8)
    rows, columns = levels.shape
    if columns % 2:
        levels = np.pad(levels, ((0, 0), (0, 1)))
    packed = levels[:, ::2] << 4 | levels[:, 1::2]
    raw = np.pad(packed, ((0, 0), (1, 0))).tobytes()  # each row begins with its filter: none
    head = struct.pack(">IIBBBBB", columns, rows, 4, 0, 0, 0, 0)
    parts = [_chunk(b"IHDR", head), _chunk(b"IDAT", _stored(raw)), _chunk(b"IEND", b"")]
    return b"\x89PNG\r\n\x1a\n" + b"".join(parts)


def _chunk(kind: bytes, content: bytes) -> bytes:
    return struct.pack(">I", len(content)) + kind + content + struct.pack(">I", zlib.crc32(kind + content))


def _stored(raw: bytes) -> bytes:
    """Wrap bytes as a zlib stream of stored blocks."""
    blocks = [raw[k : k + _STORED_BYTES] for k in range(0, len(raw), _STORED_BYTES)]
    kept = [b"\x78\x01"]
    for number, block in enumerate(blocks, 1):
        is_last = number == len(blocks)
        kept.append(struct.pack("<BHH", is_last, len(block), len(block) ^ 0xFFFF) + block)
    return b"".join(kept) + struct.pack(">I", zlib.adler32(raw))
