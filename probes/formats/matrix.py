"""Matrix: heights in rows, coordinates from a header row and column or from --x and --y."""

import math
import re
from itertools import pairwise

import numpy as np

from probes.errors import ReadError
from probes.formats.assembly import Readings
from probes.formats.match import Match
from probes.formats.numbers import HOLES
from probes.formats.options import ReadOptions
from probes.formats.source import Source
from probes.formats.table import SAMPLE, Layout, Row, find_layout, is_numeric, rows, sample_rows
from probes.run import Floats
from probes.units import unit_name, unit_words

__all__ = ["NAME", "look", "parse"]

NAME = "matrix"


def look(source: Source, options: ReadOptions) -> Match:
    """Tell whether a source holds a matrix of heights."""
    if options.line or not source.is_text or source.is_one_object:
        return Match.NO
    layout = find_layout(source)
    sample = sample_rows(source, layout)
    if _has_axes(sample, layout, options):
        return Match.YES
    numeric = sum(is_numeric(row.cells, layout) for row in sample)
    if 2 * numeric <= len(sample):
        return Match.NO
    if options.x and options.y:
        return Match.YES
    # three bare columns are x, y and z
    bare = sum(len(row.cells) == 3 for row in sample)
    return Match.NO if 2 * bare > len(sample) else Match.MAYBE


def parse(source: Source, options: ReadOptions) -> Readings:
    """Read the matrix.

    Raises
    ------
    ReadError
        With the line, where rows differ in length, a cell is no height, or there are no
        coordinates.
    """
    layout = find_layout(source)
    table = _trimmed(list(rows(source, layout)))
    if not table:
        raise ReadError(f"{source.name}: holds no readings")
    _check_blocks(table, source)
    warnings: list[str] = []
    if _has_axes(table[:SAMPLE], layout, options):
        xs, ys, heights = _with_axes(table, layout, source)
        z = _heights(heights, layout, source)
        if options.x and options.y and _counts(xs) and _counts(ys):
            # the numbers of columns and rows, printed beside the heights
            xs, ys = _between_ends(len(xs), len(ys), source, options, warnings)
        elif _counts(xs) and _counts(ys) and min(len(xs), len(ys)) > 2:
            warnings.append(
                "the matrix's coordinates only count columns and rows; give --x and --y in mm"
            )
        elif options.x or options.y or options.rows:
            warnings.append("the matrix has coordinates of its own; --x, --y, --rows not used")
    else:
        if not is_numeric(table[0].cells, layout) and len(table) > 1:
            raise ReadError(
                f"{source.at(table[0].number)}{table[0].text.strip()[:40]!r} is no row of heights; "
                "a header of columns must name x, y and z, as in x,y,z or x [mm],y [mm],z [um]"
            )
        _check_lengths(table, source, len(table[0].cells))
        z = _heights(table, layout, source)
        _check_commas(z, table, layout, source)
        xs, ys = _between_ends(len(table[0].cells), len(table), source, options, warnings)
    across, along = np.meshgrid(xs, ys)
    probed = np.isfinite(z)
    return Readings(
        across[probed],
        along[probed],
        z[probed],
        units=_corner_unit(table, z.shape[1]),
        holes=int((~probed).sum()),
        warnings=warnings,
    )


def _corner_unit(table: list[Row], columns: int) -> dict[str, str]:
    """Give the unit of the heights where the corner of the matrix names one."""
    if len(table[0].cells) != columns + 1:
        return {}
    match = re.search(r"[\[(]\s*(\S+?)\s*[\])]|^\s*(\S+)\s*$", table[0].cells[0])
    word = (match[1] or match[2]).lower() if match else ""
    return {"z": unit_name(word)} if word in unit_words() else {}


def _trimmed(table: list[Row]) -> list[Row]:
    """Drop a last column that is empty in every row: each row ends with a separator."""
    if table and all(len(row.cells) > 1 and not row.cells[-1] for row in table):
        return [Row(row.number, row.text, row.layout, last=-1) for row in table]
    return table


def _check_blocks(table: list[Row], source: Source) -> None:
    """Refuse two matrices in one source: blank lines part some rows, but not all."""
    gaps = [b.number for a, b in pairwise(table) if b.number - a.number > 1]
    if gaps and len(gaps) < (len(table) - 1) / 2 and gaps[0] > table[1].number:
        raise ReadError(
            f"{source.at(gaps[0])}a second block of rows begins behind a blank line; a matrix is "
            "one block, so cut out the one you want"
        )


