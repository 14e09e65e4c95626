"""Matrix: heights in rows, coordinates from a header row and column or from --x and --y."""

import math

import numpy as np

from probes.errors import ReadError
from probes.read.assembly import Readings, assemble
from probes.read.match import Match
from probes.read.numbers import HOLES
from probes.read.options import ReadOptions
from probes.read.remarks import find_remarks
from probes.read.source import Source
from probes.read.table import Layout, find_layout, is_numeric, rows
from probes.run import Run

__all__ = ["NAME", "look", "parse"]

NAME = "matrix"

_LOOK_AT = 40


def look(source: Source, options: ReadOptions) -> Match:
    """Tell whether a source holds a matrix of heights."""
    layout = find_layout(source)
    if options.line:
        return Match.NO
    sample = []
    for _, cells in rows(source, layout):
        sample.append(cells)
        if len(sample) == _LOOK_AT:
            break
    if _has_axes(sample, layout):
        return Match.YES
    numeric = sum(is_numeric(cells, layout) for cells in sample)
    if 2 * numeric <= len(sample):
        return Match.NO
    return Match.YES if options.x and options.y else Match.MAYBE


def parse(source: Source, options: ReadOptions) -> Run:
    """Read the matrix.

    Raises
    ------
    ReadError
        With the line, where rows differ in length, a cell is no height, or there are no
        coordinates.
    """
    layout = find_layout(source)
    table = list(rows(source, layout))
    warnings: list[str] = []
    if _has_axes([cells for _, cells in table[:_LOOK_AT]], layout):
        numbers, xs, ys, cells = _with_axes(table, layout, source)
        if options.x or options.y or options.rows:
            warnings.append("the matrix has coordinates of its own; --x, --y, --rows not used")
    else:
        numbers = [number for number, _ in table]
        cells = [row for _, row in table]
        _check_lengths(numbers, cells, source)
        if not (options.x and options.y):
            raise ReadError(
                f"{source.name}: holds a matrix of {len(cells)} rows and {len(cells[0])} columns "
                "without coordinates; give --x first:last and --y first:last, "
                "or put x in a header row and y in a header column"
            )
        xs = np.linspace(*options.x, len(cells[0]))
        ys = np.linspace(*options.y, len(cells))
        if options.rows:
            ys = np.sort(ys)[:: 1 if options.rows == "front-first" else -1]
        elif len(cells) > 1 and ys[0] < ys[-1]:
            warnings.append(
                "the first row of the matrix was taken as the front; "
                "say --rows back-first if it is the back"
            )
    z, holes = _heights(numbers, cells, layout, source)
    across, along = np.meshgrid(xs, ys)
    probed = np.isfinite(z)
    readings = Readings(
        across[probed], along[probed], z[probed], holes=holes, warnings=warnings
    )  # fmt: skip
    return assemble(readings, source, find_remarks(source), options, NAME)


def _has_axes(sample: list[list[str]], layout: Layout) -> bool:
    """Tell whether the first row holds x after a corner that is empty, a label or left out."""
    if len(sample) < 2:
        return False
    first, second = sample[0], sample[1]
    if not is_numeric(second, layout) or layout.number(second[0]) is None:
        return False
    if len(first) == len(second) - 1:
        regular = all(len(cells) == len(second) for cells in sample[1:])
        return regular and all(layout.number(cell) is not None for cell in first)
    return (
        len(first) == len(second) > 1
        and layout.number(first[0]) is None
        and all(layout.number(cell) is not None for cell in first[1:])
    )


def _with_axes(
    table: list[tuple[int, list[str]]], layout: Layout, source: Source
) -> tuple[list[int], np.ndarray, np.ndarray, list[list[str]]]:
    header = table[0][1]
    if len(header) == len(table[1][1]):
        header = header[1:]
    xs = [layout.number(cell) for cell in header]
    ys = []
    for number, row in table[1:]:
        y = layout.number(row[0])
        if y is None:
            raise ReadError(
                f"{source.at(number)}{row[0]!r} stands where the y of the row belongs; "
                "it must be a number"
            )
        ys.append(y)
    numbers = [number for number, _ in table[1:]]
    cells = [row[1:] for _, row in table[1:]]
    _check_lengths(numbers, cells, source, expected=len(xs))
    for name, values in (("x", xs), ("y", ys)):
        if len(set(values)) < len(values):
            raise ReadError(f"{source.name}: two {name} coordinates of the matrix are the same")
    return numbers, np.array(xs, dtype=float), np.array(ys, dtype=float), cells


def _check_lengths(
    numbers: list[int], cells: list[list[str]], source: Source, expected: int | None = None
) -> None:
    expected = expected or len(cells[0])
    for number, row in zip(numbers, cells, strict=True):
        if len(row) != expected:
            raise ReadError(
                f"{source.at(number)}row holds {len(row)} heights where {expected} are expected; "
                "write nan where nothing was measured"
            )


def _heights(
    numbers: list[int], cells: list[list[str]], layout: Layout, source: Source
) -> tuple[np.ndarray, int]:
    z = np.full((len(cells), len(cells[0])), math.nan)
    for i, (number, row) in enumerate(zip(numbers, cells, strict=True)):
        for j, cell in enumerate(row):
            value = layout.number(cell)
            if value is not None:
                z[i, j] = value
            elif cell.lower() not in HOLES:
                raise ReadError(
                    f"{source.at(number)}{cell!r} in column {j + 1} is not a height; "
                    "write a number, or nan where nothing was measured"
                )
    return z, int(np.isnan(z).sum())
