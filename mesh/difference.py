"""Difference of two maps: what one run found at a place less what another found there.

Both maps were probed by the same rails, so what the rails do to a map cancels in the difference.
"""

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from mesh.checks import check_places
from mesh.modes import modes
from mesh.noise import Noise
from mesh.tilt import find_tilt
from probes.errors import RequestError, ShapeError
from probes.run import SAME_LINE_MM, Floats, Ints, Places, frozen

__all__ = ["Difference", "SurfaceAt", "find_difference"]

SurfaceAt = Callable[[Floats, Floats], tuple[Floats, Floats]]
"""Height and its standard deviation, mm, of a fitted surface at (x, y)."""


@dataclass(frozen=True, eq=False)
class Difference:
    """After less before, at each place that was compared.

    Attributes
    ----------
    x, y : ndarray, shape (n,)
        Position, mm.
    z : ndarray, shape (n,)
        Height after less height before, mm.
    variance_before, variance_after : ndarray, shape (n,)
        Of the two heights, mm².
    freedom : int or None
        Degrees of freedom of the variances together (Satterthwaite); None if both were given.
    independent : int
        How many of the heights before err independently: n, or fewer where a surface through few
        places stands for them.
    together : float
        By how much that raises the variance that they give a mode; 1 where there is no surface.
    surface : bool
        Whether the run before stands there by a surface through its places.
    left_out : int
        Places of the two runs that found no partner.
    """

    x: Floats
    y: Floats
    z: Floats
    variance_before: Floats
    variance_after: Floats
    freedom: int | None
    independent: int
    together: float
    surface: bool
    left_out: int

    def __len__(self) -> int:
        return len(self.z)

    @property
    def sigma(self) -> Floats:
        """Standard deviation of each place's difference, mm."""
        sigma: Floats = np.sqrt(self.variance_before + self.variance_after)
        return sigma

    def modes(self) -> dict[str, tuple[float, float]]:
        """Give value and standard deviation, mm, of each mode that the places tell."""
        after = _factors(self.x, self.y, self.z, self.variance_after)
        before = _factors(self.x, self.y, self.z, self.variance_before)
        return {
            name: (value, float(np.hypot(factor, np.sqrt(self.together) * before[name][1])))
            for name, (value, factor) in after.items()
        }


def find_difference(
    before: Places,
    after: Places,
    noise_before: Noise,
    noise_after: Noise,
    *,
    surface_at: SurfaceAt | None = None,
) -> Difference:
    """Find the difference of two maps.

    Parameters
    ----------
    before, after : Places
        Of the two runs.
    noise_before, noise_after : Noise
        Of the two runs.
    surface_at : callable, optional
        ``surface_at(x, y)`` gives height and standard deviation, mm, of a surface through the
        places before. It is asked at the places after that lie within the rectangle probed
        before, unless all places of one run have a partner in the other. Its standard deviation
        has to hold what the shape does between the places: that of a Gaussian process or a thin
        plate does (`mesh.surface`).

    Returns
    -------
    Difference
        At the places that both runs have to 0.05 mm, in the order of the run before; or at those
        asked of the surface.

    Raises
    ------
    ShapeError
        If the places to compare carry no plane.
    RequestError
        If the noise of a run is not known, or zero, or a surface has no standard deviation.

    References
    ----------
    F. E. Satterthwaite, "An approximate distribution of estimates of variance components",
    Biometrics Bulletin 2 (1946) 110-114.

    Examples
    --------
    >>> from mesh.noise import find_noise
    >>> from probes.run import Run
    >>> one = Run(x=[0, 9, 0, 9], y=[0, 0, 9, 9], z=[0.1, 0.2, 0.1, 0.2])
    >>> two = Run(x=[9, 0, 0, 9], y=[9, 9, 0, 0], z=[0.25, 0.1, 0.1, 0.2])
    >>> noises = [find_noise(run, given=0.003) for run in (one, two)]
    >>> find_difference(one.places, two.places, *noises).z
    array([0.  , 0.  , 0.  , 0.05])
    """
    variances = [
        _variances(noise, places, which)
        for noise, places, which in (
            (noise_before, before, "before"), (noise_after, after, "after"),
        )
    ]  # fmt: skip
    first, second = _common(before, after)
    surface = surface_at is not None and len(first) < min(len(before), len(after))
    if surface_at is not None and surface:
        second = _within(after, before.x, before.y)
        left_out = len(after) - len(second)
        height, sigma = surface_at(after.x[second], after.y[second])
        if not np.isfinite(sigma).all():
            raise RequestError(
                "the surface through the first run knows no standard deviation; "
                "fit one with the noise given, or a Gaussian process"
            )
        variance = np.asarray(sigma, dtype=np.float64) ** 2
    else:
        left_out = len(before) + len(after) - 2 * len(first)
        height, variance = before.z[first], variances[0][first]
    x, y, z = after.x[second], after.y[second], after.z[second] - height
    _check(x, y, z, before, after, surface=surface)
    independent, together = len(x), 1.0
    if surface:
        independent = max(1, min(len(x), len(_within(before, after.x[second], after.y[second]))))
        own = float(variances[0].mean())
        together = len(x) / independent * max(1.0, own / float(variance.mean()))
    return Difference(
        x=frozen(x),
        y=frozen(y),
        z=frozen(z),
        variance_before=frozen(variance),
        variance_after=frozen(variances[1][second]),
        freedom=_freedom(
            (float(variance.mean()), noise_before.freedom),
            (float(variances[1][second].mean()), noise_after.freedom),
        ),
        independent=independent,
        together=together,
        surface=surface,
        left_out=left_out,
    )


