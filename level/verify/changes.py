"""Changes: what the trials did to the carriage, in numbers, with their covariance.

The bed's own shape is the same before and after a move, so it cancels in the difference of the
two maps where both were probed at the same places. What is left is the motion of the carriage:
the tilt along the ways the lifts can tip it, its twist if it can follow one, and its height if
the heights of both runs count from a datum that is not on the bed.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np

from level.influence import Influence, find_influence
from level.machine import Machine
from level.verify.trials import Trial, same_run, same_touches
from mesh.checks import check_places
from probes.errors import RequestError, ShapeError
from probes.quality import repeat_sigma
from probes.quantiles import chi_square_quantile, normal_quantile, student_quantile
from probes.run import Floats, Ints, Run

__all__ = ["Changes", "Datum", "find_changes", "observer", "unit_changes"]

Datum = Literal["bed", "fixed"]
"""Where heights count from: a touch of the bed itself, so that only tilt and twist tell, or
something that the lifts do not move, so that height tells too."""

_FINEST = 1e-4
"""No probe of this trade repeats better than this, mm."""

_FEWEST = 3
"""Degrees of freedom from which repeats or differences tell the noise."""

_NOTHING = 1e-9
"""Change for a unit rise that is rounding of the computer's own, mm/mm."""

_NOISY = 1.5
"""Maps that differ by more than so many times the known noise moved in other ways too."""


@dataclass(frozen=True, eq=False)
class Changes:
    """What the trials did, each seen as a few figures (`ways`) of the carriage, mm.

    Attributes
    ----------
    influence : Influence
        How the lifts should act.
    datum : {"bed", "fixed"}
        Where heights count from.
    values : ndarray, shape (trials, ways)
        The change in each trial: height (datum "fixed" only), tilt along each way the lifts can
        tip, as a rise half the lifts' span away, and twist (if the carriage can).
    covariance : ndarray, shape (trials * ways, trials * ways)
        Of `values` in a row; runs that trials share tie them.
    per_unit : ndarray, shape (ways, lifts)
        Change for a unit rise of each lift, mm/mm.
    moved : ndarray, shape (trials, lifts)
        Net commanded rises, mm.
    turned_back : ndarray, shape (trials, lifts)
        +1 where a lift ended going up and had ended going down before, -1 the other way round, 0
        where it kept its direction or its earlier one is not known: how often its play is lost.
    sigma : float
        Standard deviation of one touch, mm.
    sigma_source : str
        "machine file", "repeated touches", or "difference": from what the motion leaves of the
        differences of maps.
    freedom : int or None
        Degrees of freedom of an estimated sigma.
    warnings : tuple of str
        What to know of the readings.
    """

    influence: Influence
    datum: Datum
    values: Floats
    covariance: Floats
    per_unit: Floats
    moved: Floats
    turned_back: Floats
    sigma: float
    sigma_source: str
    freedom: int | None
    warnings: tuple[str, ...]


@dataclass(frozen=True, eq=False)
class _Difference:
    """One trial's map of differences over the places that both runs have."""

    before: Ints
    after: Ints
    observer: Floats
    heights: Floats
    residuals: Floats
    freedom: int


def observer(influence: Influence, x: Floats, y: Floats, datum: Datum = "bed") -> Floats:
    """Give the matrix that finds the carriage's motion in heights at places.

    Parameters
    ----------
    influence : Influence
        How the lifts act.
    x, y : ndarray, shape (n,)
        Places, mm.
    datum : {"bed", "fixed"}
        Whether height tells.

    Returns
    -------
    ndarray, shape (ways, n)
        Least squares, all ways and the height fitted together.

    Raises
    ------
    ShapeError
        If the places do not show a twist that the carriage can follow.
    """
    design = _design(influence, x, y)
    if influence.twisting and np.linalg.matrix_rank(design, tol=1e-9 * len(x)) < 4:
        raise ShapeError(
            "they show no twist, which this carriage can follow: probe four corners at least"
        )
    inverse = np.linalg.pinv(design)
    height = inverse[:1] if datum == "fixed" else inverse[:0]
    return np.vstack((height, influence.directions @ inverse[1:3], inverse[3:]))


