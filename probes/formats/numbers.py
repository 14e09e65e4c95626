"""Numbers as people and machines write them, and the words that stand for "not measured"."""

import math
import re

__all__ = ["COMMA_NUMBER", "HOLES", "NUMBER", "finite_number", "parse_number"]

NUMBER = r"(?>[-+−]?(?:\d+(?:\.\d*)?|\.\d+)(?:[eE][-+]?\d+)?)"
"""Pattern of a decimal number in any usual notation: ``12``, ``+1.2e-3``, ``.5``, ``-0``. It is
atomic: what follows can refuse a number, but not cut it short."""

COMMA_NUMBER = r"(?>[-+−]?(?:\d+(?:\.\d*|,\d+)?|[.,]\d+)(?:[eE][-+]?\d+)?)"
"""The same, where a comma may be the decimal sign."""

HOLES = frozenset(("", "-", "–", "—", "nan", "null", "none", "n/a", "na"))
"""What stands in the place of a height that was not measured, lower case."""

_LONGEST = 64
"""Characters. No reading is written with more."""

_WHOLE = re.compile(NUMBER)


def parse_number(text: str, *, decimal_comma: bool = False) -> float | None:
    """Read a finite number, or return None.

    Examples
    --------
    >>> parse_number("+1.25e-1"), parse_number("0,125", decimal_comma=True), parse_number("x")
    (0.125, 0.125, None)
    """
    text = text.strip()
    if len(text) > _LONGEST:
        return None
    if decimal_comma:
        if "." in text:
            return None  # one decimal sign in a file: 1.234 would be a thousand here
        text = text.replace(",", ".", 1)
    if not _WHOLE.fullmatch(text):
        return None
    return finite_number(text.replace("−", "-"))


def finite_number(text: str) -> float | None:
    """Read a finite number from the text a program wrote, in any notation of `float`, or None.

    Examples
    --------
    >>> finite_number("-2.5E-06"), finite_number("inf"), finite_number("five")
    (-2.5e-06, None, None)
    """
    try:
        value = float(text)
    except ValueError:
        return None
    return value if math.isfinite(value) else None
