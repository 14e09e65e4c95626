"""The whole-number program of rounding: branch and bound over a dual simplex method.

SciPy's solver takes a hundred times as long to import as this takes to answer, writes to standard
output at times, and ended the process on some of these programs (SciPy 1.17).

Only few places hold the zone. The program knows a few; whenever whole counts are found for them,
all places are looked at, and the highest and the lowest are taken in. Every such step but the last
takes in a place, so there is an end; what is best for some places, and holds for all, is best for
all.
"""

from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from level.wishes import (
    Wishes,
    common_multiple,
    detent_sizes,
    finite_array,
    lift_groups,
    racking_rows,
    rise_bounds,
)
from probes.errors import RequestError, ShapeError
from probes.run import Floats

__all__ = ["ENOUGH", "FARTHEST", "MOST_NODES", "REACH", "Found", "Program", "Solved", "Task"]

ENOUGH = 1e-4
"""Zones closer than this, mm, are equal: no probe sees a tenth of a micrometre."""

_ALL_AT_ONCE = 64
"""Up to so many places, all are in the program from the start."""

FARTHEST = 1e-3
"""Weight of the farthest rise beside the sum of all: it decides between equal sums only."""

REACH = 1e3
"""No lift moves farther than this, mm; so every program has bounds."""

_HOLDS = 1e-9
"""A row holds if it misses by no more than this, in the program's unit."""

_WHOLE = 1e-7
"""A number of steps this near to a whole one is whole."""

_MOST_EXCHANGES, _PATIENCE = 2000, 100
"""Exchanges in a branch, and those without gain after which ties are broken another way; 26 and 17
were the most seen in two million branches of grids with equal heights."""

MOST_NODES = 10_000
"""Branches to look at before the best so far is given, not proven: about a second."""


