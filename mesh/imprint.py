"""Imprint: the part of a map that is one profile along x plus one along y.

A rail along x that is not straight lifts the probe by the same f(x) in every row, one along y by
the same g(y) in every column: z = level + f(x) + g(y) + rest. Means tell f and g best where noise
is even; Tukey's median polish tells them beside a bad reading.
"""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from mesh.polish import median_polish
from mesh.significance import by_squares
from probes.errors import ShapeError
from probes.run import Floats, Grid, Places, frozen

__all__ = ["Imprint", "Profile", "find_imprint"]

MEANING = (
    "A profile that is alike in every row, and one that is alike in every column, are what rails "
    "leave that are not straight. A bed that is bowed alike in every row leaves the same, so this "
    "is no proof that the rails are at fault.",
    "The rails are the likelier cause if the profiles are the same with another plate, at another "
    "temperature and after the lifts were turned, and do not turn with the plate. Turn the plate "
    "half a turn and probe again.",
    "The straight part of a profile is tilt, and levelling takes it out; the bend is what stays.",
    "A twist is neither profile. It is the bed's, or comes from two rails side by side that are "
    "not parallel in height.",
)


@dataclass(frozen=True, eq=False)
class Profile:
    """One profile of an imprint; its mean is zero.

    Attributes
    ----------
    at : ndarray, shape (k,)
        Positions of the columns along x, or of the rows along y, mm.
    values : ndarray, shape (k,)
        By least squares (means, on a full grid), mm.
    sigma : ndarray, shape (k,), or None
        Standard deviation of the values, mm, by the rest of the map; None without freedom.
    robust : ndarray, shape (k,)
        By median polish, mm.
    swing : float
        Highest less lowest of the values, mm.
    bend : float
        The same without their least-squares line, mm: what no tilt explains.
    share : float
        Part of the map's sum of squares, 0 to 1. With holes, what the profile takes behind the
        other one and the twist, so the shares need not add up to 1.
    freedom : int
        Its degrees of freedom: columns or rows, less one.
    ratio, p_value : float or None
        F against the rest, and the probability of so large a one by chance; tilt counts in it.
    bend_p_value : float or None
        The same for the bend alone.
    """

    at: Floats
    values: Floats
    sigma: Floats | None
    robust: Floats
    swing: float
    bend: float
    share: float
    freedom: int
    ratio: float | None
    p_value: float | None
    bend_p_value: float | None


@dataclass(frozen=True, eq=False)
class Imprint:
    """The part of a map that is a profile along x plus one along y.

    Attributes
    ----------
    level : float
        Mean height, mm.
    along_x, along_y : Profile
        One value for each column, and for each row.
    twist : float
        Corner height of the twist, which is neither, mm.
    twist_sigma : float or None
        Its standard deviation, mm.
    twist_share : float
        Its part of the map's sum of squares.
    rest : ndarray, shape (places,)
        What all these leave, mm.
    rest_share : float
        Part of the map's sum of squares that is left.
    freedom : int
        Degrees of freedom of the rest.
    rest_robust : ndarray, shape (places,)
        What median polish leaves, the twist included, mm.
    product_ratio, product_p_value : float or None
        Tukey's test of one degree of freedom: whether rows and columns multiply instead of adding
        up. A twist can pass it unseen.
    meaning : tuple of str
        What the profiles can and cannot tell.
    """

    level: float
    along_x: Profile
    along_y: Profile
    twist: float
    twist_sigma: float | None
    twist_share: float
    rest: Floats
    rest_share: float
    freedom: int
    rest_robust: Floats
    product_ratio: float | None
    product_p_value: float | None
    meaning: tuple[str, ...] = MEANING


