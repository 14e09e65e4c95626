"""`planish soak` asks whether it is warm yet."""

import math
from itertools import pairwise
from typing import TYPE_CHECKING, Annotated

import typer

from level.cli.options import JsonOption, MachineOption, find_machine, reading
from probes.errors import RequestError
from probes.formats import ReadOptions, read_runs

if TYPE_CHECKING:
    from probes.run import Run

__all__ = ["soak"]

_TOLERANCE_MM = 0.01


@reading
def soak(
    runs: Annotated[
        list[str],
        typer.Argument(metavar="RUN...", help="Probings of one warm-up, in order."),
    ],
    options: ReadOptions,
    tolerance: Annotated[
        float, typer.Option(help="How far a fall, twist or bow may still move, mm.")
    ] = _TOLERANCE_MM,
    minutes: Annotated[
        str | None,
        typer.Option(help="When each was probed, as '0,5,10'; else from the runs themselves."),
    ] = None,
    enclosed: Annotated[
        bool, typer.Option("--enclosed", help="The frame stands in an enclosure: slower.")
    ] = False,
    learnt: Annotated[
        list[str] | None,
        typer.Option(help="Log of an earlier warm-up to learn from; may be repeated."),
    ] = None,
    machine: MachineOption = None,
    as_json: JsonOption = False,
) -> None:
    """Say whether the bed has settled, how much is still to come, and when it is ready.

    Probe the same places every few minutes while it warms up. A steady temperature is not enough:
    the sensor is held by the heater, frame and gantry follow slowly.

    Example: planish soak warm1.txt warm2.txt warm3.txt --minutes 0,5,10
    """
    from mesh.decays import ENCLOSED, OPEN, learn_constants
    from mesh.series import shape_series
    from mesh.soak import soak as judge

    lifts = find_machine(machine, needed=False)
    sigma = lifts.probe.sigma if lifts else None
    probings = _probings(runs, options)
    series = shape_series(probings, _times(minutes, len(probings)), sigma=sigma)
    constants = ENCLOSED if enclosed else OPEN
    if learnt:
        earlier = [shape_series(_probings([name], options), sigma=sigma) for name in learnt]
        constants = learn_constants(earlier)
    found = judge(series, tolerance=tolerance, constants=constants)
    if as_json:
        from level.show.as_json import dump
        from level.show.soak_text import soak_json

        typer.echo(dump(soak_json(found, probings)))
    else:
        from level.show.soak_text import soak_text

        typer.echo(soak_text(found, probings), nl=False)


def _probings(names: list[str], options: ReadOptions) -> "list[Run]":
    """Probings of one or more files; a run that goes over its places again is parted."""
    from mesh.series import rounds

    found = [run for name in names for run in read_runs(name, options)]
    if len(found) == 1 and found[0].minutes is not None:
        return list(rounds(found[0]))
    return found


def _times(text: str | None, count: int) -> list[float] | None:
    if text is None:
        return None
    try:
        times = [float(part) for part in text.split(",")]
    except ValueError:
        times = []
    if not all(map(math.isfinite, times)):
        times = []
    if len(times) != count or any(late <= early for early, late in pairwise(times)):
        raise RequestError(
            f"--minutes {text!r}: must be {count} rising numbers, one for each probing, as '0,5,10'"
        )
    return times
