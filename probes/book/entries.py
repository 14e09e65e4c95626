"""Entries: what is to be added, checked and laid out as rows of the book."""

import math
from collections.abc import Iterable
from datetime import UTC, datetime
from hashlib import sha256

from probes.book.faults import BookError
from probes.book.packing import clean, moment, pack_run
from probes.book.store import Row
from probes.run import Run

__all__ = ["event_entry", "machine_entry", "note_entry", "run_entry", "turn_entries"]


def run_entry(run: Run, source: str | bytes | None, unit: str | None) -> Row:
    """Lay out a run, with the digest of what it was read from."""
    row = pack_run(run, datetime.now(UTC))
    if source is not None:
        data = source.encode(errors="surrogateescape") if isinstance(source, str) else source
        row["source_digest"] = sha256(data).hexdigest()
    row["unit"] = unit if unit is None else clean(unit)
    return row


def event_entry(what: str, text: str | None, at: datetime | None) -> Row:
    """Lay out an event.

    Raises
    ------
    BookError
        If it does not say what happened, or no clock knows its time.
    """
    return _timed(at) | {
        "what": _filled(what, "event: says not what happened"),
        "text": text if text is None else clean(text),
    }


def note_entry(text: str, run: int | None, at: datetime | None) -> Row:
    """Lay out a note.

    Raises
    ------
    BookError
        If it is empty, or no clock knows its time.
    """
    return _timed(at) | {"text": _filled(text, "note: is empty"), "run": run}


def turn_entries(
    moves: Iterable[tuple[str, float, float]], run: int | None, at: datetime | None
) -> list[Row]:
    """Lay out turns.

    Raises
    ------
    BookError
        If there is none, a lift has no name, a number is not finite, or no clock knows the time.
    """
    timed = _timed(at)
    rows = [
        timed
        | {
            "lift": _filled(lift, "turn: names no lift"),
            "rise": _finite(rise, f"rise of {lift}"),
            "turns": _finite(turns, f"turns of {lift}"),
            "run": run,
        }
        for lift, rise, turns in moves
    ]
    if not rows:
        raise BookError("no turns to add: give at least one lift, its rise and its turns")
    return rows


def machine_entry(text: str, name: str) -> Row:
    """Lay out a machine file.

    Raises
    ------
    BookError
        If it is empty.
    """
    now = datetime.now(UTC)
    held = _filled(text, f"{name}: is empty")
    return {
        "moment": moment(now),
        "added": now.isoformat(),
        "name": clean(name),
        "text": held,
        "digest": sha256(held.encode()).hexdigest(),
    }


def _timed(at: datetime | None) -> Row:
    when = datetime.now(UTC) if at is None else at
    return {"moment": moment(when), "at": when.isoformat()}


def _filled(text: str, complaint: str) -> str:
    if not text.strip():
        raise BookError(f"{complaint}; write something")
    return clean(text)


def _finite(value: float, what: str) -> float:
    if not math.isfinite(value):
        raise BookError(f"{what}: is {value}; give a finite number")
    return float(value)