def unit_changes(influence: Influence, like: Influence, datum: Datum = "bed") -> Floats:
    """Give the change of each way for a unit rise of each lift, shape (ways, lifts), mm/mm.

    Parameters
    ----------
    influence : Influence
        How the lifts act.
    like : Influence
        The one whose ways are meant: the machine file's, where `influence` stands elsewhere.
    datum : {"bed", "fixed"}
        Whether height tells.
    """
    reach = _half_span(like)
    x = like.centre[0] + reach * np.array([-1.0, 1, 1, -1])
    y = like.centre[1] + reach * np.array([-1.0, -1, 1, 1])
    per_unit: Floats = influence.sign * (observer(like, x, y, datum) @ influence.at(x, y))
    per_unit[np.abs(per_unit) < _NOTHING] = 0.0
    return per_unit


def find_changes(trials: Sequence[Trial], machine: Machine, datum: Datum = "bed") -> Changes:
    """Find what checked trials did to the carriage.

    Parameters
    ----------
    trials : sequence of Trial
        As `check_trials` gives them, in the order they were made.
    machine : Machine
        The machine.
    datum : {"bed", "fixed"}
        Where heights count from.

    Returns
    -------
    Changes
        One row for each trial.

    Raises
    ------
    ShapeError
        If two runs of a trial share too few places.
    RequestError
        If the probe's repeatability is not known and cannot be told from the maps.
    """
    influence = find_influence(machine)
    runs, ends = _runs(trials)
    differences = [
        _difference(influence, trial, number, datum) for number, trial in enumerate(trials, 1)
    ]
    sigma, source, freedom, said = _sigma(runs, differences, machine)
    # an estimated sigma is itself uncertain: what Student's t allows for, in one factor
    wider = 1.0 if freedom is None else student_quantile(0.975, freedom) / normal_quantile(0.975)
    per_unit = unit_changes(influence, influence, datum)
    ways = len(per_unit)
    # rounding of readings shows in what the differences leave, see `_sigma`
    spread = [sigma * wider / np.sqrt(run.places.touches) for run in runs]
    seen = np.zeros((len(trials) * ways, sum(len(run.places) for run in runs)))
    start = np.cumsum([0, *(len(run.places) for run in runs)])
    for k, (difference, (first, last)) in enumerate(zip(differences, ends, strict=True)):
        rows = slice(k * ways, (k + 1) * ways)
        seen[rows, start[first] + difference.before] -= difference.observer
        seen[rows, start[last] + difference.after] += difference.observer
    seen *= np.concatenate([[], *spread])
    return Changes(
        influence=influence,
        datum=datum,
        values=np.array([each.observer @ each.heights for each in differences]).reshape(
            len(trials), ways
        ),
        covariance=seen @ seen.T,
        per_unit=per_unit,
        moved=_net(trials, machine),
        turned_back=_turned_back(trials, machine, ends),
        sigma=sigma,
        sigma_source=source,
        freedom=freedom,
        warnings=said,
    )


def _half_span(influence: Influence) -> float:
    return influence.span / 2 or 1.0


def _design(influence: Influence, x: Floats, y: Floats) -> Floats:
    """Height, tilts and twist, scaled so that each is a rise half the lifts' span away."""
    reach = _half_span(influence)
    u, v = (x - influence.centre[0]) / reach, (y - influence.centre[1]) / reach
    twist = (u * v,) if influence.twisting else ()
    return np.column_stack((np.ones(len(u)), u, v, *twist))


def _runs(trials: Sequence[Trial]) -> tuple[list[Run], list[tuple[int, int]]]:
    """List each probing once, and for each trial which of them it begins and ends with."""
    runs: list[Run] = []
    ends: list[tuple[int, int]] = []

    def index(run: Run) -> int:
        for number, other in enumerate(runs):
            if same_run(run, other):
                return number
        runs.append(run)
        return len(runs) - 1

    for number, trial in enumerate(trials):
        chained = number > 0 and same_touches(trial.before, trials[number - 1].after)
        before = ends[-1][1] if chained else index(trial.before)
        ends.append((before, index(trial.after)))
    return runs, ends


