"""Stages: moves cut into stages so small that no lift leaves the others' plane by too much."""

from collections.abc import Sequence

import numpy as np

from level.influence import Influence
from probes.errors import RequestError
from probes.run import Floats

__all__ = ["MOST_STAGES", "stages_needed", "worst_racking"]

MOST_STAGES = 200
"""More turns of the screwdriver than this are no plan."""


def worst_racking(
    influence: Influence, rises: Sequence[float] | Floats, stages: int = 1
) -> float:  # fmt: skip
    """Give the largest racking, mm, at any moment of a plan.

    Parameters
    ----------
    influence : Influence
        How the lifts act.
    rises : array_like, shape (lifts,)
        The whole moves, mm, in the order of turning.
    stages : int
        Equal stages; in each, the lifts move one after the other by their part.
    """
    moving = np.asarray(rises, dtype=np.float64)
    # racking after each single move of the first stage, for whole moves
    steps = np.array(
        [influence.racking(part) for part in np.tril(np.tile(moving, (len(moving), 1)))]
    )
    left = steps[-1]
    # what a stage leaves behind adds up evenly, so the first and the last stage are the extremes
    first, last = np.abs(steps), np.abs(steps + (stages - 1) * left)
    return float(max(first.max(), last.max())) / stages


def stages_needed(influence: Influence, rises: Sequence[float] | Floats, limit: float) -> int:
    """Give the number of equal stages that keep the racking of every single move within a limit.

    Parameters
    ----------
    influence : Influence
        How the lifts act.
    rises : array_like, shape (lifts,)
        The whole moves, mm, in the order of turning.
    limit : float
        Largest racking at any moment, mm, above zero.

    Returns
    -------
    int
        1 or more, and no more than `MOST_STAGES`.

    Raises
    ------
    RequestError
        If it would take more, or no number is enough because the plan itself racks by more.

    Notes
    -----
    A stage moves every lift by the same part of its whole move, so racking is back to that of the
    whole plan's same part after each: for a plan without racking, to none.
    """
    moving = np.asarray(rises, dtype=np.float64)
    if not influence.can_rack or not moving.any():
        return 1
    for stages in range(1, MOST_STAGES + 1):
        if worst_racking(influence, moving, stages) <= limit * (1 + 1e-9):
            return stages
    raise RequestError(
        f"even {MOST_STAGES} stages would rack the frame by more than {limit:g} mm on the way; "
        "level it roughly by hand first, or raise [limits] racking if it can bear more"
    )
