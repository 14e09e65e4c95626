"""`planish demo`: show me."""

from pathlib import Path
from typing import Annotated

import typer

from probes.errors import RequestError

__all__ = ["demo"]

_FILES = ("machine.toml", "first.txt", "second.txt", "report.html")


def demo(
    folder: Annotated[Path, typer.Argument(help="Folder to make and write the example in.")] = Path(
        "planish-demo"
    ),
) -> None:
    """Write an invented example and run the whole job on it.

    A simulated machine is probed, checked, turned as planned and probed again. The files stay in
    the folder to try the other commands on.

    Example: planish demo
    """
    from level.check import check_bed
    from level.cli.files import write_text
    from level.cli.report import write_report
    from level.machine import read_machine
    from level.scenario import demo_machine, demo_probing, demo_simulator
    from level.show.machine_file import machine_toml
    from level.show.text import check_text, turns_text
    from level.simulator import capture
    from level.turns import plan_turns
    from probes.formats import read_run

    text = machine_toml(demo_machine())
    _check_folder(folder, text)
    _title("An invented machine is set up and probed")
    simulator = demo_simulator()
    write_text(folder / "machine.toml", text)
    first_text = capture(demo_probing(simulator), "first probing, gantry as assembled")
    write_text(folder / "first.txt", first_text)
    machine = read_machine(folder / "machine.toml")
    first = read_run(folder / "first.txt")
    typer.echo(f"written: {folder / 'machine.toml'}, {folder / 'first.txt'}")

    _title("planish check first.txt")
    before = check_bed(first, machine)
    typer.echo(check_text(before))

    _title("planish turns first.txt")
    plan = plan_turns(first, machine)
    typer.echo(turns_text(plan, first, machine))

    _title("The turns are made on the simulated machine, stage by stage, and it is probed again")
    for stage in plan.stages:
        for part in stage.moves:
            simulator.turn(part.lift, part.turns, part.direction)
    second_text = capture(demo_probing(simulator), "second probing, after the turns")
    write_text(folder / "second.txt", second_text)
    second = read_run(folder / "second.txt")

    _title("planish check second.txt")
    after = check_bed(second, machine)
    typer.echo(check_text(after))

    write_report(before, plan, folder / "report.html")
    tilt = max(abs(after.tilt.fall_x), abs(after.tilt.fall_y))
    allowed = 4 * max(sigma or 0.0 for sigma in after.tilt.fall_sigmas(after.noise.of_places))
    if tilt > allowed:
        raise AssertionError(f"the demo's tilt should be gone, but {tilt:.4f} mm is left")
    fall = max(abs(before.tilt.fall_x), abs(before.tilt.fall_y))
    _title("Done")
    typer.echo(
        f"The tilt is gone: the fall went from {fall:.3f} mm to {tilt:.3f} mm "
        f"(the probe cannot tell {allowed:.3f} mm from none).\n"
        f"Open {folder / 'report.html'} in a browser: the first probing, in pictures.\n\n"
        "With your own machine:\n"
        "  planish init                  write a machine.toml, then correct it\n"
        "  planish check YOUR_LOG.txt    is the bed flat, is the gantry parallel to it?\n"
        "  planish turns YOUR_LOG.txt    what to turn, which way, how far\n"
        "  planish report YOUR_LOG.txt   a page to keep"
    )


def _check_folder(folder: Path, machine_text: str) -> None:
    """Make the folder; refuse one that holds anything but an earlier demo."""
    if folder.exists() and not folder.is_dir():
        raise RequestError(f"{folder}: is a file; name a folder for the example")
    try:
        folder.mkdir(parents=True, exist_ok=True)
        held = {path.name for path in folder.iterdir()}
        older = folder / "machine.toml"
        ours = not held or (older.exists() and older.read_text(encoding="utf-8") == machine_text)
    except (OSError, UnicodeDecodeError) as fault:
        raise RequestError(f"{folder}: cannot be made or read ({fault})") from None
    if not ours or held - set(_FILES):
        raise RequestError(
            f"{folder}: holds other files already; name a new folder for the example"
        )


def _title(text: str) -> None:
    typer.echo(f"\n== {text} ==\n")
