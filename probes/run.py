"""A run: one probing of a bed, with every touch as it was taken."""

from dataclasses import dataclass, field, replace
from datetime import datetime
from functools import cached_property
from typing import Any

import numpy as np
import numpy.typing as npt

from probes.errors import ReadError

__all__ = ["Floats", "Grid", "Ints", "Places", "Run"]

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.intp]

SAME_LINE_MM = 0.05
"""Touches whose x (or y) differ by less than this (mm) stand in one column (or row); those that do
in both are touches of one place."""

_LATTICE_MM = 1e-3
"""Where touches lie so densely that lines run into each other, they are told apart on this."""


FARTHEST_MM = 1e9
"""A reading beyond this (mm) is no reading of any machine."""


def frozen(values: npt.ArrayLike) -> Floats:
    """Copy `values` into a flat float array that cannot be written to."""
    array = np.array(values, dtype=np.float64).ravel()
    array.flags.writeable = False
    return array


@dataclass(frozen=True, eq=False)
class Grid:
    """The rectangular arrangement of places, where they have one.

    Attributes
    ----------
    x : ndarray, shape (columns,)
        Column positions, mm, rising (left to right).
    y : ndarray, shape (rows,)
        Row positions, mm, rising (front to back).
    column, row : ndarray of int, shape (places,)
        Where each place stands.
    """

    x: Floats
    y: Floats
    column: Ints
    row: Ints

    @property
    def rows(self) -> int:
        """Number of rows, each along x."""
        return len(self.y)

    @property
    def columns(self) -> int:
        """Number of columns, each along y."""
        return len(self.x)

    @property
    def step_x(self) -> float:
        """Distance of the columns where they are even, mm."""
        return float(self.x[-1] - self.x[0]) / (self.columns - 1)

    @property
    def step_y(self) -> float:
        """Distance of the rows where they are even, mm."""
        return float(self.y[-1] - self.y[0]) / (self.rows - 1)

    @property
    def unevenness(self) -> float:
        """Largest distance of a column or row from where equal steps would have it, in steps."""
        return max(
            float(np.abs((lines - lines[0]) / step - np.arange(len(lines))).max())
            for lines, step in ((self.x, self.step_x), (self.y, self.step_y))
        )

    def matrix(self, values: npt.ArrayLike) -> Floats:
        """Lay `values`, one per place, out in rows (front first) and columns; holes are NaN."""
        full = np.full((self.rows, self.columns), np.nan)
        full[self.row, self.column] = values
        return full


@dataclass(frozen=True, eq=False)
class Places:
    """The spots of a run, each with the mean of its touches, in the order first touched.

    Attributes
    ----------
    x, y : ndarray, shape (places,)
        Position, mm.
    z : ndarray, shape (places,)
        Mean height of the touches, mm, + = high.
    touches : ndarray of int, shape (places,)
        How often each place was touched.
    of_touch : ndarray of int, shape (touches,)
        The place each touch belongs to.
    """

    x: Floats
    y: Floats
    z: Floats
    touches: Ints
    of_touch: Ints

    def __len__(self) -> int:
        return len(self.x)

    @cached_property
    def by_position(self) -> Ints:
        """The places by x, then y, to 0.1 mm: runs of the same places agree in this order."""
        return np.lexsort((np.round(self.y, 1), np.round(self.x, 1)))

    @cached_property
    def grid(self) -> Grid | None:
        """The grid the places stand on, or None if they are scattered.

        Places form a grid when at least two in three of the spots where their columns and rows
        cross were probed, no spot is taken twice, and there are at least two of each.
        """
        column, xs = _lines(self.x)
        row, ys = _lines(self.y)
        spots = len(xs) * len(ys)
        if min(len(xs), len(ys)) < 2 or 2 * spots > 3 * len(self):
            return None
        # np.unique would do, but loads numpy.ma, which takes longer than the rest of a check
        if np.bincount(row * len(xs) + column).max() > 1:
            return None
        return Grid(frozen(xs), frozen(ys), column, row)


