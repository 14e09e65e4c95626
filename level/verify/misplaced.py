"""Misplaced lifts: one that does not stand where the machine file says.

Such a lift tilts the carriage about another line than it should, and so do all the others, whose
shares hang on where it stands. No sign, plug or lead does that.
"""

from collections.abc import Callable
from dataclasses import dataclass, replace
from itertools import product

import numpy as np

from level.verify.changes import unit_changes
from level.verify.evidence import Evidence
from level.verify.explanation import GOOD, MISPLACED
from probes.run import Floats

__all__ = ["Misplaced", "at_true_place", "find_misplaced"]

_FAR = 0.25
"""Standard deviation of how far a wrong position is off, as a part of the lifts' span: prior."""

_TRIED = 2
_STEPS = 12
_STEP_MM = 1e-3

_Away = Callable[[Floats], Floats]


@dataclass(frozen=True)
class Misplaced:
    """A lift that seems to stand elsewhere, while all drives do as told.

    Attributes
    ----------
    lift : str
        Its name.
    x, y : float
        Where it seems to stand, mm.
    sigma_x, sigma_y : float
        Standard deviations of that, mm.
    """

    lift: str
    x: float
    y: float
    sigma_x: float
    sigma_y: float


def find_misplaced(
    evidence: Evidence, names: tuple[str, ...]
) -> list[tuple[Misplaced, float, float]]:
    """Weigh for each lift that it alone stands elsewhere.

    Parameters
    ----------
    evidence : Evidence
        Trials and readings.
    names : tuple of str
        The lifts.

    Returns
    -------
    list of (Misplaced, float, float)
        With the log of prior times likelihood, and chi-square; empty where lifts in line or fewer
        figures than two leave nothing to tell it by.

    References
    ----------
    D. J. C. MacKay, "Bayesian interpolation", Neural Computation 4 (1992) 415-447: the likelihood
    of a model with free parameters, by Laplace's approximation.
    """
    influence = evidence.changes.influence
    if len(influence.directions) < 2 or len(evidence.values) < 3:
        return []
    return [_weigh(evidence, lift, name) for lift, name in enumerate(names)]


def at_true_place(evidence: Evidence, lift: int, misplaced: Misplaced) -> Evidence:
    """Give the evidence for lifts that act from where they really stand."""
    return evidence.elsewhere(_acting(evidence, lift, np.array((misplaced.x, misplaced.y))))


def _acting(evidence: Evidence, lift: int, spot: Floats) -> Floats:
    influence = evidence.changes.influence
    positions = influence.positions.copy()
    positions[lift] = spot
    moved = replace(influence, positions=positions)
    return unit_changes(moved, influence, evidence.changes.datum)


def _weigh(evidence: Evidence, lift: int, name: str) -> tuple[Misplaced, float, float]:
    influence = evidence.changes.influence
    far = _FAR * influence.span
    nominal = np.arange(evidence.lifts)[None, :]
    _, covariance = evidence.law(nominal, np.full_like(nominal, GOOD))
    lower = np.linalg.cholesky(covariance[0])

    def away(shift: Floats) -> Floats:
        """Give what is left of the values, in unit variance, with the prior's part of the shift."""
        units = evidence.unit_values(_acting(evidence, lift, influence.positions[lift] + shift))
        mean = units[evidence.moved, evidence.moved].sum(axis=0)
        return np.concatenate((np.linalg.solve(lower, evidence.values - mean), shift / far))

    starts = far * np.array(list(product((0.0, 1.0, -1.0), repeat=2)))
    costs = [float((away(start) ** 2).sum()) for start in starts]
    tried = (_least(away, starts[k]) for k in np.argsort(costs)[:_TRIED])
    cost, shift, slopes = min(tried, key=lambda each: each[0])
    spread = np.linalg.inv(slopes.T @ slopes)
    chi = float((away(shift)[:-2] ** 2).sum())
    weight = (
        np.log(MISPLACED)
        - cost / 2
        - float(np.log(np.diag(lower)).sum())
        + 0.5 * float(np.linalg.slogdet(spread)[1])
        - 2 * np.log(far)
    )
    x, y = influence.positions[lift] + shift
    sigma_x, sigma_y = np.sqrt(np.diag(spread))
    return Misplaced(name, float(x), float(y), float(sigma_x), float(sigma_y)), float(weight), chi


def _least(away: _Away, start: Floats) -> tuple[float, Floats, Floats]:
    """Least squares by Gauss and Newton's steps, damped (Levenberg 1944, Marquardt 1963)."""
    shift = np.array(start, dtype=np.float64)
    left = away(shift)
    damping = 1e-3
    for _ in range(_STEPS):
        slopes = _slopes(away, shift, left)
        normal = slopes.T @ slopes
        step = -np.linalg.solve(normal + damping * np.diag(np.diag(normal)), slopes.T @ left)
        tried = away(shift + step)
        if tried @ tried < left @ left:
            gained = float(left @ left - tried @ tried)
            shift, left, damping = shift + step, tried, damping / 5
            if gained < 1e-6:
                break
        else:
            damping *= 5
            if damping > 1e6:
                break
    return float(left @ left), shift, _slopes(away, shift, left)


def _slopes(away: _Away, shift: Floats, left: Floats) -> Floats:
    return np.column_stack(
        [(away(shift + step) - left) / _STEP_MM for step in _STEP_MM * np.eye(2)]
    )
