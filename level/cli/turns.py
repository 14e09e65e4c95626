"""`planish turns` asks what to turn, which way, how far and in what order."""

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from level.cli.options import (
    AreaOption,
    CornersOption,
    DetentOption,
    DriftOption,
    JsonOption,
    LockedOption,
    MachineOption,
    MovedOption,
    ObjectiveOption,
    ReferenceOption,
    RunArgument,
    TogetherOption,
    find_machine,
    parse_area,
    parse_moved,
    parse_together,
    reading,
    settle_drift,
)
from probes.errors import RequestError
from probes.formats import ReadOptions, read_run

if TYPE_CHECKING:
    from level.machine import Machine
    from level.passes import PassCheck
    from level.plan import TurnPlan
    from probes.run import Run

__all__ = ["turns"]


@reading
def turns(
    run: RunArgument,
    options: ReadOptions,
    machine: MachineOption = None,
    reference: ReferenceOption = "least-motion",
    objective: ObjectiveOption = "least-squares",
    area: AreaOption = None,
    locked: LockedOption = None,
    together: TogetherOption = None,
    detent: DetentOption = None,
    corners: CornersOption = False,
    after: Annotated[
        str | None, typer.Option(help="Probing after the turns that RUN asked for: go on, or stop?")
    ] = None,
    moved: MovedOption = None,
    response: Annotated[
        Path | None, typer.Option(help="Response file of planish verify: what drives really do.")
    ] = None,
    drift: DriftOption = "keep",
    as_json: JsonOption = False,
) -> None:
    """Say which lift to turn, which way and how far, to take the tilt out.

    With --after it compares what the turns should have done with what a second probing shows, says
    whether to go on, and plans what is left. Turns that were made otherwise than planned are given
    with --moved.

    Example: planish turns first.txt --machine machine.toml --reference "front left"
    """
    from level.turns import plan_turns

    lifts = find_machine(machine, needed=True)
    assert lifts is not None
    written, correction = lifts, None
    notes: tuple[str, ...] = ()
    if response is not None:
        from level.verify.correction import correct_machine, correction_notes, read_correction

        correction = read_correction(response)
        notes = correction_notes(lifts, correction)
        lifts = correct_machine(lifts, correction)
    if moved and after is None:
        raise RequestError("--moved goes with --after RUN2, the probing after the turns")
    asked: dict[str, Any] = {
        "reference": reference,
        "objective": objective,
        "area": parse_area(area),
        "locked": locked or (),
        "together": parse_together(together),
        "detent": detent,
        "corners": corners,
    }
    readings = settle_drift(read_run(run, options), lifts, drift)
    readings = readings.replace(warnings=(*readings.warnings, *notes))
    plan = plan_turns(readings, lifts, **asked)
    judged = None
    if after is not None:
        later = settle_drift(read_run(after, options), lifts, drift)
        following = plan_turns(later, lifts, **asked)
        told = parse_moved(moved)
        if correction is not None and told:
            from level.verify.correction import true_rises

            told = true_rises(told, written, correction)
        judged = _judge(readings, later, lifts, plan, following, told)
        readings, plan = later.replace(warnings=(*later.warnings, *notes)), following
    if correction is not None:
        from level.verify.correction import command_plan

        plan = command_plan(plan, written, correction)
    if as_json:
        from level.show.as_json import dump, turns_json

        typer.echo(dump(turns_json(plan, readings, judged)))
    else:
        from level.show.text import turns_text

        typer.echo(turns_text(plan, readings, lifts, judged), nl=False)


def _judge(
    before: "Run",
    after: "Run",
    machine: "Machine",
    plan: "TurnPlan",
    following: "TurnPlan",
    moved: dict[str, float],
) -> "PassCheck":
    from level.passes import judge_pass

    told = moved or {move.lift: move.made for move in plan.turning}
    return judge_pass(before, after, machine, told, following)
