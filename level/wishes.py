"""Wishes: what whole numbers of detents have to keep to, and their checks."""

from dataclasses import dataclass, replace
from fractions import Fraction
from math import lcm
from typing import Any, Literal

import numpy as np
import numpy.typing as npt

from probes.errors import MachineError, RequestError, ShapeError
from probes.run import Floats

__all__ = [
    "Wishes",
    "common_multiple",
    "detent_sizes",
    "finite_array",
    "lift_groups",
    "racking_rows",
    "rise_bounds",
]

_LARGEST_PART = 1000
"""Detents whose ratio is no fraction over numbers up to this have no common multiple."""


@dataclass(frozen=True, eq=False)
class Wishes:
    """What whole numbers of detents have to keep to; nothing by default.

    Attributes
    ----------
    direction : {"either", "raise-only", "lower-only"}
        Which way lifts may be turned.
    locked : tuple of int
        Lifts that are not touched, counted from 0: those that cannot turn, or the reference.
    lowest, highest : array_like, shape () or (lifts,)
        Travel limits: least and greatest rise of each lift from where it stands, mm.
    together : tuple of tuple of int
        Groups of lifts that one belt or motor moves, by the same rise.
    racking : array_like, shape (m, lifts), optional
        Rows that give the racking, mm per mm of rise; for four lifts at the corners of a rectangle
        the twist row (1, -1, 1, -1) / 4, going round.
    racking_limit : float
        What every row may come to, mm, either way, together with what is there already.
    racking_present : array_like, shape () or (m,)
        Racking that is there before the turns, mm, signed as the rows.
    height : float, optional
        Height that the places are to have, mm, such as that of a spot to be kept. Then the zone
        is the one about this height: twice the largest departure from it. A hard limit on one
        spot would leave whole numbers hardly a choice; this trades it against all places. None
        leaves the common height free.
    """

    direction: Literal["either", "raise-only", "lower-only"] = "either"
    locked: tuple[int, ...] = ()
    lowest: npt.ArrayLike = -np.inf
    highest: npt.ArrayLike = np.inf
    together: tuple[tuple[int, ...], ...] = ()
    racking: npt.ArrayLike | None = None
    racking_limit: float = np.inf
    racking_present: npt.ArrayLike = 0.0
    height: float | None = None

    def given_up(self) -> dict[str, "Wishes"]:
        """Name each wish that can forbid a plan, with the wishes that stay without it."""
        free = Wishes()
        parts: dict[str, dict[str, Any]] = {}
        if self.direction != free.direction:
            parts[self.direction] = {"direction": free.direction}
        if self.locked:
            parts["the locked lifts"] = {"locked": ()}
        if np.isfinite(self.lowest).any() or np.isfinite(self.highest).any():
            parts["the travel limits"] = {"lowest": free.lowest, "highest": free.highest}
        if self.together:
            parts["the lifts that move together"] = {"together": ()}
        if self.racking is not None and self.racking_limit < np.inf:
            parts[f"the racking limit of {self.racking_limit:g} mm"] = {"racking": None}
        return {name: replace(self, **part) for name, part in parts.items()}


def finite_array(name: str, values: npt.ArrayLike, dimensions: int) -> Floats:
    """Give finite numbers in an array of so many dimensions, or say what is wrong with them."""
    array = np.asarray(values, dtype=np.float64)
    if array.ndim != dimensions or not array.size:
        kind = "one value each" if dimensions == 1 else "a row for each place, a column a lift"
        raise ShapeError(f"{name} have the shape {array.shape}; give {kind}")
    if not np.isfinite(array).all():
        raise ShapeError(f"{name} hold a value that is not finite; leave that out")
    return array


def detent_sizes(detents: npt.ArrayLike, lifts: int) -> Floats:
    """Give the rise of one detent of each lift, mm."""
    sizes = np.asarray(detents, dtype=np.float64)
    if sizes.ndim > 1 or sizes.size not in (1, lifts):
        raise ShapeError(f"there are {lifts} lifts and {sizes.size} detents; give one each")
    if not (np.isfinite(sizes) & (sizes > 0)).all():
        raise RequestError("a detent must raise its lift by a number of mm above zero")
    return np.array(np.broadcast_to(sizes, lifts))


