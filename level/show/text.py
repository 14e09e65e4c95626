"""The answers as text for the terminal: words first, then a map or a table, then numbers."""

from __future__ import annotations

import textwrap
from typing import TYPE_CHECKING

from level.show.charmap import character_map
from level.show.check_words import check_words, grade_words, noise_words, scan_words
from level.show.words import (
    how_words,
    made_phrase,
    pass_words,
    repeat_words,
    stage_words,
    turns_words,
)

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    from level.check import Check
    from level.machine import Lift, Machine
    from level.passes import PassCheck
    from level.plan import Move, TurnPlan
    from mesh.modes import Mode
    from mesh.noise import Noise
    from probes.quality import Quality
    from probes.run import Run

__all__ = ["check_text", "repeat_text", "run_line", "turns_text", "warning_lines", "wrapped"]

_WIDTH = 80

_MOST_STAGES = 12
"""Stages that are written out."""


def check_text(check: Check, *, grade: bool = False) -> str:
    """Write a check for the terminal, with surface-plate grades if asked."""
    lines = [*wrapped(run_line(check.run)), ""]
    for sentence in check_words(check) + ([grade_words(check)] if grade else []):
        lines += wrapped(sentence)
    lines.append("")
    lines += character_map(check.run.places, check.flatness.departures)
    lines += ["", *_numbers(check)]
    lines += warning_lines(check.warnings)
    return "\n".join(lines) + "\n"


def run_line(run: Run) -> str:
    """Say in a line what was read."""
    places = run.places
    counted = "1 place" if len(places) == 1 else f"{len(places)} places"
    parts = [f"{len(run)} touches at {counted}"]
    if places.grid:
        parts.append(f"{places.grid.columns} columns x {places.grid.rows} rows")
        blank = places.grid.columns * places.grid.rows - len(places)
        if blank and blank != run.holes:
            parts.append(f"{blank} of them not probed")
    if run.holes:
        parts.append(f"{run.holes} without a height")
    if run.passed_over:
        parts.append(f"{run.passed_over} other lines")
    if run.bed is not None:
        parts.append(f"bed {run.bed.mean():.0f} degC")
    return f"{run.source}: {', '.join(parts)}"


def _numbers(check: Check) -> list[str]:
    flat, tilt, noise = check.flatness, check.tilt, check.noise
    sides = f"peak {flat.peak:z.3f}, valley {flat.valley:z.3f}, rms {flat.rms:z.4f}"
    rows = [
        ("fall along x", f"{tilt.fall_x:+z.3f} mm   {tilt.slope_x * 1e3:+z.3f} mm/m"),
        ("fall along y", f"{tilt.fall_y:+z.3f} mm   {tilt.slope_y * 1e3:+z.3f} mm/m"),
        ("tilt", f"{tilt.angle * 1e3:.3f} mrad"),
        ("minimum zone", f"{flat.minimum_zone:.3f} mm"),
        *_without_noise(check),
        ("least squares", f"{flat.least_squares:.3f} mm   {sides}"),
        ("noise part", _noise_part(check)),
        *(
            (name, _mode(mode, noise))
            for name, mode in (
                ("twist", tilt.modes.twist),
                ("bow along x", tilt.modes.bow_x),
                ("bow along y", tilt.modes.bow_y),
            )
        ),
        *_scan(check),
        ("probe", noise_words(noise)),
    ]
    lines = []
    for name, value in rows:
        lines += textwrap.wrap(
            f"  {name:<15}{value}", _WIDTH, subsequent_indent=" " * 17, break_on_hyphens=False
        )
    return lines


def _without_noise(check: Check) -> list[tuple[str, str]]:
    if check.estimate is None:
        return []
    low, high = check.estimate.interval
    return [("without noise", f"{check.estimate.value:.3f} mm   95 %: {low:.3f} to {high:.3f}")]


def _noise_part(check: Check) -> str:
    floor = check.flatness.noise_floor(check.noise.of_places)
    if floor is None:
        return "not known"
    here = "" if check.estimate is None else f"{check.estimate.noise_part:.3f} mm in this shape, "
    return f"{here}{floor:.3f} mm on a perfect plate"


def _scan(check: Check) -> list[tuple[str, str]]:
    scan = check.scan
    if scan is None:
        return []
    return [("repeat reading", scan_words(scan))]


def _mode(mode: Mode | None, noise: Noise) -> str:
    if mode is None:
        return "these places do not tell"
    sigma = mode.sigma(noise.of_places)
    plus_minus = "" if sigma is None else f" ± {noise.reach() * sigma:.3f}"
    return f"{mode.value:+z.3f}{plus_minus} mm"


