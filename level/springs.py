"""Springs: how the weight of the carriage shares out over lifts that give a little.

Where more lifts carry than a plane needs, racking moves weight from some lifts to others. When a
lift carries nothing any more it is slack: turning it further changes nothing a probe could see.
"""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from probes.errors import MachineError
from probes.run import Floats

__all__ = ["STANDARD_GRAVITY", "Loads", "carried_loads", "slack_racking"]

STANDARD_GRAVITY = 9.80665
"""m/s2, by definition (3rd General Conference on Weights and Measures, 1901)."""

_MOST_ROUNDS = 200


@dataclass(frozen=True, eq=False)
class Loads:
    """What the lifts carry.

    Attributes
    ----------
    loads : ndarray, shape (lifts,)
        N, zero for a lift that is slack.
    slack : tuple of int
        Lifts that carry nothing.
    """

    loads: Floats
    slack: tuple[int, ...]


def carried_loads(
    positions: npt.ArrayLike,
    heights: npt.ArrayLike,
    *,
    weight: float,
    stiffness: float,
    centre: tuple[float, float] | None = None,
) -> Loads:
    """Find what each lift carries of a rigid carriage on equal springs.

    Parameters
    ----------
    positions : array_like, shape (lifts, 2)
        Where the lifts stand, mm.
    heights : array_like, shape (lifts,)
        How far each has been raised, mm.
    weight : float
        Of the carriage, N.
    stiffness : float
        Of each lift with what holds it, N/mm.
    centre : (float, float), optional
        Where the weight acts, mm; the mean of the lifts if not given.

    Returns
    -------
    Loads
        Springs push and do not pull.

    Raises
    ------
    MachineError
        If the weight stands outside the lifts, so that they cannot hold it.

    Notes
    -----
    Each spring is pressed by its height less the carriage's there, if that is above zero. The
    carriage rests where these forces and the weight balance. Lifts that would pull are taken away
    and those that would be pressed are taken back until the rest agrees.

    Examples
    --------
    Four lifts under 80 N, each giving 1 mm for 1000 N, one pair 0.02 mm too high:

    >>> corners = [(0, 0), (300, 0), (300, 300), (0, 300)]
    >>> carried_loads(corners, [0.02, -0.02, 0.02, -0.02], weight=80, stiffness=1000).loads
    array([40.,  0., 40.,  0.])
    """
    spots = np.asarray(positions, dtype=np.float64)
    raised = np.asarray(heights, dtype=np.float64)
    middle = spots.mean(axis=0) if centre is None else np.asarray(centre, dtype=np.float64)
    ways = np.column_stack((np.ones(len(spots)), spots - middle))
    ways[:, 1:] /= max(float(np.abs(ways[:, 1:]).max()), 1e-9)
    load = np.array((weight / stiffness, 0.0, 0.0))
    carrying = np.ones(len(spots), dtype=bool)
    for _ in range(_MOST_ROUNDS):
        some = ways[carrying]
        # press = raised - ways pose; balance: some' press = load
        pose = np.linalg.lstsq(some.T @ some, some.T @ raised[carrying] - load, rcond=1e-12)[0]
        press = raised - ways @ pose
        off = np.abs(some.T @ press[carrying] - load).max()
        if off > 1e-6 * load[0]:
            break
        fits = press > -1e-12 * max(1.0, float(np.abs(press).max()))
        if (press[carrying] >= -1e-9 * load[0]).all() and not (fits & ~carrying).any():
            loads = np.where(carrying, np.maximum(press, 0.0), 0.0) * stiffness
            return Loads(loads, tuple(int(k) for k in np.flatnonzero(loads <= 1e-6 * weight)))
        worst = int(np.argmin(np.where(carrying, press, np.inf)))
        if press[worst] < -1e-9 * load[0]:
            carrying[worst] = False
        else:
            carrying[int(np.argmax(np.where(carrying, -np.inf, press)))] = True
    raise MachineError("the weight stands outside the lifts that carry; check the lifts' x and y")


def slack_racking(weight: float, stiffness: float, lifts: int) -> float:
    """Give the racking, mm, at which the first of the lifts goes slack: weight / (lifts stiffness).

    Parameters
    ----------
    weight : float
        Of the carriage, N, in the middle of the lifts.
    stiffness : float
        Of each lift, N/mm.
    lifts : int
        Number of lifts.

    Examples
    --------
    >>> slack_racking(80, 50, 4)
    0.4
    """
    return weight / (lifts * stiffness)
