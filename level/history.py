"""History: figures of the runs in a book, over time."""

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Literal, get_args

import numpy as np

from mesh.flatness import flatness
from mesh.modes import modes
from probes.book import Stack
from probes.errors import RequestError, ShapeError
from probes.run import Places, Run
from probes.trend import Trend, trend

__all__ = ["FIGURES", "Figure", "History", "figure_history"]

Figure = Literal["minimum-zone", "fall-x", "fall-y", "twist", "bow-x", "bow-y"]
FIGURES = get_args(Figure)
_FEWEST = 5


@dataclass(frozen=True, eq=False)
class History:
    """A figure of each run, in time.

    Attributes
    ----------
    figure : str
        Which.
    ids : tuple of int
        The runs in the book.
    trend : Trend
        Their figures, mm, over seconds since 1970, with control limits.
    untold : tuple of int
        Runs that do not tell the figure, such as those of places on one line.
    """

    figure: Figure
    ids: tuple[int, ...]
    trend: Trend
    untold: tuple[int, ...]


def figure_history(stacks: Iterable[Stack], figure: str) -> History:
    """Give a figure of each run over time.

    Parameters
    ----------
    stacks : iterable of Stack
        The runs of a book.
    figure : str
        One of FIGURES.

    Returns
    -------
    History
        With the limits of `probes.trend`.

    Raises
    ------
    RequestError
        If there is no such figure, or fewer than five runs tell it.
    """
    if figure not in FIGURES:
        raise RequestError(f"figure {figure!r}: must be one of {', '.join(FIGURES)}")
    found: list[tuple[float, int, float]] = []
    untold: list[int] = []
    for stack in stacks:
        for number, moment, z in zip(stack.ids, stack.moments, stack.z, strict=True):
            places = Run(x=stack.x, y=stack.y, z=z).places
            value = _figure(places, figure)
            if value is None:
                untold.append(number)
            else:
                found.append((float(moment), number, value))
    if len(found) < _FEWEST:
        raise RequestError(
            f"{len(found)} runs in the book tell {figure}; a trend needs {_FEWEST} or more"
        )
    found.sort()
    times, ids, values = zip(*found, strict=True)
    return History(
        next(one for one in FIGURES if one == figure),
        tuple(ids),
        trend(np.array(values), np.array(times)),
        tuple(untold),
    )


def _figure(places: Places, figure: str) -> float | None:
    """Give the figure of one run, or None if its places do not tell it."""
    try:
        if figure == "minimum-zone":
            return flatness(places.x, places.y, places.z).minimum_zone
        mode = getattr(modes(places.x, places.y, places.z), figure.replace("-", "_"))
    except ShapeError:
        return None
    return None if mode is None else float(mode.value)
