"""ASCII XYZ points: blank-separated x, y, z without a header, as scanners write them.

A first line with nothing but a count, more values behind z, and "No Data" for what was not
measured set it apart from three bare columns.
"""

from probes.errors import ReadError
from probes.formats.assembly import Readings
from probes.formats.match import Match
from probes.formats.numbers import parse_number
from probes.formats.options import ReadOptions
from probes.formats.source import Source
from probes.formats.table import Layout, rows, sample_rows

__all__ = ["NAME", "look", "parse"]

NAME = "xyz"

_BLANKS = Layout(" ", False)
_NO_DATA = ("no", "data")


def look(source: Source, options: ReadOptions) -> Match:
    """Tell whether a source holds points that only this format explains."""
    if options.line or options.x or options.y or not source.is_text or source.is_one_object:
        return Match.NO
    sample = [row.cells for row in sample_rows(source, _BLANKS)]
    if sample and len(sample[0]) == 1 and _count(sample[0]) is not None:
        sample, counted = sample[1:], True
    else:
        counted = False
    if not sample or not all(_is_point(cells) for cells in sample):
        return Match.NO
    missing = any(_no_data(cells) for cells in sample)
    return Match.YES if counted or missing else Match.NO


def parse(source: Source, options: ReadOptions) -> Readings:  # noqa: ARG001 - as every format
    """Read the points.

    Raises
    ------
    ReadError
        With the line, where one holds no point, or if the count is not the number of points.
    """
    values: list[tuple[float, float, float]] = []
    holes, count = 0, None
    for row in rows(source, _BLANKS):
        if count is None and not values and not holes and len(row.cells) == 1:
            count = _count(row.cells)
            if count is not None:
                continue
        if _no_data(row.cells):
            holes += 1
            continue
        point = [parse_number(cell) for cell in row.cells[:3]]
        if len(point) < 3 or None in point:
            raise ReadError(
                f"{source.at(row.number)}{row.text.strip()[:40]!r} does not hold x, y and z; "
                "correct it or take the line out"
            )
        values.append((point[0] or 0.0, point[1] or 0.0, point[2] or 0.0))
    if count is not None and count != len(values) + holes:
        raise ReadError(
            f"{source.name}: promises {count} points and holds {len(values) + holes}; "
            "the file is cut short, or its first line is wrong"
        )
    x, y, z = zip(*values, strict=True) if values else ((), (), ())
    return Readings(x, y, z, holes=holes)


def _count(cells: list[str]) -> int | None:
    short = len(cells[0]) <= 18
    return int(cells[0]) if short and cells[0].isascii() and cells[0].isdigit() else None


def _is_point(cells: list[str]) -> bool:
    return _no_data(cells) or (
        len(cells) >= 3 and all(parse_number(cell) is not None for cell in cells[:3])
    )


def _no_data(cells: list[str]) -> bool:
    position = len(cells) >= 3 and all(parse_number(cell) is not None for cell in cells[:2])
    words = tuple(cell.lower() for cell in cells[2:4])
    return position and words == _NO_DATA
