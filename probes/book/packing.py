"""Packing: a run as a row of the book, and back, to the last bit."""

import json
from datetime import datetime
from typing import Any

import numpy as np

from probes.book.faults import BookError
from probes.book.seal import Value, seal
from probes.book.store import Row
from probes.run import Floats, Run

__all__ = [
    "MEASURED",
    "clean",
    "moment",
    "pack",
    "pack_run",
    "touches_digest",
    "unpack",
    "unpack_run",
]

MEASURED = ("x", "y", "z", "minutes", "bed", "chamber", "ambient", "touch")
"""What a touch has."""

_KEPT = ("format", "plate", "note", "passed_over", "holes")
_BINARY64 = np.dtype("<f8")


def pack(values: Floats) -> bytes:
    """Give the bytes of numbers: little-endian IEEE 754 binary64; a NaN is the usual one."""
    packed = np.ascontiguousarray(values, dtype=_BINARY64)
    if (missing := np.isnan(packed)).any():
        packed = np.where(missing, np.nan, packed)
    return packed.tobytes()


def unpack(data: bytes) -> Floats:
    """Give the numbers back."""
    return np.frombuffer(data, dtype=_BINARY64)


def pack_run(run: Run, added: datetime) -> Row:
    """Make a row of a run; its number is not known yet."""
    row: Row = {name: _packed(getattr(run, name)) for name in MEASURED}
    row["digest"] = touches_digest(row)
    row["added"] = added.isoformat()
    row["started"] = None if run.started is None else run.started.isoformat()
    row["moment"] = moment(run.started or added)
    row |= {name: _held(getattr(run, name)) for name in _KEPT}
    row["source"] = clean(run.source)
    row["warnings"] = json.dumps([clean(text) for text in run.warnings], ensure_ascii=False)
    return row


def unpack_run(row: Row) -> Run:
    """Make the run of a row."""
    values: dict[str, Any] = {name: row[name] for name in (*_KEPT, "source")}
    for name in MEASURED:
        data = row[name]
        values[name] = unpack(data) if isinstance(data, bytes) else None
    started = row["started"]
    values["started"] = None if started is None else datetime.fromisoformat(str(started))
    values["warnings"] = tuple(json.loads(str(row["warnings"])))
    return Run(**values)


def touches_digest(row: Row) -> str:
    """Give the digest over all that was measured."""
    return seal({name: row.get(name) for name in MEASURED})


def moment(at: datetime) -> float:
    """Give a time in s since 1970; without a time zone it is that of this computer.

    Raises
    ------
    BookError
        If it lies outside what a computer's clock knows.
    """
    try:
        return at.timestamp()
    except (OverflowError, OSError, ValueError):
        raise BookError(f"time {at.isoformat()}: no clock knows it; give the time it was") from None


def clean(text: str) -> str:
    """Give a text as the book can hold it: names of files may hold what is no character."""
    return text.encode("utf-8", "backslashreplace").decode()


def _packed(values: Floats | None) -> bytes | None:
    return None if values is None else pack(values)


def _held(value: str | int | None) -> Value:
    return clean(value) if isinstance(value, str) else value
