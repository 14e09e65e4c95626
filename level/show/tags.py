"""Tags: the short texts that stand beside the lifts in the pictures."""

import unicodedata
from dataclasses import dataclass

from level.check import Check
from level.plan import TurnPlan
from level.show.words import made_phrase

__all__ = ["Tag", "lift_tags", "shorten"]

_JOINERS = "\u200c\u200d"
"""Format characters that some scripts need between their letters."""


@dataclass(frozen=True)
class Tag:
    """What stands beside a lift in a picture.

    Attributes
    ----------
    number : int
        Its place in the machine file, from 1.
    name : str
        As the builder calls it, in one line.
    turn : str
        What to do, as in "133° clockwise" or "leave"; empty without a plan.
    x, y : float
        Where the lift stands, mm.
    """

    number: int
    name: str
    turn: str
    x: float
    y: float


def lift_tags(check: Check, plan: TurnPlan | None) -> tuple[Tag, ...]:
    """Give the tags of all lifts that are known, in the order of the machine file."""
    if plan is not None:
        return tuple(
            Tag(
                number,
                shorten(move.lift, 200),
                made_phrase(move),
                move.x,
                move.y,
            )
            for number, move in enumerate(plan.moves, 1)
        )
    lifts = check.machine.lifts if check.machine else ()
    return tuple(
        Tag(number, shorten(lift.name, 200), "", lift.x, lift.y)
        for number, lift in enumerate(lifts, 1)
    )


def shorten(text: str, columns: int) -> str:
    r"""Bring a text into one line of so many columns, without characters that do not print.

    Parameters
    ----------
    text : str
        What somebody wrote.
    columns : int
        Room for it; letters of wide scripts take two.

    Examples
    --------
    >>> shorten("the one by the\nwindow", 40), shorten("the one by the window", 12)
    ('the one by the window', 'the one by…')
    """
    line = " ".join("".join(c if _shows(c) else " " for c in text).split())
    if sum(map(_columns, line)) <= columns:
        return line
    kept, room = "", columns - 1
    for character in line:
        room -= _columns(character)
        if room < 0:
            break
        kept += character
    return kept.rstrip() + "…"


def _shows(character: str) -> bool:
    return character.isprintable() or character in _JOINERS


def _columns(character: str) -> int:
    if unicodedata.combining(character):
        return 0
    return 2 if unicodedata.east_asian_width(character) in "WF" else 1
