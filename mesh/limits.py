"""Published flatness grades of surface plates: yardsticks for how flat a bed is.

No printer bed is made to these grades. They say what flat means in a measuring room, and how far a
bed is from it.
"""

import math
from collections.abc import Callable
from dataclasses import dataclass

from probes.errors import ShapeError

__all__ = ["Grade", "grade_limits", "grades_met"]

_MM_PER_UM = 1e-3
_MM_PER_UIN = 25.4e-6
_MM_PER_IN = 25.4


@dataclass(frozen=True)
class Grade:
    """A grade and what it allows on a plate of some size.

    Attributes
    ----------
    standard : str
        Where it is from.
    name : str
        Its name there.
    limit : float
        Largest flatness deviation, mm.
    """

    standard: str
    name: str
    limit: float


def _iso(slope: float, constant: float) -> Callable[[float, float], float]:
    """ISO 8512-2: t = c1 l + c2 um, l the diagonal in mm rounded up to the next 100."""

    def limit(width: float, depth: float) -> float:
        # a diagonal that is a whole hundred but for rounding is that hundred
        hundreds = math.ceil(math.hypot(width, depth) / 100 - 1e-9)
        return (slope * 100 * hundreds + constant) * _MM_PER_UM

    return limit


def _din(constant: float, divisor: float) -> Callable[[float, float], float]:
    """DIN 876: t = c + L / d um, L the longest side in mm."""
    return lambda width, depth: (constant + max(width, depth) / divisor) * _MM_PER_UM


def _federal(factor: float) -> Callable[[float, float], float]:
    """GGG-P-463c: AA is 40 + D^2 / 25 uin, D the diagonal in inches; A twice, B four times that."""

    def limit(width: float, depth: float) -> float:
        diagonal = math.hypot(width, depth) / _MM_PER_IN
        return factor * (40 + diagonal**2 / 25) * _MM_PER_UIN

    return limit


_GRADES: tuple[tuple[str, str, Callable[[float, float], float]], ...] = (
    ("ISO 8512-2", "0", _iso(0.003, 2.5)),
    ("ISO 8512-2", "1", _iso(0.006, 5)),
    ("ISO 8512-2", "2", _iso(0.012, 10)),
    ("ISO 8512-2", "3", _iso(0.024, 20)),
    ("DIN 876", "00", _din(2, 500)),
    ("DIN 876", "0", _din(4, 250)),
    ("DIN 876", "1", _din(10, 100)),
    ("DIN 876", "2", _din(20, 50)),
    ("DIN 876", "3", _din(40, 25)),
    ("GGG-P-463c", "AA", _federal(1)),
    ("GGG-P-463c", "A", _federal(2)),
    ("GGG-P-463c", "B", _federal(4)),
)


def grade_limits(width: float, depth: float) -> tuple[Grade, ...]:
    """Give what every grade allows on a plate of this size.

    Parameters
    ----------
    width, depth : float
        Sides, mm.

    Returns
    -------
    tuple of Grade
        By standard, the finest grade first. The tables of the standards print these values
        rounded, GGG-P-463c by no single rule.

    Raises
    ------
    ShapeError
        If a side is not above zero.

    References
    ----------
    ISO 8512-2:1990, Table 1 and annex D. DIN 876 (its grade 00: value from memory). Federal
    Specification GGG-P-463c; ASME B89.3.7 is its revision.

    Examples
    --------
    >>> grade_limits(400, 250)[0]
    Grade(standard='ISO 8512-2', name='0', limit=0.004)
    """
    if not (0 < width < math.inf and 0 < depth < math.inf):
        raise ShapeError(f"a plate of {width:g} x {depth:g} mm has no grade; give both sides in mm")
    return tuple(Grade(standard, name, rule(width, depth)) for standard, name, rule in _GRADES)


def grades_met(
    flatness: float, width: float, depth: float
) -> tuple[tuple[Grade, float | None], ...]:  # fmt: skip
    """Give the finest grade of each standard that a flatness meets.

    Parameters
    ----------
    flatness : float
        Flatness deviation, mm.
    width, depth : float
        Sides of the plate, mm.

    Returns
    -------
    tuple of (Grade, float or None)
        The finest grade met and None; or, where none is, the coarsest and how many times its limit
        the flatness is.
    """
    found = []
    limits = grade_limits(width, depth)
    for standard in dict.fromkeys(grade.standard for grade in limits):
        grades = [grade for grade in limits if grade.standard == standard]
        met = next((grade for grade in grades if flatness <= grade.limit * (1 + 1e-9)), None)
        found.append((met, None) if met else (grades[-1], flatness / grades[-1].limit))
    return tuple(found)
