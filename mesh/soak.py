"""Soak: whether a bed has stopped changing shape, how much is still to come, and when.

A warm-up is a sum of a fast decay (the plate) and a slow one (frame, screws, gantry). A heater
holds its own sensor, so a steady temperature says nothing about the slow one; the probed modes do.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from mesh.modes import modes
from probes.errors import RequestError
from probes.quantiles import chi_square_quantile, normal_quantile, student_quantile
from probes.run import Floats, Run, frozen

__all__ = [
    "ENCLOSED",
    "OPEN",
    "Constants",
    "DriftRange",
    "ModeSoak",
    "Series",
    "Soak",
    "drift_range",
    "learn_constants",
    "mode_series",
    "rounds",
    "soak",
]

_FEWEST = 7
"""Probings from which two decays are fitted."""
_SURE = 0.995
"""Two-sided confidence that so little remains before a bed is called settled: it is asked anew
after each probing, and must not be wrong in one warm-up of a hundred."""
_LEAST_SPREAD = 0.05
"""A machine's slow constant repeats no better than this part of it (common practice, no source)."""
_APART = 1.6
"""A slow constant is at least so many times a fast one: closer ones cannot be told apart."""
_SAME_PLACE_MM = 0.05
_GRID = 25
_MOST_FOR_START = 500
"""Readings from which a first guess at the fast constant is made; then all count."""
_NAMES = ("fall_x", "fall_y", "twist", "bow_x", "bow_y")


@dataclass(frozen=True, eq=False)
class Series:
    """One mode over time.

    Parameters
    ----------
    name : str
        Of the mode.
    minutes : array_like, shape (n,)
        When it was probed, rising.
    values : array_like, shape (n,)
        Its value, mm.
    sigma : float or array_like, optional
        Standard deviation of the values, mm; told from their own scatter if not given.

    Raises
    ------
    RequestError
        If lengths differ, a value is not finite, times do not rise or a sigma is not above zero.
    """

    name: str
    minutes: Floats
    values: Floats
    sigma: Floats | None = None

    def __post_init__(self) -> None:
        for name in ("minutes", "values"):
            object.__setattr__(self, name, frozen(getattr(self, name)))
        count = len(self.values)
        if self.sigma is not None:
            each = np.broadcast_to(self.sigma, count) if np.ndim(self.sigma) == 0 else self.sigma
            object.__setattr__(self, "sigma", frozen(each))
        lengths = {len(self.minutes), count, count if self.sigma is None else len(self.sigma)}
        if len(lengths) > 1 or count < 2:
            raise RequestError(f"{self.name}: give two probings or more, each with its minutes")
        if not np.isfinite([*self.minutes, *self.values]).all():
            raise RequestError(f"{self.name}: a time or value is not finite; leave it out")
        if (np.diff(self.minutes) <= 0).any():
            raise RequestError(f"{self.name}: times must rise from one probing to the next")
        if self.sigma is not None and not (np.isfinite(self.sigma) & (self.sigma > 0)).all():
            raise RequestError(f"{self.name}: standard deviations must be above 0 mm")

    @property
    def span(self) -> float:
        """Time from the first probing to the last, minutes."""
        return float(self.minutes[-1] - self.minutes[0])


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


@dataclass(frozen=True)
class ModeSoak:
    """How far one mode has settled.

    Attributes
    ----------
    name : str
        Of the mode.
    settled : bool
        Whether no more than the tolerance is to come.
    drift, drift_sigma : float or None
        How fast it moves over the last half of the slow constant, mm per minute; None where two
        probings are not there.
    bound : float or None
        The slow constant times the largest likely drift, mm: more does not remain where all parts
        move the same way.
    remaining : float or None
        How far it is still to move, mm, with sign.
    interval : (float, float) or None
        95 % interval of that.
    ready_in_min : float or None
        When the whole interval is within the tolerance for good; None if it cannot be told.
    tau_min : (float, float) or None
        The fast and the slow constant that fit best.
    why : str
        A sentence.
    """

    name: str
    settled: bool
    drift: float | None
    drift_sigma: float | None
    bound: float | None
    remaining: float | None
    interval: tuple[float, float] | None
    ready_in_min: float | None
    tau_min: tuple[float, float] | None
    why: str


