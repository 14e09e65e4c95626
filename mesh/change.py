"""Change: whether the bed has really changed between two probings.

From most to least powerful: the modes, each against its own noise (Holm 1979); the whole map of
differences, once its plane is taken out (chi-square, or F where the noise is estimated); and each
place by itself (Šidák 1967). To try everything is to find something: the 5 % of false alarms that
`Change.changed` may have are shared out, 3 to the modes, 1 to the map, 1 to the places.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import combinations

import numpy as np

from mesh.difference import Difference, SurfaceAt, find_difference
from mesh.noise import Noise
from mesh.significance import any_of, by_squares, detectable, holm, quantile, two_sided
from probes.errors import RequestError
from probes.run import Floats, Places, frozen

__all__ = ["Change", "MapChange", "ModeChange", "PlaceChange", "compare", "compare_all"]

FALSE_ALARM = 0.05
SHARES = {"modes": 0.6, "map": 0.2, "places": 0.2}
"""Parts of the false alarms that each step may have."""

SHARES_OF_MAPS = {"modes": 1.0, "map": 0.4, "places": 0.2}
"""The same where the noise of both runs comes from their maps: what makes the map or a place stand
out raises that noise too, so they do so far less often than their level says, and the parts may
add up to more than one; `tests/study_change.py` holds what comes of it."""

POWER = 0.8
CONFIDENCE = 0.95

HELD = 1e-6
"""A place whose residual varies by so small a part of the others' carries the plane alone."""

_RAILS = (
    "Both maps were probed on the same rails, whose errors cancel in the difference: the change "
    "can be trusted even where the flatness itself cannot."
)
_HEIGHT = "A change of height alike everywhere is not counted: homing moves it."
_SEATING = (
    "The noise is that of the probe within a run. What taking the plate off or homing anew does "
    "to the map counts as change; probe the unchanged bed three times that way to learn how much."
)


@dataclass(frozen=True)
class ModeChange:
    """Change of one mode.

    Attributes
    ----------
    change : float
        After less before, mm.
    sigma : float
        Standard deviation of the change, mm.
    p_value : float
        Probability of so large a change by chance, this mode by itself.
    significant : bool
        Whether it stands out, all modes considered.
    detectable : float
        Smallest change that would have been found in 80 % of such comparisons, mm.
    at_most : float
        No change is larger than this, mm, at 95 % confidence.
    """

    change: float
    sigma: float
    p_value: float
    significant: bool
    detectable: float
    at_most: float


@dataclass(frozen=True)
class MapChange:
    """Change of the whole map, without its plane.

    Attributes
    ----------
    rms : float
        Root mean square of the differences, mm.
    largest : float
        The difference farthest from zero, mm; positive where the bed is higher after.
    at : (float, float)
        Where it is, mm.
    p_value : float or None
        Probability of so large a sum of squares by chance; None where a plane goes through all.
    place_p_value : float or None
        Probability that any one place departs so far by chance.
    significant : bool
        Whether the sum of squares stands out.
    at_most : float
        No place has changed by more than this, mm, at 95 % confidence.
    """

    rms: float
    largest: float
    at: tuple[float, float]
    p_value: float | None
    place_p_value: float | None
    significant: bool
    at_most: float


@dataclass(frozen=True)
class PlaceChange:
    """A place that has changed.

    Attributes
    ----------
    x, y : float
        Where it is, mm.
    change : float
        After less before, without the plane, mm.
    sigma : float
        Standard deviation of that, mm.
    """

    x: float
    y: float
    change: float
    sigma: float


@dataclass(frozen=True, eq=False)
class Change:
    """What has changed between two probings.

    Attributes
    ----------
    changed : bool
        Whether anything stands out: a mode, the map or a place. Of unchanged beds, 5 % at most
        are called changed.
    modes : dict of str to ModeChange
        twist, bow_x, bow_y, fall_x, fall_y, as far as the places tell them.
    map : MapChange
        The map of differences without its plane.
    places : tuple of PlaceChange
        The places that stand out by themselves, the surest first.
    height : float
        Mean difference, mm. It is not judged.
    difference : Difference
        The places compared and their differences.
    rest : ndarray, shape (n,)
        Differences without the plane, mm.
    meaning : tuple of str
        What the comparison can and cannot say.
    warnings : tuple of str
        What to know about this one.
    """

    changed: bool
    modes: dict[str, ModeChange]
    map: MapChange
    places: tuple[PlaceChange, ...]
    height: float
    difference: Difference
    rest: Floats
    meaning: tuple[str, ...]
    warnings: tuple[str, ...]


