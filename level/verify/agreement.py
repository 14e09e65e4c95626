"""Agreement: trials of the same drives must not contradict one another."""

from collections.abc import Sequence
from itertools import combinations

import numpy as np

from level.verify.changes import Changes
from level.verify.explanation import PLAY
from level.verify.trials import Reading, Trial
from probes.errors import RequestError
from probes.quantiles import chi_square_quantile, normal_quantile
from probes.run import Floats, Ints

__all__ = ["check_agreement", "check_readings_agree"]

_CHANCE = 1e-5
"""Trials that chance alone would make so unlike are taken for contradictory."""

_REPEAT = 0.03
"""Standard deviation of a move from another one of the same drive, as a part of it."""


def check_agreement(changes: Changes, trials: Sequence[Trial]) -> None:
    """Check that some response, whatever it is, can have done all trials.

    Parameters
    ----------
    changes : Changes
        What the trials did.
    trials : sequence of Trial
        The same trials, to name them.

    Raises
    ------
    RequestError
        With the trials that do not agree with the others.
    """
    count = len(trials)
    chi, freedom = _misfit(changes, np.arange(count))
    if freedom < 1 or chi <= chi_square_quantile(1 - _CHANCE, freedom):
        return
    without = [_misfit(changes, np.delete(np.arange(count), k)) for k in range(count)]
    mended = [
        k for k, (left, free) in enumerate(without)
        if free < 1 or left <= chi_square_quantile(1 - _CHANCE, free)
    ]  # fmt: skip
    what = "a note of what was moved is wrong, or something else moved; repeat them"
    if not mended:
        raise RequestError(f"the trials contradict one another: {what}")
    if len(mended) == 1:
        k = mended[0]
        raise RequestError(
            f"trial {k + 1} ({trials[k]}) contradicts the others: {what.replace('them', 'it')}"
        )
    numbers = " and ".join((", ".join(str(k + 1) for k in mended[:-1]), str(mended[-1] + 1)))
    raise RequestError(
        f"trials {numbers} contradict one another: the same drives cannot have done both; {what}"
    )


def check_readings_agree(readings: Sequence[Reading]) -> None:
    """Check that readings at one lift agree on its gain.

    Raises
    ------
    RequestError
        With the two that do not.
    """
    reach = normal_quantile(1 - _CHANCE / 2)
    for one, other in combinations(readings, 2):
        apart = abs(one.measured / one.commanded - other.measured / other.commanded)
        sigma = float(np.hypot(one.sigma / one.commanded, other.sigma / other.commanded))
        if one.lift == other.lift and apart > reach * float(np.hypot(sigma, _REPEAT)):
            raise RequestError(
                f"readings at {one.lift!r} contradict each other: {one.measured:g} mm for "
                f"{one.commanded:g} mm told, and {other.measured:g} mm for {other.commanded:g} mm; "
                "measure again"
            )


def _misfit(changes: Changes, kept: Ints) -> tuple[float, int]:
    """Chi-square of what no response explains in the trials kept, and its degrees of freedom."""
    trials, ways = changes.values.shape
    lifts = changes.moved.shape[1]
    if not len(kept) or not ways:
        return 0.0, 0
    rows = (kept[:, None] * ways + np.arange(ways)).ravel()
    size = np.sqrt((changes.per_unit**2).sum(axis=0).max())
    values, covariance = changes.values.ravel(), changes.covariance.copy()
    moves, plays = np.zeros((trials, ways, lifts, ways)), np.zeros((trials, ways, lifts, ways))
    for way in range(ways):
        moves[:, way, :, way] = changes.moved
        plays[:, way, :, way] = changes.turned_back
    uneven = (_REPEAT * size) ** 2 * (changes.moved**2).sum(axis=1)
    covariance += np.diag(np.repeat(uneven, ways))
    flat = plays.reshape(trials * ways, -1)
    covariance += (PLAY * size) ** 2 * (flat @ flat.T)
    return _chi(
        values[rows], covariance[np.ix_(rows, rows)], moves.reshape(trials * ways, -1)[rows]
    )


def _chi(values: Floats, covariance: Floats, design: Floats) -> tuple[float, int]:
    sizes, basis = np.linalg.eigh(covariance)
    kept = sizes > 1e-10 * sizes.max()
    white = basis[:, kept].T / np.sqrt(sizes[kept])[:, None]
    left, found, _ = np.linalg.svd(white @ design, full_matrices=False)
    base = left[:, found > 1e-9 * max(float(found.max(initial=0.0)), 1e-30)]
    scaled = white @ values
    away = scaled - base @ (base.T @ scaled)
    return float(away @ away), len(scaled) - base.shape[1]
