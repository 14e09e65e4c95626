"""Quality of a probe: how well it repeats, how finely it reads, and what is odd about it."""

from collections.abc import Sequence
from dataclasses import dataclass
from math import gcd, sqrt

import numpy as np

from probes.chart import IndividualsChart, individuals_chart
from probes.components import crossed_components, nested_components
from probes.drift import Drift, correct_drift, find_drift
from probes.errors import ReadError
from probes.outliers import DOUBTFUL, generalised_esd, modified_z
from probes.quantiles import chi_square_quantile, student_quantile
from probes.run import SAME_LINE_MM, Floats, Run

__all__ = [
    "FirstTouch",
    "Quality",
    "SetUps",
    "Suspect",
    "assess_quality",
    "find_resolution",
    "repeat_sigma",
    "sigma_interval",
    "suspect_touches",
]

_FEWEST_FOR_STEP = 8

_LATTICE_MM = 1e-7
"""Readings are compared on this lattice to find their step; no source prints finer ones."""


@dataclass(frozen=True)
class Suspect:
    """A touch that stands apart from the others at its place.

    Attributes
    ----------
    touch : int
        Its number in the run, from 1.
    x, y, z : float
        Where it was taken and what it read, mm.
    away : float
        Distance from the median of its place, mm.
    score : float
        Modified z.
    """

    touch: int
    x: float
    y: float
    z: float
    away: float
    score: float


@dataclass(frozen=True)
class FirstTouch:
    """How the first touch of a visit to a place differs from the later ones.

    Attributes
    ----------
    difference : float
        Mean over the visits of first less mean of the others, mm.
    differs : bool
        Whether that is more than chance (95 %).
    """

    difference: float
    differs: bool


@dataclass(frozen=True)
class SetUps:
    """Spread over several runs of the same places.

    Attributes
    ----------
    repeatability : float
        Standard deviation of a touch within a run, mm.
    set_up : float
        Standard deviation of what moves all of a run, mm.
    interaction : float
        Standard deviation of what moves a place in one run only, mm.
    reproducibility : float
        Standard deviation of a single touch in a new run, mm (ISO 5725: s_R).
    """

    repeatability: float
    set_up: float
    interaction: float
    reproducibility: float


@dataclass(frozen=True, eq=False)
class Quality:
    """What repeated touches say of a probe.

    Attributes
    ----------
    sigma : float
        One standard deviation of a touch, mm, pooled over places, a significant drift taken out;
        not below what rounding to the resolution makes of it.
    interval : (float, float)
        95 % interval of sigma, mm.
    freedom : int
        Degrees of freedom.
    touches, places : int
        What it rests on: touches at places touched more than once.
    resolution : float or None
        Step of the readings, mm; None if they have none that shows.
    coarse : bool
        Whether the step, not the probe, sets sigma.
    repeatability_limit : float
        Two single touches differ by more only once in twenty, mm (ISO 5725: r).
    drift : Drift or None
        The most significant of the runs; None where it cannot be told.
    outliers : tuple of Suspect
        Touches to take again; none is left out of sigma.
    first_touch : FirstTouch or None
        None where fewer than three touches were taken in a row.
    two_groups : float or None
        Distance of the two groups that the touches fall into, mm, if they do: a probe that seats
        in two ways, or contact lost now and then.
    set_ups : SetUps or None
        None but for several runs of the same places.
    chart : IndividualsChart or None
        Of a series of eight touches or more at one place.
    """

    sigma: float
    interval: tuple[float, float]
    freedom: int
    touches: int
    places: int
    resolution: float | None
    coarse: bool
    repeatability_limit: float
    drift: Drift | None
    outliers: tuple[Suspect, ...]
    first_touch: FirstTouch | None
    two_groups: float | None
    set_ups: SetUps | None
    chart: IndividualsChart | None


