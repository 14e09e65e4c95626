"""The page: one self-contained file with the answer, the pictures and how they came about."""

import base64
from collections.abc import Iterable, Sequence
from itertools import groupby
from pathlib import Path
from typing import Any

from level.cautions import CAUTIONS
from level.check import Check
from level.machine import Lift, Machine
from level.plan import Move, StageMove, TurnPlan
from level.show.check_words import noise_words, part_size, scan_words
from level.show.plots import flat_map
from level.show.scene import Scene, build_scene, picture
from level.show.words import how_words, made_phrase, reference_words, stage_phrase
from mesh.modes import Mode
from mesh.noise import Noise
from probes.run import Floats, Run

__all__ = ["render_page"]

_TEMPLATES = Path(__file__).parent / "templates"

Fact = tuple[str, str]
"""What it is called, and what it is."""


def render_page(check: Check, plan: TurnPlan | None, *, answer: Sequence[str], version: str) -> str:
    """Write the page of a check, and of a plan if there is one.

    Parameters
    ----------
    check : Check
        The check.
    plan : TurnPlan or None
        The plan; without one the page holds no turns.
    answer : sequence of str
        The answer in words, a sentence or two each; it comes first.
    version : str
        Which planish wrote the page.

    Returns
    -------
    str
        HTML that asks for nothing from elsewhere; every text of the run and of the machine is
        escaped.
    """
    from jinja2 import Environment, FileSystemLoader, StrictUndefined
    from markupsafe import Markup

    rooms = Environment(
        loader=FileSystemLoader(_TEMPLATES),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    scene = build_scene(check, plan)
    machine = check.machine
    return rooms.get_template("page.html").render(
        title=f"{machine.name}: {check.run.source}" if machine else check.run.source,
        heading=machine.name if machine else check.run.source,
        source=check.run.source,
        started=_started(check.run),
        answer=answer,
        scene_light=_data_uri(picture(scene)),
        scene_dark=_data_uri(picture(scene, dark=True)),
        scene_alt=_scene_words(scene),
        statement=scene.statement,
        drawn=len(scene.relief.x) if scene.relief.thinned else None,
        contacts=len(scene.upper) + len(scene.lower) > 0,
        part=part_size(check.local) if check.local else "",
        flat_map=Markup(flat_map(check, plan)),  # our own drawing, escaped there
        plan=plan,
        turn_rows=_turn_rows(plan),
        motors=plan is not None and any(move.steps is not None for move in plan.moves),
        reference=reference_words(plan.reference) if plan else "",
        stages=_stages(plan),
        how=how_words(plan, machine.frame.carries) if plan and machine and plan.turning else [],
        remains=_remains(plan),
        flatness=_flatness(check),
        tilt=_tilt(check),
        limits=_limits(check),
        measured=_measured(check),
        notes=_notes(check, plan),
        machine=_machine(machine),
        lift_rows=[_lift_row(lift) for lift in machine.lifts] if machine else [],
        cautions=plan.cautions if plan else CAUTIONS,
        version=version,
    )


def _signed(value: float, digits: int = 3) -> str:
    """Write a number with its sign; zero has none."""
    text = f"{value:+z.{digits}f}"
    return text if text.strip("+0.") else text.lstrip("+")


def _data_uri(png: bytes) -> str:
    return "data:image/png;base64," + base64.b64encode(png).decode("ascii")


def _scene_words(scene: Scene) -> str:
    low, high = scene.relief.departure.min(), scene.relief.departure.max()
    lifts = "; ".join(f"{tag.name}: {tag.turn}" if tag.turn else tag.name for tag in scene.tags)
    return (
        f"The bed in 3D, seen from the front, over its reference plane; {scene.statement}. "
        f"It departs from the plane by {_signed(low)} to {_signed(high)} mm."
        + (f" Lifts: {lifts}." if lifts else "")
    )


def _started(run: Run) -> str:
    return "" if run.started is None else run.started.isoformat(" ", "minutes")


def _turn_rows(plan: TurnPlan | None) -> list[dict[str, Any]]:
    return [] if plan is None else [_turn_row(move) for move in plan.moves]


def _turn_row(move: Move) -> dict[str, Any]:
    half = None if move.interval is None else (move.interval[1] - move.interval[0]) / 2
    return {
        "name": move.lift,
        "phrase": made_phrase(move),
        "why": move.why,
        "leave": move.leave,
        "rise": _signed(move.made),
        "asked": _signed(move.rise),
        "half": "not known" if half is None else f"{half:z.3f}",
        "turns": _signed(move.made_turns),
        "degrees": _signed(move.made_turns * 360, 1),
        "steps": "" if move.steps is None else f"{move.steps:+d}",
        "leverage": f"{move.leverage:z.2f}",
    }


def _stages(plan: TurnPlan | None) -> list[dict[str, Any]]:
    """Put equal stages that follow one another together; one move alone needs no table."""
    if plan is None or sum(len(stage.moves) for stage in plan.stages) < 2:
        return []
    found, first = [], 1
    for moves, same in groupby(plan.stages, key=lambda stage: stage.moves):
        run = list(same)
        last = first + len(run) - 1
        found.append(
            {
                "title": f"stage {first}" if first == last else f"each of stages {first} to {last}",
                "parts": [_part(move) for move in moves],
                "after": f"Probing would then show a fall of {_signed(run[-1].fall_x)} mm along x, "
                f"{_signed(run[-1].fall_y)} mm along y.",
            }
        )
        first = last + 1
    return found


def _part(move: StageMove) -> dict[str, str]:
    phrase = stage_phrase(move)
    if move.with_previous:
        phrase += ", at once with the one above"
    if move.beyond:
        phrase += f", then {move.beyond * 360:.1f}° further and back up by that"
    return {
        "name": move.lift,
        "phrase": phrase,
        "turns": _signed(move.turns),
        "rise": _signed(move.rise),
    }


def _remains(plan: TurnPlan | None) -> list[Fact]:
    if plan is None:
        return []
    left, racking = plan.predicted, plan.racking
    facts = [
        ("fall along x", f"{_signed(left.fall_x)} mm"),
        ("fall along y", f"{_signed(left.fall_y)} mm"),
        ("minimum zone", f"{left.minimum_zone:z.3f} mm; no plane takes it out"),
        ("lowest to highest place", f"{left.height_range:z.3f} mm"),
        ("of it, what finer turns would gain", f"{left.gain_of_finer:z.3f} mm"),
        ("height range over the lifts", f"{left.range_at_lifts:z.3f} mm"),
        ("racking that the plan adds", f"{racking.added:z.3f} mm"),
        (
            "racking there already",
            f"{racking.present:z.3f} mm, if the bed's shape were the frame's",
        ),
        ("racking allowed at any moment", f"{racking.limit:z.3f} mm"),
    ]
    if max(map(abs, plan.stays)) > 1e-9:
        stays_x, stays_y = (slope * 1e3 for slope in plan.stays)
        facts.append(
            (
                "tilt that these lifts cannot take out",
                f"{_signed(stays_x)} mm/m along x, {_signed(stays_y)} mm/m along y",
            )
        )
    return facts


def _flatness(check: Check) -> list[Fact]:
    flat, estimate = check.flatness, check.estimate
    floor = flat.noise_floor(check.noise.of_places)
    facts = [("minimum zone", f"{flat.minimum_zone:z.3f} mm")]
    if estimate is not None:
        low, high = estimate.interval
        facts.append(
            (
                "without the noise",
                f"likely {estimate.value:z.3f} mm (95 %: {low:z.3f} to {high:z.3f}), "
                f"from {estimate.draws} drawn beds",
            )
        )
        if estimate.finer is not None:
            facts.append(
                (
                    "on a much finer grid",
                    f"likely {estimate.finer.value:z.3f} mm, perhaps {estimate.finer.most:z.3f}",
                )
            )
        facts.append(("what noise adds to this shape", f"about {estimate.noise_part:z.3f} mm"))
    facts += [
        ("about the least-squares plane", f"{flat.least_squares:z.3f} mm"),
        ("peak over that plane", f"{flat.peak:z.3f} mm"),
        ("valley under it", f"{flat.valley:z.3f} mm"),
        ("root mean square", f"{flat.rms:z.4f} mm"),
        (
            "noise floor",
            "not known"
            if floor is None
            else f"{floor:z.3f} mm: what a perfect plane would show on these readings",
        ),
        ("range of the readings", f"{flat.height_range:z.3f} mm, the tilt in it"),
        ("without a twist", f"{check.parts.untwisted:z.3f} mm (minimum zone)"),
        ("without twist and bows", f"{check.parts.local:z.3f} mm (minimum zone)"),
    ]
    if check.scan is not None:
        facts.append(("repeat reading", scan_words(check.scan)))
    return facts


def _tilt(check: Check) -> list[Fact]:
    tilt, noise = check.tilt, check.noise
    sigmas = tilt.fall_sigmas(noise.of_places)
    falls = zip("xy", (tilt.fall_x, tilt.fall_y), (tilt.slope_x, tilt.slope_y), sigmas, strict=True)
    facts = [
        (
            f"fall along {axis}",
            f"{_signed(fall)} mm{_plus_minus(sigma)}, {_signed(slope * 1e3)} mm/m",
        )
        for axis, fall, slope, sigma in falls
    ]
    facts.append(("angle", f"{tilt.angle * 1e3:z.3f} mrad"))
    modes = tilt.modes
    facts += [
        (name, _mode(mode, noise))
        for name, mode in (
            ("twist", modes.twist),
            ("bow along x", modes.bow_x),
            ("bow along y", modes.bow_y),
        )
    ]
    return facts


def _mode(mode: Mode | None, noise: Noise) -> str:
    if mode is None:
        return "these places do not tell"
    return f"{_signed(mode.value)} mm{_plus_minus(mode.sigma(noise.of_places))}"


def _plus_minus(sigma: float | None) -> str:
    return "" if sigma is None else f" (sigma {sigma:z.4f})"


def _limits(check: Check) -> list[dict[str, Any]]:
    return [
        {
            "name": limit.name,
            "limit": f"{limit.limit:z.3f}",
            "value": f"{limit.value:z.3f}",
            "within": limit.within,
        }
        for limit in check.limits
    ]


def _measured(check: Check) -> list[Fact]:
    run, places = check.run, check.run.places
    grid = places.grid
    facts = [
        ("source", run.source),
        ("format", run.format),
        ("touches", f"{len(run):,}".replace(",", " ")),
        ("places", f"{len(places):,}".replace(",", " ")),
        ("grid", f"{grid.columns} columns x {grid.rows} rows" if grid else "scattered"),
        (
            "probed",
            f"x {places.x.min():g} to {places.x.max():g}, "
            f"y {places.y.min():g} to {places.y.max():g} mm",
        ),
        ("probe", noise_words(check.noise)),
    ]
    optional = (
        ("places without a height", str(run.holes) if run.holes else ""),
        ("lines passed over", str(run.passed_over) if run.passed_over else ""),
        ("started", _started(run)),
        ("bed", _temperature(run.bed)),
        ("chamber", _temperature(run.chamber)),
        ("ambient", _temperature(run.ambient)),
        ("plate", run.plate or ""),
        ("note", run.note or ""),
    )
    return facts + [fact for fact in optional if fact[1]]


def _temperature(values: Floats | None) -> str:
    known = [] if values is None else [value for value in values.tolist() if value == value]
    if not known:
        return ""
    low, high = f"{min(known):z.1f}", f"{max(known):z.1f}"
    return f"{low} °C" if low == high else f"{low} to {high} °C"


def _notes(check: Check, plan: TurnPlan | None) -> list[str]:
    said: Iterable[str] = (*check.warnings, *(plan.warnings if plan else ()))
    return list(dict.fromkeys(said))


def _machine(machine: Machine | None) -> list[Fact]:
    if machine is None:
        return []
    frame = {
        "rigid": "rigid joints",
        "twisting": "joints that let the carried part follow a twist",
    }[machine.frame.joint]
    facts = [("name", machine.name), ("the lifts carry", f"the {machine.frame.carries}, {frame}")]
    bed = machine.bed
    if bed is not None:
        facts.append(("bed", f"x {bed.x[0]:g} to {bed.x[1]:g}, y {bed.y[0]:g} to {bed.y[1]:g} mm"))
        if bed.plate is not None:
            facts.append(("plate", bed.plate))
        if bed.thickness is not None:
            facts.append(("thickness", f"{bed.thickness:g} mm"))
        if bed.expansion is not None:
            facts.append(("expansion", f"{bed.expansion:g} · 10⁻⁶/K"))
    if machine.probe.sigma is not None:
        facts.append(("probe, sigma", f"{machine.probe.sigma:g} mm"))
    for name in ("flatness", "racking"):
        limit = getattr(machine.limits, name)
        if limit is not None:
            facts.append((f"limit of {name}", f"{limit:g} mm"))
    return facts


def _lift_row(lift: Lift) -> dict[str, str]:
    steps = lift.steps_per_turn
    return {
        "name": lift.name,
        "spot": f"x {lift.x:z.1f}, y {lift.y:z.1f}",
        "drive": lift.screw or ("belt" if lift.belt_pitch is not None else "screw"),
        "lead": f"{lift.travel:g}",
        "raises": lift.raises,
        "steps": "by hand" if steps is None else f"{steps} steps a turn",
        "detent": f"{lift.smallest_turn:.4g}",
    }
