"""`planish compare` asks whether the bed has really changed."""

from typing import Annotated

import typer

from level.cli.options import JsonOption, MachineOption, find_machine, reading
from probes.formats import ReadOptions, read_run

__all__ = ["compare"]


@reading
def compare(
    runs: Annotated[
        list[str], typer.Argument(metavar="RUN RUN...", help="Runs in the order they were taken.")
    ],
    options: ReadOptions,
    machine: MachineOption = None,
    as_json: JsonOption = False,
) -> None:
    """Say whether the bed has changed between two probings, or which of several differ.

    Falls, twist and bows first, then the whole map, then single places: of unchanged beds, one in
    twenty is called changed.

    Example: planish compare first.txt second.txt
    """
    from level.comparison import compare_runs

    lifts = find_machine(machine, needed=False)
    found = compare_runs([read_run(run, options) for run in runs], lifts)
    if as_json:
        from level.show.as_json import dump
        from level.show.compare_text import comparison_json

        typer.echo(dump(comparison_json(found)))
    else:
        from level.show.compare_text import comparison_text

        typer.echo(comparison_text(found), nl=False)
