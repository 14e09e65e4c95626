"""What can go wrong with a book's file, said in one line."""

import sqlite3
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from probes.errors import PlanishError

__all__ = ["KEPT", "BookError", "is_busy", "is_closed_to_us", "plainly"]


class BookError(PlanishError):
    """A book that cannot be opened, read or written, or holds no such thing."""


_BUSY = (sqlite3.SQLITE_BUSY, sqlite3.SQLITE_LOCKED, sqlite3.SQLITE_PROTOCOL)
_CLOSED = (
    sqlite3.SQLITE_CANTOPEN,
    sqlite3.SQLITE_READONLY,
    sqlite3.SQLITE_FULL,
    sqlite3.SQLITE_IOERR,
    sqlite3.SQLITE_PERM,
)
_DAMAGE = (sqlite3.SQLITE_CORRUPT, sqlite3.SQLITE_NOTADB)

KEPT = "nothing was added, and what the book held stays"

_LINES = {
    sqlite3.SQLITE_FULL: f"the disk is full: {KEPT}; make room and do it again",
    sqlite3.SQLITE_IOERR: f"the disk did not take or give the data: {KEPT}; "
    "see whether there is room on it and whether it is sound, and do it again",
    sqlite3.SQLITE_READONLY: "can be read but not written, for its folder is closed to you or the "
    f"disk is full: {KEPT}; copy it to where there is room and you may write",
    **dict.fromkeys(
        (sqlite3.SQLITE_CANTOPEN, sqlite3.SQLITE_PERM),
        "cannot be opened; see whether you may read it and write in its folder",
    ),
    sqlite3.SQLITE_TOOBIG: "has no room for so large a run; a run may hold 100 million touches",
    **dict.fromkeys(
        _BUSY, f"another program has kept the book to itself: {KEPT}; close it and do it again"
    ),
    **dict.fromkeys(
        _DAMAGE,
        "is damaged, or is no book; it was left as it is: planish book rescue keeps what is "
        "intact; go on in a new book made from that",
    ),
}


def _kind(fault: sqlite3.Error) -> int:
    # the low byte is the kind, the rest says more; faults of the module itself have no code
    return int(getattr(fault, "sqlite_errorcode", 0)) & 0xFF


def is_busy(fault: sqlite3.Error) -> bool:
    """Tell whether another program holds the file, so that waiting helps."""
    return _kind(fault) in _BUSY


def is_closed_to_us(fault: sqlite3.Error) -> bool:
    """Tell whether the file, its folder or the disk cannot be written; reading may still do."""
    return _kind(fault) in _CLOSED


@contextmanager
def plainly(path: Path) -> Iterator[None]:
    """Say what goes wrong with the file in one line; what has no such line is a bug.

    Raises
    ------
    BookError
        With the line.
    """
    try:
        yield
    except sqlite3.Error as fault:
        if _kind(fault) not in _LINES:
            raise
        raise BookError(f"{path}: {_LINES[_kind(fault)]}") from None
