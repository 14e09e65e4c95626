"""The answers of `book`, as text and JSON."""

from __future__ import annotations

from datetime import UTC, datetime
from typing import TYPE_CHECKING, Any

from level.show.as_json import answer
from level.show.text import warning_lines, wrapped

if TYPE_CHECKING:
    from level.history import History
    from probes.book import Book

__all__ = ["list_json", "list_text", "trend_json", "trend_text"]

_CHARTS = {
    "single": "beyond the limits of single values",
    "average": "the weighted average has moved",
    "sum": "the cumulative sum has moved",
}


def list_text(book: Book) -> str:
    """Write what a book holds, in time."""
    lines = [(run.moment, f"run {run.id:<5} {run.touches:>5} touches  {run.source}"
              + (f"  plate {run.plate}" if run.plate else "")) for run in book.runs()]  # fmt: skip
    lines += [
        (
            event.at.timestamp(),
            f"event      {event.what}" + (f": {event.text}" if event.text else ""),
        )
        for event in book.events()
    ]
    lines += [
        (
            note.at.timestamp(),
            f"note       {note.text}" + (f" (run {note.run})" if note.run else ""),
        )
        for note in book.notes()
    ]
    lines += [
        (turn.at.timestamp(), f"turn       {turn.lift} {turn.rise:+.3f} mm")
        for turn in book.turns()
    ]
    lines += [
        (machine.added.timestamp(), f"machine    {machine.name}") for machine in book.machines()
    ]
    lines = [(moment, " ".join(text.splitlines())) for moment, text in lines]
    if not lines:
        return f"{book.path}: the book is empty; planish book add RUN puts a run in\n"
    return "".join(f"{_day(moment)}  {text}\n" for moment, text in sorted(lines))


def _day(moment: float) -> str:
    return datetime.fromtimestamp(moment, UTC).strftime("%Y-%m-%d %H:%M")


def list_json(book: Book) -> dict[str, Any]:
    """Give what a book holds as a JSON object."""
    return answer(
        "book",
        (),
        {
            "runs": [
                {
                    "id": run.id,
                    "touches": run.touches,
                    "moment": _day(run.moment),
                    "source": run.source,
                    "plate": run.plate,
                    "note": run.note,
                    "digest": run.digest,
                }
                for run in book.runs()
            ],
            "events": [
                {"at": event.at.isoformat(), "what": event.what, "text": event.text}
                for event in book.events()
            ],
            "notes": [
                {"at": note.at.isoformat(), "text": note.text, "run": note.run}
                for note in book.notes()
            ],
            "turns": [
                {"at": turn.at.isoformat(), "lift": turn.lift, "rise": turn.rise}
                for turn in book.turns()
            ],
        },
    )


def trend_text(history: History, book: Book) -> str:
    """Write a figure over time, with what its control charts say."""
    trend, sign = history.trend, "" if history.figure == "minimum-zone" else "+"
    lower = trend.single.lower if sign else max(0.0, trend.single.lower)  # no zone is negative
    words = (
        f"{history.figure} over {len(history.ids)} runs: {trend.centre:.3f} mm, limits of a single "
        f"run {lower:z.3f} to {trend.single.upper:z.3f}, from the first "
        f"{trend.baseline}."
    )
    lines = wrapped(words)
    if trend.steady:
        lines.append("It is steady.")
    for signal in trend.signals:
        way = "up" if signal.up else "down"
        lines += wrapped(
            f"Run {history.ids[signal.index]} ({_day(signal.time)}): {_CHARTS[signal.chart]}, "
            f"{way}; it seems to have begun with run {history.ids[signal.since]}."
        )
    lines.append("")
    events = [
        (event.at.timestamp(), "event: " + " ".join(event.what.split())) for event in book.events()
    ]
    rows = [
        (time, f"run {number:<5} {value:{sign}z.4f} mm")
        for time, number, value in zip(trend.times, history.ids, trend.values, strict=True)
    ]
    lines += [f"  {_day(moment)}  {text}" for moment, text in sorted(events + rows)]
    lines += warning_lines(_left_out(history))
    return "\n".join(lines) + "\n"


def _left_out(history: History) -> tuple[str, ...]:
    if not history.untold:
        return ()
    runs, one = ", ".join(map(str, history.untold)), len(history.untold) == 1
    start, end = (f"run {runs} does", "is") if one else (f"runs {runs} do", "are")
    return (f"{start} not tell {history.figure} and {end} left out",)


def trend_json(history: History) -> dict[str, Any]:
    """Give a figure over time as a JSON object."""
    trend = history.trend
    return answer(
        "book",
        _left_out(history),
        {
            "figure": history.figure,
            "runs": list(history.ids),
            "times": trend.times.tolist(),
            "values": trend.values.tolist(),
            "centre": trend.centre,
            "limits": [trend.single.lower, trend.single.upper],
            "steady": trend.steady,
            "signals": [
                {
                    "run": history.ids[signal.index],
                    "chart": signal.chart,
                    "up": signal.up,
                    "since_run": history.ids[signal.since],
                }
                for signal in trend.signals
            ],
        },
    )
