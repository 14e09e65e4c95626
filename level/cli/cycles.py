"""`planish cycles` asks how the bed warps with heat."""

import math
from typing import TYPE_CHECKING, Annotated

import typer

from level.cli.options import JsonOption, MachineOption, find_machine, reading
from probes.errors import RequestError
from probes.formats import ReadOptions, read_run

if TYPE_CHECKING:
    from probes.run import Run

__all__ = ["cycles"]


@reading
def cycles(
    runs: Annotated[
        list[str], typer.Argument(metavar="RUN...", help="Probings in the order they were taken.")
    ],
    options: ReadOptions,
    bed: Annotated[
        str | None,
        typer.Option(help="Bed temperature of each, degC, as '25,60,100,60'; else from the runs."),
    ] = None,
    at: Annotated[
        float | None, typer.Option(help="Predict modes and map at this temperature, degC.")
    ] = None,
    machine: MachineOption = None,
    as_json: JsonOption = False,
) -> None:
    """Say how each mode goes with temperature, over heating and cooling, and what stays for good.

    Probe the same places cold, warm and hot, on the way up and on the way down.

    Example: planish cycles cold.txt warm.txt hot.txt back.txt --bed 25,60,100,60
    """
    import numpy as np

    from mesh.cycles import directions, fit_cycles
    from mesh.series import shape_series
    from probes.run import Run

    lifts = find_machine(machine, needed=False)
    found = [read_run(name, options) for name in runs]
    if lifts is not None:
        for run in found:
            lifts.check_on_bed(run)
    temperatures = _temperatures(bed, found)
    series = shape_series(found, list(range(len(found))))
    heating, number = directions(temperatures)
    maps = np.stack([run.places.z[run.places.by_position] for run in found])
    maps -= maps.mean(axis=1, keepdims=True)  # homing sets the height anew
    fitted = fit_cycles(
        {one.name: one.values for one in series},
        temperatures,
        heating,
        number,
        heights=maps,
    )
    predicted = None if at is None else fitted.predict(at)
    first = found[0].places
    places = Run(x=first.x[first.by_position], y=first.y[first.by_position], z=maps[0]).places
    if as_json:
        from level.show.as_json import dump
        from level.show.cycles_text import cycles_json

        typer.echo(dump(cycles_json(fitted, predicted)))
    else:
        from level.show.cycles_text import cycles_text

        typer.echo(cycles_text(fitted, predicted, places, len(found)), nl=False)


def _temperatures(text: str | None, found: "list[Run]") -> list[float]:
    if text is None:
        values = []
        for run in found:
            if run.bed is None:
                raise RequestError(
                    f"{run.source}: its bed temperature is not known; give --bed, one for each run"
                )
            values.append(float(run.bed.mean()))
        return values
    try:
        values = [float(part) for part in text.split(",")]
    except ValueError:
        values = []
    if len(values) != len(found) or not all(map(math.isfinite, values)):
        raise RequestError(
            f"--bed {text!r}: must be {len(found)} temperatures in degC, one for each run, "
            "as '25,60,100'"
        )
    return values
