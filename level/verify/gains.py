"""Gains: how far each lift truly moves for what it is told, once it is known which lift moves."""

from dataclasses import dataclass

import numpy as np

from level.verify.evidence import Evidence
from level.verify.explanation import PLAY, WAYS
from probes.run import Floats, Ints

__all__ = ["Gain", "OwnWay", "find_gains", "find_own_ways"]

_VAGUE = 1 / 3
"""Standard deviation of a gain from which 0 and 1 are no longer three of them apart."""


@dataclass(frozen=True)
class Gain:
    """What one drive does to the lift it moves.

    Attributes
    ----------
    value : float
        True rise over commanded rise, by generalised least squares.
    sigma : float
        Its standard deviation, from the noise of the probe alone.
    factor : float
        The best guess to act on: the value drawn towards the nominal one by what is usual.
    play, play_sigma : float or None
        Backlash, mm: what is lost when the drive turns back; None where it never did.
    """

    value: float
    sigma: float
    factor: float
    play: float | None
    play_sigma: float | None


@dataclass(frozen=True)
class OwnWay:
    """What commanding one lift did, held against that lift's own nominal way.

    Attributes
    ----------
    gain : float
        Part of the change along its own way; with plugs exchanged this misleads.
    off_axis : float
        Chi-square of the part beside its own way.
    freedom : int
        Degrees of freedom of that.
    """

    gain: float
    off_axis: float
    freedom: int


@dataclass(frozen=True, eq=False)
class _Column:
    lift: int
    what: str
    values: Floats
    mean: float
    loose: float


def find_gains(evidence: Evidence, lift_of: Ints, way_of: Ints) -> dict[int, Gain]:
    """Find the gains under one explanation.

    Parameters
    ----------
    evidence : Evidence
        Trials and readings.
    lift_of, way_of : ndarray of int, shape (lifts,)
        The explanation, as `search` gives it.

    Returns
    -------
    dict of int to Gain
        By the number of the commanded lift; one whose move shows nowhere is left out.

    Notes
    -----
    All gains are fitted together. Where the trials do not tell them apart, as when levelling
    passes moved all lifts at once, each is fitted with the others held near their nominal value.

    References
    ----------
    A. C. Aitken, "On least squares and linear combination of observations", Proc. Roy. Soc. Edin.
    55 (1936) 42-48: generalised least squares.
    """
    columns = _columns(evidence, lift_of, way_of)
    if not columns:
        return {}
    design = np.column_stack([column.values for column in columns])
    means = np.array([column.mean for column in columns])
    loose = np.array([column.loose for column in columns])
    flat, flat_sigmas = _fit(design, evidence.values, means, np.full(len(columns), np.inf))
    held, _ = _fit(design, evidence.values, means, loose)
    gains = {}
    plays = {column.lift: k for k, column in enumerate(columns) if column.what == "play"}
    for k, column in enumerate(columns):
        if column.what != "gain":
            continue
        value, sigma = flat[k], flat_sigmas[k]
        if not sigma <= _VAGUE:
            alone = loose.copy()
            alone[k] = np.inf
            values, sigmas = _fit(design, evidence.values, means, alone)
            value, sigma = values[k], sigmas[k]
        at = plays.get(column.lift)
        sure = at is not None and flat_sigmas[at] <= _VAGUE
        gains[column.lift] = Gain(
            value=float(value),
            sigma=float(sigma),
            factor=float(held[k]),
            play=float(flat[at] * np.sign(value)) if at is not None and sure else None,
            play_sigma=float(flat_sigmas[at]) if at is not None and sure else None,
        )
    return gains


def find_own_ways(evidence: Evidence) -> dict[int, OwnWay]:
    """Hold what each lift's command did against its own nominal way, whatever the others did.

    Returns
    -------
    dict of int to OwnWay
        By the number of the lift. Where the trials do not tell the lifts apart, only those are
        given that a ruler alone was held to.
    """
    ways, moved = evidence.ways, evidence.moved
    tilts = evidence.columns[:, moved, :ways]
    tried = moved[np.abs(tilts).max(axis=(0, 2), initial=0.0) > 0]
    own = {}
    for lift in (int(j) for j in moved if j not in tried):
        ruled = evidence.columns[:, lift, ways]
        own[lift] = OwnWay(float(ruled @ evidence.values / (ruled @ ruled)), 0.0, 0)
    design = evidence.columns[:, tried, :ways].reshape(len(evidence.values), -1)
    if not len(tried) or np.linalg.matrix_rank(design) < design.shape[1]:
        return own
    covariance = np.eye(len(evidence.values)) + evidence.own_play()
    weighted = np.linalg.solve(covariance, design)
    spread = np.linalg.inv(design.T @ weighted)
    found = (spread @ (weighted.T @ evidence.values)).reshape(len(tried), ways)
    for k, lift in enumerate(int(j) for j in tried):
        part = slice(k * ways, (k + 1) * ways)
        sure = np.linalg.inv(spread[part, part])
        way, change = evidence.changes.per_unit[:, lift], found[k]
        along = float(way @ sure @ way)
        if along > 0 and evidence.sizes[lift] > 0:
            gain = float(way @ sure @ change) / along
            left = change - gain * way
            own[lift] = OwnWay(gain, float(left @ sure @ left), ways - 1)
    return own


def _columns(evidence: Evidence, lift_of: Ints, way_of: Ints) -> list[_Column]:
    columns = []
    for j in (int(j) for j in evidence.moved):
        way, lift = WAYS[int(way_of[j])], int(lift_of[j])
        if way.kind == "odd":
            columns += [
                _Column(j, "odd", evidence.columns[:, j, k], 0.0, evidence.odd_reach)
                for k in range(evidence.ways)
            ]
            continue
        columns.append(_Column(j, "gain", evidence.units[j, lift], way.gain, way.loose))
        columns.append(_Column(j, "play", -evidence.lost[j, lift], 0.0, PLAY))
    largest = max((float(np.abs(column.values).max(initial=0.0)) for column in columns), default=0)
    return [
        column
        for column in columns
        if float(np.abs(column.values).max(initial=0.0)) > 1e-9 * largest
    ]


def _fit(design: Floats, values: Floats, means: Floats, loose: Floats) -> tuple[Floats, Floats]:
    """Fit with normal priors; infinite ones are none. What is not determined has sigma inf."""
    rows = np.diag(1 / loose)[np.isfinite(loose)]
    full = np.vstack((design, rows))
    left, sizes, right = np.linalg.svd(full, full_matrices=False)
    kept = sizes > 1e-10 * sizes[0]
    inverse = (right[kept].T / sizes[kept]) @ left[:, kept].T
    found = inverse @ np.concatenate((values, (rows @ means)))
    seen = np.einsum("ki,ki->i", right[kept], right[kept]) > 1 - 1e-9
    sigmas = np.where(seen, np.sqrt((inverse**2).sum(axis=1)), np.inf)
    return found, sigmas
