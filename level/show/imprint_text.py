"""The answer of `imprint`, as text and JSON."""

from __future__ import annotations

from dataclasses import asdict
from typing import TYPE_CHECKING, Any

import numpy as np

from level.show.as_json import answer, run_json
from level.show.text import run_line, warning_lines, wrapped

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from mesh.imprint import Imprint, Profile
    from mesh.separation import Separation, Term
    from probes.run import Run

__all__ = ["imprint_json", "imprint_text", "imprint_words", "turned_json", "turned_text"]

_NAMES = {
    "twist": "twist",
    "saddle": "saddle",
    "bowl": "bowl",
    "s_x": "S along x",
    "s_y": "S along y",
    "bow_x_along_y": "bow along x that turns over along y",
    "bow_y_along_x": "bow along y that turns over along x",
}
_CLEAR = 0.05
_ACROSS = 8


def imprint_words(found: Imprint) -> list[str]:
    """Say how much of a map is a profile along each axis, and what that may mean."""
    parts = []
    for axis, rails, profile in (("x", "row", found.along_x), ("y", "column", found.along_y)):
        clear = profile.bend_p_value is not None and profile.bend_p_value < _CLEAR
        bend = f"bends by {profile.bend:.3f} mm" if clear else "does not bend beyond the noise"
        parts.append(f"the profile along {axis}, alike in every {rails}, {bend}")
    rest = float(np.ptp(found.rest))
    return [
        f"{parts[0][0].upper()}{parts[0][1:]}; {parts[1]}. "
        f"The twist is {found.twist:+z.3f} mm; {rest:.3f} mm from lowest to highest is none of "
        "these.",
        *found.meaning,
    ]


def imprint_text(found: Imprint, run: Run) -> str:
    """Write the profiles of a map for the terminal."""
    lines = [*wrapped(run_line(run)), ""]
    for sentence in imprint_words(found):
        lines += wrapped(sentence)
    for axis, profile in (("x", found.along_x), ("y", found.along_y)):
        lines += ["", f"Profile along {axis}, um (means; robust, beside bad readings):", ""]
        lines += _profile(profile)
    return "\n".join(lines + warning_lines(run.warnings)) + "\n"


def _profile(profile: Profile) -> list[str]:
    lines = []
    for start in range(0, len(profile.at), _ACROSS):
        part = slice(start, start + _ACROSS)
        lines += [
            "  at     " + "".join(f"{at:8.0f}" for at in profile.at[part]),
            "  means  " + "".join(f"{1e3 * value:+z8.1f}" for value in profile.values[part]),
            "  robust " + "".join(f"{1e3 * value:+z8.1f}" for value in profile.robust[part]),
        ]
    return lines


def turned_text(found: Separation, runs: Mapping[float, Run]) -> str:
    """Write what turning the plate tells, for the terminal."""
    lines = [
        line
        for angle, run in runs.items()
        for line in wrapped(f"plate at {angle:g} degrees: {run_line(run)}")
    ] + [""]
    for whose, terms in (("The plate's own", found.plate), ("The machine's", found.machine)):
        lines.append(f"{whose} shape:")
        lines += [line for name, term in terms.items() for line in _term(name, term)]
        lines.append("")
    for sentence in found.meaning:
        lines += wrapped(sentence)
    return "\n".join(lines) + "\n"


def _term(name: str, term: Term) -> list[str]:
    if term.value is None:
        return wrapped(f"not told; {term.why}", f"  {_NAMES[name]}: ")
    sigma = "" if term.sigma is None else f" ± {2 * term.sigma:.3f}"
    mark = "  *" if term.significant else ""
    return [f"  {_NAMES[name]}: {term.value:+z.3f}{sigma} mm{mark}"]


def imprint_json(found: Imprint, run: Run) -> dict[str, Any]:
    """Give the profiles as a JSON object."""
    return answer(
        "imprint",
        run.warnings,
        {
            "run": run_json(run),
            "along_x": _profile_json(found.along_x),
            "along_y": _profile_json(found.along_y),
            "twist": {"value": found.twist, "sigma": found.twist_sigma, "share": found.twist_share},
            "rest": {"share": found.rest_share, "freedom": found.freedom},
            "product_p_value": found.product_p_value,
            "meaning": list(found.meaning),
        },
    )


def _profile_json(profile: Profile) -> dict[str, Any]:
    return {
        key: value.tolist() if isinstance(value, np.ndarray) else value
        for key, value in asdict(profile).items()
    }


def turned_json(found: Separation, runs: Sequence[Run]) -> dict[str, Any]:
    """Give what turning tells as a JSON object."""
    return answer(
        "imprint",
        tuple(dict.fromkeys(warning for run in runs for warning in run.warnings)),
        {
            "runs": [run_json(run) for run in runs],
            "plate": {name: asdict(term) for name, term in found.plate.items()},
            "machine": {name: asdict(term) for name, term in found.machine.items()},
            "residual_sigma": found.residual_sigma,
            "meaning": list(found.meaning),
        },
    )
