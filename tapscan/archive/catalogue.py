"""The catalogue: one SQLite file beside the bags that can be thrown away and is made again from them.

The bags alone count. Whoever opens the catalogue first brings it up to date with the bags that are there, so
a program killed between the two, or a bag copied in by hand, leaves nothing to mend. Two programs at once
are kept apart by SQLite's own locks.
"""

import sqlite3
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

from tapscan.archive.entries import Entry, read_entry, seal_of
from tapscan.archive.places import list_bags
from tapscan.errors import TapscanError, sentence

__all__ = ["CATALOGUE", "Catalogue", "open_catalogue", "rebuild"]

CATALOGUE = "catalogue.db"
FORMAT = 1
WAIT_S = 60.0
_TABLES = ("words", "indication", "zone", "bag")
_SCHEMA = """
CREATE TABLE bag (
    id INTEGER PRIMARY KEY, name TEXT, version INTEGER, seal TEXT, part TEXT, serial TEXT, owner_ref TEXT,
    inspector TEXT, inspected TEXT, added TEXT, tapscan TEXT, problem TEXT, UNIQUE (name, version));
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
# What SQLite says of a file that is none of its own, is damaged, or has other tables than these.
_DAMAGED = {sqlite3.SQLITE_ERROR, sqlite3.SQLITE_CORRUPT, sqlite3.SQLITE_NOTADB, sqlite3.SQLITE_SCHEMA}
_TRIES = 3

Progress = Callable[[int, int], None]


@dataclass(frozen=True, slots=True, eq=False)
class Catalogue:
    """An open catalogue that tells of every bag; `warnings` are sentences about what had to be mended."""

    connection: sqlite3.Connection
    warnings: tuple[str, ...]


@contextmanager
def open_catalogue(archive: Path, progress: Progress = lambda *_: None) -> Iterator[Catalogue]:
    """Open the archive's catalogue, up to date with its bags; `progress` counts the bags that are read.

    A catalogue that is missing or damaged is made again, which a warning tells. Where it cannot be written
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
    """Make the whole catalogue again from the bags, whatever it held; return what had to be mended.

    Programs that read it meanwhile see the old one or the new one, whole.
    """
    with open_catalogue(archive, progress) as catalogue:
        if not catalogue.warnings:  # otherwise it has just been made
            _update(catalogue.connection, archive, progress, anew=True)
    return catalogue.warnings


def _opened(archive: Path, warnings: list[str], progress: Progress) -> sqlite3.Connection:
    path = archive / CATALOGUE
    for _ in range(_TRIES):
        connection = None
        try:
            connection = _connect(str(path))
            _examine(connection)
            _update(connection, archive, progress)
        except sqlite3.DatabaseError as error:
            if connection is not None:
                connection.close()
            code = getattr(error, "sqlite_errorcode", sqlite3.SQLITE_CORRUPT) & 0xFF
            if code in {sqlite3.SQLITE_BUSY, sqlite3.SQLITE_LOCKED}:
                what = "another program has held it for a minute"
                raise TapscanError(str(path), what, "wait for that one, or end it") from None
            if code not in _DAMAGED:
                return _in_memory(archive, warnings, error, progress)
            _throw_away(path)
            what = f"was damaged ({error}) and has been made again from {len(list_bags(archive))} bags"
            warnings[:] = [sentence(CATALOGUE, what, "nothing was lost")]
        else:
            return connection
    raise TapscanError(str(path), "is damaged again and again", "check the disk")


def _in_memory(
    archive: Path, warnings: list[str], error: sqlite3.Error, progress: Progress
) -> sqlite3.Connection:
    what = f"cannot be written here: {error}; this time it was made in memory"
    warnings[:] = [sentence(CATALOGUE, what, "make the archive writable to keep it")]
    connection = _connect(":memory:")
    _update(connection, archive, progress)
    return connection


def _throw_away(path: Path) -> None:
    """Remove the catalogue and what SQLite keeps beside it; an old journal would spoil the next one."""
    for end in ("", "-journal", "-wal", "-shm"):
        path.with_name(path.name + end).unlink(missing_ok=True)


def _connect(place: str) -> sqlite3.Connection:
    connection = sqlite3.connect(place, timeout=WAIT_S, isolation_level=None)
    connection.row_factory = sqlite3.Row
    return connection


def _examine(connection: sqlite3.Connection) -> None:
    """Raise when the file is damaged or another program's; an empty one is in order."""
    (told,) = connection.execute("PRAGMA quick_check(1)").fetchone()
    if told != "ok":
        raise sqlite3.DatabaseError(str(told).splitlines()[-1])
    (known,) = connection.execute("PRAGMA user_version").fetchone()
    (tables,) = connection.execute("SELECT count(*) FROM sqlite_master").fetchone()
    if tables and known != FORMAT:
        msg = "it has another form"
        raise sqlite3.DatabaseError(msg)


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


def _insert(connection: sqlite3.Connection, entry: Entry) -> None:
    number = _insert_row(connection, "bag", entry.bag)
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
