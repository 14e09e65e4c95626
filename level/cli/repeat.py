"""`planish repeat` asks whether the probe repeats."""

from typing import Annotated

import typer

from level.cli.options import JsonOption, reading
from probes.formats import ReadOptions, read_run, read_runs

__all__ = ["repeat"]


@reading
def repeat(
    runs: Annotated[
        list[str], typer.Argument(metavar="RUN...", help="Files with readings; - for stdin.")
    ],
    options: ReadOptions,
    as_json: JsonOption = False,
) -> None:
    """Say how well the probe repeats: sigma, drift, outliers, resolution.

    Touch one place ten times or more, or each of a few places three times; come back to the first
    place at the end. Several runs of the same places tell the spread from run to run too.

    Example: planish repeat repeats.txt
    """
    from probes.quality import assess_quality

    found = [
        run
        for name in runs
        for run in (
            (read_run(name, options),) if options.run else read_runs(name, options, restarts=False)
        )
    ]
    quality = assess_quality(found)
    if as_json:
        from level.show.as_json import dump, repeat_json

        typer.echo(dump(repeat_json(quality, found)))
    else:
        from level.show.text import repeat_text

        typer.echo(repeat_text(quality, found), nl=False)
