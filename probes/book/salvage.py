"""Salvage: what is intact of a damaged book."""

import sqlite3
from dataclasses import dataclass
from pathlib import Path

from probes.book.exchange import export_rows
from probes.book.faults import BookError
from probes.book.pages import Record, find_records
from probes.book.schema import MIGRATIONS, TABLES
from probes.book.seal import Value, is_sealed, seal
from probes.book.store import Row

__all__ = ["Salvage", "salvage"]

_Columns = dict[str, list[tuple[str, str]]]


@dataclass(frozen=True)
class Salvage:
    """What became of a damaged book.

    Attributes
    ----------
    saved : dict of str to int
        How many of each kind were intact and written.
    lost : tuple of str
        What is known to be missing, a line each. What was added last may be missing unnoticed.
    """

    saved: dict[str, int]
    lost: tuple[str, ...]


def salvage(path: str | Path, out: str | Path) -> Salvage:
    """Write what is intact of a damaged book to open files; `import_book` makes a new one of them.

    The damaged file is only read. Every page of it and of the log beside it is looked through for
    rows; those whose seal is right are what was written, wherever they lie.

    Parameters
    ----------
    path : str or Path
        The damaged book.
    out : str or Path
        A folder to be made, or an archive if its name ends in ``.zip``.

    Raises
    ------
    BookError
        If the file cannot be read or nothing in it is intact, or `out` cannot be written.
    """
    path, out = Path(path), Path(out)
    data, log = _read(path), b""
    beside = path.with_name(path.name + "-wal")
    if beside.exists():
        log = _read(beside)
    found = _intact(data, log)
    if not any(found.values()):
        raise BookError(f"{path}: nothing in it is intact, or it is no book")
    lost = _missing(found)
    for table in ("turn", "note"):
        for number, row in found[table].items():
            if row["run"] is not None and row["run"] not in found["run"]:
                lost.append(f"{table} {number} belonged to run {row['run']}, which is lost")
                row["run"] = None
                row["seal"] = seal(row)
    rows = ((table, row) for table in TABLES for _, row in sorted(found[table].items()))
    export_rows(rows, out, lost=lost)
    return Salvage({table: len(found[table]) for table in TABLES}, tuple(lost))


def _read(path: Path) -> bytes:
    try:
        return path.read_bytes()
    except OSError as fault:
        raise BookError(f"{path}: cannot be read ({fault.strerror})") from None


def _intact(data: bytes, log: bytes) -> dict[str, dict[int, Row]]:
    columns = _columns()
    found: dict[str, dict[int, Row]] = {table: {} for table in TABLES}
    for record in find_records(data, log):
        for table in TABLES:
            row = _row(record, columns[table])
            if row is not None and is_sealed(row):
                found[table][record[0]] = row
                break
    return found


def _columns() -> _Columns:
    """Give the columns of each table and their types."""
    connection = sqlite3.connect(":memory:")
    try:
        for statement in (statement for step in MIGRATIONS for statement in step):
            connection.execute(statement)
        return {
            table: [
                (name, kind)
                for _, name, kind, *_ in connection.execute(f"PRAGMA table_info({table})")
            ]
            for table in TABLES
        }
    finally:
        connection.close()


def _row(record: Record, columns: list[tuple[str, str]]) -> Row | None:
    number, values = record
    if len(values) > len(columns):
        return None
    # rows from before a column came have no value of it
    values = values + [None] * (len(columns) - len(values))
    row = {name: _typed(value, kind) for (name, kind), value in zip(columns, values, strict=True)}
    return row | {"id": number}


def _typed(value: Value, kind: str) -> Value:
    # SQLite keeps a REAL without a fraction as a whole number
    return float(value) if kind == "REAL" and isinstance(value, int) else value


def _missing(found: dict[str, dict[int, Row]]) -> list[str]:
    """Say which numbers are not there: they were given without gaps."""
    return [
        f"{table} {number} is lost"
        for table in TABLES
        for number in range(1, max(found[table], default=0) + 1)
        if number not in found[table]
    ]