def find_imprint(places: Places) -> Imprint:
    """Find the row and the column part of a map.

    Parameters
    ----------
    places : Places
        On a grid, which may have holes.

    Returns
    -------
    Imprint
        Level, profiles, twist and rest, fitted together.

    Raises
    ------
    ShapeError
        If the places form no grid, are too few, or are parted by holes into pieces that share no
        row and no column.

    References
    ----------
    H. Scheffé, The Analysis of Variance (1959), chapter 4: two-way layout, also with holes.
    J. W. Tukey, Exploratory Data Analysis (1977), chapter 11: median polish; "One degree of
    freedom for non-additivity", Biometrics 5 (1949) 232-242.

    Examples
    --------
    >>> from probes.run import Run
    >>> x, y = (a.ravel() for a in np.meshgrid([0, 100, 200], [0, 100, 200, 300]))
    >>> imprint = find_imprint(Run(x=x, y=y, z=0.05 * (x == 100) + 1e-4 * y).places)
    >>> imprint.along_x.values
    array([-0.017,  0.033, -0.017])
    >>> round(imprint.along_x.bend, 3), round(imprint.along_y.swing, 3)
    (0.05, 0.03)
    >>> abs(imprint.along_y.bend) < 1e-12
    True
    """
    grid = places.grid
    if grid is None:
        raise ShapeError(
            f"the {len(places)} places form no grid, so there are no rows and columns to part; "
            "probe a grid with at least two in three of its places"
        )
    fit = _Additive(grid)
    twist_shape = _scaled(grid.x)[grid.column] * _scaled(grid.y)[grid.row]
    effects, left = fit.part(places.z)
    twist_effects, twist_left = fit.part(twist_shape)
    weight = float(twist_left @ twist_left)
    if weight <= 1e-12 * len(places):
        raise ShapeError(
            f"the {len(places)} places in {grid.rows} rows and {grid.columns} columns are too few "
            "to part profiles from twist; fill the holes, or probe a larger grid"
        )
    twist = float(left @ twist_left) / weight
    effects = effects - twist * twist_effects
    rest = left - twist * twist_left
    covariance = fit.covariance + np.outer(twist_effects, twist_effects) / weight
    freedom = len(rest) - (grid.columns + grid.rows)
    square = float(rest @ rest) / freedom if freedom > 0 else None
    departures = places.z - places.z.mean()
    total = float(departures @ departures)
    robust = median_polish(grid.matrix(places.z))
    profiles = [
        _profile(at, effects[part], covariance[part, part], polished, square, freedom, total)
        for at, part, polished in (
            (grid.x, slice(None, grid.columns), robust[1]),
            (grid.y, slice(grid.columns, None), robust[2]),
        )
    ]
    ratio, p_value = _product(fit, effects, left)
    return Imprint(
        level=float(np.mean(places.z - effects[grid.column] - effects[grid.columns + grid.row])),
        along_x=profiles[0],
        along_y=profiles[1],
        twist=twist,
        twist_sigma=None if square is None else float(np.sqrt(square / weight)),
        twist_share=_share(twist**2 * weight, total),
        rest=frozen(rest),
        rest_share=_share(float(rest @ rest), total),
        freedom=max(freedom, 0),
        rest_robust=frozen(robust[3][grid.row, grid.column]),
        product_ratio=ratio,
        product_p_value=p_value,
    )


