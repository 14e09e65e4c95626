"""The schema: what a book's file holds, and how older files are brought up to it."""

import sqlite3
from pathlib import Path

from probes.book.faults import BookError

__all__ = ["MIGRATIONS", "TABLES", "check_current", "check_kind", "migrate"]

APPLICATION = 0x706C6E62
"""Marks an SQLite file as a book, in the place SQLite keeps for that."""

TABLES = ("run", "machine", "turn", "event", "note")
"""In an order in which each refers only to those before it. Rows are added, never changed."""

MIGRATIONS: tuple[tuple[str, ...], ...] = (
    (
        # Heights and the rest are packed: eight bytes a touch, little-endian IEEE 754 binary64.
        # Each run has its own x and y, so that no damage takes them from more than one.
        # `moment` is what to sort by, s since 1970; `seal` is a SHA-256 over the row.
        """
        CREATE TABLE run (
            id INTEGER PRIMARY KEY,
            digest TEXT NOT NULL,
            moment REAL NOT NULL,
            started TEXT,
            added TEXT NOT NULL,
            source TEXT NOT NULL,
            source_digest TEXT,
            format TEXT NOT NULL,
            unit TEXT,
            plate TEXT,
            note TEXT,
            passed_over INTEGER NOT NULL,
            holes INTEGER NOT NULL,
            warnings TEXT NOT NULL,
            seal TEXT NOT NULL,
            x BLOB NOT NULL,
            y BLOB NOT NULL,
            z BLOB NOT NULL CHECK (length(z) > 0 AND length(z) % 8 = 0),
            minutes BLOB,
            bed BLOB,
            chamber BLOB,
            ambient BLOB,
            touch BLOB,
            CHECK (length(x) = length(z) AND length(y) = length(z))
        )
        """,
        "CREATE UNIQUE INDEX run_once ON run (digest, ifnull(started, ''))",
        "CREATE INDEX run_in_time ON run (moment, id)",
        """
        CREATE TABLE machine (
            id INTEGER PRIMARY KEY,
            moment REAL NOT NULL,
            added TEXT NOT NULL,
            name TEXT NOT NULL,
            text TEXT NOT NULL,
            digest TEXT NOT NULL,
            seal TEXT NOT NULL
        )
        """,
        """
        CREATE TABLE turn (
            id INTEGER PRIMARY KEY,
            moment REAL NOT NULL,
            at TEXT NOT NULL,
            lift TEXT NOT NULL,
            rise REAL NOT NULL,
            turns REAL NOT NULL,
            run INTEGER REFERENCES run (id),
            seal TEXT NOT NULL
        )
        """,
        "CREATE INDEX turn_of_run ON turn (run)",
        """
        CREATE TABLE event (
            id INTEGER PRIMARY KEY,
            moment REAL NOT NULL,
            at TEXT NOT NULL,
            what TEXT NOT NULL,
            text TEXT,
            seal TEXT NOT NULL
        )
        """,
        """
        CREATE TABLE note (
            id INTEGER PRIMARY KEY,
            moment REAL NOT NULL,
            at TEXT NOT NULL,
            text TEXT NOT NULL,
            run INTEGER REFERENCES run (id),
            seal TEXT NOT NULL
        )
        """,
        "CREATE INDEX note_of_run ON note (run)",
    ),
)
"""Statements that take a file from one version to the next. One that is out is never changed; what
is new is added as a further step. Columns added later may be NULL, which leaves seals as they are.
"""


def _is_new(connection: sqlite3.Connection, path: Path) -> bool:
    """Tell whether a file holds nothing yet.

    Raises
    ------
    BookError
        If it holds something else than a book, or was written by a later version.
    """
    # all three from one statement, as of one moment: others may be making the book meanwhile
    application, version, things = connection.execute(
        "SELECT (SELECT application_id FROM pragma_application_id),"
        " (SELECT user_version FROM pragma_user_version),"
        " (SELECT count(*) FROM sqlite_master)"
    ).fetchone()
    if (application, version, things) == (0, 0, 0):
        return True
    if application != APPLICATION:
        raise BookError(f"{path}: is a database of another program, not a book; name another file")
    if version > len(MIGRATIONS):
        raise BookError(
            f"{path}: was written by a later planish (book version {version}, this one knows "
            f"{len(MIGRATIONS)}); update planish. The book was left as it is"
        )
    return False


def check_kind(connection: sqlite3.Connection, path: Path, create: bool) -> None:
    """Check that a file is a book, or holds nothing and may become one.

    Raises
    ------
    BookError
        If it is not.
    """
    if _is_new(connection, path) and not create:
        raise BookError(f"{path}: there is no book in it yet; add a run or a note to begin one")


def migrate(connection: sqlite3.Connection, path: Path) -> None:
    """Make the tables, or bring those of an older file up to date: all of it or nothing."""
    if not _is_new(connection, path) and _version(connection) == len(MIGRATIONS):
        return
    connection.execute("BEGIN IMMEDIATE")
    try:
        # another program may have been here first
        _is_new(connection, path)
        for step in MIGRATIONS[_version(connection) :]:
            for statement in step:
                connection.execute(statement)
        connection.execute(f"PRAGMA application_id = {APPLICATION}")
        connection.execute(f"PRAGMA user_version = {len(MIGRATIONS)}")
        connection.execute("COMMIT")
    except BaseException:
        if connection.in_transaction:
            connection.execute("ROLLBACK")
        raise


def check_current(connection: sqlite3.Connection, path: Path) -> None:
    """Check that a book that cannot be written needs no change to be read.

    Raises
    ------
    BookError
        If an earlier planish wrote it.
    """
    if _version(connection) < len(MIGRATIONS):
        raise BookError(
            f"{path}: was written by an earlier planish and must be brought up to date before it "
            "can be read; copy it to a folder where you may write"
        )


def _version(connection: sqlite3.Connection) -> int:
    return int(connection.execute("PRAGMA user_version").fetchone()[0])
