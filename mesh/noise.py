"""Noise: one standard deviation of a touch, and where that figure comes from."""

from dataclasses import dataclass
from statistics import NormalDist
from typing import Literal

import numpy as np

from mesh.modes import modes
from mesh.student import student_quantile
from probes.run import Floats, Run

__all__ = ["Noise", "find_noise"]

NoiseSource = Literal["machine file", "repeated touches", "map", "unknown"]


@dataclass(frozen=True, eq=False)
class Noise:
    """Repeatability of the probe, as far as it is known.

    Attributes
    ----------
    sigma : float or None
        One standard deviation of a single touch, mm.
    source : str
        "machine file"; "repeated touches": pooled over the places touched more than once; "map":
        what bows and twist leave of the heights, which holds finer shape too and so is rather too
        large; or "unknown".
    freedom : int or None
        Degrees of freedom of an estimate; None if it was given.
    of_places : float or None
        Standard deviation of a place, for places of as many touches as this run has on average.
    """

    sigma: float | None
    source: NoiseSource
    freedom: int | None
    of_places: float | None

    def reach(self, confidence: float = 0.95) -> float:
        """Half-width of a two-sided interval, in standard deviations: Student's t, or normal."""
        probability = (1 + confidence) / 2
        if self.freedom is None:
            return NormalDist().inv_cdf(probability)
        return student_quantile(probability, self.freedom)


def find_noise(run: Run, *, given: float | None = None) -> Noise:
    """Find the noise of a run.

    Parameters
    ----------
    run : Run
        The run.
    given : float, optional
        The probe's repeatability, mm, where it was measured before.

    Returns
    -------
    Noise
        From the first of: the given value, repeats in the run, the map.

    Raises
    ------
    ShapeError
        If the places carry no plane.

    Examples
    --------
    >>> run = Run(x=[0, 0, 9, 9, 0, 0], y=[0, 0, 0, 0, 9, 9], z=[1.1, 1.3, 1, 1.2, 1, 1.2])
    >>> noise = find_noise(run)
    >>> noise.sigma, noise.source, noise.freedom
    (0.141, 'repeated touches', 3)
    """
    places = run.places
    # a place with m touches has a variance of 1/m
    per_place = float(np.sqrt(np.mean(1.0 / places.touches)))
    if given is not None:
        return Noise(given, "machine file", None, given * per_place)
    repeats = len(run) - len(places)
    if repeats >= 3:
        about: Floats = run.z - places.z[places.of_touch]
        sigma = float(np.sqrt(about @ about / repeats))
        if sigma > 0:
            return Noise(sigma, "repeated touches", repeats, sigma * per_place)
    shape = modes(places.x, places.y, places.z)
    left = shape.residual_sigma
    if left is None:
        return Noise(None, "unknown", None, None)
    return Noise(left / per_place, "map", shape.freedom, left)