class _Additive:
    """Least squares of a level, a value for each column and one for each row."""

    def __init__(self, grid: Grid) -> None:
        self.grid = grid
        filled = np.zeros((grid.columns, grid.rows))
        filled[grid.column, grid.row] = 1
        if not _connected(filled > 0):
            raise ShapeError(
                "holes part the grid into pieces that share no row and no column, so their "
                "profiles cannot be compared; probe the places between them"
            )
        normal = np.block(
            [[np.diag(filled.sum(axis=1)), filled], [filled.T, np.diag(filled.sum(axis=0))]]
        )
        # all columns up and all rows down changes no height: it is put at zero
        free = np.concatenate((np.ones(grid.columns), -np.ones(grid.rows)))
        self._inverse = np.linalg.inv(normal + np.outer(free, free))
        centre = np.eye(len(free))
        centre[: grid.columns, : grid.columns] -= 1 / grid.columns
        centre[grid.columns :, grid.columns :] -= 1 / grid.rows
        self._centre = centre
        self.covariance = centre @ self._inverse @ centre

    def part(self, values: Floats) -> tuple[Floats, Floats]:
        """Part values of the places into effects (columns, then rows) and what is left."""
        grid = self.grid
        departures = values - values.mean()
        sums = np.concatenate(
            [
                np.bincount(line, weights=departures, minlength=count)
                for line, count in ((grid.column, grid.columns), (grid.row, grid.rows))
            ]
        )
        found = self._inverse @ sums
        left = departures - found[grid.column] - found[grid.columns + grid.row]
        effects: Floats = self._centre @ found
        return effects, left


def _connected(filled: npt.NDArray[np.bool_]) -> bool:
    """Whether steps along rows and columns lead from any place to any other."""
    columns: npt.NDArray[np.bool_] = np.zeros(len(filled), dtype=bool)
    columns[0] = True
    while True:
        reached: npt.NDArray[np.bool_] = np.asarray(
            filled[:, filled[columns].any(axis=0)].any(axis=1)
        )
        if (reached == columns).all():
            return bool(columns.all())
        columns = reached


def _profile(
    at: Floats,
    values: Floats,
    covariance: Floats,
    robust: Floats,
    square: float | None,
    freedom: int,
    total: float,
) -> Profile:
    line = np.column_stack((np.ones(len(at)), at - at.mean()))
    bent = values - line @ np.linalg.lstsq(line, values, rcond=None)[0]
    whole = _squares(values, covariance, line[:, :1])
    ratio, p_value = _test(whole, len(at) - 1, square, freedom)
    bend_p_value = None
    if len(at) > 2:
        bend = _squares(values, covariance, line)
        bend_p_value = _test(bend, len(at) - 2, square, freedom)[1]
    return Profile(
        at=at,
        values=frozen(values),
        sigma=None if square is None else frozen(np.sqrt(np.diag(covariance) * square)),
        robust=frozen(robust),
        swing=float(np.ptp(values)),
        bend=float(np.ptp(bent)),
        share=_share(whole, total),
        freedom=len(at) - 1,
        ratio=ratio,
        p_value=p_value,
        bend_p_value=bend_p_value,
    )


def _squares(values: Floats, covariance: Floats, without: Floats) -> float:
    """Sum of squares of what lies beside the columns of `without` (a general linear hypothesis)."""
    count = without.shape[1]
    beside = np.linalg.qr(without, mode="complete")[0][:, count:]
    parts = beside.T @ values
    return float(parts @ np.linalg.solve(beside.T @ covariance @ beside, parts))


def _product(fit: _Additive, effects: Floats, left: Floats) -> tuple[float | None, float | None]:
    """Tukey's test of one degree of freedom, on what the additive part leaves."""
    grid = fit.grid
    product = fit.part(effects[grid.column] * effects[grid.columns + grid.row])[1]
    size = float(product @ product)
    freedom = len(left) - (grid.columns + grid.rows)
    if size == 0 or freedom < 1:
        return None, None
    square = float(left @ product) ** 2 / size
    return _test(square, 1, (float(left @ left) - square) / freedom, freedom)


def _test(
    squares: float, count: int, square: float | None, freedom: int
) -> tuple[float | None, float | None]:
    if not square or square <= 0:
        return None, None
    ratio = squares / count / square
    return ratio, by_squares(ratio, count, freedom)


def _share(squares: float, total: float) -> float:
    return squares / total if total > 0 else 0.0


def _scaled(at: Floats) -> Floats:
    """Positions, -1 to +1 long, from their mean: a full grid's twist then adds to no profile."""
    scaled: Floats = 2 * (at - at.mean()) / (at[-1] - at[0])
    return scaled
