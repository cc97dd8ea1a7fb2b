"""The catalogue: one SQLite file beside the bags that can be thrown away and is made again from them.

The bags alone count. Whoever opens the catalogue first brings it up to date with the bags that are there, so
a program killed between the two, or a bag copied in by hand, leaves nothing to repair. Each bag is taken in
on its own: one that cannot be read is listed with the reason. What the catalogue keeps of a bag has a digest,
so that a row which was edited or damaged is found, and any error in the file means that it is made again.
Two programs at once are kept apart by SQLite's own locks.
"""

import hashlib
import json
import sqlite3
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from itertools import groupby
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar

from tapscan.archive.places import Bag, list_bags, seal_of
from tapscan.errors import TapscanError, sentence

if TYPE_CHECKING:
    from tapscan.archive.entries import Entry

__all__ = ["CATALOGUE", "Catalogue", "ask", "open_catalogue", "rebuild", "take_in"]

CATALOGUE = "catalogue.db"
FORMAT = 2
WAIT_S = 60.0
_TABLES = ("words", "indication", "zone", "bag")
_SCHEMA = """
CREATE TABLE bag (
    id INTEGER PRIMARY KEY, name TEXT, version INTEGER, seal TEXT, part TEXT, serial TEXT, owner_ref TEXT,
    inspector TEXT, inspected TEXT, added TEXT, tapscan TEXT, problem TEXT, digest TEXT,
    UNIQUE (name, version));
CREATE TABLE zone (
    bag INTEGER, zone TEXT, method TEXT, clear INTEGER, suspect INTEGER, unread INTEGER, skipped INTEGER);
CREATE TABLE indication (
    bag INTEGER, id TEXT, zone TEXT, method TEXT, kind TEXT, peak_point TEXT,
    area_mm2 REAL, depth_mm REAL, score REAL);
CREATE INDEX zone_of ON zone (bag);
CREATE INDEX indication_of ON indication (bag);
CREATE VIRTUAL TABLE words USING fts5
    (part, history, zones, notes, findings, tokenize = "unicode61 remove_diacritics 2");
"""
# What a damaged file may lead to: SQLite's own errors, and values that are not what they should be.
_SPOILT = (sqlite3.Error, ValueError, TypeError, LookupError, OverflowError)
_BUSY = {sqlite3.SQLITE_BUSY, sqlite3.SQLITE_LOCKED}
# What SQLite says where the disk refuses; anything else means that the file is damaged.
_REFUSED = {
    sqlite3.SQLITE_READONLY,
    sqlite3.SQLITE_CANTOPEN,
    sqlite3.SQLITE_PERM,
    sqlite3.SQLITE_AUTH,
    sqlite3.SQLITE_FULL,
    sqlite3.SQLITE_IOERR,
}
_TRIES = 3

Progress = Callable[[int, int], None]
Answer = TypeVar("Answer")


@dataclass(frozen=True, slots=True, eq=False)
class Catalogue:
    """An open catalogue that has every bag; `warnings` are sentences about what had to be repaired."""

    connection: sqlite3.Connection
    warnings: tuple[str, ...]


@contextmanager
def open_catalogue(archive: Path, progress: Progress = lambda *_: None) -> Iterator[Catalogue]:
    """Open the archive's catalogue, up to date with its bags; `progress` counts the bags that are read.

    A catalogue that is missing or damaged is made again, with a warning. Where it cannot be written
    (a read-only disk), one is made in memory.

    Raises
    ------
    TapscanError
        When the archive cannot be looked into, or another program holds the catalogue for a minute.
    """
    warnings: list[str] = []
    bags = list_bags(archive)
    if not archive.is_dir():
        connection = _connect(":memory:")
        _update(connection, archive, progress)
    else:
        if bags and not (archive / CATALOGUE).exists():
            what = f"was missing and has been made again from {len(bags)} bags"
            warnings.append(sentence(CATALOGUE, what, "nothing was lost"))
        connection = _opened(archive, warnings, progress)
    try:
        yield Catalogue(connection, tuple(warnings))
    finally:
        connection.close()


def rebuild(archive: Path, progress: Progress = lambda *_: None) -> tuple[str, ...]:
    """Make the whole catalogue again from the bags, whatever it held; return what had to be repaired.

    Programs that read it meanwhile see the old one or the new one, whole.
    """
    with open_catalogue(archive, progress) as catalogue:
        if not catalogue.warnings:  # otherwise it has just been made
            _update(catalogue.connection, archive, progress, anew=True)
    return catalogue.warnings


