"""Rounding: the best whole numbers of detents, rather than each rise rounded by itself.

The common height of all lifts is free where only parallelism counts. So the errors of rounding can
be played against each other: what matters is how far they differ, not how large they are. Over the
bed they also add to its shape, and the best counts are those that leave the least zone over the
places: a small mixed-integer linear program.

It is solved here, by branch and bound over a dual simplex method. SciPy's solver takes a hundred
times as long to import as this takes to answer, writes to standard output at times, and ended the
process on some of these programs (SciPy 1.17).

Only few places hold the zone. The program knows a few; whenever whole counts are found for them,
all places are looked at, and the highest and the lowest are taken in. Every such step but the last
takes in a place, so there is an end; what is best for some places, and holds for all, is best for
all.
"""

from dataclasses import dataclass, replace
from fractions import Fraction
from math import lcm
from typing import Any, Literal

import numpy as np
import numpy.typing as npt

from probes.errors import MachineError, RequestError, ShapeError
from probes.run import Floats, Ints

__all__ = ["CommonOffset", "Rounding", "Wishes", "common_offset", "round_for_bed"]

_ENOUGH = 1e-4
"""Zones closer than this, mm, are equal: no probe sees a tenth of a micrometre."""

_ALL_AT_ONCE = 64
"""Up to so many places, all are in the program from the start."""

_FARTHEST = 1e-3
"""Weight of the farthest rise beside the sum of all: it decides between equal sums only."""

_REACH = 1e3
"""No lift moves farther than this, mm; so every program has bounds."""

_HOLDS = 1e-9
"""A row holds if it misses by no more than this, in the program's unit."""

_WHOLE = 1e-7
"""A number of steps this near to a whole one is whole."""

_MOST_EXCHANGES, _PATIENCE = 2000, 100
"""Exchanges in a branch, and those without gain after which ties are broken another way; 26 and 17
were the most seen in two million branches of grids with equal heights."""

_MOST_NODES = 10_000
"""Branches to look at before the best so far is given, not proven: about a second."""

_MOST_DETENTS = 1000
"""Two detents that meet only after more of them than this have no common multiple."""


@dataclass(frozen=True, eq=False)
class CommonOffset:
    """Whole numbers of detents for lifts whose common height is free.

    Attributes
    ----------
    counts : ndarray of int, shape (lifts,)
        Detents of each lift; negative lowers.
    offset : float
        Common height added to all lifts, so that each is rounded from its own rise plus this;
        mm, or detents where no detents are given.
    spread : float
        Range of the errors (count times detent, less rise) over the lifts; same unit.
    naive : float
        Their range if each lift were rounded by itself.
    """

    counts: Ints
    offset: float
    spread: float
    naive: float


def common_offset(steps: npt.ArrayLike, *, detents: npt.ArrayLike | None = None) -> CommonOffset:
    """Round the lifts' rises with a common offset, so that the errors differ least.

    With one detent for all, each error can be placed anywhere by the offset, and only the fractions
    of the steps count. They lie on a circle; the offset cuts it in the largest gap, and the range
    of the errors is what is left of the circle, at most 1 - 1/N of a detent for N lifts. With
    unequal detents there is no circle. In both cases the lowest error belongs to one of the lifts,
    and then the other counts are the least that leave no error below it: so all lowest errors
    are tried, which is exact.

    Parameters
    ----------
    steps : array_like, shape (lifts,)
        Wanted rises, each in detents of its lift.
    detents : array_like, shape (lifts,), optional
        Rise of one detent of each lift, mm. Without it all are the same.

    Returns
    -------
    CommonOffset
        The best counts for all offsets up to one (the coarsest) detent; among equals those with
        the least offset. With equal detents more offset gains nothing; with unequal ones there
        may be a better sum farther away, and no end of them.

    Raises
    ------
    ShapeError
        If there is no step, one is not finite, or the numbers differ.
    RequestError
        If a detent is not above zero.

    Examples
    --------
    >>> best = common_offset([0, 1.45, 2.90, -1.30])
    >>> best.counts, round(best.spread, 2), round(best.naive, 2)
    (array([ 0,  2,  3, -1]), 0.55, 0.75)
    """
    wanted = _finite("steps", steps, 1)
    sizes = _detents(1.0 if detents is None else detents, len(wanted))
    rises, coarsest = wanted * sizes, float(sizes.max())
    whole = np.rint(wanted)  # apart, so that far rises lose nothing
    fractions = (wanted - whole) * sizes
    lows = np.concatenate(
        [
            size * np.arange(np.floor(-2 * coarsest / size), np.ceil(2 * coarsest / size) + 1)
            - part
            for size, part in zip(sizes, fractions, strict=True)
        ]
    )
    counts = np.ceil((fractions + lows[:, None]) / sizes - 1e-9)
    errors = counts * sizes - fractions
    ranges, offsets = np.ptp(errors, axis=1), (errors.max(axis=1) + errors.min(axis=1)) / 2
    near = np.flatnonzero(np.abs(offsets) <= coarsest * (1 + 1e-9))
    equal = near[ranges[near] <= ranges[near].min() + 1e-9 * coarsest]
    best = int(equal[np.abs(offsets[equal]).argmin()])
    return CommonOffset(
        counts=_read_only((counts[best] + whole).astype(np.intp)),
        offset=float(offsets[best]),
        spread=float(ranges[best]),
        naive=float(np.ptp(whole * sizes - rises)),
    )


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


