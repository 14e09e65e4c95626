"""The answer of `verify` as text for the terminal."""

from __future__ import annotations

import textwrap
from typing import TYPE_CHECKING

from level.show.text import run_line, warning_lines, wrapped
from level.show.verify_words import command_words, plan_words, response_words, step_words

if TYPE_CHECKING:
    from collections.abc import Sequence

    from level.verify.plan import Command, TrialPlan
    from level.verify.response import Response
    from probes.run import Run

__all__ = ["response_text", "trial_plan_text"]


def response_text(response: Response, runs: Sequence[Run]) -> str:
    """Write what trials have shown."""
    lines = [line for run in runs for line in wrapped(run_line(run))]
    lines += [""] if lines else []
    for sentence in response_words(response):
        listed = sentence.startswith("- ")
        lines += wrapped(sentence.removeprefix("- "), "  - " if listed else "")
    lines += warning_lines(response.warnings)
    return "\n".join(lines) + "\n"


def trial_plan_text(plan: TrialPlan) -> str:
    """Write a plan of trials, step by step, with what to type afterwards."""
    lines = [line for sentence in plan_words(plan) for line in wrapped(sentence)] + [""]
    lines += _moves("First, so that the play of each lift is taken up:", plan.before)
    lines += ["Probe: run 1."]
    moved = []
    for number, step in enumerate(plan.steps, 2):
        lines += _moves("Then move:", step.commands)
        lines += wrapped(step_words(step) + f" That is run {number}.")
        moved.append(
            ", ".join(
                f"{name}={' '.join(f'{rise:+.4g}' for rise in rises)}"
                for name, rises in step.moved.items()
            )
        )
    lines += _moves("At the end, to bring all back:", plan.home)
    runs = " ".join(f"RUN{number}" for number in range(1, plan.probings + 1))
    lines += ["", "Then ask what it showed:"]
    broken = textwrap.wrap(
        f"planish verify {runs}", 74, initial_indent="  ", subsequent_indent="    "
    )
    lines += [f"{line} {chr(92)}" for line in broken]
    lines += [
        f'    --moved "{told}"{" " + chr(92) if k < len(moved) else ""}'
        for k, told in enumerate(moved, 1)
    ]
    lines += warning_lines(plan.warnings)
    lines += ["", "Cautions:"]
    for caution in plan.cautions:
        lines += wrapped(caution, "  - ")
    return "\n".join(lines) + "\n"


def _moves(title: str, commands: Sequence[Command]) -> list[str]:
    if not commands:
        return []
    return [title, *(f"  {command_words(command)}" for command in commands)]
