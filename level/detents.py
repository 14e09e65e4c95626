"""Detents: the whole numbers of smallest turns that come nearest to what is asked."""

from dataclasses import dataclass
from typing import Literal, cast

import numpy as np
import numpy.typing as npt

from level.aim import same_rises
from level.case import Case
from level.influence import Influence
from level.machine import Machine
from level.request import KEEP_CENTRE, LEAST_MOTION, LOWER_ONLY, RAISE_ONLY
from probes.run import Floats, Ints

__all__ = ["Setting", "detent_rises", "set_detents", "short_of_room"]

_FINE_MM = 4e-3
"""Where rounding each lift by itself tilts the bed by no more than this, none better is sought:
no probe would tell."""


_LASTING = 0.5
"""Part of the racking that is allowed at any moment which rounding may leave behind for good."""


@dataclass(frozen=True, eq=False)
class Setting:
    """What the lifts are set to.

    Attributes
    ----------
    counts : ndarray of int, shape (lifts,)
        Detents of each lift, + = up.
    rises : ndarray, shape (lifts,)
        The same in mm.
    proven : bool
        Whether no other counts are better; true as well where rounding does not matter.
    """

    counts: Ints
    rises: Floats
    proven: bool


def detent_rises(machine: Machine, detent: float | None = None) -> Floats:
    """Give the rise of one detent of each lift, mm."""
    return np.array([(detent or lift.smallest_turn) * lift.travel for lift in machine.lifts])


def set_detents(case: Case, rises: Floats, left: frozenset[int]) -> Setting:
    """Find the best whole numbers of detents.

    Parameters
    ----------
    case : Case
        What is known and asked.
    rises : ndarray, shape (lifts,)
        What is asked of the lifts, mm.
    left : frozenset of int
        Lifts that are not to be turned, counted from 0.

    Returns
    -------
    Setting
        Aiming at the least-squares plane: the counts that leave the least tilt over the rectangle
        of the places. At the minimum zone: those that leave the least height range over the places.

    Raises
    ------
    RequestError
        If no counts keep to the wishes and the racking limit.
    """
    machine, influence, request, limit = case.machine, case.influence, case.request, case.limit
    steps = detent_rises(machine, request.detent)
    names = [lift.name for lift in machine.lifts]
    fixed = {names.index(name) for name in request.locked} | left
    if request.reference in names:
        fixed.add(names.index(request.reference))
    wanted = np.where([k in fixed for k in range(len(names))], 0.0, rises)
    groups = same_rises(machine, request)
    if request.corners:
        # coarse detents are not to twist the frame by more than it was asked to be
        limit = min(limit, float(np.abs(influence.racking(rises)).max())) / _LASTING
    x, y, heights = _targets(case, rises)
    acts = influence.sign * influence.at(x, y)
    lowest, highest = _rooms(machine)
    plain = np.rint(wanted / steps)
    if request.reference == RAISE_ONLY:
        lowest = np.maximum(lowest, 0.0)
    elif request.reference == LOWER_ONLY:
        highest = np.minimum(highest, 0.0)
    if _will_do(influence, acts, plain * steps, wanted, groups, (lowest, highest, limit)):
        return Setting(plain.astype(np.intp), plain * steps, proven=True)
    from level.rounding import Wishes, common_offset, round_for_bed

    if request.corners and not fixed and not groups and request.reference == LEAST_MOTION:
        # the lifts themselves are the spots: the errors of rounding are all there is
        best = common_offset(rises / steps, detents=steps)
        made = best.counts * steps
        if _is_allowed(influence, made, groups, (lowest, highest, limit)):
            return Setting(best.counts, made, proven=True)
    one_way = request.reference in (RAISE_ONLY, LOWER_ONLY)
    way = cast(
        "Literal['either', 'raise-only', 'lower-only']", request.reference if one_way else "either"
    )
    found = round_for_bed(
        heights,
        acts,
        steps,
        rises=wanted,
        wishes=Wishes(
            direction=way,
            locked=tuple(sorted(fixed)),
            lowest=lowest,
            highest=highest,
            together=tuple(tuple(group) for group in groups),
            racking=_racking_rows(influence) if influence.can_rack else None,
            racking_limit=limit * _LASTING,
            height=0.0 if request.reference == KEEP_CENTRE else None,
        ),
    )
    return Setting(found.counts, found.rises, found.proven)


def short_of_room(
    machine: Machine, rises: Floats, setting: Setting, detent: float | None
) -> npt.NDArray[np.bool_]:
    """Tell which lifts stand at the end of their room, more than a detent short of their rise."""
    steps = detent_rises(machine, detent)
    lowest, highest = _rooms(machine)
    made = setting.rises
    if np.ptp(made - rises) <= 2 * steps.max():
        return np.zeros(len(steps), dtype=bool)  # all are as much higher or lower: nothing lacks
    up = (rises - made > steps) & (made + steps > highest + 1e-9)
    down = (made - rises > steps) & (made - steps < lowest - 1e-9)
    return up | down


def _targets(case: Case, rises: Floats) -> tuple[Floats, Floats, Floats]:
    """Spots that are to come to one height, and their heights now."""
    influence, places, request = case.influence, case.places, case.request
    if request.objective == "minimum-zone":
        return places.x, places.y, places.z - places.z.mean()
    if request.corners:
        x, y = influence.positions.T
    else:
        # a plane is farthest off at the corners
        x = np.array([places.x.min(), places.x.max()])[[0, 1, 1, 0]]
        y = np.array([places.y.min(), places.y.max()])[[0, 0, 1, 1]]
    return x, y, -influence.change(x, y, rises)


def _will_do(
    influence: Influence,
    acts: Floats,
    plain: Floats,
    wanted: Floats,
    groups: list[list[int]],
    limits: tuple[Floats, Floats, float],
) -> bool:
    """Tell whether rounding each lift by itself costs next to nothing and breaks nothing."""
    costs = float(np.ptp(acts @ (plain - wanted)))
    return costs <= _FINE_MM and _is_allowed(influence, plain, groups, limits)


def _is_allowed(
    influence: Influence,
    made: Floats,
    groups: list[list[int]],
    limits: tuple[Floats, Floats, float],
) -> bool:
    """Tell whether rises keep to the rooms, the groups and the racking limit."""
    lowest, highest, limit = limits
    roomy = bool((made >= lowest - 1e-9).all() and (made <= highest + 1e-9).all())
    apart = any(np.ptp(made[group]) > 1e-9 for group in groups)
    racks = float(np.abs(influence.racking(made)).max()) > limit * _LASTING
    return roomy and not apart and not racks


def _rooms(machine: Machine) -> tuple[Floats, Floats]:
    """How far each lift can go down and up, mm; without end where the machine file does not say."""
    down = [-np.inf if lift.room_down is None else -lift.room_down for lift in machine.lifts]
    up = [np.inf if lift.room_up is None else lift.room_up for lift in machine.lifts]
    return np.array(down), np.array(up)


def _racking_rows(influence: Influence) -> Floats:
    return np.column_stack([influence.racking(one) for one in np.eye(len(influence.positions))])