def repeat_text(quality: Quality, runs: Sequence[Run]) -> str:
    """Write an assessment of a probe for the terminal."""
    lines = [line for run in runs for line in wrapped(run_line(run))] + [""]
    for sentence in repeat_words(quality):
        lines += wrapped(sentence)
    lines += warning_lines(warning for run in runs for warning in run.warnings)
    if quality.sigma:
        lines += ["", *wrapped(f"For the machine file: [probe] sigma = {quality.sigma:.4f}")]
    return "\n".join(lines) + "\n"


def turns_text(
    plan: TurnPlan, run: Run, machine: Machine, judged: PassCheck | None = None
) -> str:  # fmt: skip
    """Write a plan for the terminal, and what the pass before it came to."""
    lines = [*wrapped(run_line(run)), ""]
    if judged is not None:
        for sentence in pass_words(judged):
            lines += wrapped(sentence)
        lines.append("")
        if judged.verdict == "verify":
            return "\n".join([*lines[:-1], *warning_lines(run.warnings)]) + "\n"
    for sentence in turns_words(plan):
        lines += wrapped(sentence)
    lines += ["", *_lift_table(plan, machine)]
    if plan.turning:
        lines += ["", *_how(plan, machine)]
    lines += warning_lines([*run.warnings, *plan.warnings])
    lines += ["", "Cautions:"]
    for caution in plan.cautions:
        lines += wrapped(caution, "  - ")
    return "\n".join(lines) + "\n"


def _lift_table(plan: TurnPlan, machine: Machine) -> list[str]:
    import io

    from rich.console import Console
    from rich.table import Table

    table = Table(box=None, pad_edge=False, padding=(0, 2, 0, 0), header_style="")
    table.add_column("lift", overflow="fold")
    table.add_column("turn (seen from above)", no_wrap=True)
    for title in ("turns", "rise mm", "±95 %", "steps"):
        if title != "steps" or any(move.steps is not None for move in plan.moves):
            table.add_column(title, justify="right", no_wrap=True)
    for move, lift in zip(plan.moves, machine.lifts, strict=True):
        table.add_row(*_lift_row(move, lift), *_steps(move, plan))
    output = io.StringIO()
    console = Console(
        file=output, width=_WIDTH - 2, color_system=None, highlight=False, markup=False, emoji=False
    )
    console.print(table)
    return ["  " + line.rstrip() for line in output.getvalue().splitlines()]


def _lift_row(move: Move, lift: Lift) -> list[str]:
    phrase = f"leave ({move.why})" if move.leave else made_phrase(move)
    half = "?" if move.interval is None else f"{(move.interval[1] - move.interval[0]) / 2:.3f}"
    return [lift.name, phrase, f"{move.made_turns:+z.3f}", f"{move.made:+z.3f}", half]


def _steps(move: Move, plan: TurnPlan) -> list[str]:
    if all(other.steps is None for other in plan.moves):
        return []
    return ["" if move.steps is None else f"{move.steps:+d}"]


def _how(plan: TurnPlan, machine: Machine) -> list[str]:
    lines = []
    stages = stage_words(plan.stages)
    if len(plan.stages) == 1 and not any(move.beyond for move in plan.stages[0].moves):
        order = ", ".join(
            f"{'at once with it ' if move.with_previous else ''}{move.lift}"
            for move in plan.stages[0].moves
        )
        return [*wrapped(f"Turn them in this order: {order}."), *_said(plan, machine)]
    counted = "1 stage" if len(plan.stages) == 1 else f"{len(plan.stages)} stages"
    lines += wrapped(
        f"Do it in {counted}, lift by lift in this order, so that racking stays "
        f"under {plan.racking.limit:.3f} mm:"
    )
    for title, moves in stages[:_MOST_STAGES]:
        lines.append(f"  {title}:")
        for move in moves:
            lines += textwrap.wrap(
                f"    {move}", _WIDTH, subsequent_indent=" " * 6, break_on_hyphens=False
            )
    if len(stages) > _MOST_STAGES:
        lines += wrapped(f"{len(stages) - _MOST_STAGES} more stages follow; --json has all.", "  ")
    return lines + _said(plan, machine)


def _said(plan: TurnPlan, machine: Machine) -> list[str]:
    return [
        line for sentence in how_words(plan, machine.frame.carries) for line in wrapped(sentence)
    ]


def warning_lines(warnings: Iterable[str]) -> list[str]:
    """Write warnings below an answer, each once."""
    lines: list[str] = []
    for warning in dict.fromkeys(warnings):
        lines += wrapped(warning, "Note: ")
    return ["", *lines] if lines else []


def wrapped(text: str, start: str = "") -> list[str]:
    """Break a sentence into lines of the terminal's usual width."""
    return textwrap.wrap(
        start + text, _WIDTH, subsequent_indent=" " * len(start), break_on_hyphens=False
    )
