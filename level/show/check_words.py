"""The answer of `check` in words, for the terminal and the page alike."""

from __future__ import annotations

from typing import TYPE_CHECKING

from level.show.words import interval_words

if TYPE_CHECKING:
    from level.check import Check
    from mesh.local import LocalFlatness, Window
    from mesh.modes import Mode
    from mesh.noise import Noise
    from mesh.scan import Scan
    from mesh.shape import Feature
    from mesh.tilt import Tilt

__all__ = [
    "check_words",
    "grade_words",
    "local_words",
    "noise_words",
    "part_size",
    "scan_words",
    "shape_words",
    "tilt_words",
]


_BLUNT = 0.3e-3
"""A fall known no better than this part of the span says nothing: rails allow about as much."""

_FEW_PLACES = 9
"""Fewer places under a part tell little of how flat it is there."""

_WORTH_NAMING = 0.02
"""Part of the departures that a finer form must take to be named."""


def check_words(check: Check) -> list[str]:
    """Say what a check found: tilt, flatness, shape, what can be done, limits, doubts."""
    words = [tilt_words(check.tilt, check.noise), *_flatness_words(check)]
    shape = shape_words(check)
    words += [shape] if shape else []
    words += (
        _parts_words(check)
        + (local_words(check.local) if check.local else [])
        + _layer_words(check)
    )
    for limit in check.limits:
        verdict = "within" if limit.within else "OUTSIDE"
        what = f"the {limit.name} limit" if limit.name != "flatness" else "the limit"
        words.append(f"The minimum zone is {verdict} {what} of {limit.limit:.3f} mm.")
    if check.noise.source == "map":
        words.append("What stands behind ± rests on noise that was estimated from the map.")
    return words + quality_words(check)


def _flatness_words(check: Check) -> list[str]:
    flat, estimate = check.flatness, check.estimate
    zone = f"{flat.minimum_zone:.3f} mm"
    if check.perfect:
        words = [
            f"Apart from that tilt there is no deviation beyond the noise: {zone} (minimum zone) "
            "is no more than noise makes of a perfect plane"
        ]
        if estimate is not None:
            words[0] += f", and the bed itself is flat within {estimate.interval[1]:.3f} mm"
        words[0] += "."
    else:
        words = [f"Apart from that tilt it is flat within {zone} (minimum zone)."]
        if estimate is not None:
            low, high = estimate.interval
            words[0] += (
                f" Without the noise of the readings that is likely {estimate.value:.3f} mm "
                f"(95 %: {low:.3f} to {high:.3f})."
            )
    if estimate is not None and estimate.finer is not None and not check.perfect:
        finer = estimate.finer
        words.append(
            "Compare it with figures from the same grid only: a much finer one is likely to find "
            f"{finer.value:.3f} mm, perhaps {finer.most:.3f}."
        )
    else:
        words.append("Compare it with figures from the same places only.")
    return words


def _parts_words(check: Check) -> list[str]:
    """Say what lifts can take out, what a twist of the frame could, and what neither can."""
    parts, twist, noise = check.parts, check.tilt.modes.twist, check.noise
    words = (
        f"Of the {parts.as_found:.3f} mm between the lowest and the highest place, levelling takes "
        f"out {parts.tilt:.3f}."
    )
    left = parts.level
    if twist is not None and _stands_out(twist, noise) and parts.twist > 5e-4:
        left = parts.untwisted
        words += (
            f" Untwisting the frame or the plate would take out {parts.twist:.3f} more, if the "
            "twist is theirs"
        )
        if check.twist_force is not None:
            words += f" ({check.twist_force:.0f} N at each corner bend this plate so far)"
        words += "."
    if check.perfect or left < 5e-4:
        return [words]
    return [
        words + f" The other {left:.3f} mm no lift takes out: bows and finer shape need shims, "
        "another plate, or another temperature."
    ]


def local_words(local: LocalFlatness) -> list[str]:
    """Say where a part finds the bed flattest, and how unflat it may be under it."""
    fewest = min(len(local.worst.places), len(local.best.places))
    words = [
        f"Under a part of {part_size(local)} the bed is flat within {local.worst.zone.width:.3f} "
        f"mm at worst, at {_spot(local.worst)}; its best spot is {_spot(local.best)}, within "
        f"{local.best.zone.width:.3f} mm."
    ]
    if fewest < _FEW_PLACES:
        words[0] += (
            f" Only {fewest} places lie under it, so take that as a hint: probe a finer grid there."
        )
    if local.stepped:
        words.append("There were too many spots to try all: it is the best and worst of some.")
    return words


def part_size(local: LocalFlatness) -> str:
    """Write the size of the part that was asked for."""
    return f"{local.worst.width:g} x {local.worst.depth:g} mm"


def _spot(window: Window) -> str:
    right, back = window.left + window.width, window.front + window.depth
    return f"x {window.left:.0f} to {right:.0f}, y {window.front:.0f} to {back:.0f}"


