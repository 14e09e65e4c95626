"""The answer of `verify` in words."""

from __future__ import annotations

from typing import TYPE_CHECKING

from level.show.words import turn_phrase

if TYPE_CHECKING:
    from level.verify.decider import Decider
    from level.verify.plan import Command, TrialPlan, TrialStep
    from level.verify.response import Explanation, LiftResponse, Response

__all__ = ["command_words", "lift_words", "plan_words", "response_words", "step_words"]

_NOTABLE_PLAY = 2.0
"""Backlash is told if it is so many times its standard deviation."""


def response_words(response: Response) -> list[str]:
    """Say what trials have shown, lift by lift, and what is still open."""
    words = []
    if response.all_good:
        words.append("Every lift does what it is told.")
    words += [lift_words(lift) for lift in response.lifts]
    if response.misplaced is not None:
        spot = response.misplaced
        words.append(
            f"All drives do as told if {spot.lift} stands at x {spot.x:.0f} "
            f"(±{2 * spot.sigma_x:.0f}) y {spot.y:.0f} (±{2 * spot.sigma_y:.0f}) instead of where "
            "the machine file has it."
        )
    if response.ambiguous:
        words.append(
            "What stands above is the likeliest; the trials cannot tell these apart for sure:"
        )
        words += [f"- {_explained(one)}" for one in response.ambiguous[:6]]
        if len(response.ambiguous) > 6:
            words.append(f"- and {len(response.ambiguous) - 6} less likely ones")
    if response.decider is not None:
        words += _decider_words(response.decider, response.ambiguous)
    return words


def lift_words(lift: LiftResponse) -> str:
    """Say what one lift does."""
    gain = (
        "" if lift.gain is None else f" (gain {lift.gain:z.2f} ± {2 * (lift.gain_sigma or 0):.2f})"
    )
    other = lift.answers_as is not None and lift.answers_as != lift.name
    if lift.verdict == "unclear":
        return f"{lift.name}: not clear, {lift.why}."
    if lift.verdict == "stuck":
        return (
            f"{lift.name} does not move when it is told to{gain}: stuck, without power, or a loose "
            "coupler."
        )
    if lift.verdict == "good":
        words = f"{lift.name} does what it is told{gain}."
    else:
        way = "sinks" if lift.reversed else "rises"
        who = f"{lift.answers_as} moves instead and {way}" if other else way
        words = f"{lift.name} told to rise: {who}{_far(lift)}{gain}."
        cause = "their plugs are exchanged" if other else ""
        if lift.reversed:
            cause += " and it is reversed" if cause else "the drive is reversed"
        if cause:
            words += f" {cause[0].upper()}{cause[1:]}."
        if lift.suggested_lead is not None and lift.ratio != 1:
            words += (
                f" A lead of {lift.suggested_lead:.3g} mm, not {lift.lead:.3g}, or step counts "
                "that are wrong by as much, would explain it."
            )
    if lift.backlash is not None and lift.backlash > _NOTABLE_PLAY * (lift.backlash_sigma or 0.0):
        words += f" It loses {lift.backlash:.3f} mm when it turns back (backlash)."
    return words


def _far(lift: LiftResponse) -> str:
    ratio = lift.ratio if lift.ratio is not None else abs(lift.gain or 1.0)
    if ratio == 1:
        return ""
    names = {
        0.5: "half as far",
        0.25: "a quarter as far",
        2.0: "twice as far",
        4.0: "4 times as far",
    }
    return f", but {names.get(ratio, f'{ratio:.3g} times as far')}"


def _explained(one: Explanation) -> str:
    share = f"{one.share * 100:.0f} %" if one.share >= 0.005 else "under 1 %"
    if one.misplaced is not None:
        spot = one.misplaced
        return (
            f"{share}: {spot.lift} stands at x {spot.x:.0f} y {spot.y:.0f}, all drives do as told"
        )
    parts = []
    for drive in one.drives:
        if drive.verdict == "good":
            continue
        if drive.verdict in ("stuck", "unclear"):
            parts.append(f"{drive.lift} {'stuck' if drive.verdict == 'stuck' else 'odd'}")
            continue
        what = [] if drive.answers_as == drive.lift else [f"moves {drive.answers_as}"]
        what += ["reversed"] if drive.reversed else []
        what += [f"{drive.ratio:.3g} times as far"] if drive.ratio != 1 else []
        parts.append(f"{drive.lift} {', '.join(what)}")
    return f"{share}: {'; '.join(parts) if parts else 'all drives do as told'}"


def _decider_words(decider: Decider, ambiguous: tuple[Explanation, ...]) -> list[str]:
    how = {
        "probe": "and probe before and after",
        "lifts": "and look which lift moves, and which way",
        "dial": "and measure with a dial indicator how far each moves",
    }[decider.look]
    does = "would tell them apart" if decider.decides else "would tell most of them apart"
    words = [
        f"With all lifts back where they stood, moving {decider.lift} by {decider.rise:+.3g} mm "
        f"alone, {how}, {does}:"
    ]
    for one, expected in list(zip(ambiguous, decider.expected, strict=True))[:6]:
        moves = (
            ", ".join(f"{name} {rise:+.3g}" for name, rise in expected.items()) or "nothing moves"
        )
        words.append(f"- {moves}, if {_explained(one).partition(': ')[2]}")
    return words


def plan_words(plan: TrialPlan) -> list[str]:
    """Say what a plan of trials is for, and what it comes to."""
    known = [sigma for sigma in plan.gain_sigmas.values() if sigma is not None]
    counted = "once" if plan.rounds == 1 else f"{plan.rounds} times"
    return [
        f"{plan.probings} probings and small moves between them try every lift {counted}; the gain "
        f"of each will be known to ±{2 * max(known):.2f}.",
        f"Whichever way the drives really turn and however they are plugged, the frame racks by no "
        f"more than {plan.racking_worst:.3f} mm of the {plan.racking_limit:.3f} allowed, as long "
        f"as no lead is more than {plan.lead_margin:.1f} times what the machine file says.",
    ]


def step_words(step: TrialStep) -> str:
    """Say what probing should show after a step."""
    return (
        f"Probe. If all is well the fall changes by {step.fall_x:+z.3f} mm along x (±"
        f"{2 * step.sigma_x:.3f}) and {step.fall_y:+z.3f} along y (±{2 * step.sigma_y:.3f})."
    )


def command_words(command: Command) -> str:
    """Say one move."""
    phrase = turn_phrase(command.turns, command.direction, command.travel)
    return f"{command.lift}: {command.rise:+z.3f} mm ({phrase})"
