"""Trend: whether a figure of a machine stays what it was from run to run."""

from dataclasses import dataclass
from typing import Literal

import numpy as np
import numpy.typing as npt

from probes.chart import IndividualsChart, individuals_chart
from probes.errors import RequestError
from probes.run import Floats, frozen

__all__ = [
    "CusumChart",
    "EwmaChart",
    "Signal",
    "Trend",
    "cusum_chart",
    "ewma_chart",
    "trend",
]

WEIGHT = 0.3
WIDTH = 3.0
ALLOWANCE_SIGMAS = 0.5
DECISION_SIGMAS = 5.0
"""Half a standard deviation and five: a shift by one standard deviation shows after 10 runs, and
one run in 465 is a false alarm (NIST/SEMATECH e-Handbook 6.3.2.3.1)."""

_ROUNDING = 1e-12

Chart = Literal["single", "average", "sum"]


@dataclass(frozen=True, eq=False)
class EwmaChart:
    """Chart of exponentially weighted averages: shows small shifts that last.

    Attributes
    ----------
    averages : ndarray, shape (n,)
        After each value.
    lower, upper : ndarray, shape (n,)
        Limits after each value; they widen to their final width.
    outside : tuple of int
        Values after which the average is beyond a limit, from 0.
    """

    averages: Floats
    lower: Floats
    upper: Floats
    outside: tuple[int, ...]


@dataclass(frozen=True, eq=False)
class CusumChart:
    """Chart of cumulative sums in a table: shows small shifts that last, and since when.

    Attributes
    ----------
    above, below : ndarray, shape (n,)
        Sums of what is above and below the target by more than the allowance, after each value.
    decision : float
        The sum beyond which it signals.
    outside : tuple of int
        Values after which a sum is beyond it, from 0.
    """

    above: Floats
    below: Floats
    decision: float
    outside: tuple[int, ...]

    def since(self, k: int) -> int:
        """Give the value, from 0, since which the larger sum at value k has been above nothing."""
        sums = self.above if self.above[k] >= self.below[k] else self.below
        nothing = np.flatnonzero(sums[: k + 1] <= 0)
        return min(int(nothing[-1]) + 1, k) if len(nothing) else 0


@dataclass(frozen=True)
class Signal:
    """A value at which a chart says that the figure is not what it was.

    Attributes
    ----------
    index : int
        The value, from 0.
    time : float
        Its time.
    value : float
        The value.
    chart : {"single", "average", "sum"}
        Which chart says so.
    up : bool
        Whether the figure went up.
    since : int
        The value with which the change seems to have begun, from 0.
    """

    index: int
    time: float
    value: float
    chart: Chart
    up: bool
    since: int


@dataclass(frozen=True, eq=False)
class Trend:
    """What three charts say of a figure over time.

    Attributes
    ----------
    times, values : ndarray, shape (n,)
        The figure over time.
    baseline : int
        How many of the first values the level and the spread are from.
    centre, sigma : float
        That level, and the standard deviation from value to value.
    single : IndividualsChart
        Limits of single values; its `outside` counts all values.
    average : EwmaChart
        Weighted averages.
    sum : CusumChart
        Cumulative sums.
    signals : tuple of Signal
        In the order of the values; of each chart, the first of every stretch of signals.
    """

    times: Floats
    values: Floats
    baseline: int
    centre: float
    sigma: float
    single: IndividualsChart
    average: EwmaChart
    sum: CusumChart
    signals: tuple[Signal, ...]

    @property
    def steady(self) -> bool:
        """Whether no chart signals."""
        return not self.signals


