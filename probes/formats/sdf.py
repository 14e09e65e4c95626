"""SDF: a surface data file in ASCII, ISO 25178-71. Lengths are in metres.

A header of ``key = value`` lines, a line with ``*``, the heights profile by profile, ``*``, and a
trailer of the user's own, in which planish keeps what the format has no place for.
"""

import math
import re
from datetime import datetime

import numpy as np

from probes.errors import ReadError, RequestError
from probes.formats.assembly import Readings
from probes.formats.match import Match
from probes.formats.numbers import finite_number
from probes.formats.options import ReadOptions
from probes.formats.source import Source
from probes.run import Run

__all__ = ["ENDINGS", "LARGEST_SURFACE", "MISSING", "NAME", "dump", "look", "parse"]

NAME = "sdf"
ENDINGS = (".sdf",)

MISSING = "BAD"
"""What stands for a height that was not measured."""

LARGEST_SURFACE = 20_000_000
"""Points. A header that promises more is taken for damaged."""

_UNEVEN = 0.005
"""Steps that a place may stand off an even grid: positions printed to a tenth of a millimetre."""

_FIRST = re.compile(rb"a[A-Za-z]{2,5}-1\.\d")
_STATED = ("NumPoints", "NumProfiles", "Xscale", "Yscale", "Zscale")
_MM_PER_M = 1e3


def look(source: Source, options: ReadOptions) -> Match:
    """Tell whether a source starts with the version number of an ASCII surface data file."""
    if options.line or not source.is_text:
        return Match.NO
    return Match.YES if _FIRST.match(source.data.lstrip()) else Match.NO


def parse(source: Source, options: ReadOptions) -> Readings:  # noqa: ARG001 - as every format
    """Read the surface.

    Raises
    ------
    ReadError
        If the header lacks a key or promises what the file does not hold, or a height is none.
    """
    header, body, trailer = _parts(source)
    numbers = {key: _number(header, key, source) for key in _STATED}
    columns, rows = int(numbers["NumPoints"]), int(numbers["NumProfiles"])
    if not 0 < columns * rows <= LARGEST_SURFACE or columns < 1:
        raise ReadError(
            f"{source.name}: promises {columns} x {rows} points; "
            f"1 to {LARGEST_SURFACE:,} in all can be read"
        )
    for key in ("Xscale", "Yscale", "Zscale"):
        if not 0 < numbers[key] < math.inf:
            raise ReadError(f"{source.name}: {key} is {numbers[key]:g}; it must be above zero")
    heights: list[float] = []
    for number, word in body:
        heights.append(_height(word, source.at(number)))
    if len(heights) != columns * rows:
        raise ReadError(
            f"{source.name}: promises {columns} x {rows} points and holds {len(heights)}; "
            "the file is cut short, or its header is wrong"
        )
    z = np.array(heights) * (numbers["Zscale"] * _MM_PER_M)
    start_x, start_y = (_origin(trailer, key, source) for key in ("origin_x", "origin_y"))
    x = np.tile(start_x + np.arange(columns) * (numbers["Xscale"] * _MM_PER_M), rows)
    y = np.repeat(start_y + np.arange(rows) * (numbers["Yscale"] * _MM_PER_M), columns)
    probed = np.isfinite(z)
    about: dict[str, object] = {}
    if started := _date(header.get("createdate", "")):
        about["started"] = started
    return Readings(
        x[probed], y[probed], z[probed],
        units={"x": "mm", "y": "mm", "z": "mm"}, about=about, holes=int((~probed).sum()),
    )  # fmt: skip


def _parts(
    source: Source,
) -> tuple[dict[str, str], list[tuple[int, str]], dict[str, str]]:
    """Part the header, the words of the data with their lines, and the trailer."""
    header: dict[str, str] = {}
    trailer: dict[str, str] = {}
    body: list[tuple[int, str]] = []
    part = 0
    for number, line in source.lines():
        if line.strip() == "*":
            part += 1
        elif part == 0:
            key, _, value = line.partition("=")
            header[key.strip().lower()] = value.strip()
        elif part == 1:
            body += [(number, word) for word in line.split()]
        else:
            key, _, value = line.lstrip("# ").partition(":")
            trailer[key.strip().lower()] = value.strip()
    if part == 0:
        raise ReadError(f"{source.name}: has no line * that ends its header")
    return header, body, trailer


def _number(header: dict[str, str], key: str, source: Source) -> float:
    text = header.get(key.lower())
    if text is None:
        raise ReadError(f"{source.name}: its header has no {key}")
    try:
        return float(text) if not key.startswith("Num") else int(text)
    except ValueError:
        raise ReadError(f"{source.name}: {key} = {text[:40]!r} is no number") from None


def _height(word: str, where: str) -> float:
    if word.upper() == MISSING:
        return math.nan
    height = finite_number(word)
    if height is None:
        raise ReadError(f"{where}{word[:40]!r} is no height; write a number or {MISSING}")
    return height


def _origin(trailer: dict[str, str], key: str, source: Source) -> float:
    origin = finite_number(trailer.get(key, "0"))
    if origin is None:
        raise ReadError(f"{source.name}: {key} in the trailer is no position in mm")
    return origin


def _date(text: str) -> datetime | None:
    """Read DDMMYYYYHHMM; other dates are the maker's own and passed over."""
    try:
        return datetime.strptime(text, "%d%m%Y%H%M") if len(text) == 12 else None
    except ValueError:
        return None


def dump(run: Run, ending: str) -> bytes:  # noqa: ARG001 - as every format
    """Write the places of a run on an even grid; touches of a place become their mean.

    Raises
    ------
    RequestError
        If the places stand on no even grid.
    """
    grid = run.places.grid
    if grid is None or grid.unevenness > _UNEVEN:
        raise RequestError(
            "SDF holds places on a grid of equal steps only, and these are not; "
            "choose another format"
        )
    date = run.started.strftime("%d%m%Y%H%M") if run.started else "0" * 12
    header = {
        "ManufacID": "planish",
        "CreateDate": date,
        "ModDate": date,
        "NumPoints": grid.columns,
        "NumProfiles": grid.rows,
        "Xscale": repr(grid.step_x / _MM_PER_M),
        "Yscale": repr(grid.step_y / _MM_PER_M),
        "Zscale": repr(1 / _MM_PER_M),
        "Zresolution": -1,
        "Compression": 0,
        "DataType": 7,
        "CheckType": 0,
    }
    lines = ["aISO-1.0", *(f"{key:<12}= {value}" for key, value in header.items()), "*"]
    lines += [
        " ".join(MISSING if math.isnan(z) else repr(z) for z in row)
        for row in grid.matrix(run.places.z).tolist()
    ]
    # the format has no place for where the grid starts
    lines += ["*", f"origin_x: {float(grid.x[0])!r}", f"origin_y: {float(grid.y[0])!r}", "*"]
    return ("\n".join(lines) + "\n").encode("ascii", "replace")
