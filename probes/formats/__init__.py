"""The formats of runs: the list of them, the choice among them by content, reading and writing."""

from pathlib import Path
from types import ModuleType
from typing import IO, Any

from probes.errors import ReadError, RequestError
from probes.formats import captured, columns, json_text, matrix, sdf, vtk, x3p, xyz
from probes.formats.assembly import assemble
from probes.formats.match import Match
from probes.formats.options import ReadOptions
from probes.formats.probings import is_broken_off, note_unfinished, split_probings
from probes.formats.source import Source, load
from probes.run import Run

__all__ = ["FORMATS", "WRITERS", "ReadOptions", "dump_run", "read_run", "read_runs"]

FORMATS: dict[str, ModuleType] = {
    module.NAME: module for module in (columns, matrix, captured, json_text, xyz, sdf, x3p, vtk)
}
"""Every format by name. A module has NAME, look(source, options) and parse(source, options); one
that can be written has ENDINGS and dump(run, ending) too."""

WRITERS: dict[str, ModuleType] = {
    ending: module for module in FORMATS.values() for ending in getattr(module, "ENDINGS", ())
}
"""The format for each ending that can be written."""


def read_runs(
    source: str | Path | IO[Any], options: ReadOptions | None = None, *, restarts: bool = True
) -> tuple[Run, ...]:
    """Read every probing that a source holds; a log may hold several.

    Parameters
    ----------
    source : str, Path or stream
        A path, ``-`` for standard input, or an open stream, which is left open.
    options : ReadOptions, optional
        How to read it; `run` is not looked at.
    restarts : bool, default True
        Whether going round the same places once more is a new probing where no line of the log
        says so; for repeats it is not.

    Returns
    -------
    tuple of Run
        At least one, in the order of the source.

    Raises
    ------
    ReadError
        If the source is no run in any format, or in two.
    RequestError
        If an option is not possible.
    """
    options = options or ReadOptions()
    if options.format is not None and options.format not in FORMATS:
        raise RequestError(f"--format {options.format!r}: must be one of {', '.join(FORMATS)}")
    text = load(source)
    name = options.format or _find_format(text, options)
    module = FORMATS[name]
    if not text.is_text and module not in (x3p, vtk):
        raise ReadError(f"{text.name}: is a binary file, which {name} never is")
    readings = module.parse(text, options)
    run = assemble(readings, text, options, name)
    # only a log grows by one probing after the other
    if module is not captured:
        return (run,)
    runs = split_probings(run, readings.starts, restarts=restarts)
    return runs if len(runs) > 1 else (note_unfinished(run),)


def read_run(source: str | Path | IO[Any], options: ReadOptions | None = None) -> Run:
    r"""Read a run; its format is found from its content, never from its name.

    Parameters
    ----------
    source : str, Path or stream
        A path, ``-`` for standard input, or an open stream, which is left open.
    options : ReadOptions, optional
        How to read it, and which of several probings to take; the last one that was not broken
        off, if `run` does not say.

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
    return _choose(read_runs(source, options), options)


def _choose(runs: tuple[Run, ...], options: ReadOptions) -> Run:
    if options.run is not None:
        if not 1 <= options.run <= len(runs):
            held = "1 probing" if len(runs) == 1 else f"{len(runs)} probings"
            raise RequestError(f"--run {options.run}: the source holds {held}, counted from 1")
        return runs[options.run - 1]
    if len(runs) == 1:
        return runs[0]
    most = max(len(run.places) for run in runs)
    broken = [is_broken_off(run, runs) for run in runs]
    whole = [k for k, run in enumerate(runs) if 2 * len(run.places) > most and not broken[k]]
    chosen = whole[-1] if whole else len(runs) - 1
    note = f"the log holds {len(runs)} probings; number {chosen + 1} was taken, --run takes another"
    said = [*runs[chosen].warnings, note]
    for run, is_broken in zip(runs, broken, strict=True):
        said += run.warnings[-1:] if is_broken else ()  # that it was broken off
    return runs[chosen].replace(warnings=tuple(dict.fromkeys(said)))


def _find_format(source: Source, options: ReadOptions) -> str:
    looks = {name: module.look(source, options) for name, module in FORMATS.items()}
    sure = [name for name, match in looks.items() if match is Match.YES]
    possible = sure or [name for name, match in looks.items() if match is Match.MAYBE]
    if len(possible) > 1:
        raise ReadError(
            f"{source.name}: could be {' or '.join(possible)}; say which with --format"
        )  # fmt: skip
    if possible:
        return possible[0]
    if not source.is_text:
        raise ReadError(
            f"{source.name}: is a binary file that is neither X3P nor VTK; "
            "save the readings as text"
        )
    number, line = next(((n, s) for n, s in source.lines() if s.strip()), (1, ""))
    raise ReadError(
        f"{source.at(number)}{line.strip()[:40]!r} does not start columns of x, y and z, "
        "a matrix of heights or labelled readings (x: 10 y: 20 z: 0.1); "
        "give the shape of a line with --line"
    )


def dump_run(run: Run, ending: str) -> bytes:
    """Write a run in the format of a file ending.

    Parameters
    ----------
    run : Run
        The run.
    ending : str
        A key of `WRITERS`.

    Raises
    ------
    RequestError
        If the ending is not known, or the format has no place for such a run.
    """
    module = WRITERS.get(ending.lower())
    if module is None:
        raise RequestError(f"ending {ending!r}: must be one of {', '.join(WRITERS)}")
    data: bytes = module.dump(run, ending.lower())
    return data
