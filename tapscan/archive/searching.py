"""Finding archived inspections by words and by what was measured."""

import sqlite3
from dataclasses import dataclass
from datetime import date
from typing import Literal

__all__ = ["Listed", "Wanted", "search"]

Status = Literal["clear", "suspect", "unread"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Wanted:
    """What to look for; every wish that is not None must be met.

    `words` must all occur, each perhaps as the beginning of a longer one. `after` and `before` are inclusive
    and compare with the plan's date where that begins like 2026-03-14, else with the day of archiving. One
    indication must be over both `area_over_mm2` and `depth_over_mm`. `status` asks for an inspection with
    suspect points, with unread points, or with no other points than clear ones; with a `zone` in that zone.
    """

    words: tuple[str, ...] = ()
    zone: str | None = None
    after: date | None = None
    before: date | None = None
    area_over_mm2: float | None = None
    depth_over_mm: float | None = None
    status: Status | None = None
    every_version: bool = False


@dataclass(frozen=True, slots=True)
class Listed:
    """One archived inspection as a line of a list.

    Counts are of points over all zones and methods, None where not even the plan can be read.
    """

    name: str
    version: int
    part: str
    serial: str
    inspected: str | None
    added: str | None
    tapscan: str
    clear: int | None
    suspect: int | None
    unread: int | None
    skipped: int | None
    indications: int
    largest_mm2: float | None
    deepest_mm: float | None
    problem: str
    passage: str | None


# What the user typed is only ever bound as a value; a wish that is NULL is no wish.
_SEARCH = """
WITH
    part_of AS (SELECT * FROM zone WHERE :zone IS NULL OR zone = :zone),
    counted AS (
        SELECT bag, sum(clear) AS clear, sum(suspect) AS suspect, sum(unread) AS unread
        FROM part_of GROUP BY bag),
    whole AS (
        SELECT bag, sum(clear) AS clear, sum(suspect) AS suspect, sum(unread) AS unread,
            sum(skipped) AS skipped
        FROM zone GROUP BY bag),
    found AS (
        SELECT bag, count(*) AS indications, max(area_mm2) AS largest_mm2, max(depth_mm) AS deepest_mm
        FROM indication GROUP BY bag),
    matched AS (
        SELECT rowid AS bag, snippet(words, -1, '«', '»', '…', 12) AS passage
        FROM words WHERE words MATCH :match)
SELECT name, version, part, serial, inspected, added, tapscan, problem, passage,
    whole.clear, whole.suspect, whole.unread, skipped, coalesce(indications, 0) AS indications, largest_mm2,
    deepest_mm
FROM bag
    LEFT JOIN whole ON whole.bag = bag.id
    LEFT JOIN counted ON counted.bag = bag.id
    LEFT JOIN found ON found.bag = bag.id
    LEFT JOIN matched ON matched.bag = bag.id
WHERE (:every OR version = (SELECT max(other.version) FROM bag AS other WHERE other.name = bag.name))
    AND (:match = '""' OR matched.bag IS NOT NULL)
    AND (:zone IS NULL OR counted.bag IS NOT NULL)
    AND (:after IS NULL OR inspected >= :after)
    AND (:before IS NULL OR inspected <= :before)
    AND CASE :status
        WHEN 'suspect' THEN counted.suspect > 0
        WHEN 'unread' THEN counted.unread > 0
        WHEN 'clear' THEN counted.clear > 0 AND counted.suspect = 0 AND counted.unread = 0
        ELSE 1 END
    AND ((:area IS NULL AND :depth IS NULL) OR EXISTS (
        SELECT 1 FROM indication WHERE indication.bag = bag.id
            AND (:zone IS NULL OR zone = :zone)
            AND (:area IS NULL OR area_mm2 > :area)
            AND (:depth IS NULL OR depth_mm > :depth)))
ORDER BY name, version
"""


def search(connection: sqlite3.Connection, wanted: Wanted) -> list[Listed]:
    """List the bags that meet every wish, by name; the newest version of each unless all are wanted.

    Examples
    --------
    >>> search(catalogue.connection, Wanted(words=("garage",), area_over_mm2=100.0))    # doctest: +SKIP
    [Listed(name='trike', version=2, part='Recumbent trike', …)]
    """
    words = [word.replace('"', '""') for word in wanted.words if word.strip()]
    values = {
        "every": wanted.every_version,
        "match": " ".join(f'"{word}"*' for word in words) or '""',
        "zone": None if wanted.zone is None else wanted.zone.upper(),
        "after": None if wanted.after is None else wanted.after.isoformat(),
        "before": None if wanted.before is None else wanted.before.isoformat(),
        "status": wanted.status,
        "area": wanted.area_over_mm2,
        "depth": wanted.depth_over_mm,
    }
    return [Listed(**dict(row)) for row in connection.execute(_SEARCH, values)]