@dataclass(frozen=True, eq=False)
class Run:
    """One probing of a bed.

    Parameters
    ----------
    x, y : array_like, shape (touches,)
        Where each touch was taken, mm; x right, y back, seen from the front.
    z : array_like, shape (touches,)
        Height of the bed surface at the touch, mm; + = high = nearer the nozzle.
    minutes : array_like, optional
        When each touch was taken, minutes from the start.
    bed, chamber, ambient : float or array_like, optional
        Temperatures, degC; one value, or one per touch.
    touch : array_like, optional
        Running number of a touch at its place, as the source gave it.
    started : datetime, optional
        When the run began.
    plate, note : str, optional
        Which plate lay on the bed; anything the builder wrote down.
    source : str
        What to call the run in messages: usually the file's name.
    format : str
        The format it was read from.
    passed_over : int
        Lines of the source that hold no reading.
    holes : int
        Places the source names without a height.
    warnings : tuple of str
        What the reader wants the user to know.

    Raises
    ------
    ReadError
        If lengths differ, there is no touch at all, or a value is NaN or infinite.

    Examples
    --------
    >>> run = Run(x=[0, 100, 0, 0], y=[0, 0, 100, 100], z=[0.1, 0.2, 0.10, 0.12])
    >>> len(run.places), run.places.z
    (3, array([0.1 , 0.2 , 0.11]))
    """

    x: Floats
    y: Floats
    z: Floats
    minutes: Floats | None = None
    bed: Floats | None = None
    chamber: Floats | None = None
    ambient: Floats | None = None
    touch: Floats | None = None
    started: datetime | None = None
    plate: str | None = None
    note: str | None = None
    source: str = "run"
    format: str = "arrays"
    passed_over: int = 0
    holes: int = 0
    warnings: tuple[str, ...] = field(default=())

    def __post_init__(self) -> None:
        for name in ("x", "y", "z"):
            object.__setattr__(self, name, frozen(getattr(self, name)))
        touches = len(self.z)
        for name in ("minutes", "bed", "chamber", "ambient", "touch"):
            value = getattr(self, name)
            if value is not None:
                each = np.broadcast_to(value, touches) if np.ndim(value) == 0 else value
                object.__setattr__(self, name, frozen(each))
        self._validate(touches)

    def _validate(self, touches: int) -> None:
        if touches == 0:
            raise ReadError(f"{self.source}: holds no readings; give at least three places")
        for name in ("x", "y", "z", "minutes", "bed", "chamber", "ambient", "touch"):
            values = getattr(self, name)
            if values is None:
                continue
            if len(values) != touches:
                raise ReadError(
                    f"{self.source}: {len(values)} values of {name} for {touches} of z; "
                    "give one for each touch"
                )
            if name not in ("x", "y", "z"):
                continue
            bad = ~(np.abs(values) <= FARTHEST_MM)
            if bad.any():
                at = int(np.argmax(bad))
                raise ReadError(
                    f"{self.source}: {name} of touch {at + 1} is {values[at]:g} mm; "
                    "leave out what was not measured, every reading must be a finite number of a "
                    "size that fits a machine"
                )

    def __len__(self) -> int:
        return len(self.z)

    def __repr__(self) -> str:
        return f"Run({self.source!r}, {len(self)} touches, {len(self.places)} places)"

    @cached_property
    def places(self) -> Places:
        """The places of the run, each with the mean of its touches."""
        key_x, key_y = _line_keys(self.x), _line_keys(self.y)
        order = np.lexsort((key_y, key_x))
        new = np.empty(len(self), dtype=bool)
        new[0] = True
        sorted_x, sorted_y = key_x[order], key_y[order]
        new[1:] = (np.diff(sorted_x) != 0) | (np.diff(sorted_y) != 0)
        # lexsort is stable, so the first of each group is its first touch
        group = np.empty(len(self), dtype=np.intp)
        group[order] = np.cumsum(new) - 1
        first = order[new]
        rank = np.argsort(np.argsort(first))
        of_touch = rank[group]
        first = np.sort(first)
        touches = np.bincount(of_touch)
        mean = np.bincount(of_touch, weights=self.z) / touches
        return Places(
            frozen(self.x[first]), frozen(self.y[first]), frozen(mean), touches, of_touch
        )  # fmt: skip

    def take(self, part: slice) -> "Run":
        """Take some of the touches, with what belongs to them."""
        names = ("x", "y", "z", "minutes", "bed", "chamber", "ambient", "touch")
        values = {name: getattr(self, name) for name in names}
        return self.replace(
            **{name: None if value is None else value[part] for name, value in values.items()}
        )

    def replace(self, **changes: Any) -> "Run":
        """Make a copy with some fields changed."""
        return replace(self, **changes)


def _line_keys(values: Floats) -> Floats:
    """Give each coordinate the number of the line it stands in."""
    line, starts = _lines(values)
    ends = np.full(len(starts), -np.inf)
    np.maximum.at(ends, line, values)
    if float((ends - starts).max()) <= 2 * SAME_LINE_MM:
        return line.astype(np.float64)
    return np.round(values / _LATTICE_MM)


def _lines(values: Floats) -> tuple[Ints, Floats]:
    """Sort coordinates into lines of a grid: the line of each, and the lines' positions."""
    order = np.argsort(values, kind="stable")
    ordered = values[order]
    starts = np.concatenate(([True], np.diff(ordered) > SAME_LINE_MM))
    line_of_ordered = np.cumsum(starts) - 1
    line = np.empty(len(values), dtype=np.intp)
    line[order] = line_of_ordered
    return line, ordered[starts]
