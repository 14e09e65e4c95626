"""The answers of `repeat` and `turns` in words, for the terminal and the page alike."""

from __future__ import annotations

from itertools import groupby
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Sequence

    from level.passes import PassCheck
    from level.plan import Command, Move, Stage, StageMove, TurnPlan
    from probes.quality import Quality

__all__ = [
    "MODE_NAMES",
    "how_words",
    "interval_words",
    "made_phrase",
    "pass_words",
    "reference_words",
    "repeat_words",
    "stage_phrase",
    "stage_words",
    "turn_phrase",
    "turns_words",
]


MODE_NAMES = {
    "height": "height",
    "fall_x": "fall along x",
    "fall_y": "fall along y",
    "twist": "twist",
    "bow_x": "bow along x",
    "bow_y": "bow along y",
}
"""What modes are called on screen."""

_UNSEEN_MM = 5e-4
"""Less than this is not worth a sentence."""

_OTHER_PLANE_MM = 0.02
"""So far two planes of one bed may ask apart before it is said."""


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
    """Say a turn as a person makes it: in eighths where it is some, else to within 2 um of rise.

    Examples
    --------
    >>> turn_phrase(-0.37, "counterclockwise", 0.7), turn_phrase(2.25, "clockwise", 0.7)
    ('133° counterclockwise', '2 1/4 turns clockwise')
    >>> turn_phrase(0.034, "clockwise", 8.0), turn_phrase(0.125, "clockwise", 0.7)
    ('12.2° clockwise', '1/8 turn clockwise')
    """
    if direction == "none":
        return "leave"
    eighths = abs(turns) * 8
    if eighths > 0.5 and abs(eighths - round(eighths)) < 1e-9:
        return f"{_eighths(round(eighths))} {direction}"
    digits = 0 if travel / 720 <= 0.002 else 1
    whole, rest = divmod(round(abs(turns) * 360, digits), 360)
    if whole == 0:
        return f"{rest:.{digits}f}° {direction}"
    counted = "1 turn" if whole == 1 else f"{whole:.0f} turns"
    return f"{counted} and {rest:.{digits}f}° {direction}" if rest else f"{counted} {direction}"


def _eighths(count: int) -> str:
    """Write eighths of a turn.

    Examples
    --------
    >>> _eighths(3), _eighths(8), _eighths(20)
    ('3/8 turn', '1 turn', '2 1/2 turns')
    """
    whole, rest = divmod(count, 8)
    part = {0: "", 2: "1/4", 4: "1/2", 6: "3/4"}.get(rest, f"{rest}/8")
    number = " ".join(text for text in (str(whole) if whole else "", part) if text)
    return f"{number} turn" if count <= 8 else f"{number} turns"


def turns_words(plan: TurnPlan) -> list[str]:
    """Say what a plan comes to."""
    from level.plan import SMALL

    turning = plan.turning
    if not plan.influence.directions.size:
        return ["One lift takes no tilt out; there is nothing to turn."]
    if not turning:
        words = [
            "Leave every lift as it is: no turn is larger than its uncertainty, or no whole detent "
            "brings the bed nearer."
        ]
        if plan.request.locked:
            words = ["Leave every lift as it is: what is locked leaves nothing to turn."]
        if any(move.short for move in plan.moves):
            words = ["Leave every lift as it is: those that should be turned have no room."]
        elif any(move.why == SMALL for move in plan.moves):
            words[0] += " If you can turn finer, say so with --detent."
        return [*words, _prediction(plan, "Probing will"), *_surer(plan)]
    counted = "1 lift" if len(turning) == 1 else f"{len(turning)} lifts"
    first = f"Turn {counted}; {reference_words(plan.reference)}.{_aim_words(plan)}"
    words = [first, _prediction(plan, "Probing should then"), *_detent_words(plan)]
    return words + _surer(plan)


def _aim_words(plan: TurnPlan) -> str:
    request, words = plan.request, ""
    if request.objective == "minimum-zone":
        words += " The planes of the minimum zone are made parallel."
    if request.area is not None:
        (left, right), (front, back) = request.area
        words += f" Only x {left:g} to {right:g}, y {front:g} to {back:g} counts."
    if request.corners:
        words += (
            " The corners at the lifts are brought to one height, as you asked, or as near to it "
            f"as the racking limit lets them, which twists the frame by "
            f"{plan.racking.added:.3f} mm: undo it if that takes force or the frame binds."
        )
    return words


def _prediction(plan: TurnPlan, start: str) -> str:
    left = plan.predicted
    words = f"{start} show a fall of {left.fall_x:z.3f} mm along x and {left.fall_y:z.3f} along y"
    own = (
        f"the bed's own {left.minimum_zone:.3f} mm (minimum zone) stays, as no plane takes it out."
    )
    if plan.request.area is not None:
        return (
            f"{words} over all that was probed, and {left.height_range:.3f} mm between the lowest "
            f"and the highest place of the part that counts. Of the whole bed, {own}"
        )
    return (
        f"{words}, and {left.height_range:.3f} mm between the lowest and the highest place; {own}"
    )


def _detent_words(plan: TurnPlan) -> list[str]:
    """Say what finer turns would gain, or that the bed sets the limit."""
    left = plan.predicted
    if all(abs(move.made - move.rise) <= _UNSEEN_MM for move in plan.moves):
        return []
    if any(move.short for move in plan.moves):
        return []  # room is what is lacking, which a warning says
    if left.gain_of_finer <= _UNSEEN_MM:
        if left.height_range > left.minimum_zone + _OTHER_PLANE_MM:
            return []  # what cannot be taken out is said elsewhere
        return [
            f"Finer turns would gain nothing: the bed's own shape sets the {left.height_range:.3f} "
            "mm."
        ]
    return [
        f"Turning by finer steps would take {left.gain_of_finer:.3f} mm off these "
        f"{left.height_range:.3f} mm."
    ]


