"""Stages: an order of moves in which no lift leaves the others' plane by too much at any moment."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np

from level.influence import Influence
from probes.errors import RequestError
from probes.run import Floats, Ints

__all__ = ["MOST_STAGES", "Turn", "find_stages", "worst_racking"]

MOST_STAGES = 200
"""More turns of the screwdriver than this are no plan."""

_CLEAR_OF_BACKLASH = 2.0
"""Lowering goes on by so many times the backlash before it comes back up."""


_EQUAL_MM = 1e-9


@dataclass(frozen=True)
class Turn:
    """One turn of one lift, or of several that are moved at once.

    Attributes
    ----------
    lifts : tuple of int
        The lifts, counted from 0.
    counts : tuple of int
        Detents of each; negative lowers.
    beyond : tuple of float
        How far each goes on below its mark, to come back up to it, mm.
    """

    lifts: tuple[int, ...]
    counts: tuple[int, ...]
    beyond: tuple[float, ...]


def find_stages(
    influence: Influence,
    counts: Ints,
    steps: Floats,
    limit: float,
    *,
    names: Sequence[str],
    together: Sequence[Sequence[int]] = (),
    backlash: Floats | None = None,
) -> tuple[tuple[Turn, ...], ...]:
    """Cut a plan into stages, and find the order of turns in each.

    Parameters
    ----------
    influence : Influence
        How the lifts act.
    counts : ndarray of int, shape (lifts,)
        The whole plan in detents.
    steps : ndarray, shape (lifts,)
        Rise of one detent, mm.
    limit : float
        Largest racking after any single turn, mm, above zero.
    names : sequence of str
        What the lifts are called, for what is said when it cannot be done.
    together : sequence of sequences of int
        Lifts that are moved at once.
    backlash : ndarray, shape (lifts,), optional
        Play of each lift, mm. A lift that is lowered goes on below its mark in its last stage and
        comes back up, so that all end on the same flank.

    Returns
    -------
    tuple of tuple of Turn
        The stages; none for a plan without turns.

    Raises
    ------
    RequestError
        If the plan itself racks by more than the limit, one detent alone does, or more than 200
        stages would be needed.

    Notes
    -----
    Each stage brings all lifts to the same part of their way, in whole detents, so they stay near
    one plane. Within a stage the turn that racks least comes next. The fewest stages that keep to
    the limit are taken.
    """
    units = _units(np.asarray(counts), steps, together, backlash)
    if not units:
        return ()
    rows = np.column_stack([influence.racking(one) for one in np.eye(len(steps))])
    allowed = limit * (1 + 1e-9) + 1e-12
    whole = float(np.abs(rows @ (counts * steps)).max())
    if whole > allowed:
        raise RequestError(
            f"the plan itself racks the frame by {whole:.3f} mm, and {limit:.3f} mm is allowed; "
            "choose another reference, or finer detents"
        )
    most = max(max(abs(count) for count in unit.counts) for unit in units)
    for stages in range(1, min(MOST_STAGES, most) + 1):
        for part in (_equal_part, _nearest_part):
            plan = _walk(rows, units, steps, stages, allowed, part)
            if plan is not None:
                return plan
    _say_detent(rows, units, steps, limit, names)
    raise RequestError(
        f"even {MOST_STAGES} stages would rack the frame by more than {limit:g} mm on the way; "
        "level it roughly by hand first, or raise [limits] racking if it can bear more"
    )


def _units(
    counts: Ints, steps: Floats, together: Sequence[Sequence[int]], backlash: Floats | None
) -> list[Turn]:
    """Whole ways of the lifts, or groups of lifts, that turn."""
    play = np.zeros(len(steps)) if backlash is None else backlash
    grouped = {lift for group in together for lift in group}
    members = [tuple(group) for group in together]
    members += [(k,) for k in range(len(steps)) if k not in grouped]
    units = []
    for lifts in sorted(members):
        if any(counts[k] for k in lifts):
            beyond = tuple(_CLEAR_OF_BACKLASH * float(play[k]) * (counts[k] < 0) for k in lifts)
            units.append(Turn(lifts, tuple(int(counts[k]) for k in lifts), beyond))
    return units


def _walk(
    rows: Floats,
    units: list[Turn],
    steps: Floats,
    stages: int,
    allowed: float,
    part: Callable[[int, int, int], int],
) -> tuple[tuple[Turn, ...], ...] | None:
    """Make all turns in so many stages; None if one racks beyond what is allowed."""
    racking = np.zeros(len(rows))
    done = [np.zeros(len(unit.lifts), dtype=int) for unit in units]
    plan = []
    for stage in range(1, stages + 1):
        to_do = []
        for unit, far in zip(units, done, strict=True):
            goal = np.array([part(count, stage, stages) for count in unit.counts])
            if (goal != far).any():
                last = (goal == unit.counts).all()
                beyond = unit.beyond if last else (0.0,) * len(unit.lifts)
                to_do.append(Turn(unit.lifts, tuple(int(k) for k in goal - far), beyond))
                far[:] = goal
        turns = []
        while to_do:
            ends = [racking + _racking_of(rows, turn, steps) for turn in to_do]
            worst = [
                max(
                    float(np.abs(end).max()),
                    float(np.abs(end - _of(rows, turn.lifts, turn.beyond)).max()),
                )
                for turn, end in zip(to_do, ends, strict=True)
            ]
            # of equals the first, so that stages that are alike run alike
            best = next(k for k, value in enumerate(worst) if value <= min(worst) + _EQUAL_MM)
            if worst[best] > allowed:
                return None
            racking = ends[best]
            turns.append(to_do.pop(best))
        if turns:
            plan.append(tuple(turns))
    return tuple(plan)


def _equal_part(count: int, stage: int, stages: int) -> int:
    """Give the detents done after a stage: the same in each, and what is over in the last."""
    return count if stage == stages else stage * _nearest_part(count, 1, stages)


def _nearest_part(count: int, stage: int, stages: int) -> int:
    """Give the detents done after a stage: the nearest whole number, halves away from zero."""
    part = (2 * abs(count) * stage + stages) // (2 * stages)
    return part if count >= 0 else -part


def _racking_of(rows: Floats, turn: Turn, steps: Floats) -> Floats:
    return _of(
        rows, turn.lifts, [c * steps[k] for k, c in zip(turn.lifts, turn.counts, strict=True)]
    )


def _of(rows: Floats, lifts: Sequence[int], rises: Sequence[float]) -> Floats:
    racking: Floats = rows[:, list(lifts)] @ np.asarray(rises, dtype=np.float64)
    return racking


def _say_detent(
    rows: Floats, units: list[Turn], steps: Floats, limit: float, names: Sequence[str]
) -> None:
    for unit in units:
        least = [float(np.sign(c)) * steps[k] for k, c in zip(unit.lifts, unit.counts, strict=True)]
        alone = float(np.abs(_of(rows, unit.lifts, least)).max())
        if alone > limit:
            who = " and ".join(names[k] for k in unit.lifts)
            raise RequestError(
                f"one detent of {who} alone racks the frame by {alone:.3f} mm, and {limit:.3f} mm "
                "is allowed; turn more finely and say so with --detent, or raise [limits] racking "
                "if the frame can bear more"
            )


def worst_racking(
    influence: Influence, stages: Sequence[Sequence[Turn]], steps: Floats
) -> float:  # fmt: skip
    """Give the largest racking, mm, after any single turn of a plan."""
    rises, worst = np.zeros(len(steps)), 0.0
    for turn in (turn for stage in stages for turn in stage):
        for lift, count, beyond in zip(turn.lifts, turn.counts, turn.beyond, strict=True):
            rises[lift] += count * steps[lift] - beyond
        worst = max(worst, float(np.abs(influence.racking(rises)).max()))
        for lift, beyond in zip(turn.lifts, turn.beyond, strict=True):
            rises[lift] += beyond
        worst = max(worst, float(np.abs(influence.racking(rises)).max()))
    return worst
