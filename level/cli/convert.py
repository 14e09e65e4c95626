"""`planish convert` writes a run in another format."""

from pathlib import Path
from typing import Annotated

import typer

from level.cli.options import RunArgument, reading
from probes.formats import WRITERS, ReadOptions, dump_run, read_run

__all__ = ["convert"]


@reading
def convert(
    run: RunArgument,
    output: Annotated[
        Path, typer.Argument(metavar="OUT", help=f"File to write: {', '.join(WRITERS)}.")
    ],
    options: ReadOptions,
) -> None:
    """Write a run in another format, chosen by the ending of OUT; in mm, high = up.

    Columns and JSON keep every touch to the last bit; SDF and X3P hold one height for each place
    of an even grid; meshes hold positions only.

    Example: planish convert first.txt first.csv
    """
    from level.cli.files import write_bytes

    write_bytes(output, dump_run(read_run(run, options), output.suffix))
    typer.echo(f"{output}: written", err=True)
