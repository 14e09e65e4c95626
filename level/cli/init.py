"""`planish init`: start a machine."""

import sys
from pathlib import Path
from typing import Annotated

import typer

from level.cli.options import DEFAULT_MACHINE
from probes.errors import RequestError
from probes.formats.options import parse_span

__all__ = ["init"]

_MOST_LIFTS = 100


def init(
    folder: Annotated[Path, typer.Argument(help="Folder to write machine.toml in.")] = Path(),
    name: Annotated[str | None, typer.Option(help="What you call the machine.")] = None,
    x: Annotated[str | None, typer.Option("--x", help="Left and right edge of the bed.")] = None,
    y: Annotated[str | None, typer.Option("--y", help="Front and back edge of the bed.")] = None,
    carries: Annotated[
        str | None, typer.Option(help="What the lifts carry: bed or gantry.")
    ] = None,
    lifts: Annotated[int | None, typer.Option(help="Number of lifts.")] = None,
    screw: Annotated[
        str | None, typer.Option(help="ISO designation of the lifts' screws, as Tr8x8(P2) or M4.")
    ] = None,
    raises: Annotated[
        str | None,
        typer.Option(help="The turn that raises, seen from above: clockwise or counterclockwise."),
    ] = None,
    motors: Annotated[
        bool | None, typer.Option("--motors/--hand", help="Turned by motors or by hand.")
    ] = None,
    force: Annotated[bool, typer.Option("--force", help="Write over a machine file.")] = False,
) -> None:
    """Write a commented machine file to start from.

    Asks for what is not given where there is a terminal; takes the usual where there is none. The
    lifts are put where they usually stand: correct their places in the file.

    Example: planish init --name "Bench 350" --x 0:350 --y 0:350 --carries gantry --lifts 4
    """
    import msgspec

    from level.cli.files import write_text
    from level.drive import screw_lead
    from level.layout import usual_places
    from level.machine import Machine
    from level.show.machine_file import machine_toml

    path = folder / DEFAULT_MACHINE
    if path.exists() and not force:
        raise RequestError(f"{path}: exists; name another folder, or say --force to write over it")
    if not folder.is_dir():
        raise RequestError(f"{folder}: there is no such folder; make it first")
    name = _ask(name, "Name of the machine", "my machine")
    edges_x = parse_span(_ask(x, "Left and right edge of the bed, mm", "0:300"), "--x")
    edges_y = parse_span(_ask(y, "Front and back edge of the bed, mm", "0:300"), "--y")
    carries = _one_of(_ask(carries, "The lifts carry the bed or the gantry", "bed"),
                      "--carries", ("bed", "gantry"))  # fmt: skip
    count = _count(_ask(None if lifts is None else str(lifts), "How many lifts", "3"))
    screw = _ask(screw, "ISO designation of their screws", "M4")
    screw_lead(screw)
    raises = _one_of(_ask(raises, "The turn that raises, seen from above", "clockwise"),
                     "--raises", ("clockwise", "counterclockwise"))  # fmt: skip
    driven = {"motor_steps": 200, "microsteps": 16} if _yes(motors) else {}
    machine = msgspec.convert(
        {
            "name": name,
            "bed": {"x": sorted(edges_x), "y": sorted(edges_y)},
            "frame": {"carries": carries},
            "lift": [
                {"name": where, "x": at_x, "y": at_y, "screw": screw, "raises": raises, **driven}
                for where, at_x, at_y in usual_places(
                    count, (min(edges_x), max(edges_x)), (min(edges_y), max(edges_y))
                )
            ],
        },
        Machine,
    )
    write_text(path, machine_toml(machine))
    typer.echo(
        f"{path}: written. Correct where the lifts stand, their screws, and the turn that raises "
        "each\n(try it with a finger on the screw), then:\n"
        f"planish turns RUN --machine {path}"
    )


def _ask(given: str | None, question: str, usual: str) -> str:
    if given is not None:
        return given
    if not sys.stdin.isatty():
        return usual
    answer: str = typer.prompt(question, default=usual, err=True)
    return answer


def _yes(given: bool | None) -> bool:
    if given is not None or not sys.stdin.isatty():
        return bool(given)
    return bool(typer.confirm("Turned by motors (no: by hand)", default=False, err=True))


def _one_of(value: str, option: str, allowed: tuple[str, ...]) -> str:
    if value not in allowed:
        raise RequestError(f"{option} {value!r}: must be {' or '.join(allowed)}")
    return value


def _count(text: str) -> int:
    try:
        count = int(text)
    except ValueError:
        count = 0
    if not 1 <= count <= _MOST_LIFTS:
        raise RequestError(f"--lifts {text}: must be a whole number from 1 to {_MOST_LIFTS}")
    return count