def _surer(plan: TurnPlan) -> list[str]:
    """Say where to probe first, and which plane was aimed at, where that matters."""
    words = []
    first = plan.probe_first
    if first is not None:
        spots = ", ".join(f"x {x:.0f} y {y:.0f}" for x, y in first.spots)
        times = "once more" if first.touches == 1 else f"{first.touches} times more"
        words.append(
            f"The rises are known to ±{first.now:.3f} mm only. Probe first: touch the corners "
            f"({spots}) {times} each, and they are known to ±{first.half_width:.3f} mm."
        )
    other = max((abs(move.other_plane) for move in plan.moves), default=0.0)
    if other > _OTHER_PLANE_MM:
        name = "minimum-zone" if plan.request.objective == "least-squares" else "least-squares"
        words.append(
            f"Aiming at the other plane of the bed (--objective {name}) would change a rise by up "
            f"to {other:.3f} mm: the bed is not flat enough for either to be the right one."
        )
    return words


def pass_words(judged: PassCheck) -> list[str]:
    """Say what a pass came to, and what to do next."""

    def falls(pair: tuple[float, float]) -> str:
        return f"{pair[0]:z.3f} mm along x, {pair[1]:z.3f} along y"

    words = [
        f"The fall was {falls(judged.before)}. After the turns it should be "
        f"{falls(judged.predicted)}; probing shows {falls(judged.observed)}."
    ]
    if judged.verdict == "verify":
        words[0] += f" That is not as told: {judged.why}."
        if judged.gain is not None:
            words.append(
                f"The bed moved by {judged.gain:.2f} of what it was told to, the same way counted. "
                "Turn nothing more by a plan. Find out first what each lift does: one lift at a "
                "time, by little, and planish verify; a lift may turn the other way round, have "
                "another lead, or stand elsewhere than the machine file says."
            )
    elif judged.verdict == "stop":
        words.append(f"Stop here: {judged.why}.")
    else:
        words.append(f"The lifts answered as told. Go on: {judged.why}.")
    return words


def how_words(plan: TurnPlan, carries: str) -> list[str]:
    """Say how the turns are made, and what to do after them."""
    words = [
        f"A positive rise is up: it lifts the {carries} at that lift. On a machine that is new to "
        "you, turn one lift first and see that it goes the right way.",
        "Keep the nozzle clear of the bed while lifts move, and set its height anew afterwards. "
        "Come to the last position from below, so that backlash is always taken up the same way.",
    ]
    if plan.racking.present > _UNSEEN_MM:
        words.append(
            f"The bed's own shape would be {plan.racking.present:.3f} mm of racking at the lifts, "
            "if it were the frame's"
        )
        words[-1] += (
            "; the plan neither adds to it nor takes it out."
            if plan.racking.added <= _UNSEEN_MM
            else f". The plan racks the frame by {plan.racking.added:.3f} mm."
        )
    elif plan.racking.added > _UNSEEN_MM:
        words.append(f"The plan racks the frame by {plan.racking.added:.3f} mm.")
    words.append(
        "Then lock the lifts, holding each screw while its nut is tightened, probe again, and run "
        "planish turns RUN --after RUN2. What locking moved a lift by goes into lock_shift of the "
        "machine file."
    )
    return words


def stage_words(stages: Sequence[Stage]) -> list[tuple[str, list[str]]]:
    """Say stages in order, equal ones that follow one another together: a title and its lines."""
    found, first = [], 1
    for moves, same in groupby(stages, key=lambda stage: stage.moves):
        run = list(same)
        last = first + len(run) - 1
        title = f"Stage {first}" if first == last else f"Stages {first} to {last}, each"
        after = run[-1]
        lines = [_move_words(move) for move in moves]
        lines.append(
            f"probing would now show a fall of {after.fall_x:z.3f} along x, {after.fall_y:z.3f} "
            "along y"
        )
        found.append((title, lines))
        first = last + 1
    return found


def made_phrase(move: Move) -> str:
    """Say how a move is made: by a turn, or by what its motor is to be told."""
    if move.leave:
        return "leave"
    if move.command is not None:
        return _command_phrase(move.command)
    return turn_phrase(move.made_turns, move.direction, move.travel)


def stage_phrase(move: StageMove) -> str:
    """Say how a part of a stage is made."""
    if move.command is not None:
        return _command_phrase(move.command)
    return turn_phrase(move.turns, move.direction, move.travel)


def _command_phrase(command: Command) -> str:
    return f"tell {command.drive} {command.rise:+z.3f} mm"


def _move_words(move: StageMove) -> str:
    start = f"{'at once with it ' if move.with_previous else ''}{move.lift}"
    words = f"{start}: {stage_phrase(move)} ({move.rise:+z.3f} mm)"
    if move.beyond:
        words += f", then {move.beyond * 360:.1f}° further and back up by that"
    return words


def reference_words(reference: str) -> str:
    """Say what a reference means."""
    from level.request import KEEP_CENTRE, LEAST_MOTION, LOWER_ONLY, RAISE_ONLY

    return {
        LEAST_MOTION: "together they move as little as can be",
        RAISE_ONLY: "no lift is lowered",
        LOWER_ONLY: "no lift is raised",
        KEEP_CENTRE: "the height of the bed's centre stays",
    }.get(reference, f"{reference} is not touched")
