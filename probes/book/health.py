"""Health: whether a book's file is whole."""

from dataclasses import dataclass

from probes.book.faults import BookError
from probes.book.packing import touches_digest
from probes.book.schema import TABLES
from probes.book.seal import is_sealed
from probes.book.store import Store

__all__ = ["Health", "find_health"]


@dataclass(frozen=True)
class Health:
    """Whether a book is what was written.

    Attributes
    ----------
    faults : tuple of str
        What is wrong, a line each; empty if nothing is.
    counts : dict of str to int
        Rows of each kind that are sound.
    """

    faults: tuple[str, ...]
    counts: dict[str, int]

    @property
    def sound(self) -> bool:
        """Whether nothing is wrong."""
        return not self.faults


def find_health(store: Store) -> Health:
    """Check the file's structure, what refers to what, and the seal of every row."""
    faults: list[str] = []
    counts = dict.fromkeys(TABLES, 0)
    try:
        with store.snapshot():
            lines = store.all("PRAGMA integrity_check")
            if lines != [("ok",)]:
                faults.append(
                    "the file is damaged: " + "; ".join(" ".join(text.split()) for (text,) in lines)
                )
            for table, number, parent, _ in store.all("PRAGMA foreign_key_check"):
                faults.append(f"{table} {number} refers to a {parent} that is not there")
            for table in TABLES:
                for row in store.each_row(table):
                    sound = is_sealed(row) and (
                        table != "run" or row["digest"] == touches_digest(row)
                    )
                    counts[table] += sound
                    if not sound:
                        faults.append(f"{table} {row['id']} is not what was written")
    except BookError as fault:
        faults.append(str(fault))
    return Health(tuple(faults), counts)
