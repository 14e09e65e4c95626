"""`planish check` asks whether a bed is flat and the gantry parallel to it."""

from typing import Annotated

import typer

from level.cli.options import (
    DrawsOption,
    DriftOption,
    JsonOption,
    LayerOption,
    LimitOption,
    MachineOption,
    PartOption,
    RunArgument,
    SquashOption,
    find_machine,
    parse_part,
    reading,
    settle_drift,
)
from level.cli.progress import Progress
from mesh.estimate import DRAWS
from probes.formats import ReadOptions, read_run

__all__ = ["check"]


@reading
def check(
    run: RunArgument,
    options: ReadOptions,
    machine: MachineOption = None,
    limit: LimitOption = None,
    layer: LayerOption = None,
    squash: SquashOption = None,
    part: PartOption = None,
    draws: DrawsOption = DRAWS,
    grade: Annotated[
        bool, typer.Option("--grade", help="Say which surface-plate grades the bed meets.")
    ] = False,
    drift: DriftOption = "keep",
    as_json: JsonOption = False,
) -> None:
    """Say how a bed is tilted and how flat it is.

    Ends with code 3 if the bed is outside a limit that --limit, --layer or the machine file gives.

    Example: planish check first.txt --limit 0.2
    """
    from level.check import check_bed

    lifts = find_machine(machine, needed=False)
    readings = settle_drift(read_run(run, options), lifts, drift)
    with Progress() as progress:
        found = check_bed(
            readings, lifts, limit=limit, layer=layer, squash=squash, part=parse_part(part),
            draws=draws, progress=progress.show,
        )  # fmt: skip
    if as_json:
        from level.show.as_json import check_json, dump

        typer.echo(dump(check_json(found)))
    else:
        from level.show.text import check_text

        typer.echo(check_text(found, grade=grade), nl=False)
    if found.within is False:
        raise typer.Exit(3)