@dataclass(frozen=True, eq=False)
class Rounding:
    """Whole numbers of detents that leave the least zone over the bed.

    Attributes
    ----------
    counts : ndarray of int, shape (lifts,)
        Detents of each lift; negative lowers.
    rises : ndarray, shape (lifts,)
        The same in mm.
    zone : float
        Range of the heights of all places after the turns, mm; with a wanted height, twice the
        largest departure from it.
    floor : float
        The same if lifts could be turned by any amount under the same wishes: the shape's share.
    naive : float or None
        The same if each lift's real rise were rounded by itself; None if that breaks a wish.
    proven : bool
        Whether no other whole numbers within reach leave a zone that is smaller by more than a
        tenth of a micrometre; False if the search was ended before.
    branches : int
        Branches looked at.
    """

    counts: Ints
    rises: Floats
    zone: float
    floor: float
    naive: float | None
    proven: bool
    branches: int

    @property
    def gain_of_finer(self) -> float:
        """What finer detents would take off the zone at most, mm; the floor is the shape's."""
        return self.zone - self.floor


def round_for_bed(
    heights: npt.ArrayLike,
    influence: npt.ArrayLike,
    detents: npt.ArrayLike,
    *,
    wishes: Wishes | None = None,
    rises: npt.ArrayLike | None = None,
) -> Rounding:
    """Find the whole numbers of detents that leave the least zone over the bed.

    Minimises the range of ``heights + influence @ (detents * counts)`` over the counts. Of plans
    that are equal to a tenth of a micrometre the one with the least total motion is given, and of
    those the one whose farthest lift moves least.

    More than three lifts under a rigid carriage need a racking limit: the influence does not see
    racking, and without a limit the search would bend the frame for the last micrometre. About one
    detent is enough for rounding to play with.

    Parameters
    ----------
    heights : array_like, shape (n,)
        Height of each place, mm.
    influence : array_like, shape (n, lifts)
        Change of each place's height for a unit rise of each lift, with its sign (lifts that carry
        the gantry lower what is read).
    detents : array_like, shape () or (lifts,)
        Rise of one detent of each lift, mm.
    wishes : Wishes, optional
        Limits, locks and what else is to be kept to.
    rises : array_like, shape (lifts,), optional
        Real rises, mm, that plain rounding is to start from; by default those of least total
        motion that leave the floor. The plan is never worse than what plain rounding gives.

    Returns
    -------
    Rounding
        The best plan in which no lift is sent farther than three times the farthest of the real
        rises and three (coarsest) detents more. Without such an end, unequal detents or racking
        without a limit could be played for ever finer sums, ever farther away.

    Raises
    ------
    ShapeError
        If there are no heights, one is not finite, or the shapes do not go together.
    MachineError
        If lifts move together whose detents have no common multiple.
    RequestError
        If a wish is none, or no whole numbers meet them all; the line says which to give up.

    References
    ----------
    A. H. Land, A. G. Doig, "An automatic method of solving discrete programming problems",
    Econometrica 28 (1960) 497-520: branch and bound. C. E. Lemke, "The dual method of solving the
    linear programming problem", Nav. Res. Logist. Q. 1 (1954) 36-47. J. E. Kelley, "The
    cutting-plane method for solving convex programs", J. SIAM 8 (1960) 703-712: few rows first.

    Examples
    --------
    Three lifts under three places, with detents of 0.1 mm. Each by itself they would be rounded
    to 0, 0 and 0, which leaves what is there.

    >>> best = round_for_bed([0, -0.045, 0.045], np.eye(3), 0.1)
    >>> best.counts, round(best.zone, 3), round(best.naive, 3), best.floor
    (array([ 0,  0, -1]), 0.055, 0.09, 0.0)
    """
    wishes = wishes or Wishes()
    asked = _Task.of(heights, influence, detents, wishes)
    program = _Program(asked.within(_REACH), asked.first_places)
    real = program.relaxed()
    if real is None:
        raise _refusal(heights, influence, detents, wishes)
    program = _Program(program.task, program.places, real.value + _ENOUGH / 100)
    least = asked.steps @ (program.relaxed() or real).moves
    wanted = least if rises is None else _finite("rises", rises, 1)
    if len(wanted) != len(least):
        raise ShapeError(f"there are {len(least)} lifts and {len(wanted)} rises; give one each")

    reach = 3 * float(np.abs((least, wanted)).max()) + 3 * float(asked.steps.max())
    task = asked.within(reach).whole
    plain = task.rounded(wanted)
    program = _Program(task, program.places)
    found = program.search(plain, _ENOUGH / 4)
    if found.moves is None:
        raise _refusal(heights, influence, detents, wishes)
    best, branches = found.moves, found.branches
    if task.steps.max() > _ENOUGH:
        cap = task.half(best) + _ENOUGH / 4
        if plain is not None:
            cap = min(cap, task.half(plain))
        slack = max(_ENOUGH / 100, _FARTHEST * float(task.steps.max(axis=0).min()) / 4)
        calmer = _Program(task, program.places, cap).search(best, slack)
        best = best if calmer.moves is None else calmer.moves
        branches += calmer.branches
    made, half = task.steps @ best, task.half(best)
    return Rounding(
        counts=_read_only(np.rint(made / task.detents).astype(np.intp)),
        rises=_read_only(made + 0.0),
        zone=2 * half,
        floor=2 * min(max(real.value, 0.0), half),
        naive=None if plain is None else 2 * task.half(plain),
        proven=found.proven,
        branches=branches,
    )