def assess_quality(runs: Sequence[Run]) -> Quality:
    """Assess a probe by repeated touches.

    Parameters
    ----------
    runs : sequence of Run
        One run or several; only places touched more than once in a run count, but for the spread
        between runs of the same places.

    Returns
    -------
    Quality
        The assessment.

    Raises
    ------
    ReadError
        If there are no repeats.

    References
    ----------
    ISO 5725-2: repeatability standard deviation, and limit ``r = t sqrt(2) s``.
    """
    drifts = [find_drift(run) for run in runs]
    set_ups = _set_ups(runs)
    steady = [correct_drift(run, drift) for run, drift in zip(runs, drifts, strict=True)]
    about = np.concatenate([_about_places(run) for run in steady])
    freedom = sum(len(run) - len(run.places) for run in runs)
    freedom -= sum(drift is not None and drift.significant for drift in drifts)
    if freedom < 1 and set_ups is None:
        raise ReadError(
            f"{runs[0].source}: no place was touched twice; touch one place ten times or more, or "
            "each place of a few three times"
        )
    if freedom < 1:
        # every place once in each run: what set-ups and places leave is the repeatability
        assert set_ups is not None
        freedom = (len(runs) - 1) * (len(runs[0].places) - 1)
        raw = set_ups.repeatability
    else:
        raw = sqrt(float(about @ about) / freedom)
    resolution = find_resolution(np.concatenate([run.z for run in runs]))
    least = resolution / sqrt(12) if resolution else 0.0
    coarse = bool(resolution) and raw < (resolution or 0.0) / 2
    sigma = max(raw, least) if coarse else raw
    repeated = [run.places.touches[run.places.touches > 1] for run in runs]
    return Quality(
        sigma=sigma,
        interval=sigma_interval(sigma, freedom),
        freedom=freedom,
        touches=int(sum(part.sum() for part in repeated)) or sum(len(run) for run in runs),
        places=int(sum(len(part) for part in repeated)) or len(runs[0].places),
        resolution=resolution,
        coarse=coarse,
        repeatability_limit=student_quantile(0.975, freedom) * sqrt(2) * sigma,
        drift=max(
            (drift for drift in drifts if drift is not None),
            key=lambda drift: abs(drift.value) / drift.sigma if drift.sigma else 0.0,
            default=None,
        ),
        outliers=tuple(found for run in runs for found in suspect_touches(run, resolution)),
        first_touch=_first_touch(runs, least),
        two_groups=_two_groups(steady, resolution or 0.0),
        set_ups=set_ups,
        chart=_chart(runs),
    )


def repeat_sigma(run: Run) -> tuple[float, int]:
    """Give sigma of a touch pooled over the places of a run, mm, and its degrees of freedom."""
    about = _about_places(run)
    freedom = len(run) - len(run.places)
    return (sqrt(float(about @ about) / freedom) if freedom else 0.0), freedom


def sigma_interval(sigma: float, freedom: int) -> tuple[float, float]:
    """Give the 95 % interval of a standard deviation.

    Examples
    --------
    >>> low, high = sigma_interval(1.0, 9)
    >>> round(low, 2), round(high, 2)
    (0.69, 1.83)
    """
    return (
        sigma * sqrt(freedom / chi_square_quantile(0.975, freedom)),
        sigma * sqrt(freedom / chi_square_quantile(0.025, freedom)),
    )


def find_resolution(z: Floats) -> float | None:
    """Find the step of readings, mm: the largest that all differences are multiples of.

    Examples
    --------
    >>> find_resolution(np.array([0.0125, 0.02, 0.015, 0.0225, 0.02, 0.01, 0.0175, 0.015]))
    0.0025
    """
    if len(z) < _FEWEST_FOR_STEP:
        return None  # a few numbers may all be even by chance
    steps = np.round((z - z[0]) / _LATTICE_MM)
    if np.abs(z - z[0] - steps * _LATTICE_MM).max() > 1e-9 or not steps.any():
        return None
    step = gcd(*{int(abs(value)) for value in steps.tolist()})
    return step * _LATTICE_MM if step > 1 else None


