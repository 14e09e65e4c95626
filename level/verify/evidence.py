"""Evidence: how well explanations fit what the trials did and what rulers read."""

from copy import copy

import numpy as np

from level.verify.changes import Changes
from level.verify.explanation import LOOSE_PLACE, LOOSE_SHARE, PLAY, UNKNOWN_GAIN, WAYS
from level.verify.trials import Reading
from probes.run import Floats, Ints

__all__ = ["Evidence", "normal_law"]

_ODD_REACH = 2.0
"""A drive that moves the carriage as no lift would does so by this many times what the lift with
the most effect does: standard deviation."""

_MOST = 4000
"""Explanations weighed at once: a matter of memory."""

_GAINS = np.array([way.gain for way in WAYS])
_LOOSE = np.array([way.loose for way in WAYS])
_ODD = np.array([way.kind == "odd" for way in WAYS])


class Evidence:
    """Trials and readings, brought to independent figures of unit variance.

    Parameters
    ----------
    changes : Changes
        What the trials did.
    readings : sequence of Reading
        What was measured at lifts.
    names : sequence of str
        The lifts, in the order of the machine file.
    """

    def __init__(
        self, changes: Changes, readings: tuple[Reading, ...], names: tuple[str, ...]
    ) -> None:
        self.changes = changes
        trials, ways, lifts = len(changes.values), len(changes.per_unit), len(names)
        self.ways, self.lifts = ways, lifts
        # a drive's column: what it does to each way, and whether it raises its own lift
        columns = np.zeros((trials, ways, lifts, ways + 1))
        play = np.zeros((trials, ways, lifts, ways))
        for way in range(ways):
            columns[:, way, :, way] = changes.moved
            play[:, way, :, way] = changes.turned_back
        sizes, basis = np.linalg.eigh(changes.covariance)
        kept = sizes > 1e-10 * max(float(sizes.max(initial=0.0)), 1e-30)
        white = basis[:, kept].T / np.sqrt(sizes[kept])[:, None]
        at_lift = np.zeros((len(readings), lifts, ways + 1))
        for row, reading in enumerate(readings):
            at_lift[row, names.index(reading.lift), ways] = reading.commanded / reading.sigma
        rows = np.vstack(
            (
                white @ columns.reshape(trials * ways, lifts * (ways + 1)),
                at_lift.reshape(len(readings), lifts * (ways + 1)),
            )
        )
        plays = np.vstack(
            (
                white @ play.reshape(trials * ways, lifts * ways),
                np.zeros((len(readings), lifts * ways)),
            )
        )
        values = np.concatenate(
            (white @ changes.values.ravel(), [each.measured / each.sigma for each in readings])
        )
        # what no column can reach is the same for every explanation, and is left out
        left, found, _ = np.linalg.svd(np.hstack((rows, plays)), full_matrices=False)
        base = left[:, found > 1e-9 * max(float(found.max(initial=0.0)), 1e-30)].T
        self.values = base @ values
        self.columns = (base @ rows).reshape(-1, lifts, ways + 1)
        self.plays = (base @ plays).reshape(-1, lifts, ways)
        commanded = np.abs(changes.moved).max(axis=0, initial=0.0)
        for reading in readings:
            at = names.index(reading.lift)
            commanded[at] = max(commanded[at], abs(reading.commanded))
        self.commanded = commanded
        self.moved = np.flatnonzero(commanded > 0)
        self._spread(changes)

    def _spread(self, changes: Changes) -> None:
        """Lay out what each drive adds to mean and covariance for each lift it may move."""
        ways, per_unit = self.ways, changes.per_unit
        self.units = self.unit_values(per_unit)
        self.sizes = np.sqrt((per_unit**2).sum(axis=0))
        tilts = self.columns[:, :, :ways]
        beside = LOOSE_PLACE if _exact(changes) else LOOSE_SHARE
        free = np.einsum("njk,mjk->jnm", tilts, tilts)
        lost = np.einsum("njk,ki->jin", self.plays, per_unit)
        self._along = np.einsum("jin,jim->jinm", self.units, self.units)
        self._beside = np.einsum("jnm,i->jinm", free, (beside * self.sizes) ** 2)
        self._play = PLAY**2 * np.einsum("jin,jim->jinm", lost, lost)
        self.lost = lost
        own = self.columns[:, :, ways]
        self.odd_reach = _ODD_REACH * float(self.sizes.max(initial=0.0))
        self._odd = self.odd_reach**2 * free + UNKNOWN_GAIN**2 * np.einsum("nj,mj->jnm", own, own)

    def unit_values(self, per_unit: Floats) -> Floats:
        """Values for a unit gain of each drive at each lift, shape (drives, lifts, figures)."""
        lifts, ways = self.lifts, self.ways
        units: Floats = np.einsum("njk,ki->jin", self.columns[:, :, :ways], per_unit)
        units[np.arange(lifts), np.arange(lifts)] += self.columns[:, :, ways].T
        return units

    def elsewhere(self, per_unit: Floats) -> "Evidence":
        """Give the same evidence for lifts that act so: from where they really stand."""
        other = copy(self)
        other.units = self.unit_values(per_unit)
        other.lost = np.einsum("njk,ki->jin", self.plays, per_unit)
        return other

    def own_play(self) -> Floats:
        """Covariance that the play of each drive adds if it moves its own lift."""
        own: Floats = sum((self._play[j, j] for j in self.moved), np.zeros((len(self.values),) * 2))
        return own

    def law(self, lift_of: Ints, way_of: Ints) -> tuple[Floats, Floats]:
        """Give mean and covariance of the values under explanations, one per row."""
        count, size = len(lift_of), len(self.values)
        mean = np.zeros((count, size))
        covariance = np.broadcast_to(np.eye(size), (count, size, size)).copy()
        for j in self.moved:
            lift, way = lift_of[:, j], way_of[:, j]
            gain, loose, odd = _GAINS[way], _LOOSE[way], _ODD[way]
            mean += gain[:, None] * self.units[j, lift]
            part = (
                (loose**2)[:, None, None] * self._along[j, lift]
                + (gain**2)[:, None, None] * self._beside[j, lift]
                + self._play[j, lift]
            )
            part[odd] = self._odd[j]
            covariance += part
        return mean, covariance

    def log_likelihood(self, lift_of: Ints, way_of: Ints) -> tuple[Floats, Floats]:
        """Give log likelihood and chi-square of explanations, one per row."""
        likelihood, chi = np.empty(len(lift_of)), np.empty(len(lift_of))
        for start in range(0, len(lift_of), _MOST):
            part = slice(start, start + _MOST)
            mean, covariance = self.law(lift_of[part], way_of[part])
            likelihood[part], chi[part] = normal_law(self.values - mean, covariance)
        return likelihood, chi

    def of_one(self, j: int) -> Floats:
        """Log likelihood of each lift and way for one drive, whatever the others do.

        The others are taken for odd, which any of them may be; shape (lifts, ways of acting).
        """
        size = len(self.values)
        others = np.eye(size) + sum(self._odd[k] for k in self.moved if k != j)
        lift, way = (a.ravel() for a in np.indices((self.lifts, len(WAYS))))
        gain, loose = _GAINS[way], _LOOSE[way]
        covariance = (
            others
            + (loose**2)[:, None, None] * self._along[j, lift]
            + (gain**2)[:, None, None] * self._beside[j, lift]
            + self._play[j, lift]
        )
        covariance[_ODD[way]] = others + self._odd[j]
        likelihood, _ = normal_law(self.values - gain[:, None] * self.units[j, lift], covariance)
        return likelihood.reshape(self.lifts, len(WAYS))


def normal_law(away: Floats, covariance: Floats) -> tuple[Floats, Floats]:
    """Give log density (but for a constant) and chi-square of normal laws, one per row."""
    lower = np.linalg.cholesky(covariance)
    scaled = np.linalg.solve(lower, away[..., None])[..., 0]
    chi: Floats = (scaled**2).sum(axis=-1)
    likelihood: Floats = -chi / 2 - np.log(np.diagonal(lower, axis1=-2, axis2=-1)).sum(axis=-1)
    return likelihood, chi


def _exact(changes: Changes) -> bool:
    """Whether each lift's rise follows from the carriage's motion alone: none is shared."""
    ways = 1 + len(changes.influence.directions) + changes.influence.twisting
    return len(changes.influence.positions) <= ways