def ask(
    archive: Path, question: Callable[[sqlite3.Connection], Answer], progress: Progress = lambda *_: None
) -> tuple[Answer, tuple[str, ...]]:
    """Put a question to the archive's catalogue; return the answer, and what had to be repaired.

    When the answer shows that the catalogue is damaged, it is made again and asked again.

    Raises
    ------
    TapscanError
        As for `open_catalogue`.

    Examples
    --------
    >>> ask(Path("archive"), lambda c: search(c, Wanted()))                  # doctest: +SKIP
    """
    repaired: tuple[str, ...] = ()
    for _ in range(_TRIES):
        with open_catalogue(archive, progress) as catalogue:
            try:
                return question(catalogue.connection), repaired or catalogue.warnings
            except _SPOILT as error:
                catalogue.connection.close()
                repaired = (_made_again(archive, error),)
    raise TapscanError(str(archive / CATALOGUE), "is damaged again and again", "check the disk")


def take_in(archive: Path, bag: Bag) -> None:
    """Note a bag that has just come, without looking at the others; what cannot be noted now is noted later.

    The time that it takes does not depend on how many bags there are.
    """
    path = archive / CATALOGUE
    if not path.is_file():
        if list_bags(archive) == [bag]:
            with suppress(TapscanError), open_catalogue(archive):
                pass
        return  # whoever opens it next makes it
    from tapscan.archive.entries import read_entry

    connection = _connect(str(path), wait_s=1.0)
    try:
        connection.execute("BEGIN IMMEDIATE")
        (known,) = connection.execute("PRAGMA user_version").fetchone()
        if known == FORMAT:
            _insert(connection, read_entry(bag))
            connection.execute("COMMIT")
    except _SPOILT:
        pass  # whoever opens it next sees to it
    finally:
        connection.close()


def _opened(archive: Path, warnings: list[str], progress: Progress) -> sqlite3.Connection:
    path = archive / CATALOGUE
    for _ in range(_TRIES):
        connection = None
        try:
            connection = _connect(str(path))
            _examine(connection)
            _update(connection, archive, progress)
        except _SPOILT as error:
            if connection is not None:
                connection.close()
            code = getattr(error, "sqlite_errorcode", sqlite3.SQLITE_CORRUPT) & 0xFF
            if code in _BUSY:
                what = "another program has held it for a minute"
                raise TapscanError(str(path), what, "wait for that one, or end it") from None
            try:
                if code in _REFUSED:
                    return _in_memory(archive, warnings, error, progress)
                warnings[:] = [_made_again(archive, error)]
            except OSError as refusal:  # a damaged one that cannot be removed, either
                return _in_memory(archive, warnings, refusal, progress)
        else:
            return connection
    raise TapscanError(str(path), "is damaged again and again", "check the disk")


def _made_again(archive: Path, error: Exception) -> str:
    """Throw the catalogue away, with what SQLite keeps beside it; say that it is made again."""
    for end in ("", "-journal", "-wal", "-shm"):
        (archive / (CATALOGUE + end)).unlink(missing_ok=True)
    reason = " ".join(str(error).split())[:120]
    what = f"was damaged ({reason}) and has been made again from {len(list_bags(archive))} bags"
    return sentence(CATALOGUE, what, "nothing was lost")


def _in_memory(
    archive: Path, warnings: list[str], error: Exception, progress: Progress
) -> sqlite3.Connection:
    what = f"cannot be written here: {error}; this time it was made in memory"
    warnings[:] = [sentence(CATALOGUE, what, "make the archive writable to keep it")]
    connection = _connect(":memory:")
    _update(connection, archive, progress)
    return connection


def _connect(place: str, wait_s: float | None = None) -> sqlite3.Connection:
    timeout_s = WAIT_S if wait_s is None else wait_s
    connection = sqlite3.connect(place, timeout=timeout_s, isolation_level=None)
    connection.row_factory = sqlite3.Row
    return connection


def _examine(connection: sqlite3.Connection) -> None:
    """Raise when the file is damaged or another program's; an empty one is in order."""
    (answer,) = connection.execute("PRAGMA quick_check(1)").fetchone()
    if answer != "ok":
        raise sqlite3.DatabaseError(str(answer).splitlines()[-1])
    (known,) = connection.execute("PRAGMA user_version").fetchone()
    (tables,) = connection.execute("SELECT count(*) FROM sqlite_master").fetchone()
    if tables and known != FORMAT:
        msg = "it has another form"
        raise sqlite3.DatabaseError(msg)
    for label, kept, real in _digests(connection) if tables else ():
        if kept != real:
            msg = f"what it says of {label} was edited"
            raise sqlite3.DatabaseError(msg)