def compare(
    before: Places,
    after: Places,
    noise_before: Noise,
    noise_after: Noise,
    *,
    surface_at: SurfaceAt | None = None,
    false_alarm: float = FALSE_ALARM,
) -> Change:
    """Tell whether the bed has changed between two probings.

    Parameters
    ----------
    before, after : Places
        Of the two runs.
    noise_before, noise_after : Noise
        Of the two runs, each from its own readings or given.
    surface_at : callable, optional
        ``surface_at(x, y)`` gives height and standard deviation, mm, of a surface through the
        places before, for runs whose places differ: see `mesh.difference.find_difference`.
    false_alarm : float, default 0.05
        Probability to call an unchanged bed changed, between 0 and 1.

    Returns
    -------
    Change
        The answer.

    Raises
    ------
    ShapeError
        If the runs have too few places in common.
    RequestError
        If the noise of a run is not known, or false_alarm is no probability.

    References
    ----------
    S. Holm, "A simple sequentially rejective multiple test procedure", Scand. J. Statistics 6
    (1979) 65-70. Z. Šidák, "Rectangular confidence regions for the means of multivariate normal
    distributions", J. Am. Stat. Assoc. 62 (1967) 626-633. D. J. Schuirmann, "A comparison of the
    two one-sided tests procedure ...", J. Pharmacokin. Biopharm. 15 (1987) 657-680 (at_most).

    Examples
    --------
    >>> from mesh.noise import find_noise
    >>> from probes.run import Run
    >>> x, y = (a.ravel() for a in np.meshgrid([0, 50, 100], [0, 50, 100]))
    >>> noise = np.random.default_rng(1).normal(0, 0.003, (2, 9))
    >>> cold = Run(x=x, y=y, z=noise[0])
    >>> hot = Run(x=x, y=y, z=noise[1] + 8e-6 * (x - 50) * (y - 50))
    >>> noises = [find_noise(run, given=0.003) for run in (cold, hot)]
    >>> change = compare(cold.places, hot.places, *noises)
    >>> change.changed, change.modes["twist"].significant, change.modes["bow_x"].significant
    (True, True, False)
    >>> twist = change.modes["twist"]
    >>> round(twist.change, 4), round(twist.sigma, 4), round(twist.detectable, 4)
    (0.0185, 0.0021, 0.0076)
    """
    if not 0 < false_alarm < 1:
        raise RequestError(
            f"a false alarm rate of {false_alarm:g} is no probability; "
            "it must lie between 0 and 1, such as 0.05"
        )
    difference = find_difference(
        before, after, noise_before, noise_after, surface_at=surface_at
    )  # fmt: skip
    sources: set[str] = {noise_before.source, noise_after.source}
    shares = SHARES_OF_MAPS if sources == {"map"} else SHARES
    level = {step: share * false_alarm for step, share in shares.items()}
    found = _modes(difference, level["modes"])
    rest, sigma = _without_plane(difference)
    whole = _map(difference, rest, sigma, level["map"])
    places = _places(difference, rest, sigma, level["places"])
    return Change(
        changed=any(mode.significant for mode in found.values())
        or whole.significant
        or bool(places),
        modes=found,
        map=whole,
        places=places,
        height=float(difference.z.mean()),
        difference=difference,
        rest=frozen(rest),
        meaning=(_RAILS, _HEIGHT, _SEATING),
        warnings=_warnings(difference, sources),
    )


def compare_all(
    runs: Sequence[tuple[Places, Noise]],
    *,
    surfaces: Sequence[SurfaceAt | None] | None = None,
    false_alarm: float = FALSE_ALARM,
) -> dict[tuple[int, int], Change]:
    """Compare each of several runs with each: which differs from which.

    Parameters
    ----------
    runs : sequence of (Places, Noise)
        Two runs or more, in the order they were taken.
    surfaces : sequence of callable, optional
        For each run a surface through its places, for later runs that have others.
    false_alarm : float, default 0.05
        Probability that any pair is called different where no run differs from another; the
        pairs share it.

    Returns
    -------
    dict of (int, int) to Change
        For each pair of run numbers, the earlier first, counted from 0.

    Raises
    ------
    RequestError, ShapeError
        As `compare`; or if there are not two runs, or not a surface for each.

    Examples
    --------
    >>> from mesh.noise import find_noise
    >>> from probes.run import Run
    >>> x, y = (a.ravel() for a in np.meshgrid([0, 50, 100], [0, 50, 100]))
    >>> runs = [Run(x=x, y=y, z=z) for z in (0 * x, 0 * x, 1e-3 * x)]
    >>> pairs = compare_all([(run.places, find_noise(run, given=0.003)) for run in runs])
    >>> {pair: change.changed for pair, change in pairs.items()}
    {(0, 1): False, (0, 2): True, (1, 2): True}
    """
    if len(runs) < 2:
        raise RequestError(f"a comparison needs two runs or more; there are {len(runs)}")
    if surfaces is not None and len(surfaces) != len(runs):
        raise RequestError(f"{len(surfaces)} surfaces for {len(runs)} runs; give one each, or none")
    pairs = list(combinations(range(len(runs)), 2))
    return {
        (i, j): compare(
            runs[i][0],
            runs[j][0],
            runs[i][1],
            runs[j][1],
            surface_at=None if surfaces is None else surfaces[i],
            false_alarm=false_alarm / len(pairs),
        )
        for i, j in pairs
    }


