"""Text as a table of cells: finds the separator and the decimal sign, keeps line numbers."""

from collections.abc import Iterator
from dataclasses import dataclass
from itertools import islice

from probes.formats.numbers import HOLES, parse_number
from probes.formats.remarks import is_remark
from probes.formats.source import Source

__all__ = ["SAMPLE", "Layout", "Row", "find_layout", "is_numeric", "rows", "sample_rows"]

SAMPLE = 40
"""Data lines that are looked at to find out what a table is and how it is laid out."""

_ENDLESS = frozenset(("inf", "infinity"))


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
            import csv

            try:
                cells = next(csv.reader([line], delimiter=self.separator))
            except csv.Error:
                cells = line.split(self.separator)
            return [cell.strip() for cell in cells]
        return [cell.strip() for cell in line.split(self.separator)]

    def number(self, cell: str) -> float | None:
        """Read a cell as a finite number, or return None."""
        return parse_number(cell, decimal_comma=self.decimal_comma)


@dataclass(frozen=True)
class Row:
    """One line of a table: its number from 1, its text, and which of its cells count.

    Cells are split when they are asked for: a large table of small strings would take many times
    the memory of its text.
    """

    number: int
    text: str
    layout: Layout
    first: int = 0
    last: int | None = None

    @property
    def cells(self) -> list[str]:
        """The stripped cells."""
        return self.layout.cells(self.text)[self.first : self.last]


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
    """Tell whether two cells or more hold nothing but numbers and what stands in place of one."""
    return len(cells) >= 2 and any(cells) and all(_is_value(cell, layout) for cell in cells)


def _is_value(cell: str, layout: Layout) -> bool:
    word = cell.lower()
    return layout.number(cell) is not None or word in HOLES or word.lstrip("+-") in _ENDLESS


def find_layout(source: Source) -> Layout:
    """Choose the layout that reads most of the first lines as numbers."""
    if "layout" not in source.memory:
        source.memory["layout"] = _choose_layout(source)
    layout: Layout = source.memory["layout"]
    return layout


def _choose_layout(source: Source) -> Layout:
    sample = [line for _, line in islice(_data_lines(source), SAMPLE)]
    fitting = [
        layout
        for layout in _LAYOUTS
        if layout.separator == " " or any(layout.separator in line for line in sample)
    ]
    # of equals the first: max keeps it
    return max(fitting, key=lambda layout: sum(_share_of_numbers(line, layout) for line in sample))


def _share_of_numbers(line: str, layout: Layout) -> float:
    cells = layout.cells(line)
    numbers = sum(layout.number(cell) is not None for cell in cells)
    others = sum(not _is_value(cell, layout) for cell in cells)
    return numbers / (numbers + others) if numbers >= 2 else 0.0


def rows(source: Source, layout: Layout) -> Iterator[Row]:
    """Yield every line that is not blank or a comment."""
    for number, line in _data_lines(source):
        yield Row(number, line, layout)


def sample_rows(source: Source, layout: Layout) -> list[Row]:
    """Give the first rows."""
    return list(islice(rows(source, layout), SAMPLE))


def _data_lines(source: Source) -> Iterator[tuple[int, str]]:
    for number, line in source.lines():
        if line.strip() and not is_remark(line):
            yield number, line
