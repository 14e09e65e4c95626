"""Candidates: the explanations worth weighing, out of the very many that there are."""

from collections.abc import Sequence
from itertools import combinations

import numpy as np

from level.verify.evidence import Evidence
from level.verify.explanation import BACKWARDS, GOOD, WAYS, left_over, log_prior, log_prior_alone
from probes.run import Floats, Ints

__all__ = ["search"]

_BEYOND = 18.0
"""A drive's own log odds below its best, from which a way of acting is not looked at."""

_MOST_ALONE, _MOST = 24, 1000
"""Ways of acting kept for a drive, and matchings of drives kept, the likeliest of all."""

_GROWN, _ROUNDS = 12, 6

_PLAIN = tuple(k for k, way in enumerate(WAYS) if way.kind in ("good", "stuck"))
"""Second faults where trials do not tell drives apart: two wrong ratios would be a guess."""


def search(evidence: Evidence) -> tuple[Ints, Ints, Floats, Floats]:
    """Find the explanations worth weighing.

    Parameters
    ----------
    evidence : Evidence
        Trials and readings.

    Returns
    -------
    lift_of, way_of : ndarray of int, shape (explanations, lifts)
        The lift that each drive moves and its way of acting (index into `WAYS`), best first.
        Drives that were never commanded are good, and move the lift that is left for them.
    weights : ndarray, shape (explanations,)
        Log of prior times likelihood.
    chi : ndarray, shape (explanations,)
        Chi-square.

    Notes
    -----
    Each drive is first looked at alone: which lifts and ways are plausible for it, whatever the
    others do. All matchings of plausible ones are weighed, and all single and most double faults
    where the trials do not tell the drives apart; then the best are varied by one drive or one
    exchange until nothing better turns up.
    """
    found = dict.fromkeys(_starts(evidence))
    keys = list(found)
    weights, chi = _weigh(evidence, keys)
    for _ in range(_ROUNDS):
        best = np.argsort(-weights)[:_GROWN]
        fresh = dict.fromkeys(
            key for k in best for key in _varied(evidence, keys[k]) if key not in found
        )
        if not fresh:
            break
        found.update(fresh)
        more, more_chi = _weigh(evidence, list(fresh))
        better = more.max() > weights[best[-1]]
        keys += list(fresh)
        weights, chi = np.concatenate((weights, more)), np.concatenate((chi, more_chi))
        if not better:
            break
    order = np.argsort(-weights, kind="stable")
    table = np.array(keys)[order]
    lifts = evidence.lifts
    return table[:, :lifts], table[:, lifts:], weights[order], chi[order]


_Key = tuple[int, ...]
"""The lift of each drive, then the way of each."""


def _weigh(evidence: Evidence, keys: list[_Key]) -> tuple[Floats, Floats]:
    table = np.array(keys)
    lift_of, way_of = table[:, : evidence.lifts], table[:, evidence.lifts :]
    likelihood, chi = evidence.log_likelihood(lift_of, way_of)
    return likelihood + log_prior(lift_of, way_of), chi


def _starts(evidence: Evidence) -> list[_Key]:
    lifts = evidence.lifts
    nominal = (*range(lifts), *[GOOD] * lifts)
    alike = [k for k, way in enumerate(WAYS) if k == BACKWARDS or way.kind == "ratio"]
    starts: list[_Key] = [nominal]
    starts += [
        (*range(lifts), *(way if j in evidence.moved else GOOD for j in range(lifts)))
        for way in alike
    ]
    starts += _matched(evidence)
    # where there are fewer figures than columns, drives cannot be told apart one by one
    if len(evidence.values) < len(evidence.moved) * evidence.ways:
        singles = _varied(evidence, nominal)
        starts += singles
        for single in singles:
            starts += _varied(evidence, single, _PLAIN)
    return starts


def _matched(evidence: Evidence) -> list[_Key]:
    """All ways to give each drive a lift and a way that are plausible for it alone."""
    options: list[list[tuple[float, int, int]]] = []
    for j in evidence.moved:
        score = evidence.of_one(int(j)) + log_prior_alone(int(j), evidence.lifts)
        lift, way = np.nonzero(score > score.max() - _BEYOND)
        listed = sorted(
            (-float(score[a, b]), int(a), int(b)) for a, b in zip(lift, way, strict=True)
        )
        options.append(listed[:_MOST_ALONE])
    partial: list[tuple[float, tuple[int, ...], tuple[int, ...]]] = [(0.0, (), ())]
    for listed in options:
        grown = [
            (cost + more, (*lifts, lift), (*ways, way))
            for cost, lifts, ways in partial
            for more, lift, way in listed
            if lift not in lifts
        ]
        partial = sorted(grown)[:_MOST]
    return [_complete(evidence, lifts, ways) for _, lifts, ways in partial]


def _complete(evidence: Evidence, lifts: tuple[int, ...], ways: tuple[int, ...]) -> _Key:
    """Give the drives that were never commanded the lifts that are left: each closes its ring."""
    moved = [int(j) for j in evidence.moved]
    lift_of, way_of = dict(zip(moved, lifts, strict=True)), dict(zip(moved, ways, strict=True))
    names = range(evidence.lifts)
    lift_of |= {idle: left_over(lift_of, idle) for idle in names if idle not in lift_of}
    return (*(lift_of[j] for j in names), *(way_of.get(j, GOOD) for j in names))


def _varied(evidence: Evidence, key: _Key, ways: Sequence[int] = range(len(WAYS))) -> list[_Key]:
    """Explanations that differ in the way of one drive, or in one exchange of lifts."""
    lifts, moved = evidence.lifts, [int(j) for j in evidence.moved]
    varied: list[_Key] = [
        (*key[: lifts + j], way, *key[lifts + j + 1 :])
        for j in moved
        for way in ways
        if way != key[lifts + j]
    ]
    for one, two in combinations(range(lifts), 2):
        lift_of = list(key[:lifts])
        lift_of[one], lift_of[two] = lift_of[two], lift_of[one]
        other = _complete(
            evidence, tuple(lift_of[j] for j in moved), tuple(key[lifts + j] for j in moved)
        )
        if other != key:
            varied.append(other)
    return varied
