"""Listing: the records of a table."""

from dataclasses import fields
from datetime import datetime
from typing import Any, TypeVar

from probes.book.records import Event, MachineVersion, Note, RunRecord, Turn
from probes.book.store import Store

__all__ = ["list_records"]

_Record = TypeVar("_Record", RunRecord, MachineVersion, Turn, Event, Note)

_TIMES = ("started", "added", "at")
_TABLES = {RunRecord: "run", MachineVersion: "machine", Turn: "turn", Event: "event", Note: "note"}


def list_records(store: Store, kind: type[_Record]) -> list[_Record]:
    """List the records of a kind, in time."""
    names = [field.name for field in fields(kind)]
    columns = ", ".join("length(z) / 8" if name == "touches" else name for name in names)
    times = [k for k, name in enumerate(names) if name in _TIMES]
    records = []
    for row in store.each(f"SELECT {columns} FROM {_TABLES[kind]} ORDER BY moment, id"):
        values: list[Any] = list(row)
        for k in times:
            values[k] = values[k] and datetime.fromisoformat(values[k])
        records.append(kind(*values))
    return records