@dataclass(frozen=True, eq=False)
class _Task:
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
    ) -> "_Task":
        zs, matrix = _finite("heights", heights, 1), _finite("influence", influence, 2)
        lifts = matrix.shape[1]
        if len(matrix) != len(zs):
            raise ShapeError(f"{len(zs)} heights and {len(matrix)} rows of influence; give equal")
        sizes = _detents(detents, lifts)
        rows, present = _racking(wishes, lifts)
        low, high = _bounds(wishes, lifts)
        groups = _groups(wishes, lifts)
        steps = np.zeros((lifts, len(groups)))
        lowest, highest = np.empty(len(groups)), np.empty(len(groups))
        for at, group in enumerate(groups):
            members = list(group)
            step = _common_multiple(sizes[members], members)
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

    def within(self, reach: float) -> "_Task":
        """Give the task in which no lift goes farther than `reach`, mm."""
        most = reach / self.steps.max(axis=0)
        low, high = np.maximum(self.lowest, -most), np.minimum(self.highest, most)
        return replace(self, lowest=low, highest=high)

    @property
    def whole(self) -> "_Task":
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
class _Solved:
    """Moves in steps of each group, and what they were chosen for, mm: at the optimum its value."""

    moves: Floats
    value: float


@dataclass(frozen=True, eq=False)
class _Found:
    """The best whole moves, if any; whether every branch was looked at; and how many were."""

    moves: Floats | None
    proven: bool
    branches: int


