"""`planish book` asks what happened to this machine."""

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from level.cli.options import JsonOption, reading
from probes.errors import RequestError
from probes.formats import ReadOptions, read_run

if TYPE_CHECKING:
    from probes.book import Book

__all__ = ["book"]

_USUAL = Path("planish.book")
_NEEDED = {
    "export": "name the folder or .zip to write, after it",
    "import": "name the folder to read, after it",
    "rescue": "name the folder to write, after it",
}
_ACTIONS = ("add", "list", "show", "trend", "note", "event", "export", "import", "check", "rescue")


@reading
def book(
    action: Annotated[str, typer.Argument(help=f"One of {', '.join(_ACTIONS)}.")],
    options: ReadOptions,
    what: Annotated[
        list[str] | None, typer.Argument(help="Runs to add, a run's number, text, or a file.")
    ] = None,
    file: Annotated[Path, typer.Option("--book", help="The book's file.")] = _USUAL,
    figure: Annotated[
        str, typer.Option(help="Of trend: minimum-zone, fall-x, fall-y, twist, bow-x or bow-y.")
    ] = "minimum-zone",
    run: Annotated[
        int | None, typer.Option("--about", help="Of note: the run it is about.")
    ] = None,
    as_json: JsonOption = False,
) -> None:
    """Keep a machine's history in one file: runs, notes, events, and trends over them.

    add RUN...; list; show NUMBER; trend; note TEXT; event TEXT, such as "new plate"; export FOLDER
    (or a .zip); import FOLDER into a new book; check; rescue FOLDER, what is intact of a damaged
    book.

    Example: planish book add first.txt
    """
    given = what or []
    if action not in _ACTIONS:
        raise RequestError(f"book {action!r}: must be one of {', '.join(_ACTIONS)}")
    if action in ("import", "rescue"):
        _exchange(action, given, file)
        return
    from probes.book import open_book

    with open_book(file, create=action in ("add", "note", "event")) as held:
        _act(held, action, given, options, figure=figure, about=run, as_json=as_json)


def _act(
    held: "Book",
    action: str,
    given: list[str],
    options: ReadOptions,
    *,
    figure: str,
    about: int | None,
    as_json: bool,
) -> None:
    if action == "add":
        if not given:
            raise RequestError("book add: name the runs to add")
        added = []
        for name in given:
            entry = held.add_run(read_run(name, options))
            added.append({"source": name, "id": entry.id, "new": entry.new})
            told = "added" if entry.new else "is in the book already"
            if not as_json:
                typer.echo(f"{name}: {told}, run {entry.id}")
        if as_json:
            _answer({"added": added})
    elif action == "list":
        from level.show.book_text import list_json, list_text

        _check_alone(given, action)
        _say(list_json(held)) if as_json else typer.echo(list_text(held), nl=False)
    elif action == "show":
        from probes.formats import dump_run

        shown = held.run(_number(given))
        typer.echo(dump_run(shown, ".json" if as_json else ".csv").decode(), nl=False)
    elif action == "trend":
        from level.history import figure_history
        from level.show.book_text import trend_json, trend_text

        _check_alone(given, action)
        history = figure_history(held.stacks(), figure)
        if as_json:
            _say(trend_json(history))
        else:
            typer.echo(trend_text(history, held), nl=False)
    elif action == "note":
        held.add_note(_text(given, "note"), run=about)
    elif action == "event":
        held.add_event(_text(given, "event"))
    elif action == "export":
        out = Path(_text(given, "export"))
        held.export(out)
        typer.echo(f"{out}: written", err=True)
    else:
        _check_alone(given, action)
        health = held.check()
        if as_json:
            found = {"sound": health.sound, "faults": health.faults, "counts": health.counts}
            _answer(found)
        else:
            for fault in health.faults:
                typer.echo(fault)
            counts = _counted(health.counts)
            typer.echo(f"{held.path}: {'sound' if health.sound else 'DAMAGED'}; {counts}")
        if not health.sound:
            raise typer.Exit(3)


def _exchange(action: str, given: list[str], file: Path) -> None:
    from probes.book import import_book, salvage

    where = _text(given, action)
    if action == "import":
        import_book(where, file)
        typer.echo(f"{file}: written", err=True)
        return
    saved = salvage(file, where)
    counts = _counted(saved.saved)
    typer.echo(f"{where}: {counts} saved; planish book import makes a new book of them")
    for line in saved.lost:
        typer.echo(line)


def _counted(counts: dict[str, int]) -> str:
    return ", ".join(
        f"{count} {kind}" + ("" if count == 1 else "s") for kind, count in counts.items()
    )


def _answer(content: dict[str, Any]) -> None:
    from level.show.as_json import answer

    _say(answer("book", (), content))


def _say(content: dict[str, Any]) -> None:
    from level.show.as_json import dump

    typer.echo(dump(content))


def _check_alone(given: list[str], action: str) -> None:
    if given:
        raise RequestError(f"book {action}: takes nothing after it, but {given[0]!r} is there")


def _number(given: list[str]) -> int:
    try:
        return int(given[0]) if len(given) == 1 else int("")
    except ValueError:
        raise RequestError(
            "book show: give the number of one run, as planish book list has it"
        ) from None


def _text(given: list[str], action: str) -> str:
    text = " ".join(given).strip()
    if not text:
        raise RequestError(f"book {action}: {_NEEDED.get(action, 'say what, after it')}")
    return text
