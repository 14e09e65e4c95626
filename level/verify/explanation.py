"""Explanations: what each drive may do when it is commanded, and how likely that is beforehand.

An explanation says of every drive which lift it moves and by how much: as told, reversed, not at
all, by a ratio of leads or step counts, by an unknown gain, or in a way that no lift of this
machine would. No drive's gain is exactly its nominal one, nor does a lift carry exactly where the
machine file says, and the play of a screw is lost when it turns back. Small faults of these kinds
are allowed to every drive, so that large moves and a fine probe do not make a good machine look
faulty.

The prior is simple. A good drive has weight 1; each fault multiplies the explanation by its
weight below, and the same fault again on another drive by more than that, for it often has one
cause. Shares are of all explanations that were weighed.
"""

from dataclasses import dataclass
from typing import Literal

import numpy as np

from probes.run import Floats, Ints

__all__ = [
    "BACKWARDS",
    "GOOD",
    "LOOSE_PLACE",
    "LOOSE_SHARE",
    "MISPLACED",
    "PLAY",
    "RATIOS",
    "UNKNOWN_GAIN",
    "WAYS",
    "Kind",
    "Way",
    "left_over",
    "log_prior",
    "log_prior_alone",
]

Kind = Literal["good", "stuck", "ratio", "unknown", "odd"]

_FIFTHS = (1.0, 5 / 4, 8 / 5)
RATIOS = tuple(
    sorted(
        ratio
        for power in range(-3, 5)
        for ratio in (fifth * 2.0**power for fifth in _FIFTHS)
        if 1 / 8 <= ratio <= 16 and ratio != 1
    )
)
"""Gains that come from a wrong lead or step count: leads of 1, 2, 4, 5, 8, 10 or 16 mm taken for
one another, 200 steps for 400, microsteps by powers of two. Common practice, no source. Less
than an eighth is as good as stuck."""

REVERSED, SWAPPED, STUCK, ANY_RATIO = 0.02, 0.02, 0.02, 0.05
UNKNOWN, ODD, MISPLACED = 2e-3, 5e-4, 5e-3
"""Prior weight of a drive that is reversed; of two whose plugs are exchanged; of one that is
stuck; has one of the ratios; another gain; moves the carriage as no lift would; and of a lift
that stands elsewhere than the machine file says."""

REVERSED_AGAIN, RATIO_AGAIN = 0.25, 0.02
"""Weight of each further drive that is reversed as well, or has the same ratio."""

LOOSE_GAIN = 0.04
"""Standard deviation of a drive's gain about its nominal one, as a part of it: with it a gain
counts as good up to about 0.15 from 1, which levelling in passes does not notice."""

_STUCK_GAIN = 0.02

UNKNOWN_GAIN = 2.0
"""Standard deviation of a gain of which nothing is known."""

LOOSE_PLACE, LOOSE_SHARE = 0.02, 0.04
"""Standard deviation of what a lift does beside its nominal tilt, as a part of it: from where it
carries; and where more lifts carry than a plane needs, so that their stiffness has a say."""

PLAY = 0.05
"""Standard deviation of the play of a screw, mm: common practice, no source."""


@dataclass(frozen=True)
class Way:
    """One way a drive may act.

    Attributes
    ----------
    kind : str
        "good", "stuck", "ratio" (of leads or step counts), "unknown" (any gain), or "odd" (moves
        the carriage as no lift of this machine would).
    gain : float
        Nominal true rise over commanded rise; negative if reversed.
    loose : float
        Standard deviation about it.
    """

    kind: Kind
    gain: float
    loose: float


WAYS: tuple[Way, ...] = (
    Way("good", 1.0, LOOSE_GAIN),
    Way("good", -1.0, LOOSE_GAIN),
    Way("stuck", 0.0, _STUCK_GAIN),
    *(Way("ratio", sign * r, LOOSE_GAIN * r) for r in RATIOS for sign in (1, -1)),
    Way("unknown", 0.0, UNKNOWN_GAIN),
    Way("odd", 0.0, UNKNOWN_GAIN),
)
GOOD, BACKWARDS = 0, 1
_GAINS = np.array([way.gain for way in WAYS])
_WEIGHTS: dict[Kind, float] = {
    "good": 1.0,
    "stuck": STUCK,
    "ratio": ANY_RATIO / len(RATIOS),
    "unknown": UNKNOWN,
    "odd": ODD,
}
_LOG_WEIGHT = np.log([_WEIGHTS[way.kind] for way in WAYS])


def log_prior(lift_of: Ints, way_of: Ints) -> Floats:
    """Give the log of the prior weight of explanations.

    Parameters
    ----------
    lift_of, way_of : ndarray of int, shape (explanations, lifts)
        The lift that each drive moves, and its way of acting (index into `WAYS`).

    Returns
    -------
    ndarray, shape (explanations,)
        0 for all good.

    Examples
    --------
    Two plugs exchanged, and both drives reversed:

    >>> np.exp(log_prior(np.array([[1, 0], [0, 1]]), np.array([[0, 0], [1, 1]])))
    array([0.02 , 0.005])
    """
    weight: Floats = _LOG_WEIGHT[way_of].sum(axis=1)
    # an exchange of plugs less than lifts, for each ring of lifts that took one another's
    rings = np.array([_rings(row) for row in lift_of], dtype=np.float64)
    weight += (lift_of.shape[1] - rings) * np.log(SWAPPED)
    gains = _GAINS[way_of]
    weight += _alike((gains < 0).sum(axis=1), REVERSED, REVERSED_AGAIN)
    usual = ANY_RATIO / len(RATIOS)
    for ratio in RATIOS:
        count = (np.abs(gains) == ratio).sum(axis=1)
        weight += _alike(count, usual, RATIO_AGAIN) - count * np.log(usual)
    return weight


def _alike(count: Ints, weight: float, again: float) -> Floats:
    """Log weight of so many drives with the same fault."""
    alike: Floats = np.where(count > 0, np.log(weight) + (count - 1) * np.log(again), 0.0)
    return alike


def _rings(row: Ints) -> int:
    left, rings = set(range(len(row))), 0
    while left:
        rings += 1
        at = left.pop()
        while int(row[at]) in left:
            at = int(row[at])
            left.remove(at)
    return rings


def left_over(lift_of: dict[int, int], idle: int) -> int:
    """Give the lift that an idle drive is left with, if as few plugs as can be are exchanged.

    Parameters
    ----------
    lift_of : dict of int to int
        The lift of each drive that is known.
    idle : int
        A drive that is not.

    Examples
    --------
    Drive 0 moves lift 1, drive 1 moves lift 2: so drive 2 is left with lift 0, and 3 with its own.

    >>> left_over({0: 1, 1: 2}, 2), left_over({0: 1, 1: 2}, 3)
    (0, 3)
    """
    driven = {lift: drive for drive, lift in lift_of.items()}
    at = idle
    while at in driven:  # whoever drives this lift has left its own
        at = driven[at]
    return at


def log_prior_alone(drive: int, lifts: int) -> Floats:
    """Give the log prior of one drive alone, shape (lifts, ways): half an exchange counts."""
    weight: Floats = np.tile(_LOG_WEIGHT + np.where(_GAINS < 0, np.log(REVERSED), 0.0), (lifts, 1))
    weight[np.arange(lifts) != drive] += np.log(SWAPPED) / 2
    return weight
