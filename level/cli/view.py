"""`planish view`: let me turn the bed around."""

from pathlib import Path
from typing import Annotated

import typer

from level.cli.options import MachineOption, RunArgument, find_machine, reading
from probes.formats import ReadOptions, read_run

__all__ = ["view"]


@reading
def view(
    run: RunArgument,
    options: ReadOptions,
    machine: MachineOption = None,
    save: Annotated[
        Path | None, typer.Option(help="Write a .png, .vtp or .ply file instead of a window.")
    ] = None,
) -> None:
    """Show the bed in 3D, in a window or as a file.

    Example: planish view first.txt --save first.png
    """
    from level.check import check_bed
    from level.cli.files import check_writable
    from level.show.scene import build_scene, show_window
    from level.show.scene import save as save_scene
    from level.turns import plan_turns

    lifts = find_machine(machine, needed=False)
    readings = read_run(run, options)
    found = check_bed(readings, lifts)
    scene = build_scene(found, plan_turns(readings, lifts) if lifts else None)
    if save is None:
        show_window(scene)
        return
    check_writable(save)
    save_scene(scene, save)
    typer.echo(f"{save}: written", err=True)
