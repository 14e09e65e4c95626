"""The answers as JSON: the keys that others lean on. mm, but where a key ends in its unit."""

import json
import math
from collections.abc import Mapping, Sequence
from dataclasses import asdict
from typing import Any

from level.check import Check
from level.passes import PassCheck
from level.plan import Move, StageMove, TurnPlan
from level.version import VERSION
from mesh.local import LocalFlatness
from mesh.modes import Mode
from mesh.noise import Noise
from mesh.scan import Scan
from mesh.suspects import SuspectPlace
from mesh.zone import minimum_zone
from probes.drift import Drift
from probes.quality import Quality, Suspect
from probes.run import Floats, Ints, Run

__all__ = ["SCHEMA", "answer", "check_json", "dump", "repeat_json", "run_json", "turns_json"]

_MOST_FOR_NORMAL = 2000
"""Places up to which the perpendicular zone is given: on a smooth bowl all are corners of the
hull, and pairs of its edges are tried."""

SCHEMA = 1
"""Raised when a key changes its meaning or goes."""


def dump(answer: Mapping[str, Any]) -> str:
    """Write an answer as one JSON object: no NaN, no infinity, no negative zero."""
    return json.dumps(_plain(answer), indent=2, ensure_ascii=False, allow_nan=False)


def _plain(value: Any) -> Any:
    if isinstance(value, Mapping):
        return {key: _plain(item) for key, item in value.items()}
    if isinstance(value, list | tuple):
        return [_plain(item) for item in value]
    if isinstance(value, float):
        return value + 0.0 if math.isfinite(value) else None
    return value


def answer(
    command: str, warnings: tuple[str, ...], content: Mapping[str, Any]
) -> dict[str, Any]:  # fmt: skip
    """Put what every answer has around its content."""
    head = {"schema": SCHEMA, "command": command, "version": VERSION}
    return {**head, **content, "warnings": list(warnings)}


def run_json(run: Run) -> dict[str, Any]:
    """Say what was read."""
    places = run.places
    return {
        "source": run.source,
        "format": run.format,
        "points": len(run),
        "places": len(places),
        "rows": places.grid.rows if places.grid else None,
        "columns": places.grid.columns if places.grid else None,
        "x": [float(places.x.min()), float(places.x.max())],
        "y": [float(places.y.min()), float(places.y.max())],
        "holes": run.holes,
        "passed_over": run.passed_over,
    }


def check_json(check: Check) -> dict[str, Any]:
    """Give a check as a JSON object."""
    tilt, flat, noise, places = check.tilt, check.flatness, check.noise, check.run.places
    sigma_x, sigma_y = tilt.fall_sigmas(noise.of_places)
    normal = None
    if len(places) <= _MOST_FOR_NORMAL:
        normal = minimum_zone(places.x, places.y, places.z, perpendicular=True).width
    return answer(
        "check",
        check.warnings,
        {
            "run": run_json(check.run),
            "plane": {
                "fall_x": tilt.fall_x,
                "fall_y": tilt.fall_y,
                "fall_x_sigma": sigma_x,
                "fall_y_sigma": sigma_y,
                "tilt_mrad": tilt.angle * 1e3,
                "slope_x_mm_per_m": tilt.slope_x * 1e3,
                "slope_y_mm_per_m": tilt.slope_y * 1e3,
                "height_centre": tilt.height_centre,
                "lopsided": tilt.lopsided,
                "guarded": tilt.guarded,
            },
            "flatness": {
                "range": flat.height_range,
                "minimum_zone": flat.minimum_zone,
                "minimum_zone_perpendicular": normal,
                "minimum_zone_gap": flat.zone.gap,
                "least_squares": flat.least_squares,
                "peak": flat.peak,
                "valley": flat.valley,
                "rms": flat.rms,
                "noise_floor": flat.noise_floor(noise.of_places),
                "mean": flat.mean,
                **_estimate(check),
                "contacts": {
                    "upper": _spots(places.x, places.y, flat.zone.upper),
                    "lower": _spots(places.x, places.y, flat.zone.lower),
                },
            },
            "modes": {
                name: _mode(getattr(tilt.modes, name), noise)
                for name in ("twist", "bow_x", "bow_y")
            },
            "shape": _shape(check),
            "parts": {**asdict(check.parts), "twist_force_N": check.twist_force},
            "repeat_reading": None if check.scan is None else _scan(check.scan),
            "local": None if check.local is None else _local(check.local),
            "layer": None
            if check.layer is None
            else {**asdict(check.layer), "allowed": check.layer.allowed},
            "quality": {
                "sigma": noise.sigma,
                "sigma_source": noise.source,
                "outliers": [
                    *(_suspect(place, place.alone) for place in check.suspects),
                    *(_suspect(touch, alone=True) for touch in check.outliers),
                ],
                "drift": _drift(check.drift),
            },
            "limits": [
                {
                    "name": limit.name,
                    "limit": limit.limit,
                    "value": limit.value,
                    "within": limit.within,
                }
                for limit in check.limits
            ],
            "grades": [
                {
                    "standard": grade.standard,
                    "grade": grade.name,
                    "limit": grade.limit,
                    "met": times is None,
                }
                for grade, times in check.grades
            ],
            "within": check.within,
        },
    )


def _shape(check: Check) -> dict[str, Any]:
    shape, place = check.shape, check.noise.of_places
    return {
        "degree": shape.degree,
        "terms": [
            {
                "i": term.i,
                "j": term.j,
                "value": term.value,
                "sigma": None if place is None else term.factor * place,
                "share": term.share,
            }
            for term in shape.terms
        ],
        "feature": None if shape.feature is None else asdict(shape.feature),
        "rest": shape.rest,
        "foretold": [{"degree": degree, "rms": rms} for degree, rms in shape.foretold],
    }