def suspect_touches(run: Run, resolution: float | None) -> tuple[Suspect, ...]:
    """Find touches that stand apart at places touched five times or more.

    A touch is suspect if its modified z says so and the generalised ESD test agrees, at a chance of
    a false alarm of one in twenty for the whole run. Fewer touches of a place cannot tell which of
    them is bad; the place shows on the map if it is far off.
    """
    places = run.places
    often = np.flatnonzero(places.touches >= 5)
    found = []
    for place in often:
        touches = np.flatnonzero(places.of_touch == place)
        z = run.z[touches]
        scores = modified_z(z, least_mad=resolution or _LATTICE_MM)
        if np.abs(scores).max() <= DOUBTFUL:
            continue
        apart = generalised_esd(z, max(1, len(z) // 3), alpha=0.05 / len(often)).which
        for k in sorted(apart.tolist()):
            if abs(scores[k]) > DOUBTFUL:
                at = int(touches[k])
                found.append(
                    Suspect(
                        touch=at + 1,
                        x=float(run.x[at]),
                        y=float(run.y[at]),
                        z=float(run.z[at]),
                        away=float(z[k] - np.median(z)),
                        score=float(scores[k]),
                    )
                )
    return tuple(found)


def _about_places(run: Run, least: int = 2) -> Floats:
    """Give the touches less the mean of their place, where that was touched `least` times."""
    about: Floats = run.z - run.places.z[run.places.of_touch]
    return about[run.places.touches[run.places.of_touch] >= least]


def _first_touch(runs: Sequence[Run], least: float) -> FirstTouch | None:
    """Compare the first touch with the mean of the others, over all visits of three or more."""
    differences, variances = [], []
    for run in runs:
        for z in _visits(run):
            rest = z[1:]
            differences.append(float(z[0] - rest.mean()))
            variances.append((float(((rest - rest.mean()) ** 2).sum()), len(rest) - 1, len(rest)))
    if not differences:
        return None
    mean = float(np.mean(differences))
    freedom = sum(part[1] for part in variances)
    # rounded readings may agree by chance, and then know less than they seem to
    sigma = max(sqrt(sum(part[0] for part in variances) / freedom), least)
    spread = sigma * sqrt(sum(1 + 1 / part[2] for part in variances)) / len(differences)
    reach = student_quantile(0.975, freedom)
    return FirstTouch(mean, abs(mean) > max(reach * spread, 1e-9))


def _visits(run: Run) -> list[Floats]:
    """Give the touches of each stay at a place of three or more in a row."""
    ends = np.flatnonzero(np.diff(run.places.of_touch)) + 1
    return [part for part in np.split(run.z, ends) if len(part) >= 3]


def _two_groups(runs: Sequence[Run], step: float) -> float | None:
    """Find a gap that parts the touches in two groups far apart for their own spread."""
    about = np.concatenate([_about_places(run, least=3) for run in runs])
    if len(about) < 8:
        return None
    ordered = np.sort(about)
    gaps = np.diff(ordered)
    cut = int(gaps.argmax()) + 1
    low, high = ordered[:cut], ordered[cut:]
    if min(len(low), len(high)) < len(about) / 5:
        return None
    inner = sqrt((low.var() * len(low) + high.var() * len(high)) / len(about) + step**2 / 12)
    apart, gap = float(high.mean() - low.mean()), float(gaps[cut - 1])
    return apart if gap > max(4 * inner, 2.5 * step, 1e-9) else None


def _set_ups(runs: Sequence[Run]) -> SetUps | None:
    """Part the spread of several runs, where all touch the same places equally often."""
    places = [run.places for run in runs]
    first = places[0]
    counts = {int(count) for each in places for count in each.touches}
    if len(runs) < 2 or len(counts) != 1 or len({len(each) for each in places}) != 1:
        return None
    ranks = [each.by_position for each in places]
    for each, rank in zip(places, ranks, strict=True):
        apart = np.hypot(each.x[rank] - first.x[ranks[0]], each.y[rank] - first.y[ranks[0]])
        if apart.max() > 2 * SAME_LINE_MM:
            return None
    table = np.array(
        [
            [run.z[run.places.of_touch == rank[k]] for run, rank in zip(runs, ranks, strict=True)]
            for k in range(len(first))
        ]
    )
    if len(first) > 1:
        crossed = crossed_components(table)
        return SetUps(crossed.repeatability, crossed.set_up, crossed.interaction, crossed.gauge)
    if counts == {1}:
        return None
    nested = nested_components(table[0])
    return SetUps(nested.within, nested.between, 0.0, nested.reproducibility)


def _chart(runs: Sequence[Run]) -> IndividualsChart | None:
    if len(runs) > 1 or len(runs[0].places) > 1 or len(runs[0]) < 8:
        return None
    return individuals_chart(runs[0].z)
