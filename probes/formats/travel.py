"""Travel moves among the touches of a log, told by the shape of their lines and by heights."""

import re

import numpy as np

from probes.errors import ReadError
from probes.run import Floats, Ints

__all__ = ["check_travel"]

_FAR = 1.0
"""Heights that lie farther apart than this are no touches of one bed (the source's unit, mm)."""

_DISAGREE = 0.05
"""Heights of one place in lines of two shapes that differ by more are no two touches of it."""

_MOST_SHAPES = 20
"""Shapes that are compared: where lines are of more, they are all of one text that varies."""


def check_travel(
    shapes: list[str], of_reading: Ints, x: Floats, y: Floats, z: Floats, name: str
) -> list[str]:
    """Refuse to mix touches with travel moves; point out what may still be such a mix.

    Parameters
    ----------
    shapes : list of str
        Texts of the lines with # for each number.
    of_reading : ndarray of int, shape (n,)
        The shape of each reading's line.
    x, y, z : ndarray, shape (n,)
        The readings.
    name : str
        What to call the source.

    Returns
    -------
    list of str
        What the user should know.

    Raises
    ------
    ReadError
        If some readings cannot be touches of the bed that the others touch.
    """
    counts = np.bincount(of_reading)
    common = int(counts.argmax())
    main = of_reading == common
    by_count = np.argsort(-counts, kind="stable")
    for other in (int(k) for k in by_count[:_MOST_SHAPES] if k != common):
        part = of_reading == other
        if _clash((x[main], y[main], z[main]), (x[part], y[part], z[part])):
            varied = len(set(z[part].tolist())) > len(set(z[main].tolist()))
            shown = [f"{shapes[k][:60]!r} ({counts[k]} lines)" for k in (common, other)]
            raise ReadError(
                f"{name}: lines of two shapes hold x, y and z and do not agree, so one may be "
                f"travel moves: {shown[0]}, and {shown[1]}; give the shape of a touch, as in "
                f"--line {_as_template(shapes[other if varied else common])!r}"
            )
    said = _check_one_height(x, y, z, name)
    rest = len(z) - int(counts[common])
    if not said and rest and counts[common] >= 3:
        said = [
            f"{rest} of the {len(z)} readings stand in lines of another shape than "
            f"{shapes[common][:60]!r}; say --line with the shape you want if they are no touches"
        ]
    return said


def _check_one_height(x: Floats, y: Floats, z: Floats, name: str) -> list[str]:
    heights, counts = np.unique(z, return_counts=True)
    usual, often = float(heights[counts.argmax()]), int(counts.max())
    if len(z) <= 3 or (np.ptp(x) == 0 and np.ptp(y) == 0):
        return []
    if len(heights) == 1 and abs(usual) < _FAR:
        return [
            f"every z is {usual:g}: if these are travel moves and no touches, give the shape of a "
            "touch with --line"
        ]
    if len(heights) == 1:
        raise ReadError(
            f"{name}: every z is {usual:g}, so these are travel moves and no touches; give the "
            "shape of a touch with --line"
        )
    others = heights[heights != usual]
    if often > max(3, 0.3 * len(z)) and len(others) > 2 and np.abs(others - usual).min() > _FAR:
        raise ReadError(
            f"{name}: {often} of {len(z)} readings stand at z {usual:g}, far from the others, so "
            "they may be travel moves; give the shape of a touch with --line, or take the moves out"
        )
    return []


def _clash(one: tuple[Floats, Floats, Floats], other: tuple[Floats, Floats, Floats]) -> bool:
    """Tell whether readings of two shapes cannot all be touches of one bed."""
    (x, y, z), (u, v, w) = one, other
    if w.min() > z.max() + _FAR or w.max() < z.min() - _FAR:
        return True
    # moves go to one height; touches differ
    fixed = [len(values) > 2 and float(np.ptp(values)) == 0 for values in (z, w)]
    if any(fixed) and not all(fixed):
        return True
    places = dict(zip(zip(x.tolist(), y.tolist(), strict=True), z.tolist(), strict=True))
    spots = zip(u.tolist(), v.tolist(), strict=True)
    apart = [
        abs(height - places[spot])
        for spot, height in zip(spots, w.tolist(), strict=True)
        if spot in places
    ]
    return len(apart) > 2 and float(np.median(apart)) > _DISAGREE


def _as_template(shape: str) -> str:
    """Make a template of the shape of a labelled line, from its first label on."""
    template = re.sub(r"(?i)(?<![A-Za-z_])([xyz])(\s*[:=]?\s*)#", r"\1\2{\1}", shape)
    template = re.sub(r"\{([XYZ])\}", lambda match: match[0].lower(), template)
    labels = [
        match.start() for match in re.finditer(r"(?i)(?<![A-Za-z_])[xyz]\s*[:=]?\s*\{", template)
    ]
    ends = [match.end() for match in re.finditer(r"\{[xyz]\}", template)]
    if len(labels) < 3 or len(ends) < 3:
        return "{x} {y} {z}"
    words = template[: labels[0]].rsplit("#", 1)[-1].lstrip("]), .:")
    return words + template[labels[0] : ends[-1]].replace("#", "{skip}")
