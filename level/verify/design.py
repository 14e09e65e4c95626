"""Trial designs: where the lifts stand at each probing, so that the gains come out best.

A drive that is to be tried may be reversed, or its plug may be another's. So every design keeps
the racking within its limit whichever lifts really move, and whichever way.
"""

from dataclasses import dataclass
from typing import Literal

import numpy as np

from level.influence import Influence, racking_limit
from level.machine import Machine
from probes.run import Floats

__all__ = [
    "LARGEST",
    "Design",
    "designs",
    "gain_sigmas",
    "play_steps",
    "safe_rise",
]

LARGEST = 0.5
"""Largest rise of one lift in a trial, mm: a bed tilted by more may touch the nozzle. Common
practice, no source."""


@dataclass(frozen=True, eq=False)
class Design:
    """Where the lifts stand at each probing, in units of the rise.

    Attributes
    ----------
    kind : {"one by one", "weighing"}
        Each lift up and back alone; or all lifts up or down at once in patterns.
    first : ndarray, shape (0 or 1, lifts)
        Before all rounds.
    round : ndarray, shape (probings, lifts)
        In each round.
    cap : float
        Largest rise that is safe, mm.
    racking : float
        Largest racking for a unit rise, whichever lifts move and whichever way, mm/mm.
    """

    kind: Literal["one by one", "weighing"]
    first: Floats
    round: Floats
    cap: float
    racking: float

    def stands(self, rounds: int) -> Floats:
        """Where the lifts stand at all probings, shape (probings, lifts)."""
        return np.vstack((self.first, *[self.round] * rounds))


def safe_rise(machine: Machine, influence: Influence, largest: float = LARGEST) -> float:
    """Give how far one lift may be moved alone, whichever it really is, either way, mm.

    Parameters
    ----------
    machine : Machine
        The machine.
    influence : Influence
        How its lifts act.
    largest : float
        Not farther than this, mm.

    Examples
    --------
    One of four alone racks by a quarter of its rise:

    >>> from level.influence import find_influence
    >>> from level.scenario import demo_machine
    >>> safe_rise(demo_machine(), find_influence(demo_machine()))
    0.4
    """
    alone = float(np.abs(_racking(influence)).max())
    return min(largest, racking_limit(machine, influence) / max(alone, _NO_RACKING))


def play_steps(machine: Machine, take_up: float) -> Floats:
    """Give how far each lift goes past its mark, mm: `take_up`, in whole detents, rounded up."""
    detents = np.array([lift.smallest_turn * lift.travel for lift in machine.lifts])
    steps: Floats = np.ceil(take_up / detents - 1e-9) * detents
    return steps


def designs(
    machine: Machine, influence: Influence, *, largest: float, past: float
) -> tuple[Design, ...]:
    """Give the designs that the frame bears.

    Parameters
    ----------
    machine : Machine
        The machine.
    influence : Influence
        How its lifts act.
    largest : float
        No lift goes farther from where it stood, mm.
    past : float
        How far a lift that comes down goes past its mark, mm.

    Returns
    -------
    tuple of Design
        None, where going past a mark alone is too much.

    Notes
    -----
    With four lifts or more, patterns of all lifts rack the frame four times as much as one lift
    alone or worse, if plugs and signs may be wrong. What they gain by weighing is then lost by
    smaller rises; three lifts never rack, and gain.
    """
    lifts, limit = len(machine.lifts), racking_limit(machine, influence)
    racking = np.abs(_racking(influence))
    found = []
    alone = float(racking.max())
    cap = min(largest, limit / max(alone, _NO_RACKING))
    if past <= cap:
        found.append(Design("one by one", np.zeros((1, lifts)), np.eye(lifts), cap, alone))
    # all lifts a unit off, each up or down: the worst signs for the worst lift
    together = float(racking.sum(axis=1).max())
    # while one comes down past its mark, the others stand at theirs
    cap = min(largest, limit / max(together, _NO_RACKING) - past)
    if cap > 0 and lifts > 1:
        signs = _signs(lifts)
        found.append(Design("weighing", signs[:0], signs, cap, together))
    return tuple(found)


def gain_sigmas(stands: Floats, per_unit: Floats, noise: Floats) -> Floats:
    """Give the standard deviations of the gains, for lifts that stand so at each probing.

    Parameters
    ----------
    stands : ndarray, shape (probings, lifts)
        Where they stand, mm.
    per_unit : ndarray, shape (ways, lifts)
        Change of each way for a unit rise.
    noise : ndarray, shape (ways, ways)
        Covariance of the ways in one probing, mm².

    Returns
    -------
    ndarray, shape (lifts,)
        Infinite for a lift that does not show. Each probing also holds what the bed is without
        any move, which is not known either.
    """
    ways, lifts = per_unit.shape
    sure = np.linalg.inv(noise)
    information = np.zeros((ways + lifts, ways + lifts))
    for stand in stands:
        seen = np.hstack((np.eye(ways), per_unit * stand))
        information += seen.T @ sure @ seen
    sizes, basis = np.linalg.eigh(information)
    kept = sizes > 1e-12 * sizes[-1]
    variances = (basis[:, kept] ** 2 / sizes[kept]).sum(axis=1)[ways:]
    hidden = (basis[:, ~kept] ** 2).sum(axis=1)[ways:] > 1e-9
    return np.where(hidden, np.inf, np.sqrt(variances))


_NO_RACKING = 1e-9


def _racking(influence: Influence) -> Floats:
    """Racking at each lift (row) for a unit rise of each (column)."""
    racking = np.column_stack(
        [influence.racking(unit) for unit in np.eye(len(influence.positions))]
    )
    racking[np.abs(racking) < _NO_RACKING] = 0.0  # rounding of the computer's own
    return racking


def _signs(lifts: int) -> Floats:
    """Up and down of the lifts at each probing: Hadamard's patterns where there are any.

    With a column of ones for the bed itself, the patterns are to be as unlike as can be: the
    determinant is the largest possible for 1, 3 and 7 lifts (Hadamard 1893), and else that of
    all up, and then each down in turn.
    """
    signs = np.ones((1, 1))
    while len(signs) < lifts + 1:
        signs = np.block([[signs, signs], [signs, -signs]])
    if len(signs) == lifts + 1:
        return signs[:, 1:]
    return np.vstack((np.ones(lifts), 1 - 2 * np.eye(lifts)))