def _modes(difference: Difference, level: float) -> dict[str, ModeChange]:
    freedom = difference.freedom
    found = difference.modes()
    p_values = {name: two_sided(value / sigma, freedom) for name, (value, sigma) in found.items()}
    stands_out = holm(p_values, level)
    # the first step of Holm's procedure is its strictest
    least = detectable(level / len(found), POWER, freedom)
    reach = quantile(CONFIDENCE, freedom)
    return {
        name: ModeChange(
            change=value,
            sigma=sigma,
            p_value=p_values[name],
            significant=stands_out[name],
            detectable=least * sigma,
            at_most=abs(value) + reach * sigma,
        )
        for name, (value, sigma) in found.items()
    }


def _without_plane(difference: Difference) -> tuple[Floats, Floats]:
    """Take out the plane weighted by the variances: what is left, and its standard deviation."""
    sigma = difference.sigma
    design = np.column_stack((np.ones(len(sigma)), *_centred(difference)))
    basis = np.linalg.qr(design / sigma[:, None])[0]
    scores = difference.z / sigma
    rest = sigma * (scores - basis @ (basis.T @ scores))
    left = 1 - np.einsum("ij,ij->i", basis, basis)
    return rest, sigma * np.sqrt(np.maximum(left, 0.0))


def _centred(difference: Difference) -> tuple[Floats, Floats]:
    x, y = difference.x - difference.x.mean(), difference.y - difference.y.mean()
    return x / np.abs(x).max(), y / np.abs(y).max()


def _map(difference: Difference, rest: Floats, sigma: Floats, level: float) -> MapChange:
    farthest = int(np.argmax(np.abs(rest)))
    places, freedom = len(rest), difference.freedom
    p_value = place_p_value = None
    if places > 3:
        mean = float(np.sum((rest / difference.sigma) ** 2)) / (places - 3)
        p_value = by_squares(mean, max(1, difference.independent - 3), freedom)
        place_p_value = any_of(places, two_sided(float(_scores(rest, sigma).max()), freedom))
    return MapChange(
        rms=float(np.sqrt(np.mean(rest**2))),
        largest=float(rest[farthest]),
        at=(float(difference.x[farthest]), float(difference.y[farthest])),
        p_value=p_value,
        place_p_value=place_p_value,
        significant=p_value is not None and p_value <= level,
        # who says that none changed by more must be sure of each only, not of all at once
        at_most=float(np.max(np.abs(rest) + quantile(CONFIDENCE, freedom) * sigma)),
    )


def _places(
    difference: Difference, rest: Floats, sigma: Floats, level: float
) -> tuple[PlaceChange, ...]:
    scores = _scores(rest, sigma)
    each = -np.expm1(np.log1p(-level) / len(rest))
    limit = quantile(1 - each / 2, difference.freedom)
    order = np.argsort(-scores, kind="stable")
    return tuple(
        PlaceChange(float(difference.x[k]), float(difference.y[k]), float(rest[k]), float(sigma[k]))
        for k in order[scores[order] > limit]
    )


def _scores(rest: Floats, sigma: Floats) -> Floats:
    """Distances from zero in standard deviations; zero where the plane is held by the place."""
    scores = np.zeros(len(rest))
    free = sigma > HELD * float(sigma.max(initial=0.0))
    scores[free] = np.abs(rest[free]) / sigma[free]
    return scores


def _warnings(difference: Difference, sources: set[str]) -> tuple[str, ...]:
    warnings = []
    if difference.left_out:
        warnings.append(
            f"{difference.left_out} places have no partner in the other run and were left out"
        )
    if difference.surface:
        warnings.append(
            "the runs have different places, so the first stands there by a surface through its "
            "own; probe the same places to be surer"
        )
    if "map" in sources:
        warnings.append(
            "the noise was estimated from the maps themselves and holds their finest shape too, so "
            "a small change may be missed; give the probe's repeatability"
        )
    return tuple(warnings)
