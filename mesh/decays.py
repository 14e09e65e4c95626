"""Decays: a series as a constant, a slow and a fast decay, and a machine's slow constant.

The amplitudes are linear; the fast constant is found by Gauss and Newton for each of many slow
ones, so that what remains has the interval of the profile likelihood.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np

from mesh.series import Series
from probes.errors import RequestError
from probes.quantiles import chi_square_quantile, normal_quantile, student_quantile
from probes.run import Floats

__all__ = [
    "ENCLOSED",
    "FEWEST",
    "OPEN",
    "SURE",
    "Constants",
    "Decays",
    "fit_decays",
    "learn_constants",
]

FEWEST = 7
"""Probings from which two decays are fitted."""
SURE = 0.995
"""Two-sided confidence that so little remains before a bed is called settled: it is asked anew
after each probing, and must not be wrong in one warm-up of a hundred."""
_APART = 1.6
"""A slow constant is at least so many times a fast one: closer ones cannot be told apart."""
_LEAST_SPREAD = 0.05
"""A machine's slow constant repeats no better than this part of it (common practice, no source)."""
_GRID = 25
_MOST_FOR_START = 500
"""Readings from which a first guess at the fast constant is made; then all count."""


@dataclass(frozen=True)
class Constants:
    """How slowly a machine warms up.

    Attributes
    ----------
    tau_slow : float
        Its slowest time constant, minutes.
    spread : float
        Standard deviation of the logarithm of that for a warm-up to come.
    warm_ups : int
        How many it was learnt from; 0 for a guess.
    """

    tau_slow: float
    spread: float
    warm_ups: int = 0

    @property
    def learnt(self) -> bool:
        """Whether it comes from warm-ups of the machine."""
        return self.warm_ups > 0

    @property
    def interval(self) -> tuple[float, float]:
        """95 % interval of the constant in a warm-up to come, minutes."""
        reach = float(np.exp(normal_quantile(0.975) * self.spread))
        return self.tau_slow / reach, self.tau_slow * reach


OPEN = Constants(30.0, 0.5)
"""A plate on an open frame, until learnt (common practice, no source)."""


ENCLOSED = Constants(90.0, 0.5)
"""An enclosed frame, until learnt (common practice, no source)."""


class _Solution(NamedTuple):
    """Two decays for each of several slow constants."""

    slow: Floats
    fast: Floats
    amplitudes: Floats
    """(k, 3): constant, slow and fast part, mm."""
    covariance: Floats
    """(k, 4, 4), of these and of the fast constant's logarithm."""
    cost: Floats
    """Sum of squares left, in variances of the readings."""