class _Program:
    """A linear program over few places, and the search for its best whole numbers.

    Minimise ``weights @ x`` with ``table @ x >= right``. The variables are the moves, the common
    height where it is free, and the half zone, which is minimised. Where the half zone has a cap,
    mm, the size of each rise and the farthest rise follow, and their sum is minimised instead.

    As many rows as variables are in the basis and hold as equations; all their multipliers are zero
    or more, which makes the value a lower bound at any moment. The row that is violated most comes
    in for the one whose multiplier is first to reach zero: the dual simplex method. A branch only
    changes `right`, so its basis is where the next one starts.
    """

    def __init__(self, task: _Task, places: list[int], cap: float | None = None) -> None:
        self.task, self.places, self.cap = task, list(places), cap
        groups, unit = len(task.lowest), task.unit
        one = np.eye(groups)
        # what is to be whole: the moves; or, if all can shift together, how they differ
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
            self.weights[sizes], self.weights[-1] = (task.steps > 0).sum(axis=0), _FARTHEST
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

    def relaxed(self) -> _Solved | None:
        """Solve with moves of any amount, over all places; None if no moves meet the wishes."""
        basis = list(self._start)
        while True:
            x, value, _ = self._descend(self.right, basis, np.inf)
            if value == np.inf:
                return None
            moves = x[: len(self.task.lowest)]
            if not self._take_ends(moves):
                return _Solved(moves, value * self.task.unit)

    def search(
        self, moves: Floats | None, slack: float, most: int = _MOST_NODES
    ) -> _Found:  # fmt: skip
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
                    return _Found(best, proven=False, branches=most)
                right = self.right.copy()
                right[: 2 * len(low)] = np.concatenate((low, -high))
                x, bound, done = self._descend(right, basis, goal)
                amounts = self._to_be_whole @ x[: len(self.task.lowest)]
                off = np.abs(amounts - np.rint(amounts))
                if bound < goal and (off > _WHOLE).any():
                    waiting += _halves(low, high, amounts, int(off.argmax()), basis, bound)
                    break
                if bound < goal:
                    found = self._made_whole(x)
                    if self._allows(found) and self._goal(found, slack) < goal:
                        best, goal = found, self._goal(found, slack)
                    if not self._take_ends(found):
                        proven = proven and done and self._allows(found)
                        break
        return _Found(best, proven, branches)

    def _goal(self, moves: Floats, slack: float) -> float:
        """Give the value that would beat these moves, in units."""
        if self.cap is None:
            value = self.task.half(moves)
        else:
            rises = np.abs(self.task.steps @ moves)
            value = float(rises.sum() + _FARTHEST * rises.max())
        return (value - slack) / self.task.unit

    def _allows(self, moves: Floats) -> bool:
        cap = np.inf if self.cap is None else self.cap + _WHOLE * self.task.unit
        return self.task.allows(moves) and self.task.half(moves) <= cap

    def _made_whole(self, x: Floats) -> Floats:
        """Give the whole moves; those that shift together, by a whole step within their bounds."""
        moves = x[: len(self.task.lowest)]
        if len(self._to_be_whole) == len(moves):
            return np.rint(moves)
        apart = np.rint(moves - moves[0])
        least = float((self.task.lowest - apart).max())
        most = float((self.task.highest - apart).min())
        shifted: Floats = apart + min(max(float(np.rint(moves[0])), least), most)
        return shifted


_Branch = tuple[Floats, Floats, list[int], float]


def _halves(
    low: Floats, high: Floats, amounts: Floats, at: int, basis: list[int], bound: float
) -> list[_Branch]:
    """Part a branch below and above an amount that is not whole; the nearer one comes last."""
    below, above = high.copy(), low.copy()
    below[at], above[at] = np.floor(amounts[at]), np.ceil(amounts[at])
    halves = [(low, below, basis, bound), (above, high, basis, bound)]
    return halves if amounts[at] - below[at] > 0.5 else halves[::-1]


def _refusal(
    heights: npt.ArrayLike, influence: npt.ArrayLike, detents: npt.ArrayLike, wishes: Wishes
) -> RequestError:
    """Say which wish would have to be given up."""
    parts = wishes.given_up()

    def possible(fewer: Wishes) -> bool:
        task = _Task.of(heights, influence, detents, fewer).within(_REACH).whole
        # any plan will do
        return _Program(task, [0]).search(None, _REACH, most=1000).moves is not None

    enough = [name for name, fewer in parts.items() if possible(fewer)]
    names = " or ".join(enough) or "more than one of " + ", ".join(parts)
    task = _Task.of(heights, influence, detents, wishes).within(_REACH)
    finer = "" if _Program(task, [0]).relaxed() is None else ", or take finer detents"
    return RequestError(
        f"no whole numbers of detents were found that meet all wishes; give up {names}{finer}"
    )


