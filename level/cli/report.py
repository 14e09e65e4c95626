"""`planish report`: one page to look at and to keep."""

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from level.cli.options import (
    DetentOption,
    DrawsOption,
    DriftOption,
    LayerOption,
    LimitOption,
    MachineOption,
    PartOption,
    ReferenceOption,
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

if TYPE_CHECKING:
    from level.check import Check
    from level.plan import TurnPlan

__all__ = ["report", "write_report"]


@reading
def report(
    run: RunArgument,
    options: ReadOptions,
    output: Annotated[Path, typer.Option("--output", "-o", help="The page to write.")] = Path(
        "report.html"
    ),
    machine: MachineOption = None,
    limit: LimitOption = None,
    layer: LayerOption = None,
    squash: SquashOption = None,
    part: PartOption = None,
    draws: DrawsOption = DRAWS,
    reference: ReferenceOption = "least-motion",
    detent: DetentOption = None,
    drift: DriftOption = "keep",
) -> None:
    """Write a page with the answer, a 3D picture, a map, the turns and how they came about.

    The page is one file that needs no network. Without a machine file it holds the check only.
    Ends with code 3 if the bed is outside a limit.

    Example: planish report first.txt -o first.html
    """
    from level.check import check_bed
    from level.turns import plan_turns

    lifts = find_machine(machine, needed=False)
    readings = settle_drift(read_run(run, options), lifts, drift)
    with Progress() as progress:
        found = check_bed(
            readings, lifts, limit=limit, layer=layer, squash=squash, part=parse_part(part),
            draws=draws, progress=progress.show,
        )  # fmt: skip
    plan = plan_turns(readings, lifts, reference=reference, detent=detent) if lifts else None
    write_report(found, plan, output)
    typer.echo(f"{output}: written", err=True)
    if found.within is False:
        raise typer.Exit(3)


def write_report(found: "Check", plan: "TurnPlan | None", output: Path) -> None:
    """Write the page of a check and a plan."""
    from level.cli.files import write_text
    from level.show.check_words import check_words
    from level.show.page import render_page
    from level.show.words import turns_words
    from level.version import VERSION

    answer = check_words(found) + (turns_words(plan) if plan else [])
    write_text(output, render_page(found, plan, answer=answer, version=VERSION))