def ewma_chart(
    values: npt.ArrayLike,
    *,
    start: float,
    sigma: float,
    weight: float = WEIGHT,
    width: float = WIDTH,
) -> EwmaChart:
    """Make a chart of exponentially weighted averages.

    Parameters
    ----------
    values : array_like, shape (n,)
        Values in the order taken.
    start : float
        The average before the first: the level to hold.
    sigma : float
        Standard deviation of a value.
    weight : float
        Weight of the newest value, above 0 up to 1.
    width : float
        Half width of the limits, in standard deviations of the average.

    Raises
    ------
    RequestError
        If a value is not a finite number, or a setting is impossible.

    References
    ----------
    NIST/SEMATECH e-Handbook 6.3.2.4. S. W. Roberts, "Control chart tests based on geometric moving
    averages", Technometrics 1 (1959) 239-250. Limits that widen with the count: J. M. Lucas and
    M. S. Saccucci, Technometrics 32 (1990) 1-12, equation 2.

    Examples
    --------
    >>> chart = ewma_chart([52, 47, 53, 49.3], start=50, sigma=2.0539)
    >>> chart.averages, chart.outside
    (array([50.6   , 49.52  , 50.564 , 50.1848]), ())
    """
    x = _checked(values, 1)
    if not 0 < weight <= 1:
        raise RequestError(f"weight of the newest value {weight:g}: must be above 0 and up to 1")
    _check_positive("width of the limits", width, zero=False)
    _check_positive("standard deviation", sigma, zero=True)
    averages = np.empty(len(x))
    average = start
    for k, value in enumerate(x.tolist()):
        average += weight * (value - average)
        averages[k] = average
    after = 1 - (1 - weight) ** (2 * np.arange(1.0, len(x) + 1))
    half = width * sigma * np.sqrt(weight / (2 - weight) * after)
    beyond = np.abs(averages - start) > half + _slack(x)
    return EwmaChart(frozen(averages), frozen(start - half), frozen(start + half), _where(beyond))


def cusum_chart(
    values: npt.ArrayLike, *, target: float, allowance: float, decision: float
) -> CusumChart:
    """Make a table of cumulative sums.

    Parameters
    ----------
    values : array_like, shape (n,)
        Values in the order taken.
    target : float
        The level to hold.
    allowance : float
        How far off it a value may be without counting: half the shift that is to be found.
    decision : float
        The sum beyond which it signals.

    Raises
    ------
    RequestError
        If a value is not a finite number, or a setting is impossible.

    References
    ----------
    NIST/SEMATECH e-Handbook 6.3.2.3. E. S. Page, "Continuous inspection schemes", Biometrika 41
    (1954) 100-115.

    Examples
    --------
    >>> chart = cusum_chart([0, 0, 2, 2, 2], target=0, allowance=0.5, decision=4)
    >>> chart.above, chart.outside, chart.since(4)
    (array([0. , 0. , 1.5, 3. , 4.5]), (4,), 2)
    """
    x = _checked(values, 1)
    _check_positive("allowance", allowance, zero=True)
    _check_positive("decision sum", decision, zero=True)
    above, below = np.empty(len(x)), np.empty(len(x))
    high = low = 0.0
    for k, value in enumerate(x.tolist()):
        high = max(0.0, high + value - target - allowance)
        low = max(0.0, low + target - value - allowance)
        above[k], below[k] = high, low
    beyond = np.maximum(above, below) > decision + _slack(x)
    return CusumChart(frozen(above), frozen(below), float(decision), _where(beyond))


