"""Stages: moves cut into stages so small that no lift leaves the others' plane by too much."""

import math
from collections.abc import Sequence

import numpy as np

from level.influence import Influence
from probes.errors import RequestError
from probes.run import Floats

__all__ = ["MOST_STAGES", "stages_needed", "worst_racking"]

MOST_STAGES = 200
"""More turns of the screwdriver than this are no plan."""


def worst_racking(influence: Influence, rises: Sequence[float] | Floats) -> float:
    """Give the largest racking, mm, at any moment while the lifts move one after the other."""
    moving = np.asarray(rises, dtype=np.float64)
    done = np.zeros(len(moving))
    worst = 0.0
    for k, rise in enumerate(moving):
        done[k] = rise
        worst = max(worst, float(np.abs(influence.racking(done)).max()))
    return worst


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
        If it would take more.

    Notes
    -----
    A stage moves every lift by the same part of its whole move, so racking is back to that of the
    whole plan's same part after each: for a plan without racking, to none.
    """
    moving = np.asarray(rises, dtype=np.float64)
    if not influence.can_rack or not moving.any():
        return 1
    stages = max(1, math.ceil(worst_racking(influence, moving) / limit - 1e-9))
    if stages > MOST_STAGES:
        raise RequestError(
            f"the turns would take {stages:,} stages to keep racking under {limit:g} mm; level the "
            "frame roughly by hand first, or raise [limits] racking if it can bear more"
        )
    return stages
