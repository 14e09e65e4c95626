"""The answers in words, for the terminal and the page alike."""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from level.check import Check
    from level.plan import TurnPlan
    from mesh.modes import Mode
    from mesh.noise import Noise
    from mesh.tilt import Tilt
    from probes.quality import Quality

__all__ = [
    "check_words",
    "grade_words",
    "how_words",
    "noise_words",
    "quality_words",
    "reference_words",
    "repeat_words",
    "shape_words",
    "tilt_words",
    "turn_phrase",
    "turns_words",
]


_BLUNT = 0.3e-3
"""A fall known no better than this part of the span says nothing: rails allow about as much."""


def check_words(check: Check) -> list[str]:
    """Say what a check found: tilt, flatness, shape, limit."""
    flat = check.flatness
    words = [tilt_words(check.tilt, check.noise)]
    sentence = f"Apart from that tilt it is flat within {flat.minimum_zone:.3f} mm (minimum zone"
    bounds = flat.interval(check.noise)
    sentence += ")" if bounds is None else f"; 95 %: {bounds[0]:.3f} to {bounds[1]:.3f})"
    if flat.is_noise(check.noise):
        sentence += ", which is no more than the readings' own noise"
    words.append(sentence + ".")
    shape = shape_words(check.tilt, check.noise)
    if shape:
        words.append(shape)
    for limit in check.limits:
        verdict = "within" if limit.within else "OUTSIDE"
        words.append(f"That is {verdict} the {limit.name} limit of {limit.limit:.3f} mm.")
    if check.noise.source == "map":
        words.append("What stands behind ± rests on noise that was estimated from the map.")
    return words + quality_words(check)


def grade_words(check: Check) -> str:
    """Say which surface-plate grades a bed meets."""
    width, depth = check.plate
    parts = []
    for grade, times in check.grades:
        name = f"{grade.standard} grade {grade.name}"
        far = f"{times:.1f} times what {name} allows" if times else f"meets {name}"
        parts.append(f"{far} ({grade.limit:.4f} mm)")
    return (
        f"Held against surface plates of {width:.0f} x {depth:.0f} mm, which no printer needs: "
        f"{', '.join(parts)}."
    )


def tilt_words(tilt: Tilt, noise: Noise) -> str:
    """Say how a bed is tilted, with 95 % intervals where the noise is known."""
    reach = noise.reach() if noise.of_places is not None else 0.0
    sigmas = tilt.fall_sigmas(noise.of_places)
    parts = []
    for fall, sigma, (low, high) in zip(
        (tilt.fall_x, tilt.fall_y), sigmas, (("left", "right"), ("front", "back")), strict=True
    ):
        half = None if sigma is None else reach * sigma
        if abs(fall) <= max(half or 0.0, 5e-4):
            limit = "" if half is None else f" (within ±{half:.3f} mm)"
            parts.append(f"no fall between {low} and {high}{limit}")
            continue
        interval = "" if half is None else f" (±{half:.3f})"
        sides = (high, low) if fall > 0 else (low, high)
        parts.append(f"the {sides[0]} is {abs(fall):.3f} mm{interval} higher than the {sides[1]}")
    halves = [reach * sigma for sigma in sigmas if sigma is not None]
    over = f"over the {tilt.width:.0f} x {tilt.depth:.0f} mm probed"
    level = all(part.startswith("no fall") for part in parts)
    if level and halves and max(halves) > _BLUNT * max(tilt.width, tilt.depth):
        return (
            "These readings cannot tell whether bed and gantry are parallel: a fall is known to "
            f"±{max(halves):.3f} mm only, {over}."
        )
    if level:
        return f"Bed and gantry are parallel: {' and '.join(parts)}, {over}."
    return f"Bed and gantry are not parallel: {', and '.join(parts)}, {over}."


def shape_words(tilt: Tilt, noise: Noise) -> str:
    """Say which simple shapes stand out of the noise; empty if none does."""
    found = []
    modes = tilt.modes
    for axis, bow in (("x", modes.bow_x), ("y", modes.bow_y)):
        if bow is not None and _stands_out(bow, noise):
            kind, where = ("bowl", "above") if bow.value > 0 else ("dome", "below")
            found.append(
                f"a {kind} along {axis} (edges {abs(bow.value):.3f} mm {where} the middle)"
            )
    if modes.twist is not None and _stands_out(modes.twist, noise):
        high = "right back and left front" if modes.twist.value > 0 else "left back and right front"
        found.append(f"a twist ({high} corners {abs(modes.twist.value):.3f} mm high)")
    return f"Its shape: {', '.join(found)}. No screw takes a bow out." if found else ""


def _stands_out(mode: Mode, noise: Noise) -> bool:
    sigma = mode.sigma(noise.of_places)
    half = 0.0 if sigma is None else noise.reach() * sigma
    return abs(mode.value) > max(half, 5e-4)


def noise_words(noise: Noise) -> str:
    """Say how well the probe repeats, and how that is known."""
    if noise.sigma is None:
        return "not known; touch a few places several times, or set [probe] sigma"
    how = {
        "machine file": "from the machine file",
        "repeated touches": f"from repeated touches, {noise.freedom} degrees of freedom",
        "map": "estimated from how places depart from their neighbours; fine shape counts as noise",
    }[noise.source]
    return f"{noise.sigma:.4f} mm, one standard deviation of a touch ({how})"


def quality_words(check: Check) -> list[str]:
    """Say what is doubtful in the readings; empty if nothing is."""
    words = []
    lone = [place for place in check.suspects if place.alone]
    spots = [(place.x, place.y, place.away) for place in lone]
    spots += [(touch.x, touch.y, touch.away) for touch in check.outliers]
    if spots:
        shown = ", ".join(f"x {x:.0f} y {y:.0f} ({away:+z.3f} mm)" for x, y, away in spots[:5])
        more = f" and {len(spots) - 5} more" if len(spots) > 5 else ""
        words.append(f"Probe again, they stand apart: {shown}{more}. They count all the same.")
    if len(lone) < len(check.suspects):
        words.append(
            f"{len(check.suspects) - len(lone)} neighbouring places stand apart together: "
            "that is shape, or debris on the bed, not bad touches."
        )
    if check.drift is not None and check.drift.significant:
        words.append(
            f"The readings drift by {check.drift.value:+z.3f} mm over the run "
            f"({_interval(check.drift.interval)}); --drift correct takes that out."
        )
    return words


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
            f"It drifts: {drift.value:+z.4f} mm over the run ({_interval(drift.interval)}), which "
            "the figure above leaves out. Let it warm up, or touch one place again after each row."
        )
    else:
        words.append(f"No drift shows over the run ({_interval(drift.interval)}).")
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


def _interval(interval: tuple[float, float]) -> str:
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
