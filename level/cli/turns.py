"""`planish turns` asks what to turn, which way, how far and in what order."""

import typer

from level.cli.options import (
    DetentOption,
    DriftOption,
    JsonOption,
    MachineOption,
    ReferenceOption,
    RunArgument,
    find_machine,
    reading,
    settle_drift,
)
from probes.formats import ReadOptions, read_run

__all__ = ["turns"]


@reading
def turns(
    run: RunArgument,
    options: ReadOptions,
    machine: MachineOption = None,
    reference: ReferenceOption = "least-motion",
    detent: DetentOption = None,
    drift: DriftOption = "keep",
    as_json: JsonOption = False,
) -> None:
    """Say which lift to turn, which way and how far, to take the tilt out.

    Example: planish turns first.txt --machine machine.toml --reference "front left"
    """
    from level.turns import plan_turns

    lifts = find_machine(machine, needed=True)
    assert lifts is not None
    readings = settle_drift(read_run(run, options), lifts, drift)
    plan = plan_turns(readings, lifts, reference=reference, detent=detent)
    if as_json:
        from level.show.as_json import dump, turns_json

        typer.echo(dump(turns_json(plan, readings)))
    else:
        from level.show.text import turns_text

        typer.echo(turns_text(plan, readings, lifts), nl=False)
