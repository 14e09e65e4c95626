"""Soak: whether a bed has stopped changing shape, how much is still to come, and when.

A warm-up is a sum of a fast decay (the plate) and a slow one (frame, screws, gantry). A heater
holds its own sensor, so a steady temperature says nothing about the slow one; the probed modes do.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from mesh.decays import FEWEST, OPEN, SURE, Constants, fit_decays
from mesh.series import Series
from probes.errors import RequestError
from probes.quantiles import normal_quantile

__all__ = ["ModeSoak", "Soak", "soak"]


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
    if len(series.values) < FEWEST:
        why = f"{len(series.values)} probings cannot tell; {FEWEST} or more are needed"
        return ModeSoak(
            series.name, False, drift, drift_sigma, bound, None, None, None, None, why
        )  # fmt: skip
    decays = fit_decays(series, constants)
    low, high = decays.interval(0.95)
    sure = max(map(abs, decays.interval(SURE))) < tolerance
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
