"""The answer of `grid`, as text and JSON."""

from __future__ import annotations

from dataclasses import asdict
from typing import TYPE_CHECKING, Any

from level.show.as_json import answer, run_json
from level.show.text import run_line, warning_lines, wrapped

if TYPE_CHECKING:
    from mesh.grid import Candidate, GridAdvice
    from probes.run import Run

__all__ = ["grid_json", "grid_text", "grid_words"]

_MOST_ROWS = 12


def grid_words(advice: GridAdvice) -> list[str]:
    """Say which grid is enough."""
    words = []
    best = advice.recommended
    if advice.tolerance is None:
        words.append(
            "Give --tolerance, what a correction may leave, and it is said which is enough."
        )
    elif best is None:
        words.append(
            f"No grid up to one step finer than these readings keeps to {advice.tolerance:.3f} mm, "
            "the noise that a correction carries included."
        )
    else:
        words.append(
            f"{best.columns} columns x {best.rows} rows, {best.kind}, are enough for "
            f"{advice.tolerance:.3f} mm: they leave {best.left_max:.3f} mm at most, and "
            f"{best.left_p95:.3f} over 95 % of the area."
        )
    words.append(
        f"A correction probed as well as this run carries ±{2 * advice.carried:.3f} mm of noise."
    )
    words.append(
        {
            "places": "More places would lower what is left more than a better probe would.",
            "probe": "A better probe, or more touches of each place, would help more than more "
            "places.",
            "neither": "Neither more places nor a better probe alone would help much.",
        }[advice.helps]
    )
    if advice.uneven is not None and best is not None:
        x, y, most = advice.uneven
        words.append(
            f"As many lines set unevenly would leave {most:.3f} mm: x {_lines(x)}; y {_lines(y)}."
        )
    if advice.probe_next:
        spots = ", ".join(f"x {x:.0f} y {y:.0f}" for x, y in advice.probe_next)
        words.append(f"Where to probe next, as the surface is least sure there: {spots}.")
    return words


def _lines(values: Any) -> str:
    return ", ".join(f"{value:.0f}" for value in values)


def grid_text(advice: GridAdvice, run: Run) -> str:
    """Write the advice for the terminal."""
    lines = [*wrapped(run_line(run)), ""]
    for sentence in grid_words(advice):
        lines += wrapped(sentence)
    lines += ["", "  columns x rows  kind      left at most mm   95 % mm"]
    lines += [_row(one, advice) for one in _shown(advice)]
    return "\n".join(lines + warning_lines(run.warnings)) + "\n"


def _row(one: Candidate, advice: GridAdvice) -> str:
    mark = "  <- enough" if one is advice.recommended else ""
    return (
        f"  {one.columns:>7} x {one.rows:<4}  {one.kind:<9} {one.left_max:>14.3f} "
        f"{one.left_p95:>9.3f}{mark}"
    )


def _shown(advice: GridAdvice) -> list[Candidate]:
    """Grids that leave less than any with fewer places, and the one that is recommended."""
    shown, least = [], float("inf")
    for one in advice.candidates:
        if one.left_max < least or one is advice.recommended:
            shown.append(one)
            least = min(least, one.left_max)
    if len(shown) <= _MOST_ROWS:
        return shown
    at = shown.index(advice.recommended) if advice.recommended in shown else len(shown) // 2
    start = max(0, min(at - _MOST_ROWS // 2, len(shown) - _MOST_ROWS))
    return shown[start : start + _MOST_ROWS]


def grid_json(advice: GridAdvice, run: Run) -> dict[str, Any]:
    """Give the advice as a JSON object."""
    best = advice.recommended
    return answer(
        "grid",
        run.warnings,
        {
            "run": run_json(run),
            "tolerance": advice.tolerance,
            "candidates": [asdict(one) for one in advice.candidates],
            "recommended": None
            if best is None
            else {"columns": best.columns, "rows": best.rows, "kind": best.kind},
            "carried_noise": advice.carried,
            "uneven": None
            if advice.uneven is None
            else {
                "x": advice.uneven[0].tolist(),
                "y": advice.uneven[1].tolist(),
                "left_max": advice.uneven[2],
            },
            "probe_next": [list(spot) for spot in advice.probe_next],
            "helps": advice.helps,
        },
    )
