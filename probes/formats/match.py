"""How sure a format is that a source is its own."""

from enum import Enum

__all__ = ["Match"]


class Match(Enum):
    """The answer to a first look: surely, surely not, or possibly."""

    YES = "yes"
    NO = "no"
    MAYBE = "maybe"