def trend(
    values: npt.ArrayLike, times: npt.ArrayLike | None = None, *, baseline: int | None = None
) -> Trend:
    """See whether a figure stays what it was.

    The level and the spread from value to value come from the first values; three charts judge all
    of them: single values (a large jump), weighted averages and cumulative sums (a small shift that
    lasts). Begin anew after a change that was meant, such as a new plate.

    Parameters
    ----------
    values : array_like, shape (n,)
        A figure of each run, such as its twist, mm.
    times : array_like, shape (n,), optional
        When, in any unit; must not go back. Counts from 0 if not given.
    baseline : int, optional
        How many of the first values to take the level and the spread from, at least 2; all if not
        given. Fewer than 20 make limits that are themselves uncertain.

    Raises
    ------
    RequestError
        If there are fewer than two values, lengths differ, a value is not a finite number, or times
        go back.

    References
    ----------
    NIST/SEMATECH e-Handbook 6.3.2.2 to 6.3.2.4; W. A. Shewhart, Economic Control of Quality of
    Manufactured Product, 1931. The spread is the mean moving range over 1.128, so that slow change
    does not widen the limits.

    Examples
    --------
    >>> calm = [0.02, 0.00, 0.01, 0.03, 0.01, 0.02, 0.00, 0.02]
    >>> trend(calm).steady
    True
    >>> found = trend(calm + [0.09, 0.10], baseline=8)
    >>> [(signal.index, signal.chart, signal.up) for signal in found.signals]
    [(8, 'single', True), (8, 'average', True), (9, 'sum', True)]
    """
    x = _checked(values, 2)
    when = np.arange(float(len(x))) if times is None else _checked(times, 2, "times")
    if len(when) != len(x):
        raise RequestError(f"trend: {len(x)} values and {len(when)} times; give one for each")
    if (np.diff(when) < 0).any():
        at = int(np.argmax(np.diff(when) < 0))
        raise RequestError(f"trend: time {at + 2} lies before time {at + 1}; put the runs in order")
    count = len(x) if baseline is None else baseline
    if not 2 <= count <= len(x):
        raise RequestError(f"baseline of {count}: must be 2 to {len(x)}, the number of values")
    first = individuals_chart(x[:count])
    beyond = (x > first.upper + _slack(x)) | (x < first.lower - _slack(x))
    single = IndividualsChart(
        first.centre, first.moving_range, first.lower, first.upper, _where(beyond)
    )
    centre, sigma = single.centre, single.sigma
    average = ewma_chart(x, start=centre, sigma=sigma)
    total = cusum_chart(
        x, target=centre, allowance=ALLOWANCE_SIGMAS * sigma, decision=DECISION_SIGMAS * sigma
    )
    signals = [
        *(Signal(k, float(when[k]), float(x[k]), "single", bool(x[k] > centre), k)
          for k in _firsts(single.outside)),
        *(Signal(k, float(when[k]), float(x[k]), "average", bool(average.averages[k] > centre),
                 total.since(k))
          for k in _firsts(average.outside)),
        *(Signal(k, float(when[k]), float(x[k]), "sum", bool(total.above[k] > total.below[k]),
                 total.since(k))
          for k in _firsts(total.outside)),
    ]  # fmt: skip
    signals.sort(key=lambda signal: signal.index)
    return Trend(
        frozen(when), frozen(x), count, centre, sigma, single, average, total, tuple(signals)
    )


def _checked(values: npt.ArrayLike, least: int, what: str = "values") -> Floats:
    x = np.asarray(values, dtype=np.float64)
    if x.ndim != 1 or len(x) < least:
        raise RequestError(f"trend: {what} of shape {x.shape}; give a list of at least {least}")
    if not np.isfinite(x).all():
        at = int(np.argmin(np.isfinite(x)))
        raise RequestError(f"trend: number {at + 1} of the {what} is {x[at]}; leave that run out")
    return x


def _check_positive(what: str, value: float, *, zero: bool) -> None:
    if not (np.isfinite(value) and (value > 0 or (zero and value == 0))):
        raise RequestError(
            f"{what} {value:g}: must be a number {'not below' if zero else 'above'} 0"
        )


def _slack(x: Floats) -> float:
    """Give what rounding may do to a value: equal values are no signal."""
    return _ROUNDING * max(1.0, float(np.abs(x).max()))


def _where(beyond: npt.NDArray[np.bool_]) -> tuple[int, ...]:
    return tuple(int(k) for k in np.flatnonzero(beyond))


def _firsts(outside: tuple[int, ...]) -> list[int]:
    """Give the first of every stretch."""
    all_of_them = set(outside)
    return [k for k in outside if k - 1 not in all_of_them]
