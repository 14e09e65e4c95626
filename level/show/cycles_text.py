"""The answer of `cycles`, as text and JSON."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from level.show.as_json import answer
from level.show.charmap import character_map
from level.show.text import wrapped
from level.show.words import MODE_NAMES
from probes.run import Run

if TYPE_CHECKING:
    from mesh.cycles import Cycles, Effect, ModeCycles, Prediction
    from probes.run import Places

__all__ = ["cycles_json", "cycles_text", "cycles_words"]


def cycles_words(found: Cycles) -> list[str]:
    """Say how the bed goes with temperature."""
    words = []
    span = f"{found.lowest:.0f} to {found.highest:.0f} degC"
    moving = [mode for mode in found.modes if mode.slope is not None and mode.slope.significant]
    if not any(mode.slope is not None for mode in found.modes):
        words.append(
            f"All were probed near {found.lowest:.0f} degC, which does not tell how the bed goes "
            "with temperature; probe it cold and hot as well."
        )
    elif all(mode.scatter is None for mode in found.modes):
        words.append(
            f"How the bed goes with temperature from {span} cannot be told from its scatter: no "
            "probing is left over. Probe more states."
        )
    elif not moving:
        words.append(
            f"No fall, twist or bow goes with temperature from {span}, beyond the scatter."
        )
    for mode in moving:
        assert mode.slope is not None
        whole = mode.slope.value * (found.highest - found.lowest)
        words.append(
            f"The {MODE_NAMES[mode.name]} goes by {1e3 * mode.slope.value:+z.2f} um per K: "
            f"{whole:+z.3f} mm from {span}."
        )
    words += [
        f"The {MODE_NAMES[mode.name]} is {abs(mode.loop.value):.3f} mm "
        f"{'higher' if mode.loop.value > 0 else 'lower'} while heating than while cooling."
        for mode in found.modes
        if mode.loop is not None and mode.loop.significant
    ]
    words += [
        f"The {MODE_NAMES[mode.name]} keeps {mode.set_per_cycle.value:+z.4f} mm of each cycle "
        "for good."
        for mode in found.modes
        if mode.set_per_cycle is not None and mode.set_per_cycle.significant
    ]
    if "set" not in found.terms:
        words.append("Whether a cycle leaves anything for good takes two cycles or more.")
    return words


def cycles_text(
    found: Cycles, predicted: Prediction | None, places: Places, count: int
) -> str:  # fmt: skip
    """Write the answer for the terminal."""
    lines = [f"{count} probings, {found.lowest:.0f} to {found.highest:.0f} degC", ""]
    for sentence in cycles_words(found):
        lines += wrapped(sentence)
    lines += ["", "  mode          um per K     loop mm      set mm a cycle   scatter mm"]
    lines += [_row(mode) for mode in found.modes]
    lines.append("  * beyond the scatter (95 %, each by itself)")
    if predicted is not None:
        lines += ["", *_prediction(predicted, places)]
    return "\n".join(lines) + "\n"


def _row(mode: ModeCycles) -> str:
    scatter = "-" if mode.scatter is None else f"{mode.scatter:.4f}"
    return (
        f"  {MODE_NAMES[mode.name]:<14}{_effect(mode.slope, 1e3, 2):<13}"
        f"{_effect(mode.loop, 1, 3):<13}{_effect(mode.set_per_cycle, 1, 4):<17}{scatter}"
    )


def _effect(effect: Effect | None, scale: float, digits: int) -> str:
    if effect is None:
        return "-"
    return f"{scale * effect.value:+z.{digits}f}{' *' if effect.significant else ''}"


def _prediction(predicted: Prediction, places: Places) -> list[str]:
    if predicted.refusal:
        return wrapped(f"No prediction: {predicted.refusal}.")
    lines = [f"At {predicted.bed:.0f} degC, reached by heating:"]
    lines += [
        f"  {MODE_NAMES[name]:<14}{value:+z.3f} mm (95 %: {low:+z.3f} to {high:+z.3f})"
        for name, (value, low, high) in predicted.modes.items()
    ]
    if predicted.heights is not None:
        heights = predicted.heights - predicted.heights.mean()
        at = Run(x=places.x, y=places.y, z=heights).places
        lines += ["", *character_map(at, heights, "Heights")]
    return lines


def cycles_json(found: Cycles, predicted: Prediction | None) -> dict[str, Any]:
    """Give the answer as a JSON object."""
    return answer(
        "cycles",
        (),
        {
            "temperatures": [found.lowest, found.highest],
            "freedom": found.freedom,
            "modes": {mode.name: _mode_json(mode) for mode in found.modes},
            "predicted": None if predicted is None else _prediction_json(predicted),
        },
    )


def _mode_json(mode: ModeCycles) -> dict[str, Any]:
    def value(effect: Effect | None) -> float | None:
        return None if effect is None else effect.value

    return {
        "per_K": value(mode.slope),
        "sigma": None if mode.slope is None else mode.slope.sigma,
        "curvature_per_K2": value(mode.curvature),
        "loop": value(mode.loop),
        "set_per_cycle": value(mode.set_per_cycle),
        "scatter": mode.scatter,
        "significant": {
            name: None if effect is None else effect.significant
            for name, effect in (
                ("per_K", mode.slope),
                ("curvature_per_K2", mode.curvature),
                ("loop", mode.loop),
                ("set_per_cycle", mode.set_per_cycle),
            )
        },
    }


def _prediction_json(predicted: Prediction) -> dict[str, Any]:
    if predicted.refusal:
        return {"bed": predicted.bed, "refusal": predicted.refusal}
    return {
        "bed": predicted.bed,
        "refusal": None,
        "modes": {name: value for name, (value, _, _) in predicted.modes.items()},
        "interval": {name: [low, high] for name, (_, low, high) in predicted.modes.items()},
    }
