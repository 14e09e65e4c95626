"""The store: a book's file, opened so that two programs may use it and no commit is lost."""

import random
import sqlite3
import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import Any, TypeVar

from probes.book.faults import KEPT, BookError, is_busy, is_closed_to_us, plainly
from probes.book.pages import MAGIC
from probes.book.schema import check_current, check_kind, migrate
from probes.book.seal import seal

__all__ = ["Row", "Store", "open_store"]

Row = dict[str, Any]
"""A row by the names of its columns; None, int, float, str or bytes."""

_T = TypeVar("_T")

PATIENCE_S = 60.0
"""How long to wait for another program that writes."""

TIMEOUT_S = 0.01
"""How long SQLite itself waits before we try again."""


class Store:
    """An open file. Rows are added, never changed.

    Attributes
    ----------
    path : Path
        The file.
    """

    def __init__(self, path: Path, connection: sqlite3.Connection) -> None:
        self.path = path
        self._connection = connection
        self._identity = self._find_identity()

    def close(self) -> None:
        """Close the file; the last program to do so folds the write-ahead log into it."""
        self._connection.close()

    def write(self, action: Callable[[], _T]) -> _T:
        """Do something in one transaction, which is on the disk when this returns.

        Raises
        ------
        BookError
            If it cannot be written; then nothing of it is.
        """

        def once() -> _T:
            self._connection.execute("BEGIN IMMEDIATE")
            try:
                result = action()
                self._check_identity()
                self._connection.execute("COMMIT")
            except BaseException:
                if self._connection.in_transaction:
                    self._connection.execute("ROLLBACK")
                raise
            return result

        with plainly(self.path):
            return _patiently(once)

    def _find_identity(self) -> tuple[int, int] | None:
        try:
            found = self.path.stat()
        except OSError:
            return None
        return found.st_dev, found.st_ino

    def _check_identity(self) -> None:
        # SQLite goes on writing to a file that has lost its name, where nobody finds it again
        if self._find_identity() != self._identity:
            raise BookError(f"{self.path}: was moved or deleted while in use: {KEPT}")

    @contextmanager
    def snapshot(self) -> Iterator[None]:
        """See the book as it is now, whatever others write meanwhile."""
        with plainly(self.path):
            _patiently(lambda: self._connection.execute("BEGIN"))
            try:
                yield
            finally:
                if self._connection.in_transaction:
                    self._connection.execute("COMMIT")

    def insert(self, table: str, row: Row) -> None:
        """Add a row with its seal; to be called inside `write`."""
        sealed = {**row, "seal": seal(row)}
        places = ", ".join("?" * len(sealed))
        self._connection.execute(
            f"INSERT INTO {table} ({', '.join(sealed)}) VALUES ({places})", tuple(sealed.values())
        )

    def next_id(self, table: str) -> int:
        """Give the number the next row will have; to be called inside `write`."""
        (last,) = self._connection.execute(f"SELECT max(id) FROM {table}").fetchone()
        return (last or 0) + 1

    def each(self, sql: str, values: Sequence[Any] = ()) -> Iterator[tuple[Any, ...]]:
        """Read rows one after the other."""
        with plainly(self.path):
            yield from _patiently(lambda: self._connection.execute(sql, values))

    def all(self, sql: str, values: Sequence[Any] = ()) -> list[tuple[Any, ...]]:
        """Read all rows."""
        with plainly(self.path):
            return _patiently(lambda: self._connection.execute(sql, values).fetchall())

    def rows(self, table: str, rest: str = "ORDER BY id", values: Sequence[Any] = ()) -> list[Row]:
        """Read whole rows of a table by their columns' names."""
        return list(self.each_row(table, rest, values))

    def each_row(
        self, table: str, rest: str = "ORDER BY id", values: Sequence[Any] = ()
    ) -> Iterator[Row]:
        """Read whole rows one after the other."""
        with plainly(self.path):
            cursor = _patiently(
                lambda: self._connection.execute(f"SELECT * FROM {table} {rest}", values)
            )
            names = [column[0] for column in cursor.description]
            for row in cursor:
                yield dict(zip(names, row, strict=True))


def open_store(path: Path, *, create: bool) -> Store:
    """Open a book's file, or make it.

    Where the file, its folder or the disk cannot be written, it is opened for reading.

    Raises
    ------
    BookError
        If it is not there, is no book, or cannot be opened.
    """
    _check(path, create)
    with plainly(path):
        connection = _patiently(lambda: _open(path, create))
    return Store(path, connection)


def _check(path: Path, create: bool) -> None:
    if path.is_dir():
        raise BookError(f"{path}: is a folder; name a file in it")
    if not path.exists():
        if not create:
            raise BookError(f"{path}: there is no book; add a run or a note to begin one")
        if not path.parent.is_dir():
            raise BookError(f"{path}: the folder {path.parent} does not exist; make it first")
        return
    if not path.is_file():
        raise BookError(f"{path}: is no file; name one")
    try:
        with path.open("rb") as stream:
            start = stream.read(len(MAGIC))
    except OSError as fault:
        raise BookError(f"{path}: cannot be read ({fault.strerror})") from None
    if start and start != MAGIC:
        raise BookError(
            f"{path}: is not a book, or its beginning is damaged; name another file, or salvage "
            "what is intact"
        )


def _open(path: Path, create: bool) -> sqlite3.Connection:
    try:
        return _prepared(path, "rwc" if create else "rw", create)
    except sqlite3.OperationalError as fault:
        if not is_closed_to_us(fault) or not path.exists() or not path.stat().st_size:
            raise
        try:
            return _prepared(path, "ro", False)
        except sqlite3.OperationalError:
            # SQLite would make files beside the book even to read it. If nothing is in the log
            # beside it, the file itself is all there is.
            log = path.with_name(path.name + "-wal")
            if log.exists() and log.stat().st_size:
                raise fault from None
            return _prepared(path, "ro&immutable=1", False)


def _prepared(path: Path, mode: str, create: bool) -> sqlite3.Connection:
    uri = f"{path.absolute().as_uri()}?mode={mode}"
    connection = sqlite3.connect(uri, uri=True, timeout=TIMEOUT_S, isolation_level=None)
    try:
        connection.execute("PRAGMA foreign_keys = ON")
        check_kind(connection, path, create)
        if mode.startswith("rw"):
            connection.execute("PRAGMA journal_mode = WAL")
            # every commit is on the disk before it is acknowledged; the second line is for macOS,
            # where a plain fsync leaves data in the drive's cache
            connection.execute("PRAGMA synchronous = FULL")
            connection.execute("PRAGMA fullfsync = ON")
            migrate(connection, path)
        check_current(connection, path)
        connection.execute("SELECT 1 FROM run LIMIT 1")
    except BaseException:
        connection.close()
        raise
    return connection


def _patiently(action: Callable[[], _T]) -> _T:
    """Do it again while another program is in the way: SQLite does not wait in every case."""
    end = time.monotonic() + PATIENCE_S
    while True:
        try:
            return action()
        except sqlite3.OperationalError as fault:
            if not is_busy(fault) or time.monotonic() > end:
                raise
        # SQLite waits longer the longer it has waited, so that who came first comes last; short
        # waits of uneven length give everybody the same chance
        time.sleep(random.uniform(0, 0.004))