def _finite(name: str, values: npt.ArrayLike, dimensions: int) -> Floats:
    array = np.asarray(values, dtype=np.float64)
    if array.ndim != dimensions or not array.size:
        kind = "one value each" if dimensions == 1 else "a row for each place, a column a lift"
        raise ShapeError(f"{name} have the shape {array.shape}; give {kind}")
    if not np.isfinite(array).all():
        raise ShapeError(f"{name} hold a value that is not finite; leave that out")
    return array


def _detents(detents: npt.ArrayLike, lifts: int) -> Floats:
    sizes = np.asarray(detents, dtype=np.float64)
    if sizes.ndim > 1 or sizes.size not in (1, lifts):
        raise ShapeError(f"there are {lifts} lifts and {sizes.size} detents; give one each")
    if not (np.isfinite(sizes) & (sizes > 0)).all():
        raise RequestError("a detent must raise its lift by a number of mm above zero")
    return np.array(np.broadcast_to(sizes, lifts))


def _racking(wishes: Wishes, lifts: int) -> tuple[Floats, Floats]:
    if not wishes.racking_limit >= 0:
        raise RequestError(f"racking limit {wishes.racking_limit:g}: must be zero or more, in mm")
    if wishes.racking is None or wishes.racking_limit == np.inf:
        return np.zeros((0, lifts)), np.zeros(0)
    rows = _finite("racking rows", wishes.racking, 2)
    present = np.asarray(wishes.racking_present, dtype=np.float64)
    if rows.shape[1] != lifts or present.ndim > 1 or present.size not in (1, len(rows)):
        raise ShapeError(
            f"racking rows of shape {rows.shape} with {present.size} present do not go with "
            f"{lifts} lifts; give a column a lift, and what is present for each row"
        )
    if not np.isfinite(present).all():
        raise RequestError("the racking that is present must be a finite number of mm")
    return rows, np.array(np.broadcast_to(present, len(rows)))


def _bounds(wishes: Wishes, lifts: int) -> tuple[Floats, Floats]:
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
    for lift in _known(wishes.locked, lifts):
        low[lift], high[lift] = max(low[lift], 0.0), min(high[lift], 0.0)
    return low, high


def _groups(wishes: Wishes, lifts: int) -> list[tuple[int, ...]]:
    groups = [tuple(_known(group, lifts)) for group in wishes.together if group]
    named = [lift for group in groups for lift in group]
    if len(set(named)) < len(named):
        raise RequestError("a lift is named twice among those that move together; name it once")
    return groups + [(lift,) for lift in range(lifts) if lift not in named]


def _known(lifts: tuple[int, ...], count: int) -> tuple[int, ...]:
    for lift in lifts:
        if not 0 <= lift < count:
            raise RequestError(f"there is no lift {lift}; they are counted from 0 to {count - 1}")
    return lifts


def _common_multiple(sizes: Floats, members: list[int]) -> float:
    """Least rise, mm, that is a whole number of detents for each of the lifts."""
    ratios = [Fraction(float(size / sizes[0])).limit_denominator(_MOST_DETENTS) for size in sizes]
    step = Fraction(
        lcm(*(ratio.numerator for ratio in ratios)),
        int(np.gcd.reduce([ratio.denominator for ratio in ratios])),
    ) * Fraction(float(sizes[0]))
    counts = float(step) / sizes
    if counts.max() > _MOST_DETENTS or np.abs(counts - np.rint(counts)).max() > 1e-9:
        said = ", ".join(f"{size:g}" for size in sizes)
        raise MachineError(
            f"lifts {', '.join(str(member + 1) for member in members)} move together, but their "
            f"detents of {said} mm have no common multiple; correct their drives or detents"
        )
    return float(step)


def _snapped(bounds: Floats) -> Floats:
    """Put bounds right that miss a whole number of steps by rounding only."""
    near = np.rint(bounds)
    return np.where(np.isclose(bounds, near, rtol=1e-12, atol=1e-9), near, bounds)


def _read_only(values: Any) -> Any:
    array = np.array(values)
    array.flags.writeable = False
    return array
