"""`planish check` asks whether a bed is flat and the gantry parallel to it."""

from typing import Annotated

import typer

from level.cli.options import (
    DriftOption,
    JsonOption,
    LimitOption,
    MachineOption,
    RunArgument,
    find_machine,
    reading,
    settle_drift,
)
from probes.formats import ReadOptions, read_run

__all__ = ["check"]


@reading
def check(
    run: RunArgument,
    options: ReadOptions,
    machine: MachineOption = None,
    limit: LimitOption = None,
    grade: Annotated[
        bool, typer.Option("--grade", help="Say which surface-plate grades the bed meets.")
    ] = False,
    drift: DriftOption = "keep",
    as_json: JsonOption = False,
) -> None:
    """Say how a bed is tilted and how flat it is.

    Ends with code 3 if the bed is outside a flatness limit that --limit or the machine file gives.

    Example: planish check first.txt --limit 0.2
    """
    from level.check import check_bed

    lifts = find_machine(machine, needed=False)
    found = check_bed(settle_drift(read_run(run, options), lifts, drift), lifts, limit=limit)
    if as_json:
        from level.show.as_json import check_json, dump

        typer.echo(dump(check_json(found)))
    else:
        from level.show.text import check_text

        typer.echo(check_text(found, grade=grade), nl=False)
    if found.within is False:
        raise typer.Exit(3)
