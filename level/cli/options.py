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
    from collections.abc import Sequence

    from level.machine import Machine
    from level.request import Area

__all__ = [
    "DEFAULT_MACHINE",
    "AreaOption",
    "CornersOption",
    "DetentOption",
    "DrawsOption",
    "DriftOption",
    "JsonOption",
    "LayerOption",
    "LimitOption",
    "LockedOption",
    "MachineOption",
    "MovedOption",
    "ObjectiveOption",
    "PartOption",
    "ReferenceOption",
    "RunArgument",
    "SquashOption",
    "TogetherOption",
    "find_machine",
    "parse_area",
    "parse_moved",
    "parse_part",
    "parse_rise",
    "parse_together",
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
    float | None,
    typer.Option(help="Part of that height it may be thinner or thicker by; 0.25 if not given."),
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
ObjectiveOption = Annotated[
    str, typer.Option(help="Plane to make parallel: least-squares or minimum-zone.")
]
AreaOption = Annotated[
    str | None, typer.Option(help="Part of the bed that counts, as x0:x1,y0:y1 in mm.")
]
LockedOption = Annotated[
    list[str] | None, typer.Option("--locked", help="Lift that cannot be turned; may be repeated.")
]
TogetherOption = Annotated[
    list[str] | None,
    typer.Option(
        "--together", help="Lifts moved by the same rise, as 'left=right'; may be repeated."
    ),
]
CornersOption = Annotated[
    bool, typer.Option("--corners", help="Bring all corners to one height, twisting the frame.")
]
MovedOption = Annotated[
    list[str] | None,
    typer.Option("--moved", help="What a lift was told to rise, mm, as 'front left=+0.2'."),
]
DriftOption = Annotated[
    str,
    typer.Option(help="Drift during the run: keep, or correct it where it is significant."),
]
ReferenceOption = Annotated[
    str,
    typer.Option(
        help="What stays: least-motion, raise-only, lower-only, keep-centre, or the name of a "
        "lift that is not to be touched."
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


def parse_area(text: str | None) -> "Area | None":
    """Read a part of the bed, as 20:180,20:180; None stays None."""
    if text is None:
        return None
    try:
        across, along = text.split(",")
        (left, right), (front, back) = (
            (float(one), float(other))
            for one, other in (part.split(":") for part in (across, along))
        )
    except ValueError:
        left = right = front = back = 0.0
    if not (left < right and front < back):
        raise RequestError(f"--area {text!r}: must be x0:x1,y0:y1 in mm, as in 20:180,20:180")
    return (left, right), (front, back)


def parse_together(groups: "Sequence[str] | None") -> tuple[tuple[str, ...], ...]:
    """Read lifts that move together, as left=right."""
    return tuple(tuple(name.strip() for name in group.split("=")) for group in groups or ())


def parse_rise(text: str, where: str) -> float:
    """Read one rise, mm."""
    try:
        rise = float(text)
    except ValueError:
        rise = float("nan")
    if not abs(rise) < float("inf"):
        raise RequestError(f"{where}: {text!r} is no rise; write mm, as in +0.2")
    return rise


def parse_moved(moves: "Sequence[str] | None") -> dict[str, float]:
    """Read what lifts were told, as 'front left=+0.2'."""
    told: dict[str, float] = {}
    for move in moves or ():
        name, equals, rise = move.rpartition("=")
        try:
            value = float(rise) if equals and name.strip() else float("nan")
        except ValueError:
            value = float("nan")
        if not abs(value) < float("inf"):
            raise RequestError(f"--moved {move!r}: must be NAME=RISE in mm, as 'front left=+0.2'")
        if name.strip().lower() in (known.lower() for known in told):
            raise RequestError(f"--moved {move!r}: {name.strip()} is named twice; add its rises up")
        told[name.strip()] = value
    return told


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
