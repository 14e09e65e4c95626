"""`planish grid` asks how many places the correction grid must have."""

from typing import Annotated

import typer

from level.cli.options import JsonOption, MachineOption, RunArgument, find_machine, reading
from probes.formats import ReadOptions, read_run

__all__ = ["grid"]


@reading
def grid(
    run: RunArgument,
    options: ReadOptions,
    tolerance: Annotated[
        float | None, typer.Option(help="What a correction may leave, mm, as in 0.02.")
    ] = None,
    machine: MachineOption = None,
    as_json: JsonOption = False,
) -> None:
    """Say what each correction grid would leave, which is enough, and where to probe next.

    Probe once on a fine grid; the answer says how coarse the everyday one may be.

    Example: planish grid first.txt --tolerance 0.02
    """
    from mesh.checks import check_run
    from mesh.grid import advise_grid
    from mesh.noise import find_noise

    lifts = find_machine(machine, needed=False)
    readings = read_run(run, options)
    if lifts is not None:
        lifts.check_on_bed(readings)
    check_run(readings)
    noise = find_noise(readings, given=lifts.probe.sigma if lifts else None)
    advice = advise_grid(readings.places, noise, tolerance=tolerance)
    if as_json:
        from level.show.as_json import dump
        from level.show.grid_text import grid_json

        typer.echo(dump(grid_json(advice, readings)))
    else:
        from level.show.grid_text import grid_text

        typer.echo(grid_text(advice, readings), nl=False)