@dataclass(frozen=True, eq=False)
class Task:
    """The numbers of the task. A group is one lift, or several that move together by one step."""

    heights: Floats  # (n,) about the wanted height, or about their middle
    influence: Floats  # (n, groups) change of the heights by one step of each group
    detents: Floats  # (lifts,)
    steps: Floats  # (lifts, groups) rise by one step of each group
    lowest: Floats  # (groups,) bounds, steps
    highest: Floats
    racking: Floats  # (m, groups) by one step
    present: Floats  # (m,)
    limit: float
    free: bool  # whether the common height is free

    @classmethod
    def of(
        cls,
        heights: npt.ArrayLike,
        influence: npt.ArrayLike,
        detents: npt.ArrayLike,
        wishes: Wishes,
    ) -> "Task":
        """Make the task of `level.rounding.round_for_bed`, checked."""
        zs, matrix = finite_array("heights", heights, 1), finite_array("influence", influence, 2)
        lifts = matrix.shape[1]
        if len(matrix) != len(zs):
            raise ShapeError(f"{len(zs)} heights and {len(matrix)} rows of influence; give equal")
        sizes = detent_sizes(detents, lifts)
        rows, present = racking_rows(wishes, lifts)
        low, high = rise_bounds(wishes, lifts)
        groups = lift_groups(wishes, lifts)
        steps = np.zeros((lifts, len(groups)))
        lowest, highest = np.empty(len(groups)), np.empty(len(groups))
        for at, group in enumerate(groups):
            members = list(group)
            step = common_multiple(sizes[members], members)
            steps[members, at] = step
            lowest[at], highest[at] = low[members].max() / step, high[members].min() / step
        middle = (zs.max() + zs.min()) / 2 if wishes.height is None else wishes.height
        if not np.isfinite(middle):
            raise RequestError(f"height {middle:g}: must be a finite number of mm")
        return cls(
            heights=zs - middle,
            influence=matrix @ steps,
            detents=sizes,
            steps=steps,
            lowest=_snapped(lowest),
            highest=_snapped(highest),
            racking=rows @ steps,
            present=present,
            limit=float(wishes.racking_limit),
            free=wishes.height is None,
        )

    @property
    def unit(self) -> float:
        """What the programs count in, mm, so that their numbers are neither huge nor tiny."""
        return max(float(self.steps.max()), 1e-5 * float(np.abs(self.heights).max()))

    @property
    def shiftable(self) -> bool:
        """Whether one step more of every group changes nothing but the common height."""
        sums = self.influence.sum(axis=1)
        tiny = 1e-9 * float(self.steps.max())
        return bool(
            self.free
            and np.ptp(self.steps.max(axis=0)) <= tiny
            and np.ptp(sums) <= tiny * max(1.0, float(np.abs(self.influence).max()))
            and (np.abs(self.racking.sum(axis=1)) <= tiny).all()
        )

    def within(self, reach: float) -> "Task":
        """Give the task in which no lift goes farther than `reach`, mm."""
        most = reach / self.steps.max(axis=0)
        low, high = np.maximum(self.lowest, -most), np.minimum(self.highest, most)
        return replace(self, lowest=low, highest=high)

    @property
    def whole(self) -> "Task":
        """The task with its bounds at whole steps."""
        return replace(self, lowest=np.ceil(self.lowest), highest=np.floor(self.highest))

    def half(self, moves: Floats) -> float:
        """Half the zone that moves leave over all places, mm."""
        after = self.heights + self.influence @ moves
        return float(np.ptp(after)) / 2 if self.free else float(np.abs(after).max())

    @property
    def first_places(self) -> list[int]:
        """Places to begin with: all, or where heights and influences are extreme."""
        count = len(self.heights)
        if count <= _ALL_AT_ONCE:
            return list(range(count))
        ends = [self.heights, *self.influence.T]
        return list(dict.fromkeys(int(at) for end in ends for at in (end.argmin(), end.argmax())))

    def allows(self, moves: Floats) -> bool:
        """Tell whether moves meet all wishes, racking to a nanometre."""
        tiny = max(1e-6 * self.unit, 1e-6)
        return bool(
            (self.lowest <= moves).all()
            and (moves <= self.highest).all()
            and (np.abs(self.racking @ moves + self.present) <= self.limit + tiny).all()
        )

    def rounded(self, rises: Floats) -> Floats | None:
        """Round each lift's rise by itself; give the moves, or None if that breaks a wish."""
        made = np.rint(rises / self.detents) * self.detents
        moves = np.array([made[steps > 0][0] / steps.max() for steps in self.steps.T])
        whole = np.rint(moves)
        kept = np.abs(self.steps @ whole - made).max() <= 1e-6 * self.unit and self.allows(whole)
        return whole if kept else None


@dataclass(frozen=True, eq=False)
class Solved:
    """Moves in steps of each group, and what they were chosen for, mm: at the optimum its value."""

    moves: Floats
    value: float


@dataclass(frozen=True, eq=False)
class Found:
    """The best whole moves, if any; whether every branch was looked at; and how many were."""

    moves: Floats | None
    proven: bool
    branches: int


