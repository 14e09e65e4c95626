"""The book: all that was probed on a machine and done to it, in one file."""

from collections.abc import Iterable, Iterator
from datetime import datetime
from pathlib import Path
from types import TracebackType

from probes.book.entries import event_entry, machine_entry, note_entry, run_entry, turn_entries
from probes.book.exchange import export_rows
from probes.book.faults import BookError
from probes.book.health import Health, find_health
from probes.book.listing import list_records
from probes.book.packing import unpack_run
from probes.book.records import Added, Event, MachineVersion, Note, RunRecord, Stack, Turn
from probes.book.schema import TABLES
from probes.book.seal import is_sealed
from probes.book.stacks import read_stacks
from probes.book.store import Row, Store, open_store
from probes.run import Run

__all__ = ["Book", "open_book"]


class Book:
    """A machine's history. Use `open_book`; leave with ``with`` or `close`.

    What is added is on the disk when the call returns: it survives a crash of the program and a
    loss of power. Several programs may use a book at once, each thread with a `Book` of its own.
    Nothing in it is ever changed.
    """

    def __init__(self, store: Store) -> None:
        self._store = store

    def __enter__(self) -> "Book":
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        fault: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.close()

    def __repr__(self) -> str:
        return f"Book({str(self.path)!r})"

    @property
    def path(self) -> Path:
        """The file."""
        return self._store.path

    def close(self) -> None:
        """Close the file."""
        self._store.close()

    def add_run(
        self, run: Run, *, source: str | bytes | None = None, unit: str | None = None
    ) -> Added:
        """Add a run.

        Parameters
        ----------
        run : Run
            The run.
        source : str or bytes, optional
            The text or the bytes it was read from; their digest is kept.
        unit : str, optional
            The unit the source was in.

        Returns
        -------
        Added
            Its number. It is not new where a run holds the same readings to the last bit, unless
            both say when they began and differ in that.

        Raises
        ------
        BookError
            If the book cannot be written.
        """
        row = run_entry(run, source, unit)

        def add() -> Added:
            same = self._store.all(
                "SELECT id FROM run WHERE digest = ? "
                "AND (? IS NULL OR started IS NULL OR started = ?) ORDER BY id",
                (row["digest"], row["started"], row["started"]),
            )
            if same:
                return Added(same[0][0], new=False)
            return Added(self._insert("run", row), new=True)

        return self._store.write(add)

    def runs(self) -> list[RunRecord]:
        """List the runs in the order they were taken."""
        return list_records(self._store, RunRecord)

    def run(self, number: int) -> Run:
        """Give a run back as it was added, to the last bit.

        Raises
        ------
        BookError
            If there is none of that number, or it is damaged.
        """
        rows = self._store.rows("run", "WHERE id = ?", (number,))
        if not rows:
            raise self._no_run(number)
        if not is_sealed(rows[0]):
            raise BookError(
                f"{self.path}: run {number} is damaged: it is not what was added; "
                "planish book rescue keeps what is intact; go on in a new book made from that"
            )
        return unpack_run(rows[0])

    def stacks(self) -> Iterator[Stack]:
        """Read the heights of all runs in time, quickly: those at the same positions together."""
        return read_stacks(self._store)

    def add_event(self, what: str, *, text: str | None = None, at: datetime | None = None) -> int:
        """Add something that happened, such as ``"moved the probe"``, and give its number.

        Without a time it happened now.

        Raises
        ------
        BookError
            If `what` is empty, or the book cannot be written.
        """
        row = event_entry(what, text, at)
        return self._store.write(lambda: self._insert("event", row))

    def events(self) -> list[Event]:
        """List what happened, in time."""
        return list_records(self._store, Event)

    def add_note(self, text: str, *, run: int | None = None, at: datetime | None = None) -> int:
        """Add a note, about a run if one is named, and give its number.

        Raises
        ------
        BookError
            If it is empty, there is no such run, or the book cannot be written.
        """
        row = note_entry(text, run, at)

        def add() -> int:
            self._check_run(run)
            return self._insert("note", row)

        return self._store.write(add)

    def notes(self) -> list[Note]:
        """List the notes, in time."""
        return list_records(self._store, Note)

    def add_turns(
        self,
        moves: Iterable[tuple[str, float, float]],
        *,
        run: int | None = None,
        at: datetime | None = None,
    ) -> tuple[int, ...]:
        """Add turns that were made: all of them or, where one is refused, none.

        Parameters
        ----------
        moves : iterable of (lift, rise, turns)
            Name of the lift; how far it moved its carriage, mm, + = up; how far it was turned,
            in turns, with the sign of the rise.
        run : int, optional
            The run that asked for them.
        at : datetime, optional
            When they were made; now if not given.

        Raises
        ------
        BookError
            If there is no move, a lift has no name, a number is not finite, there is no such run,
            or the book cannot be written.
        """
        rows = turn_entries(moves, run, at)

        def add() -> tuple[int, ...]:
            self._check_run(run)
            return tuple(self._insert("turn", row) for row in rows)

        return self._store.write(add)

    def turns(self) -> list[Turn]:
        """List the turns made, in time."""
        return list_records(self._store, Turn)

    def add_machine(self, text: str, *, name: str = "machine.toml") -> Added:
        """Add a machine file; not new if it says what the last one said.

        Raises
        ------
        BookError
            If it is empty, or the book cannot be written.
        """
        row = machine_entry(text, name)

        def add() -> Added:
            last = self._store.all("SELECT id, digest FROM machine ORDER BY id DESC LIMIT 1")
            if last and last[0][1] == row["digest"]:
                return Added(last[0][0], new=False)
            return Added(self._insert("machine", row), new=True)

        return self._store.write(add)

    def machines(self) -> list[MachineVersion]:
        """List the machine files, in the order they were added."""
        return list_records(self._store, MachineVersion)

    def check(self) -> Health:
        """See whether the file is whole and every row is what was written."""
        return find_health(self._store)

    def export(self, out: str | Path) -> None:
        """Write all of the book to open files, whole or not at all: see `import_book`.

        Parameters
        ----------
        out : str or Path
            A folder to be made, or, if its name ends in ``.zip``, an archive.

        Raises
        ------
        BookError
            If it is there already or cannot be written, or a row is damaged.
        """
        with self._store.snapshot():
            export_rows(
                ((table, row) for table in TABLES for row in self._store.each_row(table)),
                Path(out),
            )

    def _insert(self, table: str, row: Row) -> int:
        number = self._store.next_id(table)
        self._store.insert(table, {"id": number} | row)
        return number

    def _check_run(self, number: int | None) -> None:
        if number is not None and not self._store.all("SELECT 1 FROM run WHERE id = ?", (number,)):
            raise self._no_run(number)

    def _no_run(self, number: int) -> BookError:
        ((count, last),) = self._store.all("SELECT count(*), max(id) FROM run")
        held = f"its runs are numbered up to {last}" if count else "it holds no runs yet"
        return BookError(f"{self.path}: there is no run {number} in the book; {held}")


def open_book(path: str | Path, *, create: bool = True) -> Book:
    """Open a machine's book.

    Where it cannot be written (its folder is read-only, the disk is full) it can still be read.

    Parameters
    ----------
    path : str or Path
        Its file.
    create : bool
        Whether to make it if it is not there.

    Raises
    ------
    BookError
        If it is not there and not to be made, its folder is not there, it is no book, a later
        planish wrote it, or it cannot be opened.

    Examples
    --------
    >>> import tempfile
    >>> with tempfile.TemporaryDirectory() as folder, open_book(Path(folder, "book.db")) as book:
    ...     run = Run(x=[0, 100, 0], y=[0, 0, 100], z=[0.1, 0.2, 0.3])
    ...     print(book.add_run(run), book.add_run(run))
    Added(id=1, new=True) Added(id=1, new=False)
    """
    return Book(open_store(Path(path), create=create))
