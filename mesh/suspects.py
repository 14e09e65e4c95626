"""Suspects of a map: places that stand apart from the bed's simple shape, to be probed again."""

from dataclasses import dataclass

import numpy as np

from mesh.modes import Modes, modes
from probes.outliers import DOUBTFUL
from probes.quantiles import student_quantile
from probes.run import Floats, Ints, Places

__all__ = ["SuspectPlace", "find_suspects"]

_FEWEST = 9


@dataclass(frozen=True)
class SuspectPlace:
    """A place to probe again.

    Attributes
    ----------
    x, y, z : float
        Where it is, and its height, mm.
    away : float
        What bows and twist, fitted to the others, leave of its height, mm.
    score : float
        Externally studentised residual.
    alone : bool
        False if a neighbour stands apart the same way: that is shape or debris, not a bad touch.
    """

    x: float
    y: float
    z: float
    away: float
    score: float
    alone: bool


def find_suspects(
    places: Places, spread: Floats | None = None, *, shape: Modes | None = None
) -> tuple[SuspectPlace, ...]:
    """Find places that stand apart; none is left out of any figure for it.

    Parameters
    ----------
    places : Places
        Nine or more, else none is found.
    spread : ndarray, shape (n,), optional
        Standard deviation of each place in common units; all the same if not given.
    shape : Modes, optional
        The modes of these places, where they are known already.

    Returns
    -------
    tuple of SuspectPlace
        The farthest first.

    References
    ----------
    R. D. Cook, S. Weisberg, Residuals and Influence in Regression, 1982: externally studentised
    residuals.

    Examples
    --------
    >>> from probes import Run
    >>> x, y = (a.ravel() for a in np.meshgrid(range(5), range(5)))
    >>> z = 0.001 * np.sin(7.0 * x + 3.0 * y)
    >>> z[7] += 0.1
    >>> [(s.x, s.y, s.alone) for s in find_suspects(Run(x=x, y=y, z=z).places)]
    [(2.0, 1.0, True)]
    """
    if len(places) < _FEWEST:
        return ()
    if shape is None:
        shape = modes(places.x, places.y, places.z)
    freedom = shape.freedom - 1
    if freedom < 1:
        return ()
    left, leverage = shape.residuals, shape.leverage
    room = np.maximum(1 - leverage, 1e-9)
    others = (left @ left - left**2 / room) / freedom
    tiny = 1e-12 * max(float(np.abs(places.z).max()), 1e-3)
    scores = left / np.sqrt(np.maximum(others, tiny**2) * room)
    if spread is not None:
        scores = scores / spread
    # among many places some stand apart by chance: one false alarm in twenty maps
    beyond = max(DOUBTFUL, student_quantile(1 - 0.05 / (2 * len(places)), freedom))
    found = np.flatnonzero((np.abs(scores) > beyond) & (np.abs(left / room) > tiny))
    step = _spacing(places)
    return tuple(
        SuspectPlace(
            x=float(places.x[k]),
            y=float(places.y[k]),
            z=float(places.z[k]),
            away=float(left[k] / room[k]),
            score=float(scores[k]),
            alone=_is_alone(places, scores, found, int(k), step),
        )
        for k in sorted(found, key=lambda k: -abs(scores[k]))
    )


def _spacing(places: Places) -> float:
    """Distance of neighbours, mm, for places spread evenly over their rectangle."""
    area = float(np.ptp(places.x) * np.ptp(places.y))
    return 1.6 * float(np.sqrt(area)) / max(1.0, float(np.sqrt(len(places))) - 1)


def _is_alone(places: Places, scores: Floats, found: Ints, k: int, step: float) -> bool:
    near = np.hypot(places.x[found] - places.x[k], places.y[found] - places.y[k]) <= step
    same_way = np.sign(scores[found]) == np.sign(scores[k])
    return int((near & same_way).sum()) <= 1