def _solve(
    time: Floats, values: Floats, weights: Floats, slow: Floats, start: Floats | None
) -> _Solution:
    """Fit for each slow constant the amplitudes and the fast constant."""
    shortest = float(np.diff(time).min()) / 2
    longest = np.maximum(slow / _APART, shortest)
    if start is None:
        some = slice(None, None, 1 + len(time) // _MOST_FOR_START)
        start = _first_fast(time[some], values[some], weights[some], slow, shortest)
    fast = np.clip(start, shortest, longest)
    steady, slowly = np.ones((len(slow), len(time))), np.exp(-time / slow[:, None])
    free = np.zeros((4, 4))
    free[3, 3] = 4.0  # a fast constant moves by half of itself at most, in good faith
    amplitudes = np.zeros((len(slow), 3))
    for _ in range(6):
        quickly = np.exp(-time / fast[:, None])
        amplitudes, _ = _linear(np.stack((steady, slowly, quickly), 2), values, weights)
        bend = amplitudes[:, 2:] * quickly * time / fast[:, None]
        design = np.stack((steady, slowly, quickly, bend), 2)
        found, covariance = _linear(design, values, weights, free)
        fast = np.clip(fast * np.exp(np.clip(found[:, 3], -0.4, 0.4)), shortest, longest)
    quickly = np.exp(-time / fast[:, None])
    design = np.stack((steady, slowly, quickly), 2)
    amplitudes, _ = _linear(design, values, weights)
    left = values - np.einsum("kni,ki->kn", design, amplitudes)
    return _Solution(slow, fast, amplitudes, covariance, left**2 @ weights)


def _first_fast(
    time: Floats, values: Floats, weights: Floats, slow: Floats, shortest: float
) -> Floats:
    """Give the best fast constant of a grid, for each slow one."""
    grid = np.geomspace(shortest, max(float(slow.max()) / _APART, 2 * shortest), _GRID)
    decays = np.exp(-time / np.concatenate((slow, grid))[:, None])
    pairs = np.stack(
        (
            np.ones((len(slow), len(grid), len(time))),
            np.broadcast_to(decays[: len(slow), None], (len(slow), len(grid), len(time))),
            np.broadcast_to(decays[None, len(slow) :], (len(slow), len(grid), len(time))),
        ),
        axis=3,
    )
    amplitudes, _ = _linear(pairs, values, weights)
    left = values - np.einsum("kmni,kmi->kmn", pairs, amplitudes)
    cost = left**2 @ weights
    cost[grid > slow[:, None] / _APART + 1e-9] = np.inf
    best: Floats = grid[np.argmin(cost, axis=1)]
    return best


def _linear(
    design: Floats, values: Floats, weights: Floats, prior: Floats | None = None
) -> tuple[Floats, Floats]:
    """Weighted least squares of many designs at once: coefficients and covariances."""
    weighted = np.swapaxes(design, -1, -2) * weights
    normal = weighted @ design
    if prior is not None:
        normal = normal + prior
    size = design.shape[-1]
    # a hair on the diagonal: a decay that is over before the second reading, or too slow to bend
    scale = np.trace(normal, axis1=-2, axis2=-1)[..., None, None]
    inverse = np.linalg.inv(normal + 1e-13 * scale * np.eye(size))
    return np.einsum("...ij,...j->...i", inverse, weighted @ values), inverse


class Decays(NamedTuple):
    """Two decays with all slow constants that the readings and what is known allow."""

    solution: _Solution
    cost: Floats
    """Of the readings and of what is known, in variances."""
    scale: float
    """What the readings scatter more than their sigmas say, in variances."""
    freedom: int | None
    """Degrees of freedom of that where sigmas are not known."""
    span: float

    @property
    def best(self) -> int:
        """Which slow constant fits best."""
        return int(np.argmin(self.cost))

    @property
    def best_constants(self) -> tuple[float, float]:
        """The fast and the slow constant; one of them twice where the slow part is none."""
        fast, slow = float(self.solution.fast[self.best]), float(self.solution.slow[self.best])
        part = self.solution.amplitudes[self.best, 1]
        sigma = np.sqrt(self.scale * self.solution.covariance[self.best, 1, 1])
        return fast, slow if abs(part) > 2 * sigma else fast

    @property
    def remaining(self) -> float:
        """How far the mode is still to move by the best fit, mm."""
        return float(self._left(np.zeros(1))[0][self.best, 0])

    def _left(self, later: Floats) -> tuple[Floats, Floats]:
        """Give what remains some minutes from now, and its variance, for each slow constant."""
        at = self.span + later[None, :]
        slow, fast = self.solution.slow[:, None], self.solution.fast[:, None]
        part = self.solution.amplitudes[:, 2:]
        slowly, quickly = np.exp(-at / slow), np.exp(-at / fast)
        ways = np.stack((slowly, quickly, part * quickly * at / fast), 2)
        left = -self.solution.amplitudes[:, 1:2] * slowly - part * quickly
        inner = self.solution.covariance[:, 1:, 1:]
        return left, self.scale * np.einsum("kui,kij,kuj->ku", ways, inner, ways)

    def _limits(self, confidence: float, later: Floats) -> tuple[Floats, Floats]:
        spare = _reach(confidence, self.freedom) ** 2 - (self.cost - self.cost.min())
        allowed = spare >= 0
        left, variance = (part[allowed] for part in self._left(later))
        half = np.sqrt(np.maximum(variance, 0) * spare[allowed, None])
        return (left - half).min(axis=0), (left + half).max(axis=0)

    def interval(self, confidence: float) -> tuple[float, float]:
        """Give the interval of what remains, mm."""
        low, high = self._limits(confidence, np.zeros(1))
        return float(low[0]), float(high[0])

    def ready(self, tolerance: float, least: float) -> float | None:
        """Minutes until the 95 % interval is within the tolerance for good; None if never."""
        later = np.linspace(0, 10 * self.best_constants[1], 1001)
        low, high = self._limits(0.95, later)
        worst = np.maximum(-low, high)
        outside = np.flatnonzero(worst >= tolerance)
        if not len(outside):
            return max(0.0, least)
        last = int(outside[-1])
        if last == len(later) - 1:
            return None
        part = (worst[last] - tolerance) / (worst[last] - worst[last + 1])
        return max(float(later[last] + part * (later[1] - later[0])), least)


def _reach(confidence: float, freedom: int | None) -> float:
    """Half-width of an interval in standard deviations: Student's t, or normal."""
    probability = (1 + confidence) / 2
    if freedom is None:
        return normal_quantile(probability)
    return student_quantile(probability, freedom)


def fit_decays(series: Series, constants: Constants) -> Decays:
    """Fit two decays, with what is known of the slow one."""
    time = series.minutes - series.minutes[0]
    values = series.values - series.values.mean()
    step = float(np.median(np.diff(time)))
    slow = constants.tau_slow * np.exp(np.linspace(-4, 4, _GRID) * constants.spread)
    if constants.learnt:
        slow = np.union1d(slow, constants.tau_slow * np.geomspace(1 / 4, 4, _GRID))
    else:  # a guess says nothing against quick ones
        slow = np.geomspace(min(step, constants.tau_slow / 2), slow[-1], _GRID)
    freedom = len(values) - 5
    known = series.sigma is not None
    weights = np.ones(len(values)) if series.sigma is None else 1 / series.sigma**2
    if not known:
        rough = _solve(time, values, weights, slow, None).cost.min() / freedom
        weights = weights / max(float(rough), 1e-18)
    reach = _reach(SURE, None if known else freedom) ** 2
    start = None
    for _ in range(3):
        found = _solve(time, values, weights, slow, start)
        scale = max(1.0, float(found.cost.min()) / freedom)
        cost = found.cost / scale + _against(found.slow, constants, reach + 4)
        near = np.flatnonzero(cost <= cost.min() + reach + 1)
        ends = max(near[0] - 1, 0), min(near[-1] + 1, len(slow) - 1)
        slow = np.geomspace(slow[ends[0]], slow[ends[1]], _GRID)
        start = np.interp(slow, found.slow, found.fast)
    return Decays(found, cost, scale, None if known else freedom, series.span)


def _against(slow: Floats, constants: Constants, most: float) -> Floats:
    """Say what is known against a slow constant, in variances.

    What was learnt is never held against the readings by more than `most`: a machine may have been
    changed since, and clear readings then win.
    """
    off = np.log(slow / constants.tau_slow) / constants.spread
    return np.minimum(off**2, most) if constants.learnt else np.maximum(off, 0.0) ** 2


def learn_constants(warm_ups: Sequence[Sequence[Series]]) -> Constants:
    """Learn the slow constant of a machine from its earlier warm-ups.

    Parameters
    ----------
    warm_ups : sequence of sequence of Series
        The modes of each; each warm-up lasts three times the constant or more.

    Returns
    -------
    Constants
        The constant, with what it varies by.

    Raises
    ------
    RequestError
        If a warm-up is too short or has too few probings to tell.

    Notes
    -----
    The modes of a warm-up share their slow constant. Where a second decay does not lessen the sum
    of squares by what chance would in 1 % (chi-square), the slow constant is that of a single one.

    Examples
    --------
    >>> t = np.arange(0.0, 121.0, 2)
    >>> bow = Series("bow_x", t, 0.080 * np.exp(-t / 6) + 0.040 * np.exp(-t / 35), 0.001)
    >>> round(learn_constants([[bow]]).tau_slow)
    35
    """
    if not any(warm_ups):
        raise RequestError("no warm-up is given; the slow constant is learnt from one or more")
    for number, one in enumerate(warm_ups, 1):
        fewest = min((len(series.values) for series in one), default=0)
        if fewest < FEWEST:
            raise RequestError(
                f"warm-up {number} has {fewest} probings; give {FEWEST} or more of each mode"
            )
    each, single = ([_profile(one, pair=pair) for one in warm_ups] for pair in (True, False))
    gain = sum(one.cost - two.cost for one, two in zip(single, each, strict=True))
    pair = gain > chi_square_quantile(0.99, 2 * sum(len(one) for one in warm_ups))
    each = each if pair else single
    # what the constant varies by from one warm-up to the next, beyond what each is known to
    logs, within = np.log([one.slow for one in each]), np.mean([one.spread**2 for one in each])
    varies = max(0.0, float(np.var(logs, ddof=1) - within)) if len(each) > 1 else 0.0
    together = _profile([series for one in warm_ups for series in one], pair=pair)
    centre, known = together.slow, together.spread
    if varies > within:  # so much that one constant for all would not do
        centre, known = float(np.exp(logs.mean())), float(np.sqrt(varies / len(each)))
    longest = max(series.span for one in warm_ups for series in one)
    for number, one in enumerate(warm_ups, 1):
        span = max(series.span for series in one)
        if centre > span / 3:
            looks = f"of {centre:.0f} min that it looks like" if centre < longest else "it has"
            raise RequestError(
                f"warm-up {number} lasts {span:.0f} min, less than three times the slow constant "
                f"{looks}; let one run longer"
            )
    spread = float(np.sqrt(known**2 + max(varies, _LEAST_SPREAD**2)))
    return Constants(centre, spread, len(warm_ups))


class _Learnt(NamedTuple):
    slow: float
    spread: float
    cost: float


def _profile(modes_over_time: Sequence[Series], *, pair: bool) -> _Learnt:
    """Give the slow constant that suits all of them best."""
    step = min(float(np.median(np.diff(series.minutes))) for series in modes_over_time)
    span = max(series.span for series in modes_over_time)
    slow = np.geomspace(step, span, 2 * _GRID)
    for _ in range(4):
        cost = np.zeros(len(slow))
        for series in modes_over_time:
            cost += _costs(series, slow, pair=pair)
        best = int(np.argmin(cost))
        # where the cost has risen by one: a standard deviation of the logarithm on either side
        near = np.flatnonzero(cost <= cost[best] + 1.0)
        ends = max(near[0] - 1, 0), min(near[-1] + 1, len(slow) - 1)
        spread = float(np.log(slow[ends[1]] / slow[ends[0]])) / 2
        found = _Learnt(float(slow[best]), spread, float(cost[best]))
        slow = np.geomspace(slow[ends[0]], slow[ends[1]], 2 * _GRID)
    return found


def _costs(series: Series, slow: Floats, *, pair: bool) -> Floats:
    """Sum of squares left, in variances of the readings, for each slow constant."""
    time, values = series.minutes - series.minutes[0], series.values - series.values.mean()
    weights = _weights(series)
    if pair:
        return _solve(time, values, weights, slow, None).cost
    design = np.stack(np.broadcast_arrays(1.0, np.exp(-time / slow[:, None])), 2)
    amplitudes, _ = _linear(design, values, weights)
    left = values - np.einsum("kni,ki->kn", design, amplitudes)
    cost: Floats = left**2 @ weights
    return cost


def _weights(series: Series) -> Floats:
    """Weights by sigma, or by the scatter about the best pair of decays."""
    time, values = series.minutes - series.minutes[0], series.values - series.values.mean()
    equal = np.ones(len(values))
    slow = np.geomspace(float(np.median(np.diff(time))), series.span, _GRID)
    given = equal if series.sigma is None else series.sigma**-2.0
    scatter = _solve(time, values, given, slow, None).cost.min() / (len(values) - 5)
    # scatter beyond the sigmas counts; less than them does not
    return given / max(float(scatter), 1e-18 if series.sigma is None else 1.0)