def _counts(values: Floats) -> bool:
    """Tell whether coordinates only count rows or columns, from 0 or 1, either way."""
    ordered = np.sort(values)
    return len(values) > 1 and any(
        np.array_equal(ordered, np.arange(len(values)) + start) for start in (0, 1)
    )


def _between_ends(
    columns: int, count: int, source: Source, options: ReadOptions, warnings: list[str]
) -> tuple[Floats, Floats]:
    if not (options.x and options.y):
        raise ReadError(
            f"{source.name}: holds a matrix of {count} rows and {columns} columns "
            "without coordinates; give --x first:last and --y first:last, "
            "or put x in a header row and y in a header column"
        )
    xs = np.linspace(*options.x, columns)
    ys = np.linspace(*options.y, count)
    if options.rows:
        ys = np.sort(ys)[:: 1 if options.rows == "front-first" else -1]
    elif count > 1 and ys[0] < ys[-1]:
        warnings.append(
            "the first row of the matrix was taken as the front; "
            "say --rows back-first if it is the back"
        )
    return xs, ys


def _check_commas(z: Floats, table: list[Row], layout: Layout, source: Source) -> None:
    """Refuse a matrix parted by commas whose commas may be decimal ones."""
    if layout.separator != "," or z.shape[1] % 2 or any("." in row.text for row in table):
        return
    whole = z[:, ::2]
    if np.isfinite(z).all() and bool((whole == whole[0, 0]).all()) and abs(whole[0, 0]) < 10:
        raise ReadError(
            f"{source.name}: its commas part the heights and may be decimal commas too; "
            "part the heights by semicolons, tabs or blanks"
        )


def _has_axes(sample: list[Row], layout: Layout, options: ReadOptions) -> bool:
    """Tell whether the first row holds x after a corner that is empty, a label or left out."""
    if len(sample) < 2:
        return False
    first, second = sample[0].cells, sample[1].cells
    if not is_numeric(second, layout) or layout.number(second[0]) is None:
        return False
    if len(first) == len(second) - 1 and not (options.x or options.y):
        # without a corner only coordinates that rise or fall tell a header from a short row
        regular = all(len(row.cells) == len(second) for row in sample[1:])
        ys = [layout.number(row.cells[0]) for row in sample[1:]]
        return regular and _in_order([layout.number(cell) for cell in first]) and _in_order(ys)
    return (
        len(first) == len(second) > 1
        and layout.number(first[0]) is None
        and all(layout.number(cell) is not None for cell in first[1:])
    )


def _in_order(values: list[float | None]) -> bool:
    steps = [b - a for a, b in pairwise(values) if a is not None and b is not None]
    whole = None not in values and len(steps) == len(values) - 1
    return whole and (all(step > 0 for step in steps) or all(step < 0 for step in steps))


def _with_axes(
    table: list[Row], layout: Layout, source: Source
) -> tuple[Floats, Floats, list[Row]]:  # fmt: skip
    header = table[0].cells
    if len(header) == len(table[1].cells):
        header = header[1:]
    xs = [layout.number(cell) for cell in header]
    ys = []
    for row in table[1:]:
        y = layout.number(row.cells[0])
        if y is None:
            raise ReadError(
                f"{source.at(row.number)}{row.cells[0][:40]!r} stands where the y of the row "
                "belongs; it must be a number"
            )
        ys.append(y)
    heights = [Row(row.number, row.text, row.layout, 1, row.last) for row in table[1:]]
    _check_lengths(heights, source, len(xs))
    for name, values in (("x", xs), ("y", ys)):
        if len(set(values)) < len(values):
            raise ReadError(f"{source.name}: two {name} coordinates of the matrix are the same")
    return np.array(xs, dtype=float), np.array(ys, dtype=float), heights


def _check_lengths(table: list[Row], source: Source, expected: int) -> None:
    for row in table:
        if len(row.cells) != expected:
            raise ReadError(
                f"{source.at(row.number)}row holds {len(row.cells)} heights where {expected} are "
                "expected; write nan where nothing was measured"
            )


def _heights(table: list[Row], layout: Layout, source: Source) -> Floats:
    z = np.full((len(table), len(table[0].cells)), math.nan)
    for i, row in enumerate(table):
        for j, cell in enumerate(row.cells):
            value = layout.number(cell)
            if value is not None:
                z[i, j] = value
            elif cell.lower() not in HOLES:
                raise ReadError(
                    f"{source.at(row.number)}{cell[:40]!r} in column {j + 1} is not a height; "
                    "write a number, or nan where nothing was measured"
                )
    return z