def _scan(scan: Scan) -> dict[str, Any]:
    worst = scan.worst
    return {
        "movement": worst.movement,
        "base": worst.base,
        "along": worst.along,
        "line": worst.line,
        "highest": list(worst.highest),
        "lowest": list(worst.lowest),
    }


def _local(local: LocalFlatness) -> dict[str, Any]:
    return {
        name: {
            "x": [window.left, window.left + window.width],
            "y": [window.front, window.front + window.depth],
            "minimum_zone": window.zone.width,
            "places": len(window.places),
        }
        for name, window in (("worst", local.worst), ("best", local.best))
    }


def _suspect(found: Suspect | SuspectPlace, alone: bool) -> dict[str, Any]:
    return {
        "x": found.x,
        "y": found.y,
        "z": found.z,
        "away": found.away,
        "score": found.score,
        "touch": found.touch if isinstance(found, Suspect) else None,
        "alone": alone,
    }


def _drift(drift: Drift | None) -> dict[str, Any] | None:
    if drift is None:
        return None
    return {
        "value": drift.value,
        "sigma": drift.sigma,
        "interval": list(drift.interval),
        "significant": drift.significant,
        "closure": drift.closure,
    }


def repeat_json(quality: Quality, runs: Sequence[Run]) -> dict[str, Any]:
    """Give an assessment of a probe as a JSON object."""
    first, parts = quality.first_touch, quality.set_ups
    return answer(
        "repeat",
        tuple(dict.fromkeys(warning for run in runs for warning in run.warnings)),
        {
            "runs": [run_json(run) for run in runs],
            "sigma": quality.sigma,
            "interval": list(quality.interval),
            "freedom": quality.freedom,
            "touches": quality.touches,
            "places": quality.places,
            "repeatability_limit": quality.repeatability_limit,
            "drift": _drift(quality.drift),
            "outliers": [_suspect(touch, alone=True) for touch in quality.outliers],
            "resolution": quality.resolution,
            "resolution_sets_sigma": quality.coarse,
            "first_touch_differs": None if first is None else first.differs,
            "first_touch_difference": None if first is None else first.difference,
            "two_groups": quality.two_groups,
            "set_ups": None if parts is None else asdict(parts),
            "chart": None if quality.chart is None else asdict(quality.chart),
        },
    )


def _estimate(check: Check) -> dict[str, Any]:
    found = check.estimate
    finer = None if found is None else found.finer
    return {
        "beyond_noise": not check.perfect if check.noise.of_places is not None else None,
        "interval": None if found is None else list(found.interval),
        "without_noise": None if found is None else found.value,
        "smooth": None if found is None else found.smooth,
        "noise_part": None if found is None else found.noise_part,
        "finer_grid": None if finer is None else asdict(finer),
    }


def _spots(x: Floats, y: Floats, which: Ints) -> list[list[float]]:
    return [[float(x[k]), float(y[k])] for k in which]


def _mode(mode: Mode | None, noise: Noise) -> dict[str, float | None]:
    if mode is None:
        return {"value": None, "sigma": None}
    return {"value": mode.value, "sigma": mode.sigma(noise.of_places)}


def turns_json(plan: TurnPlan, run: Run, judged: PassCheck | None = None) -> dict[str, Any]:
    """Give a plan as a JSON object, and what the pass before it came to."""
    return answer(
        "turns",
        (*run.warnings, *plan.warnings),
        {
            "run": run_json(run),
            "lifts": [_move(move) for move in plan.moves],
            "reference": plan.reference,
            "racking": {
                "added": plan.racking.added,
                "present": plan.racking.present,
                "limit": plan.racking.limit,
            },
            "objective": plan.request.objective,
            "area": None if plan.request.area is None else plan.request.area,
            "corners": plan.request.corners,
            "stages": [[_stage_move(part) for part in stage.moves] for stage in plan.stages],
            "after_stages": [
                {"fall_x": stage.fall_x, "fall_y": stage.fall_y} for stage in plan.stages
            ],
            "predicted": {
                "fall_x": plan.predicted.fall_x,
                "fall_y": plan.predicted.fall_y,
                "minimum_zone": plan.predicted.minimum_zone,
                "range_at_lifts": plan.predicted.range_at_lifts,
                "height_range": plan.predicted.height_range,
                "gain_of_finer": plan.predicted.gain_of_finer,
            },
            "probe_first": None if plan.probe_first is None else asdict(plan.probe_first),
            "stays": {
                "slope_x_mm_per_m": plan.stays[0] * 1e3,
                "slope_y_mm_per_m": plan.stays[1] * 1e3,
            },
            "sigma": plan.noise.sigma,
            "sigma_source": plan.noise.source,
            "pass": None if judged is None else asdict(judged),
            "cautions": list(plan.cautions),
        },
    )


def _move(move: Move) -> dict[str, Any]:
    return {
        "name": move.lift,
        "rise": move.rise,
        "sigma": move.sigma,
        "interval": None if move.interval is None else list(move.interval),
        "turns": move.turns,
        "degrees": move.degrees,
        "direction": move.direction,
        "detents": move.detents,
        "made": move.made,
        "made_turns": move.made_turns,
        "steps": move.steps,
        "other_plane": move.other_plane,
        "command": None if move.command is None else asdict(move.command),
        "leave": move.leave,
        "why": move.why or None,
        "leverage": move.leverage,
    }


def _stage_move(part: StageMove) -> dict[str, Any]:
    return {
        "name": part.lift,
        "rise": part.rise,
        "turns": part.turns,
        "direction": part.direction,
        "steps": part.steps,
        "beyond": part.beyond,
        "with_previous": part.with_previous,
        "command": None if part.command is None else asdict(part.command),
    }
