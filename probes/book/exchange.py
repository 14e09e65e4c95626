"""Exchange: a book as open files, JSON and CSV, and a book made from them again."""

import json
import shutil
import sqlite3
import tempfile
import zipfile
import zlib
from collections.abc import Callable, Iterable, Iterator
from contextlib import contextmanager
from errno import ENOENT
from pathlib import Path
from typing import Any

import numpy as np

from probes.book.faults import BookError
from probes.book.packing import MEASURED, pack, touches_digest, unpack_run
from probes.book.schema import MIGRATIONS, TABLES
from probes.book.seal import is_sealed
from probes.book.store import Row, Store, open_store
from probes.formats import dump_run

__all__ = ["export_rows", "import_book"]

KIND = "planish book"
LIST = "book.json"

_Write = Callable[[str, bytes], None]
_Read = Callable[[str], bytes]


def export_rows(rows: Iterable[tuple[str, Row]], out: Path, *, lost: Iterable[str] = ()) -> None:
    """Write rows to a folder, or to an archive if its name ends in ``.zip``; whole or not at all.

    Parameters
    ----------
    rows : iterable of (table, row)
        What to write.
    out : Path
        Where; there must be nothing yet.
    lost : iterable of str
        What could not be saved, to be said in the list.

    Raises
    ------
    BookError
        If it is there already or cannot be written, or a row is damaged.
    """
    if out.exists():
        raise BookError(f"{out}: is there already; name a folder or an archive that is not")
    if not out.parent.is_dir():
        raise BookError(f"{out}: the folder {out.parent} does not exist; make it first")
    content: dict[str, Any] = {"kind": KIND, "version": len(MIGRATIONS), "lost": list(lost)}
    content |= {table: [] for table in TABLES}
    try:
        with _writer(out) as write:
            for table, row in rows:
                if not is_sealed(row):
                    raise BookError(
                        f"{out}: not written, for {table} {row['id']} of the book is damaged; "
                        "salvage the book instead"
                    )
                if table == "run":
                    write(_touches_name(row["id"]), dump_run(unpack_run(row), ".csv"))
                content[table].append(
                    {
                        name: value
                        for name, value in row.items()
                        if value is not None and not isinstance(value, bytes)
                    }
                )
            write(LIST, (json.dumps(content, ensure_ascii=False, indent=1) + "\n").encode())
    except OSError as fault:
        raise BookError(f"{out}: cannot be written ({fault.strerror})") from None


def import_book(source: str | Path, path: str | Path) -> None:
    """Make a book from what `Book.export` or `salvage` wrote: the same to the last bit.

    Parameters
    ----------
    source : str or Path
        The folder or the archive.
    path : str or Path
        The book to be made; there must be none yet.

    Raises
    ------
    BookError
        If `source` is no such thing or was changed, or the book is there already or cannot be
        written. Then there is no new book.
    """
    source, path = Path(source), Path(path)
    if path.exists():
        raise BookError(f"{path}: is there already; name a book that is not, nothing is mixed")
    with _reader(source) as read:
        content = _list(source, read)
        store = open_store(path, create=True)
        try:
            store.write(lambda: _insert_all(store, source, content, read))
        except BaseException:
            store.close()
            for ending in ("", "-wal", "-shm"):
                path.with_name(path.name + ending).unlink(missing_ok=True)
            raise
        store.close()


def _insert_all(store: Store, source: Path, content: dict[str, Any], read: _Read) -> None:
    for table in TABLES:
        columns = {name for _, name, *_ in store.all(f"PRAGMA table_info({table})")}
        for row in content.get(table, []):
            number = row.get("id") if isinstance(row, dict) else None
            if not isinstance(number, int):
                raise BookError(f"{source}: {LIST} lists a {table} without its number")
            whole = row | _touches(read, source, number) if table == "run" else row
            # names of columns go into SQL, so that none but our own may pass
            sound = set(whole) <= columns and is_sealed(whole)
            if table == "run":
                sound = sound and whole.get("digest") == touches_digest(whole)
            try:
                if sound:
                    store.insert(table, whole)
            except (sqlite3.IntegrityError, sqlite3.ProgrammingError, OverflowError):
                sound = False
            if not sound:
                raise BookError(
                    f"{source}: {table} {number} is not what was exported; "
                    "take the files as they were written"
                )


def _list(source: Path, read: _Read) -> dict[str, Any]:
    try:
        content = json.loads(read(LIST))
    except (ValueError, RecursionError):
        content = None
    if (
        not isinstance(content, dict)
        or content.get("kind") != KIND
        or not all(isinstance(content.get(table, []), list) for table in TABLES)
    ):
        raise BookError(f"{source}: holds no exported book; its {LIST} is not one's list")
    version = content.get("version")
    if not isinstance(version, int) or version > len(MIGRATIONS):
        raise BookError(
            f"{source}: was written by a later planish (book version {version}, this one knows "
            f"{len(MIGRATIONS)}); update planish"
        )
    return content


def _touches(read: _Read, source: Path, number: int) -> Row:
    """Read the readings of a run."""
    name = _touches_name(number)
    try:
        lines = [line for line in read(name).decode().splitlines() if line[:1] != "#"]
        names = [title.partition(" ")[0] for title in lines[0].split(",")]
        table = np.array([[float(cell) for cell in line.split(",")] for line in lines[1:]])
        columns = dict(zip(names, table.T, strict=True))
    except (ValueError, IndexError):
        raise BookError(f"{source}: {name} is not what was exported") from None
    return {title: pack(columns[title]) for title in MEASURED if title in columns}


def _touches_name(number: object) -> str:
    return f"runs/{number}.csv"


@contextmanager
def _writer(out: Path) -> Iterator[_Write]:
    """Write files to a folder or an archive that takes its name when all are there."""
    temporary = Path(tempfile.mkdtemp(dir=out.parent, prefix=".planish-"))
    try:
        whole = temporary / "whole"
        if out.suffix.lower() == ".zip":
            with zipfile.ZipFile(whole, "x", zipfile.ZIP_DEFLATED) as archive:
                yield archive.writestr
        else:
            (whole / "runs").mkdir(parents=True)
            yield lambda name, data: _write(whole / name, data)
        whole.rename(out)
    finally:
        shutil.rmtree(temporary, ignore_errors=True)


def _write(path: Path, data: bytes) -> None:
    path.write_bytes(data)


@contextmanager
def _reader(source: Path) -> Iterator[_Read]:
    """Read files of a folder or an archive."""
    if source.is_dir():
        yield lambda name: _from_folder(source, name)
        return
    with _plainly(source):
        archive = zipfile.ZipFile(source)
    with archive:
        yield lambda name: _from_archive(source, archive, name)


def _from_folder(source: Path, name: str) -> bytes:
    with _plainly(source):
        return (source / name).read_bytes()


def _from_archive(source: Path, archive: zipfile.ZipFile, name: str) -> bytes:
    with _plainly(source):
        if name not in archive.NameToInfo:
            raise FileNotFoundError(ENOENT, "", name)
        return archive.read(name)


@contextmanager
def _plainly(source: Path) -> Iterator[None]:
    try:
        yield
    except FileNotFoundError as fault:
        missing = Path(fault.filename).name
        raise BookError(f"{source}: holds no exported book: {missing} is not there") from None
    except OSError as fault:
        raise BookError(f"{source}: cannot be read ({fault.strerror})") from None
    except (
        zipfile.BadZipFile,
        zlib.error,
        NotImplementedError,
        RuntimeError,
        EOFError,
        ValueError,
    ):
        raise BookError(f"{source}: is no sound archive; take the one that was exported") from None
