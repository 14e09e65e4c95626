"""Stages: moves cut into rounds so small that no lift leaves the others' plane by too much."""

import math
from collections.abc import Sequence

import numpy as np

from level.influence import Influence
from probes.run import Floats

__all__ = ["MOST_ROUNDS", "rounds_needed", "worst_racking"]

MOST_ROUNDS = 1000


def worst_racking(influence: Influence, rises: Sequence[float] | Floats) -> float:
    """Give the largest racking, mm, at any moment while the lifts move one after the other."""
    moving = np.asarray(rises, dtype=np.float64)
    done = np.zeros(len(moving))
    worst = 0.0
    for k, rise in enumerate(moving):
        done[k] = rise
        worst = max(worst, float(np.abs(influence.racking(done)).max()))
    return worst


def rounds_needed(influence: Influence, rises: Sequence[float] | Floats, limit: float) -> int:
    """Give the number of equal rounds that keep the racking of every single move within a limit.

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
        1 or more, and no more than `MOST_ROUNDS`.

    Notes
    -----
    A round moves every lift by the same part of its whole move, so racking is back to that of the
    whole plan's same part after each: for a plan without racking, to none.
    """
    moving = np.asarray(rises, dtype=np.float64)
    if not influence.can_rack or not moving.any():
        return 1
    return min(MOST_ROUNDS, max(1, math.ceil(worst_racking(influence, moving) / limit - 1e-9)))
