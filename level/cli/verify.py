"""`planish verify` asks whether each lift did what it was told."""

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, cast

import typer

from level.cli.options import JsonOption, MachineOption, find_machine, parse_rise, reading
from probes.errors import RequestError
from probes.formats import ReadOptions, read_run

if TYPE_CHECKING:
    from level.machine import Machine
    from level.verify.changes import Datum
    from level.verify.trials import Reading, Trial
    from probes.run import Run

__all__ = ["verify"]

_RULER_MM = 0.5
_GAIN_SIGMA = 0.05
_INSIDE = 0.1
"""Part of the bed's sides left free all round where a plan has no run to take its places from."""
_LINES = 5


@reading
def verify(
    options: ReadOptions,
    runs: Annotated[
        list[str] | None,
        typer.Argument(metavar="BEFORE AFTER...", help="Probings in order; moves lie between."),
    ] = None,
    moved: Annotated[
        list[str] | None,
        typer.Option(
            help="What was commanded between two probings, mm, as 'front left=+0.2'; once for each "
            "pair, in order. Several lifts: 'a=+0.2, b=-0.1'; one after the other: 'a=-0.3 +0.1'."
        ),
    ] = None,
    pairs: Annotated[
        bool, typer.Option("--pairs", help="Runs are pairs: before, after, before, after.")
    ] = False,
    measured: Annotated[
        list[str] | None,
        typer.Option(help="What a ruler or dial read at a lift, mm, as 'front left=25.1'."),
    ] = None,
    instrument_sigma: Annotated[
        float, typer.Option(help="One standard deviation of what was measured by hand, mm.")
    ] = _RULER_MM,
    datum: Annotated[
        str, typer.Option(help="Heights count from the bed (usual), or from something fixed.")
    ] = "bed",
    plan: Annotated[
        bool, typer.Option("--plan", help="Plan trials instead; RUN, if given, has the places.")
    ] = False,
    gain_sigma: Annotated[
        float, typer.Option(help="With --plan: standard deviation of a gain that is wanted.")
    ] = _GAIN_SIGMA,
    save: Annotated[
        Path | None, typer.Option(help="Write a response file for planish turns --response.")
    ] = None,
    machine: MachineOption = None,
    as_json: JsonOption = False,
) -> None:
    """Say whether each lift did what it was told: reversed, swapped, stuck, wrong lead.

    Moves by little are enough, and small moves are safe where a drive may turn the wrong way:
    planish verify --plan says which.

    Example: planish verify first.txt second.txt --moved "front left=+0.2"
    """
    if not 0 < instrument_sigma < float("inf"):
        raise RequestError(
            f"--instrument-sigma {instrument_sigma:g}: must be a number of mm above zero"
        )
    if plan and (moved or measured or save):
        raise RequestError("--plan makes a plan only; leave --moved, --measured and --save out")
    if not (plan or runs or measured or moved):
        raise RequestError("no trials: give a run before, what was moved, and a run after")
    lifts = find_machine(machine, needed=True)
    assert lifts is not None
    probings = [read_run(run, options) for run in runs or ()]
    if plan:
        _plan(lifts, probings, gain_sigma, datum, as_json)
        return
    from level.cli.files import write_text
    from level.verify.response import read_response

    told = list(moved or ())
    if measured:
        readings = _readings(measured, told, instrument_sigma)
        told = [] if not probings else told
    else:
        readings = []
    response = read_response(
        _trials(probings, told, pairs), lifts, readings=readings, datum=cast("Datum", datum)
    )
    if save is not None:
        import msgspec

        from level.verify.correction import note_response

        noted = msgspec.json.format(msgspec.json.encode(note_response(response, lifts)), indent=2)
        write_text(save, noted.decode() + "\n")
        typer.echo(f"{save}: written", err=True)
    if as_json:
        from level.show.as_json import dump
        from level.show.verify_json import response_json

        typer.echo(dump(response_json(response, probings)))
    else:
        from level.show.verify_text import response_text

        typer.echo(response_text(response, probings), nl=False)


def _plan(
    machine: "Machine", probings: "list[Run]", gain_sigma: float, datum: str, as_json: bool
) -> None:
    import numpy as np

    from level.verify.plan import plan_trials

    if len(probings) > 1:
        raise RequestError("--plan takes the places of one run, or of none")
    if probings:
        x, y = probings[0].places.x, probings[0].places.y
    elif machine.bed is not None:
        lines = []
        for low, high in (machine.bed.x, machine.bed.y):
            free = _INSIDE * (high - low)
            lines.append(np.linspace(low + free, high - free, _LINES))
        x, y = (axis.ravel() for axis in np.meshgrid(*lines))
    else:
        raise RequestError(
            "--plan needs to know the places that are probed: give a RUN, or [bed] in the machine "
            "file"
        )
    planned = plan_trials(machine, x=x, y=y, gain_sigma=gain_sigma, datum=cast("Datum", datum))
    if as_json:
        from level.show.as_json import dump
        from level.show.verify_json import trial_plan_json

        typer.echo(dump(trial_plan_json(planned)))
    else:
        from level.show.verify_text import trial_plan_text

        typer.echo(trial_plan_text(planned), nl=False)


def _trials(probings: "list[Run]", told: list[str], pairs: bool) -> "list[Trial]":
    from level.verify.trials import Trial

    if not probings:
        if told:
            raise RequestError("--moved needs the probings before and after, or --measured")
        return []
    if len(probings) < 2 or (pairs and len(probings) % 2):
        raise RequestError(
            f"{len(probings)} {'run' if len(probings) == 1 else 'runs'}: a trial needs a probing "
            "before and one after the move"
        )
    starts = range(0, len(probings) - 1, 2 if pairs else 1)
    if len(told) != len(starts):
        raise RequestError(
            f"{len(told)} --moved for {len(starts)} moves between the runs; say --moved once for "
            "each, in order"
        )
    return [
        Trial(probings[k], _moves(move), probings[k + 1])
        for k, move in zip(starts, told, strict=True)
    ]


def _moves(text: str) -> dict[str, tuple[float, ...]]:
    moves: dict[str, tuple[float, ...]] = {}
    for part in text.split(","):
        name, equals, rises = part.partition("=")
        if not equals or not name.strip() or not rises.split() or name.strip() in moves:
            raise RequestError(
                f"--moved {text!r}: must be NAME=RISE in mm, as 'front left=+0.2', each name once"
            )
        moves[name.strip()] = tuple(parse_rise(rise, f"--moved {text!r}") for rise in rises.split())
    return moves


def _readings(measured: list[str], told: list[str], sigma: float) -> "list[Reading]":
    from level.verify.trials import Reading

    commanded = {name: sum(rises) for move in told for name, rises in _moves(move).items()}
    readings = []
    for text in measured:
        for name, values in _moves(text).items():
            if name not in commanded:
                raise RequestError(
                    f"--measured {text!r}: say what {name} was told with --moved '{name}=RISE'"
                )
            readings += [Reading(name, value, commanded[name], sigma) for value in values]
    return readings
