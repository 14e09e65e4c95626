"""The commands: one thin module each, which reads, asks one question, and shows the answer."""

import sys
from collections.abc import Sequence
from importlib import import_module

import typer
from typer.exceptions import TyperException

from level.version import VERSION
from probes.errors import PlanishError

__all__ = ["COMMANDS", "run_app"]

COMMANDS = (
    "demo", "init", "check", "turns", "verify", "repeat", "compare", "grid", "imprint", "soak",
    "cycles", "book", "report", "view", "convert",
)  # fmt: skip
"""The commands, in the order of the help; each a module here with a function of its name."""


def _make_app(commands: Sequence[str]) -> typer.Typer:
    app = typer.Typer(
        name="planish",
        help=(
            "From probe readings to a flat bed and a parallel gantry: what to turn, which way, how "
            "far. Start with `planish demo`."
        ),
        pretty_exceptions_enable=False,
        rich_markup_mode=None,
    )
    for name in commands:
        app.command(name)(getattr(import_module(f"level.cli.{name}"), name))
    app.callback()(_all)
    return app


def _say_version(asked: bool) -> None:
    if asked:
        typer.echo(f"planish {VERSION}")
        raise typer.Exit


def _all(
    version: bool = typer.Option(
        False, "--version", help="Say the version and end.", callback=_say_version, is_eager=True
    ),
) -> None:
    del version  # the callback has dealt with it


def run_app(arguments: list[str] | None = None) -> int:
    """Run the command line and give the exit code.

    Returns
    -------
    int
        0 fine; 2 usage, or input that is unreadable or impossible, with one line on stderr;
        3 measured, and outside a limit. A bug keeps its traceback, which Python ends with 1.
    """
    given = sys.argv[1:] if arguments is None else arguments
    # of a known command only its own module is loaded: the answer comes sooner
    app = _make_app(given[:1] if given[:1] and given[0] in COMMANDS else COMMANDS)
    try:
        return app(given or ["--help"], prog_name="planish", standalone_mode=False) or 0
    except PlanishError as fault:
        message = str(fault)
    except TyperException as fault:
        message = f"{fault.format_message().rstrip('.')}; see planish --help"
    except typer.Abort:
        message = "stopped"
    print("planish: " + " ".join(message.split()), file=sys.stderr)
    return 2
