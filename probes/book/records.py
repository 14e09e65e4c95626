"""Records: what the book tells about each thing it holds."""

from dataclasses import dataclass
from datetime import datetime

from probes.run import Floats

__all__ = ["Added", "Event", "MachineVersion", "Note", "RunRecord", "Stack", "Turn"]


@dataclass(frozen=True)
class Added:
    """What became of something to be added.

    Attributes
    ----------
    id : int
        Its number in the book.
    new : bool
        False if the book held it already; then nothing was stored.
    """

    id: int
    new: bool


@dataclass(frozen=True)
class RunRecord:
    """A run as the book lists it, without its touches.

    Attributes
    ----------
    id : int
        Its number in the book, from 1, in the order added.
    touches : int
        How many it has.
    started : datetime or None
        When it began, as the source said.
    added : datetime
        When it came into the book, UTC.
    moment : float
        When it began, or else when it was added, s since 1970: what to sort by. A start without a
        time zone is taken in that of the computer which added it.
    source, format : str
        Where it was read from, and in which format.
    source_digest : str or None
        SHA-256 of the source, hexadecimal, where it was given.
    digest : str
        SHA-256 over all that was measured.
    unit : str or None
        The unit the source was in; the book holds mm.
    plate, note : str or None
        As in `Run`.
    """

    id: int
    touches: int
    started: datetime | None
    added: datetime
    moment: float
    source: str
    format: str
    source_digest: str | None
    digest: str
    unit: str | None
    plate: str | None
    note: str | None


@dataclass(frozen=True, eq=False)
class Stack:
    """Runs next to each other in time that touched the very same positions in the same order.

    Attributes
    ----------
    ids : tuple of int
        The runs, in time.
    moments : ndarray, shape (runs,)
        When each began, s since 1970.
    x, y : ndarray, shape (touches,)
        Where, mm.
    z : ndarray, shape (runs, touches)
        Heights, mm, + = high; a row for each run.
    """

    ids: tuple[int, ...]
    moments: Floats
    x: Floats
    y: Floats
    z: Floats


@dataclass(frozen=True)
class Event:
    """Something that happened to the machine.

    Attributes
    ----------
    id : int
        Its number.
    at : datetime
        When.
    what : str
        What happened, in a few words: ``"moved the probe"``, ``"new plate"``.
    text : str or None
        More about it.
    """

    id: int
    at: datetime
    what: str
    text: str | None


@dataclass(frozen=True)
class Note:
    """Something the builder wrote down.

    Attributes
    ----------
    id : int
        Its number.
    at : datetime
        When.
    text : str
        The note.
    run : int or None
        The run it is about.
    """

    id: int
    at: datetime
    text: str
    run: int | None


@dataclass(frozen=True)
class Turn:
    """A turn that was made at a lift.

    Attributes
    ----------
    id : int
        Its number.
    at : datetime
        When.
    lift : str
        Which lift.
    rise : float
        How far it moved its carriage, mm, + = up.
    turns : float
        How far it was turned, in turns, with the sign of the rise.
    run : int or None
        The run that asked for it.
    """

    id: int
    at: datetime
    lift: str
    rise: float
    turns: float
    run: int | None


@dataclass(frozen=True)
class MachineVersion:
    """A machine file as it stood from some time on.

    Attributes
    ----------
    id : int
        Its number.
    added : datetime
        Since when, UTC.
    name : str
        What the file is called.
    text : str
        What it says.
    digest : str
        SHA-256 of the text in UTF-8, hexadecimal.
    """

    id: int
    added: datetime
    name: str
    text: str
    digest: str
