"""The answer of `soak`, as text and JSON."""

from __future__ import annotations

from dataclasses import asdict
from typing import TYPE_CHECKING, Any

from level.show.as_json import answer
from level.show.text import warning_lines, wrapped
from level.show.words import MODE_NAMES

if TYPE_CHECKING:
    from collections.abc import Sequence

    from mesh.soak import ModeSoak, Soak
    from probes.run import Run

__all__ = ["soak_json", "soak_text", "soak_words"]


def soak_words(found: Soak) -> list[str]:
    """Say whether it is warm yet, and when it will be."""
    if found.settled:
        words = [
            "Settled: no fall, twist or bow is likely to move by more than "
            f"{found.tolerance:.3f} mm any more."
        ]
    else:
        why = found.why.replace(found.worst.name, MODE_NAMES[found.worst.name]).rstrip(".")
        words = [f"Not settled: {why}."]
        if found.remaining is not None and found.remaining_interval is not None:
            low, high = found.remaining_interval
            words.append(
                f"It is still to move by {found.remaining:+z.3f} mm (95 %: {low:+z.3f} to "
                f"{high:+z.3f})."
            )
        words.append(
            "When it will be ready cannot be told yet; go on probing."
            if found.ready_in_min is None
            else f"Ready in about {found.ready_in_min:.0f} minutes."
        )
    constants = found.constants
    if constants.learnt:
        low, high = constants.interval
        words.append(
            f"This rests on a slow constant of {constants.tau_slow:.0f} minutes ({low:.0f} to "
            f"{high:.0f}), learnt from {constants.warm_ups} warm-ups."
        )
    else:
        words.append(
            f"This rests on a slow constant of {constants.tau_slow:.0f} minutes, which is a guess; "
            "give earlier warm-ups with --learnt to know this machine's."
        )
    return words


def soak_text(found: Soak, runs: Sequence[Run]) -> str:
    """Write the answer for the terminal."""
    lines = [f"{len(runs)} probings, {runs[0].source} to {runs[-1].source}", ""]
    for sentence in soak_words(found):
        lines += wrapped(sentence)
    lines += ["", "  mode          um a minute   still to move, mm       ready in min"]
    lines += [_row(mode) for mode in found.modes]
    return "\n".join(lines + warning_lines(one for run in runs for one in run.warnings)) + "\n"


def _row(mode: ModeSoak) -> str:
    drift = "-" if mode.drift is None else f"{1e3 * mode.drift:+z.2f}"
    left = "-"
    if mode.remaining is not None and mode.interval is not None:
        low, high = mode.interval
        left = f"{mode.remaining:+z.3f} ({low:+z.3f} to {high:+z.3f})"
    ready = "settled" if mode.settled else "-"
    if not mode.settled and mode.ready_in_min is not None:
        ready = f"{mode.ready_in_min:.0f}"
    return f"  {MODE_NAMES[mode.name]:<14}{drift:>11}   {left:<25} {ready}"


def soak_json(found: Soak, runs: Sequence[Run]) -> dict[str, Any]:
    """Give the answer as a JSON object."""
    return answer(
        "soak",
        tuple(dict.fromkeys(one for run in runs for one in run.warnings)),
        {
            "runs": [run.source for run in runs],
            "settled": found.settled,
            "remaining": found.remaining,
            "remaining_interval": None
            if found.remaining_interval is None
            else list(found.remaining_interval),
            "ready_in_min": found.ready_in_min,
            "tau_min": found.tau_min,
            "why": found.why,
            "tolerance": found.tolerance,
            "constants": asdict(found.constants),
            "modes": {mode.name: asdict(mode) for mode in found.modes},
        },
    )
