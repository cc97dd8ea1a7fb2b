"""Names of points: ``BM-07-05`` is zone BM, station 7, position 5."""

import re
from dataclasses import dataclass

__all__ = ["Block", "Point", "in_words", "parse_block", "parse_point", "point_name", "span_in_words"]

_POINT = re.compile(r"([A-Z0-9]{1,8})-([0-9]{1,6})-([0-9]{1,6})")
_CORNER = r"([0-9]{1,6})-([0-9]{1,6})"
_BLOCK = re.compile(f"{_CORNER}(?::{_CORNER})?")


@dataclass(frozen=True, order=True, slots=True)
class Point:
    """One marked spot on the part. `station` and `position` count from 1."""

    zone: str
    station: int
    position: int

    def __str__(self) -> str:
        """Spell the point as it is written on the part."""
        return point_name(self.zone, self.station, self.position)


@dataclass(frozen=True, slots=True)
class Block:
    """A rectangle of points, corner to corner, corners included, counted from 1.

    On a tube `first_position` may be larger than `last_position`: the block then crosses the seam.
    """

    first_station: int
    first_position: int
    last_station: int
    last_position: int

    def __str__(self) -> str:
        """Spell the block as the plan has it."""
        first = f"{self.first_station:02d}-{self.first_position:02d}"
        last = f"{self.last_station:02d}-{self.last_position:02d}"
        return first if first == last else f"{first}:{last}"


def point_name(zone: str, station: int, position: int) -> str:
    """Spell a point as it is written on the part.

    Examples
    --------
    >>> point_name("BM", 7, 5)
    'BM-07-05'
    """
    return f"{zone}-{station:02d}-{position:02d}"


def parse_point(text: str) -> Point | None:
    """Read a point name, with any zero padding; None when `text` is not one.

    Examples
    --------
    >>> parse_point("BM-7-5") == parse_point("BM-07-005")
    True
    >>> parse_point("BM-7") is None
    True
    """
    match = _POINT.fullmatch(text)
    return Point(match[1], int(match[2]), int(match[3])) if match else None


def parse_block(text: str) -> Block | None:
    """Read ``station-position`` or ``station-position:station-position``; None when `text` is neither.

    Both corners are kept as written: on a tube positions 11 to 02 (across the seam) are others than 02 to 11.

    Examples
    --------
    >>> parse_block("01-11:06-02")
    Block(first_station=1, first_position=11, last_station=6, last_position=2)
    >>> parse_block("7-5")
    Block(first_station=7, first_position=5, last_station=7, last_position=5)
    """
    match = _BLOCK.fullmatch(text)
    if match is None:
        return None
    station, position = int(match[1]), int(match[2])
    last_station, last_position = (station, position) if match[3] is None else (int(match[3]), int(match[4]))
    return Block(station, position, last_station, last_position)


def in_words(block: Block) -> str:
    """Say which points a block covers.

    Examples
    --------
    >>> in_words(Block(1, 11, 6, 2)), in_words(Block(7, 5, 7, 5))
    ('stations 01 to 06, positions 11 to 02 across the datum line', 'station 07, position 05')
    """
    across = " across the datum line" if block.first_position > block.last_position else ""
    along = span_in_words("station", block.first_station, block.last_station)
    return f"{along}, {span_in_words('position', block.first_position, block.last_position)}{across}"


def span_in_words(word: str, first: int, last: int) -> str:
    """Name one station or position, or a run of them: ``stations 01 to 06``."""
    return f"{word} {first:02d}" if first == last else f"{word}s {first:02d} to {last:02d}"