@dataclass(frozen=True)
class Soak:
    """Whether the bed has settled, by its slowest mode.

    Attributes
    ----------
    settled : bool
        Whether every mode has.
    worst : ModeSoak
        The mode with most to come.
    tolerance : float
        How much may remain, mm.
    constants : Constants
        The slow constant this rests on.
    modes : tuple of ModeSoak
        Every mode, in the order given.
    """

    settled: bool
    worst: ModeSoak
    tolerance: float
    constants: Constants
    modes: tuple[ModeSoak, ...]

    @property
    def remaining(self) -> float | None:
        """How far the worst mode is still to move, mm."""
        return self.worst.remaining

    @property
    def remaining_interval(self) -> tuple[float, float] | None:
        """95 % interval of that, mm."""
        return self.worst.interval

    @property
    def ready_in_min(self) -> float | None:
        """Minutes until every mode is within the tolerance; None if it cannot be told."""
        times = [mode.ready_in_min for mode in self.modes]
        return None if None in times else max(time for time in times if time is not None)

    @property
    def tau_min(self) -> float:
        """The slow constant of the worst mode, or what is taken for it, minutes."""
        return self.worst.tau_min[1] if self.worst.tau_min else self.constants.tau_slow

    @property
    def why(self) -> str:
        """A sentence."""
        return self.worst.why


def soak(series: Sequence[Series], *, tolerance: float, constants: Constants = OPEN) -> Soak:
    """Tell whether a bed has settled.

    Parameters
    ----------
    series : sequence of Series
        The modes that matter, over one warm-up.
    tolerance : float
        How much of a mode may still be to come, mm.
    constants : Constants, default OPEN
        What is known of the machine's slow constant: `learn_constants`, or OPEN or ENCLOSED.

    Returns
    -------
    Soak
        The answer.

    Raises
    ------
    RequestError
        If there is no series, or the tolerance is not above zero.

    Notes
    -----
    A mode is ``c + A exp(-t/slow) + B exp(-t/fast)``, fast at most slow / 1.6. Amplitudes are
    linear; the interval of what remains is the profile likelihood's over the slow constant, in
    which what is known of that counts as one more reading, unless the readings are clearly against
    it. So a plateau between two drifts that cancel for a while does not pass, nor does one decay
    that fits a short window.

    With a learnt constant a mode is settled when the interval (99.5 %) is within the tolerance and
    the probings span half the constant. With a guessed one, moreover, ``slow (|drift| + 1.645
    sigma)`` must be below the tolerance in two windows in a row, each half the constant or more.

    References
    ----------
    W. Venzon, S. Moolgavkar, A method for computing profile-likelihood-based confidence intervals,
    1988. G. Golub, V. Pereyra, separable least squares, 1973.

    Examples
    --------
    >>> t = np.arange(0.0, 31.0)
    >>> bow = Series("bow_x", t, 0.080 * np.exp(-t / 6) + 0.040 * np.exp(-t / 35), 0.001)
    >>> found = soak([bow], tolerance=0.005, constants=Constants(35, 0.05, 3))
    >>> found.settled, round(found.remaining, 3), round(found.ready_in_min, -1)
    (False, -0.018, 60.0)
    """
    if not series:
        raise RequestError("no mode is given; soak needs one or more over time")
    if not 0 < tolerance < np.inf:
        raise RequestError(f"the tolerance is {tolerance:g} mm; it must be above 0")
    judged = tuple(_judge(one, tolerance, constants) for one in series)

    def left(mode: ModeSoak) -> tuple[bool, float]:
        return not mode.settled, max(map(abs, mode.interval)) if mode.interval else np.inf

    return Soak(
        settled=all(mode.settled for mode in judged),
        worst=max(judged, key=left),
        tolerance=tolerance,
        constants=constants,
        modes=judged,
    )


