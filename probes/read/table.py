"""Text as a table of cells: finds the separator and the decimal sign, keeps line numbers."""

import csv
from collections.abc import Iterator
from dataclasses import dataclass

from probes.read.numbers import HOLES, parse_number
from probes.read.remarks import is_remark
from probes.read.source import Source

__all__ = ["Layout", "find_layout", "is_numeric", "rows"]

_SAMPLE = 40
"""Data lines that are looked at to find out how a table is laid out."""


@dataclass(frozen=True)
class Layout:
    """How cells are parted.

    Attributes
    ----------
    separator : str
        Tab, semicolon or comma; a blank stands for any run of blanks.
    decimal_comma : bool
        Whether ``0,125`` is a number.
    """

    separator: str
    decimal_comma: bool

    def cells(self, line: str) -> list[str]:
        """Split one line into stripped cells."""
        if self.separator == " ":
            return line.split()
        if '"' in line:
            return [cell.strip() for cell in next(csv.reader([line], delimiter=self.separator))]
        return [cell.strip() for cell in line.split(self.separator)]

    def number(self, cell: str) -> float | None:
        """Read a cell as a finite number, or return None."""
        return parse_number(cell, decimal_comma=self.decimal_comma)


_LAYOUTS = (
    Layout("\t", False),
    Layout("\t", True),
    Layout(";", False),
    Layout(";", True),
    Layout(",", False),
    Layout(" ", False),
    Layout(" ", True),
)


def is_numeric(cells: list[str], layout: Layout) -> bool:
    """Tell whether every cell is a number or a hole, and two at least are numbers."""
    numbers = sum(layout.number(cell) is not None for cell in cells)
    return numbers >= 2 and all(
        layout.number(cell) is not None or cell.lower() in HOLES for cell in cells
    )


def find_layout(source: Source) -> Layout | None:
    """Choose the layout that reads most of the first lines as numbers; None if none reads any."""
    sample = [line for _, line in _data_lines(source, _SAMPLE)]
    best: Layout | None = None
    best_score = 0.0
    for layout in _LAYOUTS:
        if layout.separator != " " and not any(layout.separator in line for line in sample):
            continue
        score = 0.0
        for line in sample:
            cells = layout.cells(line)
            numbers = sum(layout.number(cell) is not None for cell in cells)
            others = sum(layout.number(cell) is None and cell.lower() not in HOLES
                         for cell in cells)  # fmt: skip
            score += numbers / (numbers + others) if numbers >= 2 else 0.0
        if score > best_score + 1e-9:
            best, best_score = layout, score
    return best


def rows(source: Source, layout: Layout) -> Iterator[tuple[int, list[str]]]:
    """Yield line number (from 1) and cells of every line that is not blank or a comment."""
    for number, line in _data_lines(source):
        yield number, layout.cells(line)


def _data_lines(source: Source, most: int | None = None) -> Iterator[tuple[int, str]]:
    given = 0
    for number, line in enumerate(source.lines, 1):
        if not line.strip() or is_remark(line):
            continue
        yield number, line
        given += 1
        if given == most:
            return
