"""A small map of heights in characters, for the terminal."""

import numpy as np

from probes.run import Floats, Places

__all__ = ["character_map"]

_MOST_COLUMNS = 10
_MOST_ROWS = 12


def character_map(
    places: Places, heights: Floats, title: str = "Heights about the plane"
) -> list[str]:
    """Draw heights as a table of whole micrometres, back at the top, left at the left.

    Parameters
    ----------
    places : Places
        Where the heights belong.
    heights : ndarray, shape (places,)
        Heights, mm.
    title : str
        What they are.

    Returns
    -------
    list of str
        Lines of at most 80 characters; large grids and scattered places are averaged in cells.
    """
    grid = places.grid
    if grid and grid.columns <= _MOST_COLUMNS and grid.rows <= _MOST_ROWS:
        xs, ys, cells = grid.x, grid.y, grid.matrix(heights)
        how = "each place"
    else:
        xs, ys, cells = _averaged(places, heights)
        how = "mean of the places in each cell"
    lines = [f"{title}, um ({how}):", ""]
    for y, row in zip(ys[::-1], cells[::-1], strict=True):
        values = "".join(_cell(v) for v in row)
        lines.append(f"  y {y:5.0f} |{values}")
    lines.append("          +" + "-" * (6 * len(xs)))
    lines.append("        x  " + "".join(f"{x:6.0f}" for x in xs))
    return lines


def _cell(height: float) -> str:
    if np.isnan(height):
        return "     ."
    text = f"{height * 1000:+z6.0f}"
    return text if len(text) <= 6 and text[0] == " " else f"{text[0]:>2}****"


def _averaged(places: Places, heights: Floats) -> tuple[Floats, Floats, Floats]:
    count = int(np.clip(np.sqrt(len(places)), 3, 8))
    edges_x = np.linspace(places.x.min(), places.x.max(), count + 1)
    edges_y = np.linspace(places.y.min(), places.y.max(), count + 1)
    column = np.clip(np.searchsorted(edges_x, places.x, side="right") - 1, 0, count - 1)
    row = np.clip(np.searchsorted(edges_y, places.y, side="right") - 1, 0, count - 1)
    cell = row * count + column
    number = np.bincount(cell, minlength=count**2)
    total = np.bincount(cell, weights=heights, minlength=count**2)
    mean = np.where(number > 0, total / np.maximum(number, 1), np.nan)
    middle_x, middle_y = (edges_x[1:] + edges_x[:-1]) / 2, (edges_y[1:] + edges_y[:-1]) / 2
    return middle_x, middle_y, mean.reshape(count, count)