def _digests(connection: sqlite3.Connection) -> Iterator[tuple[str, str, str]]:
    """Yield the digest that each bag's rows were written with, and the one that they have now."""
    zones = _by_bag(connection, "SELECT * FROM zone ORDER BY bag, rowid")
    indications = _by_bag(connection, "SELECT * FROM indication ORDER BY bag, rowid")
    words = _by_bag(connection, "SELECT rowid AS bag, * FROM words")
    for row in connection.execute("SELECT * FROM bag ORDER BY id"):
        number, *values, kept = tuple(row)
        rows = [values, *(table.pop(number, []) for table in (zones, indications, words))]
        yield f"{row['name']}@{row['version']}", kept, _digest(rows)
    if zones or indications or words:
        msg = "it has rows of no bag"
        raise sqlite3.DatabaseError(msg)


def _by_bag(connection: sqlite3.Connection, query: str) -> dict[int, list[list[Any]]]:
    groups = groupby(connection.execute(query), key=lambda row: row[0])
    return {number: [list(row)[1:] for row in rows] for number, rows in groups}


def _digest(rows: object) -> str:
    return hashlib.sha256(json.dumps(rows).encode("ascii")).hexdigest()


def _update(connection: sqlite3.Connection, archive: Path, progress: Progress, *, anew: bool = False) -> None:
    """Take in bags that are new, drop those that have gone; all of it, or nothing when killed."""
    (tables,) = connection.execute("SELECT count(*) FROM sqlite_master").fetchone()
    if (
        tables
        and not anew
        and _known(connection) == {(b.name, b.version): seal_of(b) for b in list_bags(archive)}
    ):
        return
    connection.execute("BEGIN IMMEDIATE")
    try:
        from tapscan.archive.entries import read_entry  # with all that plans need: slow, and seldom wanted

        _create(connection, anew=anew)
        # Only now does no other program write: what it took in meanwhile need not be taken in again.
        known = _known(connection)
        seals = {(bag.name, bag.version): (bag, seal_of(bag)) for bag in list_bags(archive)}
        gone = [place for place, seal in known.items() if place not in seals or seals[place][1] != seal]
        for place in gone:
            _drop(connection, place)
        new = [bag for place, (bag, _) in seals.items() if place not in known or place in gone]
        for done, bag in enumerate(new, start=1):
            _insert(connection, read_entry(bag))
            progress(done, len(new))
        connection.execute("COMMIT")
    except BaseException:
        if connection.in_transaction:
            connection.execute("ROLLBACK")
        raise


def _known(connection: sqlite3.Connection) -> dict[tuple[str, int], str]:
    rows = connection.execute("SELECT name, version, seal FROM bag")
    return {(row["name"], row["version"]): row["seal"] for row in rows}


def _create(connection: sqlite3.Connection, *, anew: bool) -> None:
    (tables,) = connection.execute("SELECT count(*) FROM sqlite_master").fetchone()
    if anew:
        for table in _TABLES:
            connection.execute(f"DROP TABLE IF EXISTS {table}")
    if anew or not tables:
        # Not executescript: that would commit first.
        for statement in _SCHEMA.split(";"):
            connection.execute(statement)
        connection.execute(f"PRAGMA user_version = {FORMAT}")


def _drop(connection: sqlite3.Connection, place: tuple[str, int]) -> None:
    row = connection.execute("SELECT id FROM bag WHERE name = ? AND version = ?", place).fetchone()
    for statement in (
        "DELETE FROM words WHERE rowid = ?",
        "DELETE FROM indication WHERE bag = ?",
        "DELETE FROM zone WHERE bag = ?",
        "DELETE FROM bag WHERE id = ?",
    ):
        connection.execute(statement, (row["id"],))


def _insert(connection: sqlite3.Connection, entry: "Entry") -> None:
    tables = (entry.zones, entry.indications, (entry.words,))
    rows = [list(entry.bag.values()), *([list(row.values()) for row in table] for table in tables)]
    number = _insert_row(connection, "bag", {**entry.bag, "digest": _digest(rows)})
    for zone in entry.zones:
        _insert_row(connection, "zone", {"bag": number, **zone})
    for indication in entry.indications:
        _insert_row(connection, "indication", {"bag": number, **indication})
    _insert_row(connection, "words", {"rowid": number, **entry.words})


def _insert_row(connection: sqlite3.Connection, table: str, row: dict[str, object]) -> int | None:
    # Table and columns are this module's own words; only values come from outside.
    places = ", ".join("?" * len(row))
    statement = f"INSERT INTO {table} ({', '.join(row)}) VALUES ({places})"  # noqa: S608
    return connection.execute(statement, tuple(row.values())).lastrowid