class Program:
    """A linear program over few places, and the search for its best whole numbers.

    Minimise ``weights @ x`` with ``table @ x >= right``. The variables are the moves, the common
    height where it is free, and the half zone, which is minimised. Where the half zone has a cap,
    mm, the size of each rise and the farthest rise follow, and their sum is minimised instead.

    As many rows as variables are in the basis and hold as equations; all their multipliers are zero
    or more, which makes the value a lower bound at any moment. The row that is violated most comes
    in for the one whose multiplier is first to reach zero: the dual simplex method. A branch only
    changes `right`, so its basis is where the next one starts.
    """

    def __init__(self, task: Task, places: list[int], cap: float | None = None) -> None:
        self.task, self.places, self.cap = task, list(places), cap
        groups, unit = len(task.lowest), task.unit
        one = np.eye(groups)
        # to be whole are the moves; or, if all can shift together, their differences: at a corner
        # of the program one move is at a bound, which is whole, and so the others are too
        self._to_be_whole = one[1:] - one[0] if cap is None and task.shiftable else one
        moves = slice(groups)
        self._half = groups + int(task.free)
        sizes = slice(self._half + 1, self._half + 1 + (0 if cap is None else groups))
        self._columns = sizes.stop + int(cap is not None)
        self.weights = np.zeros(self._columns)
        rise: Floats = np.diag(task.steps.max(axis=0) / unit)
        racking, present, limit = task.racking / unit, task.present / unit, task.limit / unit
        rows = [(moves, self._to_be_whole), (moves, -self._to_be_whole), (moves, rise),
                (moves, -rise), (moves, -racking), (moves, racking)]  # fmt: skip
        table = [self._rows(row) for row in rows]
        right = [
            np.full(2 * len(self._to_be_whole), -np.inf), rise @ task.lowest,
            -rise @ task.highest, present - limit, -present - limit,
        ]  # fmt: skip
        box = 2 * len(self._to_be_whole)
        start = list(range(box, box + groups))
        if cap is None:
            self.weights[self._half] = 1.0
            if not task.free:  # a place's row alone needs the bounds that hold its moves back
                falls = task.influence[places[0]] < 0
                start = [row + groups * int(fall) for row, fall in zip(start, falls, strict=True)]
        else:
            self.weights[sizes], self.weights[-1] = (task.steps > 0).sum(axis=0), FARTHEST
            first = sum(map(len, table))
            start = [*range(first, first + 2 * groups + 1), first + 3 * groups]
            farthest = slice(self._columns - 1, None)
            table += [
                self._rows((moves, rise), (sizes, one)),
                self._rows((moves, -rise), (sizes, one)),
                self._rows((farthest, np.ones((groups, 1))), (sizes, -one)),
                self._rows((slice(self._half, self._half + 1), -np.ones((1, 1)))),
            ]
            right += [np.zeros(3 * groups), np.array([-cap / unit])]
        self.table, self.right = np.vstack(table), np.concatenate(right)
        # the places' rows fix the height, and the half zone where no cap does
        count = int(task.free) + int(cap is None)
        self._start = [*start, *range(len(self.table), len(self.table) + count)]
        self._take(self.places)

    def _rows(self, *parts: tuple[slice, Floats]) -> Floats:
        rows = np.zeros((len(parts[0][1]), self._columns))
        for columns, values in parts:
            rows[:, columns] = values
        return rows

    def _take(self, places: list[int]) -> None:
        """Add the rows that keep places within the half zone: above, then below, place by place."""
        seen = self.task.influence[places] / self.task.unit
        signs = np.tile((-1.0, 1.0), len(places))
        rows = np.zeros((2 * len(places), self._columns))
        rows[:, : seen.shape[1]] = signs[:, None] * np.repeat(seen, 2, axis=0)
        if self.task.free:
            rows[:, self._half - 1] = signs
        rows[:, self._half] = 1.0
        heights = np.repeat(self.task.heights[places] / self.task.unit, 2)
        self.table = np.vstack((self.table, rows))
        self.right = np.concatenate((self.right, -signs * heights))

    def _take_ends(self, moves: Floats) -> bool:
        """Take in the highest and the lowest place after these moves; tell if one is new."""
        after = self.task.heights + self.task.influence @ moves
        fresh = sorted({int(after.argmax()), int(after.argmin())}.difference(self.places))
        if fresh:
            self.places += fresh
            self._take(fresh)
        return bool(fresh)

    def _descend(self, right: Floats, basis: list[int], stop: float) -> tuple[Floats, float, bool]:
        """Exchange rows until all hold, or cannot, or the value reaches `stop`.

        Returns
        -------
        x : ndarray
            The variables.
        value : float
            Lower bound; infinite if the rows contradict each other.
        done : bool
            Whether all rows hold.
        """
        stalled, highest = 0, -np.inf
        for _ in range(_MOST_EXCHANGES):
            inverse = np.linalg.inv(self.table[basis])
            x = inverse @ right[basis]
            value = float(self.weights @ x)
            if value >= stop:
                break
            over = right - self.table @ x
            over[basis] = 0.0
            stalled = stalled + 1 if value <= highest else 0
            highest = max(highest, value)
            # after a long standstill by the order of the rows (Bland), which never runs in a circle
            patient = stalled < _PATIENCE
            enter = int(over.argmax()) if patient else int((over > _HOLDS).argmax())
            if over[enter] <= _HOLDS:
                return x, value, True
            along = self.table[enter] @ inverse
            rows = np.flatnonzero(along > _HOLDS)
            if not len(rows):
                return x, np.inf, False
            ratios = np.maximum(self.weights @ inverse[:, rows], 0.0) / along[rows]
            ties = rows[ratios <= ratios.min() + 1e-12]
            leave = ties[along[ties].argmax()] if patient else min(ties, key=basis.__getitem__)
            basis[int(leave)] = enter
        return x, value, False

    def relaxed(self) -> Solved | None:
        """Solve with moves of any amount, over all places; None if no moves meet the wishes."""
        basis = list(self._start)
        while True:
            x, value, _ = self._descend(self.right, basis, np.inf)
            if value == np.inf:
                return None
            moves = x[: len(self.task.lowest)]
            if not self._take_ends(moves):
                return Solved(moves, value * self.task.unit)

    def search(self, moves: Floats | None, slack: float, most: int) -> Found:
        """Search the best whole moves by branch and bound, depth first.

        Parameters
        ----------
        moves : ndarray or None
            Moves to be beaten.
        slack : float
            By more than this, mm.
        most : int
            Branches to look at, at most.
        """
        best, proven, branches = moves, True, 0
        goal = np.inf if best is None else self._goal(best, slack)
        open_ = np.full(len(self._to_be_whole), np.inf)
        waiting = [(-open_, open_, self._start, -np.inf)]
        while waiting:
            low, high, start, bound = waiting.pop()
            basis = list(start)
            while bound < goal:
                branches += 1
                if branches > most:
                    return Found(best, proven=False, branches=most)
                right = self.right.copy()
                right[: 2 * len(low)] = np.concatenate((low, -high))
                x, bound, done = self._descend(right, basis, goal)
                amounts = self._to_be_whole @ x[: len(self.task.lowest)]
                off = np.abs(amounts - np.rint(amounts))
                if bound < goal and (off > _WHOLE).any():
                    waiting += _halves(low, high, amounts, int(off.argmax()), basis, bound)
                    break
                if bound < goal:
                    found = np.rint(x[: len(self.task.lowest)])
                    if self._allows(found) and self._goal(found, slack) < goal:
                        best, goal = found, self._goal(found, slack)
                    if not self._take_ends(found):
                        proven = proven and done and self._allows(found)
                        break
        return Found(best, proven, branches)

    def _goal(self, moves: Floats, slack: float) -> float:
        """Give the value that would beat these moves, in units."""
        if self.cap is None:
            value = self.task.half(moves)
        else:
            rises = np.abs(self.task.steps @ moves)
            value = float(rises.sum() + FARTHEST * rises.max())
        return (value - slack) / self.task.unit

    def _allows(self, moves: Floats) -> bool:
        cap = np.inf if self.cap is None else self.cap + _WHOLE * self.task.unit
        return self.task.allows(moves) and self.task.half(moves) <= cap


_Branch = tuple[Floats, Floats, list[int], float]


def _halves(
    low: Floats, high: Floats, amounts: Floats, at: int, basis: list[int], bound: float
) -> list[_Branch]:
    """Part a branch below and above an amount that is not whole; the nearer one comes last."""
    below, above = high.copy(), low.copy()
    below[at], above[at] = np.floor(amounts[at]), np.ceil(amounts[at])
    halves = [(low, below, basis, bound), (above, high, basis, bound)]
    return halves if amounts[at] - below[at] > 0.5 else halves[::-1]


def _snapped(bounds: Floats) -> Floats:
    """Put bounds right that miss a whole number of steps by rounding only."""
    near = np.rint(bounds)
    return np.where(np.isclose(bounds, near, rtol=1e-12, atol=1e-9), near, bounds)
