"""The book: a machine's history in one file, and what happened to it over time."""

from probes.book.book import Book, open_book
from probes.book.exchange import import_book
from probes.book.faults import BookError
from probes.book.health import Health
from probes.book.records import Added, Event, MachineVersion, Note, RunRecord, Stack, Turn
from probes.book.salvage import Salvage, salvage

__all__ = [
    "Added",
    "Book",
    "BookError",
    "Event",
    "Health",
    "MachineVersion",
    "Note",
    "RunRecord",
    "Salvage",
    "Stack",
    "Turn",
    "import_book",
    "open_book",
    "salvage",
]
