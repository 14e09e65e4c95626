"""Rounding: the best whole numbers of detents, rather than each rise rounded by itself.

The common height of all lifts is free where only parallelism counts. So the errors of rounding can
be played against each other: what matters is how far they differ, not how large they are. Over the
bed they also add to its shape, and the best counts are those that leave the least zone over the
places: a small mixed-integer linear program (`level.program`).
"""

from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from level.program import ENOUGH, FARTHEST, MOST_NODES, REACH, Program, Task
from level.wishes import Wishes, detent_sizes, finite_array
from probes.errors import RequestError, ShapeError
from probes.run import Floats, Ints

__all__ = ["CommonOffset", "Rounding", "Wishes", "common_offset", "round_for_bed"]


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
    wanted = finite_array("steps", steps, 1)
    sizes = detent_sizes(1.0 if detents is None else detents, len(wanted))
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
    asked = Task.of(heights, influence, detents, wishes)
    program = Program(asked.within(REACH), asked.first_places)
    real = program.relaxed()
    if real is None:
        raise _refusal(heights, influence, detents, wishes)
    program = Program(program.task, program.places, real.value + ENOUGH / 100)
    least = asked.steps @ (program.relaxed() or real).moves
    wanted = least if rises is None else finite_array("rises", rises, 1)
    if len(wanted) != len(least):
        raise ShapeError(f"there are {len(least)} lifts and {len(wanted)} rises; give one each")

    reach = 3 * float(np.abs((least, wanted)).max()) + 3 * float(asked.steps.max())
    task = asked.within(reach).whole
    plain = task.rounded(wanted)
    program = Program(task, program.places)
    found = program.search(plain, ENOUGH / 4, MOST_NODES)
    if found.moves is None:
        raise _refusal(heights, influence, detents, wishes)
    best, branches = found.moves, found.branches
    if task.steps.max() > ENOUGH:
        cap = task.half(best) + ENOUGH / 4
        if plain is not None:
            cap = min(cap, task.half(plain))
        slack = max(ENOUGH / 100, FARTHEST * float(task.steps.max(axis=0).min()) / 4)
        calmer = Program(task, program.places, cap).search(best, slack, MOST_NODES)
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


def _refusal(
    heights: npt.ArrayLike, influence: npt.ArrayLike, detents: npt.ArrayLike, wishes: Wishes
) -> RequestError:
    """Say which wish would have to be given up."""
    parts = wishes.given_up()

    def possible(fewer: Wishes) -> bool:
        task = Task.of(heights, influence, detents, fewer).within(REACH).whole
        # any plan will do
        return Program(task, [0]).search(None, REACH, MOST_NODES // 10).moves is not None

    enough = [name for name, fewer in parts.items() if possible(fewer)]
    names = " or ".join(enough) or "more than one of " + ", ".join(parts)
    task = Task.of(heights, influence, detents, wishes).within(REACH)
    finer = "" if Program(task, [0]).relaxed() is None else ", or take finer detents"
    return RequestError(
        f"no whole numbers of detents were found that meet all wishes; give up {names}{finer}"
    )


def _read_only(values: Any) -> Any:
    array = np.array(values)
    array.flags.writeable = False
    return array
