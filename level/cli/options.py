"""Options that several commands share, each written once."""

import inspect
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, get_type_hints

import typer

from probes.errors import RequestError
from probes.formats import FORMATS, ReadOptions
from probes.formats.options import parse_span
from probes.run import Run

if TYPE_CHECKING:
    from level.machine import Machine

__all__ = [
    "DEFAULT_MACHINE",
    "DetentOption",
    "DrawsOption",
    "DriftOption",
    "JsonOption",
    "LayerOption",
    "LimitOption",
    "MachineOption",
    "PartOption",
    "ReferenceOption",
    "RunArgument",
    "SquashOption",
    "find_machine",
    "parse_part",
    "reading",
    "settle_drift",
]

DEFAULT_MACHINE = Path("machine.toml")

RunArgument = Annotated[str, typer.Argument(metavar="RUN", help="File with readings; - for stdin.")]
MachineOption = Annotated[
    Path | None,
    typer.Option(help=f"Machine file; {DEFAULT_MACHINE} of this folder if not given."),
]
JsonOption = Annotated[bool, typer.Option("--json", help="Print one JSON object.")]
LimitOption = Annotated[
    float | None, typer.Option(help="Largest flatness (minimum zone) allowed, mm.")
]
LayerOption = Annotated[
    float | None, typer.Option(help="Height of a first layer to hold the bed against, mm.")
]
SquashOption = Annotated[
    float, typer.Option(help="Part of that height the layer may be thinner or thicker by.")
]
PartOption = Annotated[
    str | None,
    typer.Option(help="Size of a part, as 120x80 mm: the worst and the best spot for it."),
]
DrawsOption = Annotated[
    int, typer.Option(help="Beds drawn for the interval of the flatness; 0 for none.")
]
DetentOption = Annotated[
    float | None, typer.Option(help="Smallest turn you can make, in turns, as in 0.125.")
]
DriftOption = Annotated[
    str,
    typer.Option(help="Drift during the run: keep, or correct it where it is significant."),
]
ReferenceOption = Annotated[
    str,
    typer.Option(
        help="What stays: least-motion, raise-only, lower-only, or the name of a lift that is "
        "not to be touched."
    ),
]


def find_machine(given: Path | None, *, needed: bool) -> "Machine | None":
    """Read the machine file that was named, or the one of this folder."""
    if given is None and not needed and not DEFAULT_MACHINE.exists():
        return None
    from level.machine import read_machine

    return read_machine(given or DEFAULT_MACHINE)


def parse_part(text: str | None) -> tuple[float, float] | None:
    """Read the size of a part, as 120x80; None stays None."""
    if text is None:
        return None
    try:
        width, depth = (float(side) for side in text.lower().replace("×", "x").split("x"))
    except ValueError:
        width = depth = 0.0
    if not (0 < width < float("inf") and 0 < depth < float("inf")):
        raise RequestError(f"--part {text!r}: must be width x depth in mm, as in 120x80")
    return width, depth


def settle_drift(run: Run, machine: "Machine | None", drift: str) -> Run:
    """Keep the drift of a run, or take a significant one out."""
    if drift not in ("keep", "correct"):
        raise RequestError(f"--drift {drift!r}: must be keep or correct")
    if drift == "keep":
        return run
    from mesh.checks import check_run
    from mesh.noise import drift_of, find_noise
    from probes.drift import correct_drift

    check_run(run)
    found = drift_of(run, find_noise(run, given=machine.probe.sigma if machine else None))
    if found is None:
        note = "drift cannot be told, so none was taken out: no place was touched again later"
        return run.replace(warnings=(*run.warnings, note))
    return correct_drift(run, found)


def _reading_options(
    line: Annotated[
        str | None,
        typer.Option(help="Shape of a captured line, as in 'spot {skip} | {x} / {y} -> {z}'."),
    ] = None,
    unit: Annotated[
        str | None, typer.Option(help="Unit of the heights: mm, um, in, thou or uin.")
    ] = None,
    high: Annotated[
        str, typer.Option(help="Whether a larger z is a higher bed: up; or a lower one: down.")
    ] = "up",
    x: Annotated[
        str | None, typer.Option("--x", help="First and last x of a bare matrix, as in 20:330.")
    ] = None,
    y: Annotated[
        str | None, typer.Option("--y", help="First and last y of a bare matrix, as in 20:330.")
    ] = None,
    rows: Annotated[
        str | None,
        typer.Option(help="First row of a bare matrix: front-first (usual) or back-first."),
    ] = None,
    format: Annotated[  # noqa: A002 - the option's name
        str | None,
        typer.Option("--format", help=f"Format, if in doubt: {', '.join(FORMATS)}."),
    ] = None,
    run_number: Annotated[
        int | None, typer.Option("--run", help="Which probing of a log to take, from 1.")
    ] = None,
) -> ReadOptions:
    return ReadOptions(
        format=format,
        line=line,
        unit=unit,
        high=high,
        x=parse_span(x, "--x") if x else None,
        y=parse_span(y, "--y") if y else None,
        rows=rows,
        run=run_number,
    )


def reading(command: Callable[..., Any]) -> Callable[..., Any]:
    """Give a command the reading options; it gets them as one `options`, a ReadOptions."""
    own = inspect.signature(command, eval_str=True)
    shared = inspect.signature(_reading_options, eval_str=True)

    def with_options(**values: Any) -> Any:
        chosen = {name: values.pop(name) for name in shared.parameters}
        return command(**values, options=_reading_options(**chosen))

    parameters = [p for name, p in own.parameters.items() if name != "options"]
    parameters += shared.parameters.values()
    keyword_only = [p.replace(kind=inspect.Parameter.KEYWORD_ONLY) for p in parameters]
    with_options.__signature__ = own.replace(parameters=keyword_only)  # type: ignore[attr-defined]
    with_options.__annotations__ = {
        name: hint
        for function in (command, _reading_options)
        for name, hint in get_type_hints(function, include_extras=True).items()
        if name != "options"
    }
    with_options.__doc__ = command.__doc__
    with_options.__name__ = command.__name__
    return with_options
