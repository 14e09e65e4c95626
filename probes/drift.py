"""Drift: whether the readings wander while a run is taken, told by places touched again later."""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from probes.quantiles import normal_quantile, student_quantile
from probes.run import Floats, Ints, Run

__all__ = ["Drift", "LineFit", "correct_drift", "find_drift", "fit_line"]


@dataclass(frozen=True)
class LineFit:
    """A least-squares line ``y = intercept + slope (x - origin)``.

    Attributes
    ----------
    intercept, slope : float
        The line.
    intercept_sigma, slope_sigma : float
        Their standard deviations.
    correlation : float
        Of intercept and slope.
    sigma : float
        Standard deviation of the residuals.
    origin : float
        Where the intercept holds.
    """

    intercept: float
    slope: float
    intercept_sigma: float
    slope_sigma: float
    correlation: float
    sigma: float
    origin: float

    def at(self, x: float) -> tuple[float, float]:
        """Give the line's height at x and its standard deviation."""
        step = x - self.origin
        variance = self.intercept_sigma**2 + (step * self.slope_sigma) ** 2
        variance += 2 * step * self.correlation * self.intercept_sigma * self.slope_sigma
        return self.intercept + self.slope * step, float(np.sqrt(variance))


def fit_line(x: npt.ArrayLike, y: npt.ArrayLike, *, origin: float = 0.0) -> LineFit:
    """Fit a line.

    Parameters
    ----------
    x, y : array_like, shape (n,), n >= 3
        Points.
    origin : float
        Where the intercept is wanted.

    References
    ----------
    JCGM 100:2008 (GUM), H.3: a calibration line with its correlation.
    """
    steps = np.asarray(x, dtype=np.float64) - origin
    heights = np.asarray(y, dtype=np.float64)
    n = len(steps)
    design = np.column_stack((np.ones(n), steps))
    factor = np.linalg.inv(design.T @ design)
    intercept, slope = factor @ (design.T @ heights)
    residuals = heights - intercept - slope * steps
    sigma = float(np.sqrt(residuals @ residuals / (n - 2)))
    return LineFit(
        intercept=float(intercept),
        slope=float(slope),
        intercept_sigma=sigma * float(np.sqrt(factor[0, 0])),
        slope_sigma=sigma * float(np.sqrt(factor[1, 1])),
        correlation=float(factor[0, 1] / np.sqrt(factor[0, 0] * factor[1, 1])),
        sigma=sigma,
        origin=origin,
    )


@dataclass(frozen=True)
class Drift:
    """A straight drift over a run.

    Attributes
    ----------
    value : float
        From the first touch to the last, mm; positive: the readings rise.
    sigma : float
        Its standard deviation, mm.
    interval : (float, float)
        95 % interval, mm.
    significant : bool
        Whether zero lies outside the interval.
    closure : float or None
        Last touch less first where both are of one place, mm.
    by_time : bool
        Whether times of the touches were known; else their order stands for it.
    """

    value: float
    sigma: float
    interval: tuple[float, float]
    significant: bool
    closure: float | None
    by_time: bool


def find_drift(run: Run, *, sigma: float | None = None, freedom: int | None = None) -> Drift | None:
    """Find the drift of a run.

    Parameters
    ----------
    run : Run
        The run, its touches in the order taken.
    sigma : float, optional
        The probe's repeatability, mm, where it is known otherwise: a single return to a place then
        tells.
    freedom : int, optional
        Degrees of freedom of that, if it was estimated.

    Returns
    -------
    Drift or None
        None where no place was touched again after others: drift and tilt then look alike.

    Notes
    -----
    Each place keeps its own height, so the shape of the bed does not matter; what is fitted is the
    slope of the readings against time within places, over visits: touches in a row are one, so that
    a first touch that differs is no drift.
    """
    time, by_time = _time(run)
    whole = float(time[-1] - time[0])
    if whole <= 0:
        return None
    time = (time - time[0]) / whole
    of_touch = run.places.of_touch
    visits = _visits(of_touch) if len(run.places) > 1 else np.arange(len(run))
    counts = np.bincount(visits)
    when = np.bincount(visits, weights=time) / counts
    height = np.bincount(visits, weights=run.z) / counts
    place = of_touch[np.searchsorted(visits, np.arange(len(counts)))]
    stays = np.bincount(place)
    inside = when - (np.bincount(place, weights=when) / stays)[place]
    heights = height - (np.bincount(place, weights=height) / stays)[place]
    spread = float(inside @ inside)
    own = len(counts) - len(stays) - 1
    if spread < _LEAST_SPREAD:
        return None  # no place was gone back to later
    value = float(inside @ heights) / spread
    if sigma is None:
        sigma, freedom = _own_sigma(run, visits, counts, heights - value * inside, own)
        if freedom < 1:
            return None
    else:
        sigma /= float(np.sqrt(counts.mean()))
    sigma /= float(np.sqrt(spread))
    reach = normal_quantile(0.975) if freedom is None else student_quantile(0.975, freedom)
    closed = of_touch[0] == of_touch[-1] and len(run.places) > 1
    return Drift(
        value=value,
        sigma=sigma,
        interval=(value - reach * sigma, value + reach * sigma),
        significant=abs(value) > reach * sigma and abs(value) > _ROUNDING_MM,
        closure=float(run.z[-1] - run.z[0]) if closed else None,
        by_time=by_time,
    )


def _visits(of_touch: Ints) -> Ints:
    """Give each touch the number of its stay at a place: touches in a row are one."""
    return np.concatenate(([0], np.cumsum(np.diff(of_touch) != 0)))


def _own_sigma(
    run: Run, visits: Ints, counts: Ints, left: Floats, own: int
) -> tuple[float, int]:  # fmt: skip
    """Give sigma of a visit's mean, and its freedom, from what tells more: visits or touches."""
    inner = len(run) - len(counts)
    if own >= inner:
        return (float(np.sqrt(left @ left / own)) if own > 0 else 0.0), own
    about = run.z - (np.bincount(visits, weights=run.z) / counts)[visits]
    touch = float(np.sqrt(about @ about / inner))
    return touch / float(np.sqrt(counts.mean())), inner


_LEAST_SPREAD = 0.02
"""Sum of squared times within places (whole run = 1) below which there was no return."""

_ROUNDING_MM = 1e-9


def _time(run: Run) -> tuple[Floats, bool]:
    if run.minutes is not None and bool(np.all(np.diff(run.minutes) >= 0)) and np.ptp(run.minutes):
        return run.minutes, True
    return np.arange(len(run), dtype=np.float64), False


def correct_drift(run: Run, drift: Drift | None) -> Run:
    """Take a significant drift out of a run, to the height of its middle; else leave it.

    Parameters
    ----------
    run : Run
        The run.
    drift : Drift or None
        Its drift.
    """
    if drift is None or not drift.significant:
        return run
    time, _ = _time(run)
    part = (time - time[0]) / float(time[-1] - time[0]) - 0.5
    note = f"a drift of {drift.value:+.3f} mm over the run was taken out"
    return run.replace(z=run.z - drift.value * part, warnings=(*run.warnings, note))
