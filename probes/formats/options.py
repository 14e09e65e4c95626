"""What a user can say about how a source is to be read: the reading options, in one place."""

import re
from dataclasses import dataclass

from probes.errors import RequestError
from probes.units import unit_name

__all__ = ["ReadOptions", "parse_span"]

_SPAN = re.compile(r"\s*([^:\s]+)\s*:\s*([^:\s]+)\s*")


@dataclass(frozen=True)
class ReadOptions:
    """How to read a run; the defaults suit most sources.

    Attributes
    ----------
    format : str, optional
        Name of the format, where the content leaves a doubt.
    line : str, optional
        Shape of a captured line: literal text with the fields {x} {y} {z} {touch} {minutes}
        {bed} {skip}.
    unit : str, optional
        Unit of the heights, where the source names none: mm, um, in, thou or uin. Positions are
        then in mm (for mm and um) or in inches (for in, thou and uin).
    high : {"up", "down"}
        Whether a larger z means a higher bed, or a lower one.
    x, y : (float, float), optional
        First and last coordinate of a matrix without coordinates of its own, in the source's
        unit.
    rows : {"front-first", "back-first"}, optional
        Which row of such a matrix comes first; front first if not said.
    run : int, optional
        Which probing of a log to take, from 1.
    """

    format: str | None = None
    line: str | None = None
    unit: str | None = None
    high: str = "up"
    x: tuple[float, float] | None = None
    y: tuple[float, float] | None = None
    rows: str | None = None
    run: int | None = None

    def __post_init__(self) -> None:
        if self.high not in ("up", "down"):
            raise RequestError(f"--high {self.high!r}: must be up or down")
        if self.line is not None and not self.line.strip():
            raise RequestError("--line: is empty; give text with the fields {x} {y} {z}")
        if self.rows not in (None, "front-first", "back-first"):
            raise RequestError(f"--rows {self.rows!r}: must be front-first or back-first")
        if self.unit is not None:
            unit_name(self.unit, where="--unit: ")


def parse_span(text: str, option: str) -> tuple[float, float]:
    """Read a pair such as ``20:330``.

    Raises
    ------
    RequestError
        If it is not two different numbers with a colon between.

    Examples
    --------
    >>> parse_span("20:330", "--x")
    (20.0, 330.0)
    """
    match = _SPAN.fullmatch(text)
    try:
        first, last = (float(part) for part in match.groups()) if match else (0.0, 0.0)
    except ValueError:
        first = last = 0.0
    if first == last or not abs(first) + abs(last) < float("inf"):
        raise RequestError(f"{option} {text!r}: must be first:last, two numbers as in 20:330")
    return first, last