def _difference(influence: Influence, trial: Trial, number: int, datum: Datum) -> _Difference:
    before, after = trial.before.places, trial.after.places
    split = len(before)
    joined = Run(
        x=np.concatenate((before.x, after.x)),
        y=np.concatenate((before.y, after.y)),
        z=np.concatenate((before.z, after.z)),
    ).places.of_touch
    _, one, other = np.intersect1d(joined[:split], joined[split:], return_indices=True)
    x, y, heights = before.x[one], before.y[one], after.z[other] - before.z[one]
    try:
        check_places(x, y, heights)
        found = observer(influence, x, y, datum)
    except ShapeError as fault:
        raise ShapeError(
            f"trial {number} ({trial}): {len(one)} places are in both runs, and {fault}; "
            "probe the same places before and after a move"
        ) from None
    design = _design(influence, x, y)
    residuals = heights - design @ np.linalg.lstsq(design, heights, rcond=None)[0]
    return _Difference(one, other, found, heights, residuals, len(x) - design.shape[1])


def _sigma(
    runs: Sequence[Run], differences: Sequence[_Difference], machine: Machine
) -> tuple[float, str, int | None, tuple[str, ...]]:
    """Give sigma of a touch, where it comes from, its freedom, and what is odd about it."""
    touches = float(np.mean([len(run) / len(run.places) for run in runs])) if runs else 1.0
    freedom = sum(each.freedom for each in differences)
    squares = sum(float(each.residuals @ each.residuals) for each in differences)
    left = float(np.sqrt(touches * squares / (2 * freedom))) if freedom else 0.0
    sigma, source, known = machine.probe.sigma, "machine file", None
    if sigma is None:
        repeats = [repeat_sigma(run) for run in runs]
        known = sum(freedom for _, freedom in repeats)
        pooled = sum(each**2 * freedom for each, freedom in repeats)
        if known >= _FEWEST and pooled > 0:
            sigma, source = float(np.sqrt(pooled / known)), "repeated touches"
        elif freedom >= _FEWEST or not differences:
            return max(left, _FINEST), "difference", freedom or None, ()
        else:
            raise RequestError(
                "the probe's repeatability is not known, and too few places tell it; "
                "set [probe] sigma in the machine file, or probe 9 places or more"
            )
    sigma = max(sigma, _FINEST)
    certain = freedom and chi_square_quantile(0.9999, freedom) / freedom
    if freedom and left**2 > max(_NOISY**2, certain) * sigma**2:
        said = (
            f"the maps before and after differ by {left:.4f} mm beside the motion of the lifts, "
            f"where a touch repeats to {sigma:.4f} mm: the bed shifted or warped between the "
            "runs, or the frame twists; the larger figure is taken"
        )
        return left, "difference", freedom, (said,)
    return sigma, source, known, ()


def _net(trials: Sequence[Trial], machine: Machine) -> Floats:
    return np.array(
        [[trial.net.get(lift.name, 0.0) for lift in machine.lifts] for trial in trials]
    ).reshape(-1, len(machine.lifts))


def _turned_back(
    trials: Sequence[Trial], machine: Machine, ends: Sequence[tuple[int, int]]
) -> Floats:
    """Follow which way each lift went last; between unchained trials it may have been moved."""
    turned = np.zeros((len(trials), len(machine.lifts)))
    going: dict[str, float] = {}
    for k, trial in enumerate(trials):
        if k and ends[k][0] != ends[k - 1][1]:
            going.clear()
        for name, rises in trial.rises.items():
            lift = [each.name for each in machine.lifts].index(name)
            now = float(np.sign(rises[-1]))
            turned[k, lift] = (now - going.get(name, now)) / 2
            going[name] = now
    return turned
