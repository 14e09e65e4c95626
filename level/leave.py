"""Which lifts to leave: those whose rise may be noise, unless leaving them does harm."""

from collections.abc import Iterator

import numpy as np

from level.aim import Aim
from level.influence import Influence
from mesh.noise import Noise
from mesh.tilt import Tilt
from probes.run import Floats

__all__ = ["is_tilted", "leave_choices", "slope_left"]

_CONFIDENCE = 0.95


def leave_choices(
    aim: Aim, tilt: Tilt, noise: Noise, influence: Influence, *, free: bool
) -> Iterator[tuple[frozenset[int], str]]:
    """Name the sets of lifts to leave, the one to be preferred first, and what to say of each.

    A lift whose rise is below its uncertainty is left. Where that racks the frame or tilts the bed
    more than it is, all are turned, or none where the tilt as a whole may be noise.

    Parameters
    ----------
    aim : Aim
        What is asked of the lifts.
    tilt, noise, influence
        As in the plan.
    free : bool
        Whether all lifts may be left for noise; not so where more than the tilt is asked for.

    Yields
    ------
    frozenset of int
        Lifts to leave, counted from 0.
    str
        What the user should know of it; empty if nothing.
    """
    every = frozenset(range(len(aim.rises)))
    doubtful = frozenset[int]()
    if aim.sigmas is not None:
        reach = noise.reach(_CONFIDENCE)
        doubtful = frozenset(int(k) for k in np.flatnonzero(np.abs(aim.rises) < reach * aim.sigmas))
    yield doubtful, ""
    if is_tilted(tilt, noise, influence) or not free:
        if doubtful:
            yield (
                frozenset(),
                "some turns are below their uncertainty, but leaving them out would rack the frame "
                "beyond its limit or tilt the bed more, so all lifts are turned",
            )
    else:
        yield every, "the tilt as a whole may be noise, so all lifts are left; probe more places"


def slope_left(influence: Influence, tilt: Tilt, rises: Floats) -> float:
    """Slope in the middle of the probed rectangle after the rises, mm/mm."""
    (x, y), (dx, dy) = tilt.centre, (tilt.width / 2, tilt.depth / 2)
    left, right, front, back = influence.change(
        [x - dx, x + dx, x, x], [y, y, y - dy, y + dy], rises
    )
    return float(
        np.hypot(tilt.slope_x + (right - left) / (2 * dx), tilt.slope_y + (back - front) / (2 * dy))
    )


def is_tilted(tilt: Tilt, noise: Noise, influence: Influence) -> bool:
    """Tell whether the tilt that the lifts can take out is more than noise, as a whole (95 %).

    References
    ----------
    H. Hotelling, "The generalization of Student's ratio", Ann. Math. Stat. 2 (1931) 360-378.
    """
    ways = influence.directions
    if not noise.of_places or not len(ways):
        return True  # without noise every tilt is one
    slopes = ways @ (tilt.slope_x, tilt.slope_y)
    covariance = ways @ tilt.factor @ ways.T * noise.of_places**2
    size = float(slopes @ np.linalg.solve(covariance, slopes))
    if len(ways) == 1:
        return size > noise.reach(_CONFIDENCE) ** 2
    tail = 1 - _CONFIDENCE
    if noise.freedom is None:
        return size > -2 * float(np.log(tail))
    # the F distribution with 2 degrees above has a closed form
    return bool(size > noise.freedom * (tail ** (-2 / noise.freedom) - 1))
