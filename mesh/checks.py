"""What every fit asks of its places first, in one spot, so that the numerics need no ifs."""

import numpy as np
import numpy.typing as npt

from probes.errors import ShapeError
from probes.run import Floats, Run

__all__ = ["check_places", "check_run", "spread"]

THINNEST = 1e-12
"""Places narrower than this part of their length stand on one line: no plane is carried."""


def check_places(
    x: npt.ArrayLike, y: npt.ArrayLike, z: npt.ArrayLike
) -> tuple[Floats, Floats, Floats]:  # fmt: skip
    """Check that places can carry a plane, and give them as flat float arrays.

    Parameters
    ----------
    x, y : array_like, shape (n,)
        Position, mm.
    z : array_like, shape (n,)
        Height, mm.

    Returns
    -------
    x, y, z : ndarray, shape (n,)
        The same values.

    Raises
    ------
    ShapeError
        If lengths differ, a value is not finite, or there are not three places off one line.
    """
    xs, ys, zs = (np.asarray(values, dtype=np.float64).ravel() for values in (x, y, z))
    if not len(xs) == len(ys) == len(zs):
        raise ShapeError(
            f"x, y and z have {len(xs)}, {len(ys)} and {len(zs)} values; give one each per place"
        )
    for name, values in (("x", xs), ("y", ys), ("z", zs)):
        if not np.isfinite(values).all():
            raise ShapeError(f"{name} holds a value that is not finite; leave that place out")
    if len(xs) < 3:
        places = "1 place" if len(xs) == 1 else f"{len(xs)} places"
        raise ShapeError(f"a plane needs three places that are not on one line; there are {places}")
    _, axis, width = spread(xs, ys)
    rounding = 8 * np.finfo(np.float64).eps * max(np.abs(xs).max(), np.abs(ys).max())
    if width * float(np.hypot(*axis)) <= max(THINNEST * float(np.hypot(*axis)), rounding):
        raise ShapeError(
            f"all {len(xs)} places stand on one line; "
            "a plane needs three that do not: probe a second row"
        )
    return xs, ys, zs


def check_run(run: Run) -> None:
    """Check that the places of a run can carry a plane.

    Raises
    ------
    ShapeError
        If they cannot, with the run's name.
    """
    try:
        check_places(run.places.x, run.places.y, run.places.z)
    except ShapeError as fault:
        raise ShapeError(f"{run.source}: {fault}") from None


def spread(x: Floats, y: Floats) -> tuple[Floats, Floats, float]:
    """Measure how places spread: centre, long half-axis, and half-width over half-length.

    Returns
    -------
    centre : ndarray, shape (2,)
        Mean position, mm.
    axis : ndarray, shape (2,)
        From the centre to the farthest place, mm; zero if all places are one.
    width : float
        Largest distance from the line through `axis`, as a part of its length.
    """
    centre = np.array((x.mean(), y.mean()))
    dx, dy = x - centre[0], y - centre[1]
    far = int(np.argmax(dx * dx + dy * dy))
    axis = np.array((dx[far], dy[far]))
    length_squared = float(axis @ axis)
    if length_squared == 0.0:
        return centre, axis, 0.0
    across = dx * axis[1] - dy * axis[0]
    return centre, axis, float(np.abs(across).max()) / length_squared
