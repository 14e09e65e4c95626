"""The commands: one thin module each, which reads, asks one question, and shows the answer."""

import sys

import typer
from typer.exceptions import TyperException

from level.cli import check, convert, demo, init, repeat, report, turns, view
from level.version import VERSION
from probes.errors import PlanishError

__all__ = ["app", "run_app"]

app = typer.Typer(
    name="planish",
    help=(
        "From probe readings to a flat bed and a parallel gantry: what to turn, which way, how "
        "far. Start with `planish demo`."
    ),
    pretty_exceptions_enable=False,
    rich_markup_mode=None,
)

app.command("demo")(demo.demo)
app.command("init")(init.init)
app.command("check")(check.check)
app.command("turns")(turns.turns)
app.command("repeat")(repeat.repeat)
app.command("report")(report.report)
app.command("view")(view.view)
app.command("convert")(convert.convert)


def _say_version(asked: bool) -> None:
    if asked:
        typer.echo(f"planish {VERSION}")
        raise typer.Exit


@app.callback()
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
