"""The answers of `repeat` and `turns` in words, for the terminal and the page alike."""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from level.plan import TurnPlan
    from probes.quality import Quality

__all__ = [
    "how_words",
    "interval_words",
    "reference_words",
    "repeat_words",
    "turn_phrase",
    "turns_words",
]


def repeat_words(quality: Quality) -> list[str]:
    """Say how well a probe repeats, and what is odd about it."""
    low, high = quality.interval
    words = [
        f"The probe repeats to {quality.sigma:.4f} mm, one standard deviation of a touch "
        f"(95 %: {low:.4f} to {high:.4f}, from {quality.touches} touches at {quality.places} "
        f"{'place' if quality.places == 1 else 'places'}). Two single touches of a place differ "
        f"by more than {quality.repeatability_limit:.4f} mm only once in twenty."
    ]
    if quality.sigma == 0:
        words = ["All touches read the same: the readings are too coarse to tell how it repeats."]
    if quality.coarse:
        words.append(
            f"Its readings go in steps of {quality.resolution:.4f} mm, and that sets the figure: "
            "the probe itself may be better."
        )
    elif quality.resolution is not None:
        words.append(f"Its readings go in steps of {quality.resolution:.4f} mm.")
    drift = quality.drift
    if drift is None:
        words.append("Drift cannot be told: no place was touched again after others.")
    elif drift.significant:
        words.append(
            f"It drifts: {drift.value:+z.4f} mm over the run ({interval_words(drift.interval)}), "
            "which the figure above leaves out. Let it warm up, or touch one place again after "
            "each row."
        )
    else:
        words.append(f"No drift shows over the run ({interval_words(drift.interval)}).")
    first = quality.first_touch
    if first is not None and first.differs:
        words.append(
            f"The first touch of a place differs from the later ones by {first.difference:+z.4f} "
            "mm: let the probe touch once before it counts."
        )
    if quality.two_groups is not None:
        words.append(
            f"The touches fall into two groups {quality.two_groups:.4f} mm apart: the probe seats "
            "in two ways, or loses contact now and then."
        )
    words += [
        f"Touch {touch.touch} at x {touch.x:.0f} y {touch.y:.0f} stands {touch.away:+z.4f} mm "
        "apart from the others there; it counts all the same. Take it again."
        for touch in quality.outliers[:5]
    ]
    if len(quality.outliers) > 5:
        words.append(f"{len(quality.outliers) - 5} more touches stand apart.")
    chart = quality.chart
    if chart is not None and chart.outside:
        words.append(
            f"{len(chart.outside)} of the touches lie beyond the control limits "
            f"{chart.lower:z.4f} to {chart.upper:z.4f} mm: the level moves or jumps."
        )
    parts = quality.set_ups
    if parts is not None:
        words.append(
            f"From run to run the whole moves by {parts.set_up:.4f} mm (one standard deviation): a "
            f"single touch in a new run is known to {parts.reproducibility:.4f} mm."
        )
    return words


def interval_words(interval: tuple[float, float]) -> str:
    """Write a 95 % interval in mm."""
    return f"95 %: {interval[0]:+z.4f} to {interval[1]:+z.4f}"


def turn_phrase(turns: float, direction: str, travel: float) -> str:
    """Say a turn as a person makes it, to within 2 um of rise or a tenth of a degree.

    Examples
    --------
    >>> turn_phrase(-0.37, "counterclockwise", 0.7), turn_phrase(2.25, "clockwise", 0.7)
    ('133° counterclockwise', '2 turns and 90° clockwise')
    >>> turn_phrase(0.034, "clockwise", 8.0)
    '12.2° clockwise'
    """
    if direction == "none":
        return "leave"
    digits = 0 if travel / 720 <= 0.002 else 1
    whole, rest = divmod(round(abs(turns) * 360, digits), 360)
    if whole == 0:
        return f"{rest:.{digits}f}° {direction}"
    counted = "1 turn" if whole == 1 else f"{whole:.0f} turns"
    return f"{counted} and {rest:.{digits}f}° {direction}" if rest else f"{counted} {direction}"


def turns_words(plan: TurnPlan) -> list[str]:
    """Say what a plan comes to."""
    from level.plan import SMALL

    turning = plan.turning
    if not plan.influence.directions.size:
        return ["One lift takes no tilt out; there is nothing to turn."]
    if not turning:
        words = [
            "Leave every lift as it is: no turn is larger than its uncertainty or half a detent."
        ]
        if any(move.why == SMALL for move in plan.moves):
            words[0] += " If you can turn finer, say so with --detent."
        return [*words, _prediction(plan, "Probing will")]
    counted = "1 lift" if len(turning) == 1 else f"{len(turning)} lifts"
    first = f"Turn {counted}; {reference_words(plan.reference)}."
    return [first, _prediction(plan, "Probing should then")]


def _prediction(plan: TurnPlan, start: str) -> str:
    left = plan.predicted
    return (
        f"{start} show a fall of {left.fall_x:z.3f} mm along x and {left.fall_y:z.3f} mm along y; "
        f"the bed's own {left.minimum_zone:.3f} mm (minimum zone) stays, as no plane takes it out."
    )


def how_words(plan: TurnPlan, carries: str) -> list[str]:
    """Say how the turns are made, and what to do after them."""
    words = [
        f"A positive rise is up: it lifts the {carries} at that lift. On a machine that is new to "
        "you, turn one lift first and see that it goes the right way.",
        "Keep the nozzle clear of the bed while lifts move, and set its height anew afterwards. "
        "Come to the last position from below, so that backlash is always taken up the same way.",
    ]
    coarse = [move for move in plan.turning if move.steps is None]
    if coarse:
        miss = max(move.detent * move.travel / 2 for move in coarse)
        words.append(
            "The turns are exact; come as near as you can. Half a detent off is up to "
            f"{miss:.3f} mm at a lift."
        )
    if plan.racking.present > 0.0005:
        words.append(
            f"The bed's twist would be {plan.racking.present:.3f} mm of racking at the lifts, if "
            "it were the frame's; the plan neither adds to it nor takes it out."
        )
    if plan.racking.added > 0.0005:
        words.append(f"The plan adds {plan.racking.added:.3f} mm of racking.")
    words.append("Then lock the lifts, probe again, and run planish check.")
    return words


def reference_words(reference: str) -> str:
    """Say what a reference means."""
    from level.turns import LEAST_MOTION, LOWER_ONLY, RAISE_ONLY

    return {
        LEAST_MOTION: "the mean height stays, which moves the lifts least",
        RAISE_ONLY: "no lift is lowered",
        LOWER_ONLY: "no lift is raised",
    }.get(reference, f"{reference} is not touched")
