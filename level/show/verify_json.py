"""The answer of `verify` as JSON."""

from collections.abc import Sequence
from dataclasses import asdict
from typing import Any

from level.show.as_json import answer, run_json
from level.verify.plan import Command, TrialPlan
from level.verify.response import Explanation, LiftResponse, Response
from probes.run import Run

__all__ = ["response_json", "trial_plan_json"]


def response_json(response: Response, runs: Sequence[Run]) -> dict[str, Any]:
    """Give what trials have shown as a JSON object."""
    return answer(
        "verify",
        response.warnings,
        {
            "runs": [run_json(run) for run in runs],
            "all_good": response.all_good,
            "lifts": [_lift(lift) for lift in response.lifts],
            "misplaced": None if response.misplaced is None else asdict(response.misplaced),
            "ambiguous": [_explanation(one) for one in response.ambiguous],
            "decider": None if response.decider is None else asdict(response.decider),
            "datum": response.datum,
            "sigma": response.changes.sigma,
            "sigma_source": response.changes.sigma_source,
        },
    )


def _lift(lift: LiftResponse) -> dict[str, Any]:
    return {**asdict(lift), "left_per_pass": lift.left_per_pass}


def _explanation(one: Explanation) -> dict[str, Any]:
    return asdict(one)


def trial_plan_json(plan: TrialPlan) -> dict[str, Any]:
    """Give a plan of trials as a JSON object."""
    return answer(
        "verify",
        plan.warnings,
        {
            "kind": plan.kind,
            "probings": plan.probings,
            "rounds": plan.rounds,
            "before": [_command(one) for one in plan.before],
            "steps": [
                {
                    "commands": [_command(one) for one in step.commands],
                    "moved": {name: list(rises) for name, rises in step.moved.items()},
                    "fall_x": step.fall_x,
                    "fall_y": step.fall_y,
                    "height": step.height,
                    "sigma_x": step.sigma_x,
                    "sigma_y": step.sigma_y,
                }
                for step in plan.steps
            ],
            "home": [_command(one) for one in plan.home],
            "gain_sigmas": plan.gain_sigmas,
            "racking_worst": plan.racking_worst,
            "racking_limit": plan.racking_limit,
            "lead_margin": plan.lead_margin,
            "cautions": list(plan.cautions),
        },
    )


def _command(command: Command) -> dict[str, Any]:
    return asdict(command)