def _factors(x: Floats, y: Floats, z: Floats, variance: Floats) -> dict[str, tuple[float, float]]:
    """Value of each mode, and what this variance of the places gives it, mm."""
    spread = np.sqrt(variance)
    shape = modes(x, y, z, spread=spread)
    found = {
        name: (mode.value, mode.factor)
        for name in ("twist", "bow_x", "bow_y", "fall_x", "fall_y")
        if (mode := getattr(shape, name)) is not None
    }
    if len(found) < 2:  # of very few places nothing but the plane is known
        tilt = find_tilt(x, y, z, spread=spread)
        sigma_x, sigma_y = tilt.fall_sigmas(1.0)
        if sigma_x is not None and sigma_y is not None:
            found = {"fall_x": (tilt.fall_x, sigma_x), "fall_y": (tilt.fall_y, sigma_y)}
    return found


def _variances(noise: Noise, places: Places, which: str) -> Floats:
    if not noise.of_places:
        raise RequestError(
            f"the noise of the run {which} is not known, so no change can be told from it; "
            "give the probe's repeatability, or touch every place three times"
        )
    spread = np.ones(len(places)) if noise.spread is None else noise.spread
    return (noise.of_places * spread) ** 2


def _common(before: Places, after: Places) -> tuple[Ints, Ints]:
    """Pair the places that are each other's nearest and stand in one column and row."""
    from scipy.spatial import cKDTree

    spots = [np.column_stack((places.x, places.y)) for places in (before, after)]
    reach = SAME_LINE_MM + 1e-9
    distance, partner = cKDTree(spots[1]).query(spots[0], p=np.inf, distance_upper_bound=reach)
    back = np.asarray(cKDTree(spots[0]).query(spots[1], p=np.inf)[1])
    first = np.flatnonzero(np.isfinite(distance))
    second = np.asarray(partner)[first]
    mutual = back[second] == first
    return first[mutual], second[mutual]


def _within(places: Places, x: Floats, y: Floats) -> Ints:
    """Places inside the rectangle that others cover: no surface is known beyond."""
    inside = np.ones(len(places), dtype=bool)
    for values, known in ((places.x, x), (places.y, y)):
        low, high = known.min(initial=np.inf), known.max(initial=-np.inf)
        inside &= (values >= low - SAME_LINE_MM) & (values <= high + SAME_LINE_MM)
    return np.flatnonzero(inside)


def _check(
    x: Floats, y: Floats, z: Floats, before: Places, after: Places, *, surface: bool
) -> None:  # fmt: skip
    try:
        check_places(x, y, z)
    except ShapeError as fault:
        what = "inside the rectangle probed before" if surface else "in common, to 0.05 mm"
        do = "" if surface else ", or compare by a surface through the first run"
        raise ShapeError(
            f"the runs have {len(before)} and {len(after)} places, and {len(x)} of them "
            f"{what}: {fault}; probe the same places again{do}"
        ) from None


def _freedom(*parts: tuple[float, int | None]) -> int | None:
    """Degrees of freedom of a sum of variances, each estimated with its own; rounded down."""
    doubt = sum(variance**2 / freedom for variance, freedom in parts if freedom is not None)
    if doubt == 0:
        return None
    return max(1, int(sum(variance for variance, _ in parts) ** 2 / doubt + 1e-9))