def _judge(series: Series, tolerance: float, constants: Constants) -> ModeSoak:
    slow, now = constants.tau_slow, float(series.minutes[-1])
    drift, drift_sigma = _slope(series, now - slow / 2, now) or (None, None)
    bound = None if drift is None or drift_sigma is None else _bound(drift, drift_sigma, slow)
    least = slow / 2 if constants.learnt else slow
    if len(series.values) < _FEWEST:
        why = f"{len(series.values)} probings cannot tell; {_FEWEST} or more are needed"
        return ModeSoak(
            series.name, False, drift, drift_sigma, bound, None, None, None, None, why
        )  # fmt: skip
    decays = _fit(series, constants)
    low, high = decays.interval(0.95)
    sure = max(map(abs, decays.interval(_SURE))) < tolerance
    flat = constants.learnt or _flat(series, slow, tolerance)
    long_enough = series.span >= least - 1e-9
    settled = long_enough and flat and sure
    fast, fitted = decays.best_constants
    knows = constants.learnt or series.span >= 3 * max(slow, fitted)
    ready = 0.0 if settled else decays.ready(tolerance, least - series.span) if knows else None
    likely = f"{low:+z.3f} to {high:+z.3f} mm is still to come"
    if not constants.learnt:
        likely += f" by a guessed slow constant of {slow:.0f} min"
    if settled:
        why = f"{series.name}: {likely}, within {tolerance:.3f} mm"
    elif not long_enough:
        why = (
            f"{series.name}: {series.span:.0f} min are too short to tell; a slow constant of "
            f"{slow:.0f} min asks for {least:.0f} min or more"
        )
    elif not sure:
        why = f"{series.name}: {likely}, not surely within {tolerance:.3f} mm"
    else:
        why = f"{series.name}: the drift has not been low in two windows of {slow / 2:.0f} min"
    return ModeSoak(
        name=series.name,
        settled=settled,
        drift=drift,
        drift_sigma=drift_sigma,
        bound=bound,
        remaining=decays.remaining,
        interval=(low, high),
        ready_in_min=ready,
        tau_min=(fast, fitted),
        why=why,
    )


def _bound(drift: float, sigma: float, slow: float) -> float:
    return slow * (abs(drift) + normal_quantile(0.95) * sigma)


def _flat(series: Series, slow: float, tolerance: float) -> bool:
    """Whether the drift was low in two windows in a row; noisy modes need longer ones."""
    now = float(series.minutes[-1])
    for width in slow / 2 * np.array((1.0, 1.5, 2.0, 3.0)):
        if 2 * width > series.span + 1e-9:
            return False
        windows = (now - width, now), (now - 2 * width, now - width)
        slopes = [_slope(series, *window) for window in windows]
        if all(one is not None and _bound(*one, slow) < tolerance for one in slopes):
            return True
    return False


def _slope(series: Series, start: float, end: float) -> tuple[float, float] | None:
    """Slope over a window and its standard deviation, mm per minute; None if it cannot be told."""
    part = (series.minutes >= start - 1e-9) & (series.minutes <= end + 1e-9)
    count = int(part.sum())
    if count < (2 if series.sigma is not None else 3):
        return None
    weights = np.ones(count) if series.sigma is None else 1 / series.sigma[part] ** 2
    times, values = series.minutes[part], series.values[part]
    inside = times - weights @ times / weights.sum()
    total = float(weights @ inside**2)
    slope = float((weights * inside) @ values) / total
    if series.sigma is not None:
        return slope, total**-0.5
    left = values - values.mean() - slope * inside
    return slope, float(np.sqrt(left @ left / (count - 2) / total))


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


class _Decays(NamedTuple):
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


