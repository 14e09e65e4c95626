"""The answer of `compare`, as text, words and JSON."""

from __future__ import annotations

from dataclasses import asdict
from typing import TYPE_CHECKING, Any

from level.show.as_json import answer, run_json
from level.show.charmap import character_map
from level.show.text import run_line, warning_lines, wrapped
from level.show.words import MODE_NAMES
from probes.run import Run

if TYPE_CHECKING:
    from level.comparison import Comparison
    from mesh.change import Change

__all__ = ["change_words", "comparison_json", "comparison_text"]

_MOST_PLACES = 5


def change_words(change: Change) -> list[str]:
    """Say whether a bed has changed, and in what."""
    stands = {name: mode for name, mode in change.modes.items() if mode.significant}
    if not change.changed:
        words = ["No change: what differs is no more than the noise of the readings."]
    elif stands:
        parts = [f"{MODE_NAMES[name]} by {mode.change:+z.3f} mm" for name, mode in stands.items()]
        words = [f"The bed has changed: {', '.join(parts)}."]
    else:
        words = ["The bed has changed, but not in a simple form."]
    if change.places:
        spots = [
            f"x {place.x:.0f} y {place.y:.0f} ({place.change:+z.3f} mm)"
            for place in change.places[:_MOST_PLACES]
        ]
        more = len(change.places) - len(spots)
        words.append(
            f"Places that stand out: {', '.join(spots)}" + (f" and {more} more." if more else ".")
        )
    largest = max((mode.at_most for mode in change.modes.values()), default=None)
    if largest is not None and not change.changed:
        words.append(
            f"No fall, twist or bow has changed by more than {largest:.3f} mm (95 %), and no place "
            f"by more than {change.map.at_most:.3f} besides."
        )
    return words


def comparison_text(comparison: Comparison) -> str:
    """Write a comparison for the terminal."""
    lines = [line for run in comparison.runs for line in wrapped(run_line(run))] + [""]
    if len(comparison.runs) == 2:
        change = comparison.changes[0, 1]
        for sentence in change_words(change):
            lines += wrapped(sentence)
        lines += ["", *_map(change), "", *_numbers(change)]
    else:
        lines += _matrix(comparison)
    change = next(iter(comparison.changes.values()))
    lines += [""] + [line for sentence in change.meaning for line in wrapped(sentence)]
    said = [one for change in comparison.changes.values() for one in change.warnings]
    lines += warning_lines([one for run in comparison.runs for one in run.warnings] + said)
    return "\n".join(lines) + "\n"


def _map(change: Change) -> list[str]:
    difference = change.difference
    places = Run(x=difference.x, y=difference.y, z=change.rest).places
    return character_map(places, places.z, "Change about its plane")


def _numbers(change: Change) -> list[str]:
    lines = ["  mode            change mm   sigma    to be seen from"]
    for name, mode in change.modes.items():
        mark = "  *" if mode.significant else ""
        figures = f"{mode.change:+z9.3f}   {mode.sigma:.4f}   {mode.detectable:.3f}"
        lines.append(f"  {MODE_NAMES[name]:<15} {figures}{mark}")
    p_value = "not told" if change.map.p_value is None else f"{change.map.p_value:.3f}"
    x, y = change.map.at
    lines += [
        f"  {'map':<15} rms {change.map.rms:.4f} mm, as much by chance: {p_value}",
        f"  {'largest':<15} {change.map.largest:+z.3f} mm at x {x:.0f} y {y:.0f}",
    ]
    return lines


def _matrix(comparison: Comparison) -> list[str]:
    """Which runs differ, as a table of what changed most."""
    count = len(comparison.runs)
    lines = [f"  {number + 1}: {run.source}" for number, run in enumerate(comparison.runs)]
    lines += ["", "  rms of the change without its plane, mm; * where the bed has changed:", ""]
    lines.append("      " + "".join(f"{number + 1:>9}" for number in range(count)))
    for i in range(count):
        cells = []
        for j in range(count):
            change = comparison.changes.get((min(i, j), max(i, j)))
            mark = "*" if change is not None and change.changed else " "
            cells.append(f"{'-':>8} " if change is None else f"{change.map.rms:8.4f}{mark}")
        lines.append(f"  {i + 1:>3} " + "".join(cells).rstrip())
    return lines


def comparison_json(comparison: Comparison) -> dict[str, Any]:
    """Give a comparison as a JSON object: of two runs flat, of more as pairs."""
    content: dict[str, Any] = {
        "runs": [run_json(run) for run in comparison.runs],
        "changed": comparison.changed,
        "interpolated": comparison.interpolated,
    }
    pairs = [
        {"runs": [i, j], **_change(change)} for (i, j), change in comparison.changes.items()
    ]  # fmt: skip
    if len(pairs) == 1:
        content |= {key: value for key, value in pairs[0].items() if key != "runs"}
    else:
        content["pairs"] = pairs
    warnings = tuple(
        dict.fromkeys(one for change in comparison.changes.values() for one in change.warnings)
    )
    return answer("compare", warnings, content)


def _change(change: Change) -> dict[str, Any]:
    return {
        "changed": change.changed,
        "modes": {name: asdict(mode) for name, mode in change.modes.items()},
        "map": asdict(change.map),
        "places": [asdict(place) for place in change.places],
        "height": change.height,
    }