def racking_rows(wishes: Wishes, lifts: int) -> tuple[Floats, Floats]:
    """Give the rows of racking, shape (m, lifts), and what is present of each, mm."""
    if not wishes.racking_limit >= 0:
        raise RequestError(f"racking limit {wishes.racking_limit:g}: must be zero or more, in mm")
    if wishes.racking is None or wishes.racking_limit == np.inf:
        return np.zeros((0, lifts)), np.zeros(0)
    rows = finite_array("racking rows", wishes.racking, 2)
    present = np.asarray(wishes.racking_present, dtype=np.float64)
    if rows.shape[1] != lifts or present.ndim > 1 or present.size not in (1, len(rows)):
        raise ShapeError(
            f"racking rows of shape {rows.shape} with {present.size} present do not go with "
            f"{lifts} lifts; give a column a lift, and what is present for each row"
        )
    if not np.isfinite(present).all():
        raise RequestError("the racking that is present must be a finite number of mm")
    return rows, np.array(np.broadcast_to(present, len(rows)))


def rise_bounds(wishes: Wishes, lifts: int) -> tuple[Floats, Floats]:
    """Least and greatest rise of each lift, mm."""
    ways = {"either": (-np.inf, np.inf), "raise-only": (0.0, np.inf), "lower-only": (-np.inf, 0.0)}
    if wishes.direction not in ways:
        raise RequestError(f"direction {wishes.direction!r}: must be {', '.join(ways)}")
    least, most = ways[wishes.direction]
    limits = [np.asarray(one, dtype=np.float64) for one in (wishes.lowest, wishes.highest)]
    if any(one.ndim > 1 or one.size not in (1, lifts) for one in limits):
        raise ShapeError(f"travel limits must be one for all lifts, or one for each of {lifts}")
    if np.isnan(limits[0]).any() or np.isnan(limits[1]).any() or (limits[0] > limits[1]).any():
        raise RequestError(
            "each lift's lowest travel limit must be a number, and not above its highest"
        )
    low = np.maximum(np.broadcast_to(limits[0], lifts), least)
    high = np.minimum(np.broadcast_to(limits[1], lifts), most)
    for lift in known_lifts(wishes.locked, lifts):
        low[lift], high[lift] = max(low[lift], 0.0), min(high[lift], 0.0)
    return low, high


def lift_groups(wishes: Wishes, lifts: int) -> list[tuple[int, ...]]:
    """Give the lifts in groups that move together, alone where they do not."""
    groups = [tuple(known_lifts(group, lifts)) for group in wishes.together if group]
    named = [lift for group in groups for lift in group]
    if len(set(named)) < len(named):
        raise RequestError("a lift is named twice among those that move together; name it once")
    return groups + [(lift,) for lift in range(lifts) if lift not in named]


def known_lifts(lifts: tuple[int, ...], count: int) -> tuple[int, ...]:
    for lift in lifts:
        if not 0 <= lift < count:
            raise RequestError(f"there is no lift {lift}; they are counted from 0 to {count - 1}")
    return lifts


def common_multiple(sizes: Floats, members: list[int]) -> float:
    """Least rise, mm, that is a whole number of detents for each of the lifts."""
    ratios = [Fraction(float(size / sizes[0])).limit_denominator(_LARGEST_PART) for size in sizes]
    step = Fraction(
        lcm(*(ratio.numerator for ratio in ratios)),
        int(np.gcd.reduce([ratio.denominator for ratio in ratios])),
    ) * Fraction(float(sizes[0]))
    counts = float(step) / sizes
    if np.abs(counts - np.rint(counts)).max() > 1e-9:
        said = ", ".join(f"{size:g}" for size in sizes)
        raise MachineError(
            f"lifts {', '.join(str(member + 1) for member in members)} move together, but their "
            f"detents of {said} mm have no common multiple; correct their drives or detents"
        )
    return float(step)
