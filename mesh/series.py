"""Series: modes over time, from runs or from rounds over a few places, and how far they wander."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from mesh.modes import modes
from probes.errors import RequestError
from probes.run import Floats, Run, frozen

__all__ = ["DriftRange", "Series", "drift_range", "mode_series", "rounds", "shape_series"]

_SAME_PLACE_MM = 0.05
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
        if len(places) != len(first) or any(
            np.abs(
                getattr(first, axis)[first.by_position] - getattr(places, axis)[places.by_position]
            ).max()
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


def shape_series(
    runs: Sequence[Run],
    minutes: npt.ArrayLike | None = None,
    *,
    sigma: float | None = None,
) -> tuple[Series, ...]:
    """Give the modes over time without the height, which homing sets anew.

    Parameters and faults are those of `mode_series`.

    Raises
    ------
    RequestError
        If the places tell no tilt and no shape, besides.
    """
    found = tuple(one for one in mode_series(runs, minutes, sigma=sigma) if one.name != "height")
    if not found:
        raise RequestError(
            f"{runs[0].source}: its {len(runs[0].places)} places show no tilt or shape of their "
            "own; probe four places or more, not on one line"
        )
    return found


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
