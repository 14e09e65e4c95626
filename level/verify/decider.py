"""The decider: the one further move that tells explanations apart which the trials do not."""

from dataclasses import dataclass
from typing import Literal

import numpy as np
import numpy.typing as npt

from level.verify.changes import Changes
from probes.run import Floats

__all__ = ["Decider", "Look", "find_decider"]

Flags = npt.NDArray[np.bool_]
Look = Literal["probe", "lifts", "dial"]

_BY_EYE, _BY_DIAL = 0.5, 0.05
"""Gains that differ by more than this are told by looking at the lift, and by a dial indicator."""

_PLAIN = 16.0
"""Chi-square between two explanations from which a probing tells them apart: four sigmas."""


@dataclass(frozen=True)
class Decider:
    """A move that would decide.

    Attributes
    ----------
    lift : str
        The one lift to command, alone.
    rise : float
        How far, mm, + = up; within the racking limit, whichever lift it really moves.
    look : {"probe", "lifts", "dial"}
        How to look: probing before and after it tells; or only the lifts themselves do, by eye
        (which one moves, and which way) or with a dial indicator (how far).
    expected : tuple of dict of str to float
        For each explanation, how far each lift would rise, mm; lifts that stay are left out.
    decides : bool
        Whether it tells all of them apart; else as many as one move can.
    """

    lift: str
    rise: float
    look: Look
    expected: tuple[dict[str, float], ...]
    decides: bool


def find_decider(
    effects: Floats, changes: Changes, names: tuple[str, ...], rise: float
) -> Decider | None:
    """Find the move that best tells explanations apart.

    Parameters
    ----------
    effects : ndarray, shape (explanations, drives, lifts)
        Rise of each lift for a unit commanded at each drive, best explanation first.
    changes : Changes
        What probing shows, and how surely.
    names : tuple of str
        The lifts.
    rise : float
        How far one lift may be moved alone, mm.

    Returns
    -------
    Decider or None
        None if no single move shows any difference.
    """
    count = len(effects)
    first, second = np.triu_indices(count, 1)
    apart = effects[first] - effects[second]
    by_lift = np.abs(apart).max(axis=2)
    ways: list[tuple[Look, Flags]] = [("lifts", by_lift > _BY_EYE), ("dial", by_lift > _BY_DIAL)]
    if changes.covariance.size:
        size = len(changes.per_unit)
        sure = np.linalg.pinv(changes.covariance[:size, :size])
        shown = rise * (apart @ changes.per_unit.T)
        ways.insert(0, ("probe", np.einsum("pja,ab,pjb->pj", shown, sure, shown) > _PLAIN))
    # what tells the best explanation from the others comes first, then what tells any two apart
    scores = [told.sum(axis=0) + count * told[first == 0].sum(axis=0) for _, told in ways]
    best = max(int(score.max()) for score in scores)
    if best == 0:
        return None
    way = next(k for k, score in enumerate(scores) if score.max() == best)
    at = int(scores[way].argmax())
    look, told = ways[way]
    return Decider(
        lift=names[at],
        rise=rise,
        look=look,
        expected=tuple(
            {
                name: float(rise * effect)
                for name, effect in zip(names, each[at], strict=True)
                if effect
            }
            for each in effects
        ),
        decides=bool(told[:, at].all()),
    )