def _fit(series: Series, constants: Constants) -> _Decays:
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
    reach = _reach(_SURE, None if known else freedom) ** 2
    start = None
    for _ in range(3):
        found = _solve(time, values, weights, slow, start)
        scale = max(1.0, float(found.cost.min()) / freedom)
        cost = found.cost / scale + _against(found.slow, constants, reach + 4)
        near = np.flatnonzero(cost <= cost.min() + reach + 1)
        ends = max(near[0] - 1, 0), min(near[-1] + 1, len(slow) - 1)
        slow = np.geomspace(slow[ends[0]], slow[ends[1]], _GRID)
        start = np.interp(slow, found.slow, found.fast)
    return _Decays(found, cost, scale, None if known else freedom, series.span)


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
        if fewest < _FEWEST:
            raise RequestError(
                f"warm-up {number} has {fewest} probings; give {_FEWEST} or more of each mode"
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


def rounds(run: Run) -> tuple[Run, ...]:
    """Part a run that goes over the same few places again and again into its rounds.

    Parameters
    ----------
    run : Run
        With the minutes of its touches, in the order taken. Touches of a place in a row are one
        visit.

    Returns
    -------
    tuple of Run
        The whole rounds; a last one that was broken off is left out.

    Raises
    ------
    RequestError
        If the run has no minutes.

    Examples
    --------
    >>> run = Run(x=[0, 9, 0] * 2, y=[0, 0, 9] * 2, z=[1, 2, 3, 4, 5, 6], minutes=range(6))
    >>> [one.z.tolist() for one in rounds(run)]
    [[1.0, 2.0, 3.0], [4.0, 5.0, 6.0]]
    """
    if run.minutes is None:
        raise RequestError(f"{run.source}: no minutes; a soak needs the time of each touch")
    place = run.places.of_touch
    starts = np.concatenate(([True], np.diff(place) != 0))
    visit = np.zeros(len(run), dtype=np.intp)
    for one in range(len(run.places)):
        visit[place == one] = np.cumsum(starts[place == one]) - 1
    whole = min(int(visit[place == one].max()) for one in range(len(run.places)))
    parts = [np.flatnonzero(visit == number) for number in range(whole + 1)]
    return tuple(
        Run(run.x[part], run.y[part], run.z[part], minutes=run.minutes[part], source=run.source)
        for part in parts
    )


def mode_series(
    runs: Sequence[Run],
    minutes: npt.ArrayLike | None = None,
    *,
    sigma: float | None = None,
) -> tuple[Series, ...]:
    """Give the modes of several runs over time.

    Parameters
    ----------
    runs : sequence of Run
        Of the same places, in the order probed.
    minutes : array_like, shape (runs,), optional
        When each was probed; from the runs (started, minutes) if not given.
    sigma : float, optional
        Repeatability of a touch, mm.

    Returns
    -------
    tuple of Series
        height (the mean of the places), and the falls, twist and bows that the places tell.

    Raises
    ------
    RequestError
        If there are not two runs, a time is not known, or places differ.
    """
    if len(runs) < 2:
        raise RequestError("modes over time need two runs or more")
    times = _times(runs) if minutes is None else np.asarray(minutes, dtype=np.float64)
    if len(times) != len(runs):
        raise RequestError(f"{len(times)} times for {len(runs)} runs; give one for each")
    first = runs[0].places
    values: dict[str, list[float]] = {"height": []}
    factors: dict[str, list[float]] = {"height": []}
    for run in runs:
        places = run.places
        orders = [np.lexsort((np.round(p.y, 1), np.round(p.x, 1))) for p in (first, places)]
        if len(places) != len(first) or any(
            np.abs(getattr(first, axis)[orders[0]] - getattr(places, axis)[orders[1]]).max()
            > _SAME_PLACE_MM
            for axis in "xy"
        ):
            raise RequestError(
                f"{run.source}: not the places of {runs[0].source}; probe the same ones each time"
            )
        spread = 1 / np.sqrt(places.touches)
        shape = modes(places.x, places.y, places.z, spread=spread)
        values["height"].append(float(places.z.mean()))
        factors["height"].append(float(np.sqrt(spread @ spread)) / len(places))
        for name in _NAMES:
            mode = getattr(shape, name)
            if mode is not None:
                values.setdefault(name, []).append(mode.value)
                factors.setdefault(name, []).append(mode.factor)
    return tuple(
        Series(
            name, times, np.array(values[name]), None if sigma is None else sigma * np.array(factor)
        )
        for name, factor in factors.items()
    )


def _times(runs: Sequence[Run]) -> Floats:
    """Middle of each run, minutes from the start of the first."""
    started = [run.started for run in runs]
    times = []
    for run in runs:
        within = 0.0 if run.minutes is None else float(run.minutes.mean())
        if None not in started and run.started is not None and started[0] is not None:
            within += (run.started - started[0]).total_seconds() / 60
        elif run.minutes is None:
            raise RequestError(f"{run.source}: its time is not known; give the minutes of each run")
        times.append(within)
    return np.array(times)


@dataclass(frozen=True)
class DriftRange:
    """Environmental drift of one mode: how far it wandered over a stated time.

    Attributes
    ----------
    name : str
        Of the mode.
    period : float
        The stated time, minutes.
    whole : float
        Largest range over any such time, mm.
    after_warm_up : float or None
        The same without the warm-up; None if less than the stated time is left.
    temperatures : (float, float) or None
        Lowest and highest over the whole series, degC.
    temperatures_after : (float, float) or None
        The same without the warm-up.
    """

    name: str
    period: float
    whole: float
    after_warm_up: float | None
    temperatures: tuple[float, float] | None
    temperatures_after: tuple[float, float] | None


def drift_range(
    series: Series,
    *,
    period: float = 60.0,
    warm_up: float = 0.0,
    temperature: npt.ArrayLike | None = None,
) -> DriftRange:
    """Give the range of a mode over a stated time, with and without the warm-up.

    Parameters
    ----------
    series : Series
        The mode.
    period : float, default 60
        The stated time, minutes.
    warm_up : float, default 0
        How long the warm-up took, minutes from the first probing.
    temperature : array_like, shape (n,), optional
        At each probing, degC.

    Raises
    ------
    RequestError
        If the series is shorter than the stated time, or temperatures differ from it in number.

    References
    ----------
    ISO 230-3:2020, environmental temperature variation error test, in its manner: a range over a
    stated time, with the temperatures (value from memory).

    Examples
    --------
    >>> drift = drift_range(Series("twist", [0, 30, 60, 90, 120], [0, 5, 7, 7, 8]), warm_up=60)
    >>> drift.whole, drift.after_warm_up
    (7.0, 1.0)
    """
    if not 0 < period <= series.span:
        raise RequestError(
            f"{series.name}: a time of {period:g} min was asked for, and {series.span:g} min were "
            "probed; state a shorter one"
        )
    heat = None if temperature is None else np.asarray(temperature, dtype=np.float64).ravel()
    if heat is not None and (len(heat) != len(series.values) or not np.isfinite(heat).all()):
        raise RequestError(f"{series.name}: give one finite temperature for each probing")
    after = series.minutes >= series.minutes[0] + warm_up - 1e-9

    def widest(part: npt.NDArray[np.bool_]) -> float | None:
        times, values = series.minutes[part], series.values[part]
        if not len(times) or times[-1] - times[0] < period - 1e-9:
            return None
        return max(
            float(np.ptp(values[(times >= start) & (times <= start + period + 1e-9)]))
            for start in times
        )

    def ends(part: npt.NDArray[np.bool_]) -> tuple[float, float] | None:
        if heat is None or not part.any():
            return None
        return float(heat[part].min()), float(heat[part].max())

    everything = np.ones(len(after), dtype=bool)
    return DriftRange(
        name=series.name,
        period=period,
        whole=widest(everything) or 0.0,
        after_warm_up=widest(after),
        temperatures=ends(everything),
        temperatures_after=ends(after),
    )
