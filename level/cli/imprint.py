"""`planish imprint` asks whether a shape is the bed's or the gantry's."""

from typing import Annotated

import typer

from level.cli.options import JsonOption, MachineOption, find_machine, reading
from probes.errors import RequestError
from probes.formats import ReadOptions, read_run

__all__ = ["imprint"]


@reading
def imprint(
    runs: Annotated[
        list[str],
        typer.Argument(metavar="RUN [RUN...]", help="A run; more with the plate turned."),
    ],
    options: ReadOptions,
    turned: Annotated[
        list[float] | None,
        typer.Option(
            help="Angle of the plate at each further run, degrees, counter-clockwise from above."
        ),
    ] = None,
    machine: MachineOption = None,
    as_json: JsonOption = False,
) -> None:
    """Say whether a shape may be the rails' imprint, and what turning the plate tells.

    Of one run: the part that is alike in every row and in every column. Of runs with the plate
    turned: what is the plate's, what is the machine's, and what no turning can tell apart.

    Example: planish imprint first.txt
    """
    from mesh.checks import check_run

    lifts = find_machine(machine, needed=False)
    angles = [0.0, *(turned or ())]
    if len(angles) != len(runs):
        raise RequestError(
            f"{len(runs)} runs and {len(angles) - 1} --turned; say --turned ANGLE once for each "
            "run after the first"
        )
    if len(set(angles)) < len(angles):
        raise RequestError("two runs have the plate at the same angle; give each angle once")
    found = [read_run(run, options) for run in runs]
    for run in found:
        if lifts is not None:
            lifts.check_on_bed(run)
        check_run(run)
    if len(found) == 1:
        from mesh.imprint import find_imprint

        profiles = find_imprint(found[0].places)
        if as_json:
            from level.show.as_json import dump
            from level.show.imprint_text import imprint_json

            typer.echo(dump(imprint_json(profiles, found[0])))
        else:
            from level.show.imprint_text import imprint_text

            typer.echo(imprint_text(profiles, found[0]), nl=False)
        return
    from mesh.separation import separate_turned

    bed = lifts.bed if lifts else None
    places = found[0].places
    across, along = (
        (bed.x, bed.y)
        if bed
        else ((places.x.min(), places.x.max()), (places.y.min(), places.y.max()))
    )
    parted = separate_turned(
        {angle: run.places for angle, run in zip(angles, found, strict=True)},
        (float(sum(across)) / 2, float(sum(along)) / 2),
        sigma=lifts.probe.sigma if lifts else None,
    )
    if as_json:
        from level.show.as_json import dump
        from level.show.imprint_text import turned_json

        typer.echo(dump(turned_json(parted, found)))
    else:
        from level.show.imprint_text import turned_text

        typer.echo(turned_text(parted, dict(zip(angles, found, strict=True))), nl=False)
