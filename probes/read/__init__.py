"""Reading runs: the list of formats, and the choice among them by content."""

from pathlib import Path
from types import ModuleType
from typing import IO, Any

from probes.errors import ReadError, RequestError
from probes.read import captured, columns, matrix
from probes.read.match import Match
from probes.read.options import ReadOptions
from probes.read.source import Source, load
from probes.run import Run

__all__ = ["FORMATS", "ReadOptions", "read_run"]

FORMATS: dict[str, ModuleType] = {
    module.NAME: module for module in (columns, matrix, captured)
}  # fmt: skip
"""Every format by name. A module has NAME, look(source, options) and parse(source, options)."""


def read_run(source: str | Path | IO[Any], options: ReadOptions | None = None) -> Run:
    r"""Read a run; its format is found from its content, never from its name.

    Parameters
    ----------
    source : str, Path or stream
        A path, ``-`` for standard input, or an open stream, which is left open.
    options : ReadOptions, optional
        How to read it.

    Returns
    -------
    Run
        Heights in mm, + = high.

    Raises
    ------
    ReadError
        If the source is no run in any format, or in two.
    RequestError
        If an option is not possible.

    Examples
    --------
    >>> import io
    >>> read_run(io.StringIO("x y z [um]\n0 0 10\n100 0 20\n0 100 30\n")).z
    array([0.01, 0.02, 0.03])
    """
    options = options or ReadOptions()
    if options.format is not None and options.format not in FORMATS:
        raise RequestError(f"--format {options.format!r}: must be one of {', '.join(FORMATS)}")
    text = load(source)
    name = options.format or _find_format(text, options)
    run: Run = FORMATS[name].parse(text, options)
    return run


def _find_format(text: Source, options: ReadOptions) -> str:
    looks = {name: module.look(text, options) for name, module in FORMATS.items()}
    sure = [name for name, match in looks.items() if match is Match.YES]
    possible = sure or [name for name, match in looks.items() if match is Match.MAYBE]
    if len(possible) > 1:
        raise ReadError(
            f"{text.name}: could be {' or '.join(possible)}; say which with --format"
        )  # fmt: skip
    if not possible:
        number, line = next((n, s) for n, s in enumerate(text.lines, 1) if s.strip())
        raise ReadError(
            f"{text.at(number)}{line.strip()[:40]!r} does not start columns of x, y and z, "
            "a matrix of heights or labelled readings (x: 10 y: 20 z: 0.1); "
            "give the shape of a line with --line"
        )
    return possible[0]