def _layer_words(check: Check) -> list[str]:
    layer = check.layer
    if layer is None:
        return []
    words = (
        f"A first layer of {layer.height:g} mm that forgives ±{layer.allowed:.3f} mm holds on "
        f"{_percent(layer.as_found)} of the probed area as it is and on {_percent(layer.level)} "
        "once the tilt is out"
    )
    if layer.corrected is not None:
        words += (
            f"; with a height correction from a grid like this one, on {_percent(layer.corrected)}"
        )
    return [words + "."]


def scan_words(scan: Scan) -> str:
    """Say what a repeat-reading gauge would show."""
    worst = scan.worst
    line = f"row at y {worst.line:.0f}" if worst.along == "x" else f"column at x {worst.line:.0f}"
    return f"{worst.movement:.3f} mm, of a gauge {worst.base:.0f} mm long along the {line}"


def _percent(share: float) -> str:
    """Write a share; only the whole is 100 %.

    Examples
    --------
    >>> _percent(1.0), _percent(0.9997), _percent(0.125)
    ('100 %', '99.9 %', '12.5 %')
    """
    if share == 1:
        return "100 %"
    return f"{min(share * 100, 99.9):.1f} %"


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


def shape_words(check: Check) -> str:
    """Say which simple forms stand out of the noise; empty if none does."""
    modes, noise, shape = check.tilt.modes, check.noise, check.shape
    found = _bow_words(modes.bow_x, modes.bow_y, noise)
    named = {(2, 0), (0, 2)} if found else set()
    causes = ["no screw takes a bow out"] if found else []
    if modes.twist is not None and _stands_out(modes.twist, noise):
        high = "right back and left front" if modes.twist.value > 0 else "left back and right front"
        found.append(f"a twist ({high} corners {abs(modes.twist.value):.3f} mm high)")
        named.add((1, 1))
        causes.append("the twist may come from the frame")
    sigma = noise.of_places or 0.0
    for term in shape.terms:
        reach = max(noise.reach() * term.factor * sigma, 5e-4)
        pure = {term.i, term.j} == {3, 0}
        if pure and term.share > _WORTH_NAMING and abs(term.value) > reach:
            axis = "x" if term.i else "y"
            found.append(f"an S along {axis} ({abs(term.value):.3f} mm either way)")
            named.add((term.i, term.j))
    told = sum(term.share for term in shape.terms if (term.i, term.j) in named)
    if shape.feature is not None:
        found.append(_feature_words(shape.feature))
        told += shape.feature.share
    if not found:
        return ""
    words = f"Its shape: {_listed(found)}"
    words += f"; {told * 100:.0f} % of what is not tilt." if told > 0 else "."
    if causes:
        words += f" {' and '.join(causes).capitalize()}."
    return words


def _listed(items: list[str]) -> str:
    return items[0] if len(items) == 1 else f"{', '.join(items[:-1])} and {items[-1]}"


def _bow_words(bow_x: Mode | None, bow_y: Mode | None, noise: Noise) -> list[str]:
    """Say the bows: along both axes the same way is a bowl or a dome, opposite ways a saddle."""
    seen = [
        (axis, bow.value)
        for axis, bow in (("x", bow_x), ("y", bow_y))
        if bow is not None and _stands_out(bow, noise)
    ]
    if len(seen) == 2:
        (_, along_x), (_, along_y) = seen
        sizes = f"{abs(along_x):.3f} mm along x, {abs(along_y):.3f} mm along y"
        if along_x * along_y < 0:
            high = "left and right" if along_x > 0 else "front and back"
            return [f"a saddle with {high} high ({sizes})"]
        return [f"{'a bowl' if along_x > 0 else 'a dome'} ({sizes}, edges against the middle)"]
    return [
        f"a {'trough' if value > 0 else 'ridge-shaped bow'} along {axis} "
        f"(edges {abs(value):.3f} mm {'above' if value > 0 else 'below'} the middle)"
        for axis, value in seen
    ]


def _feature_words(feature: Feature) -> str:
    size = f"{abs(feature.height):.3f} mm"
    if feature.kind == "bump":
        kind = "a bump" if feature.height > 0 else "a dip"
        return f"{kind} of {size} at x {feature.x:.0f} y {feature.y:.0f} (debris, or the plate)"
    if feature.kind == "corner":
        way = "up" if feature.height > 0 else "down"
        return f"a lone corner bent {way} by {size} at x {feature.x:.0f} y {feature.y:.0f}"
    along = f"along y at x {feature.x:.0f}" if feature.x is not None else \
        f"along x at y {feature.y:.0f}"  # fmt: skip
    if feature.kind == "ridge":
        return f"a {'ridge' if feature.height > 0 else 'groove'} of {size} {along}"
    if feature.x is not None:
        high = "right" if feature.height > 0 else "left"
    else:
        high = "back" if feature.height > 0 else "front"
    return f"a step of {size} {along}, the {high} high"


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
            f"({interval_words(check.drift.interval)}); --drift correct takes that out."
        )
    return words
