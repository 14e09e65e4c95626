"""Several probings in one source: where one ends and the next begins, and which was cut short."""

from collections.abc import Sequence
from itertools import pairwise

import numpy as np

from probes.run import SAME_LINE_MM, Ints, Run

__all__ = ["is_broken_off", "note_unfinished", "split_probings"]

_FEWEST_VISITS = 3

_MOST_WAITED_FOR = 20_000
"""Touches. Nobody waits for longer probings, and to lay them out would slow their reading."""


def split_probings(
    run: Run, starts: Sequence[int], *, restarts: bool = True
) -> tuple[Run, ...]:  # fmt: skip
    """Split a run where the probing begins anew.

    Parameters
    ----------
    run : Run
        All touches of a source, in order.
    starts : sequence of int
        Touches before which the source hints at a new probing.
    restarts : bool, default True
        Whether going round the same places once more counts as a new probing without a hint.

    Returns
    -------
    tuple of Run
        At least one. A probing that was broken off says so in its warnings.

    Notes
    -----
    A hint is a line like the one before the first reading. Where such lines stand before every
    touch or every row they mean nothing; so a hint cuts only if what comes behind it goes over the
    same places again, or over a whole other set that is not a single row. Without a hint, a probing
    begins anew where the head returns to the place it began at and goes on to the place that came
    second. Repeated touches of one place, and returns to it between others, are part of a run.
    """
    home = (run.x == run.x[0]) & (run.y == run.y[0])
    if not starts and not home[int(np.argmin(home)) :].any():
        return (run,)  # the head never comes back to where it began
    place = run.places.of_touch
    cuts = _marked_cuts(run, starts)
    if restarts:
        for first, last in pairwise([*sorted(cuts), len(run)]):
            cuts |= {first + cut for cut in _restarts(place[first:last])}
    parts = [run.take(slice(a, b)) for a, b in pairwise([*sorted(cuts), len(run)])]
    if max(len(part.places) for part in parts) < _FEWEST_VISITS or len(parts) == 1:
        return (run,)
    return tuple(_named(part, k, parts) for k, part in enumerate(parts, 1))


def _restarts(place: Ints) -> set[int]:
    """Find touches at which the first place, and then the second, are gone to again."""
    begins = np.concatenate(([0], np.flatnonzero(np.diff(place)) + 1))
    visits = place[begins]
    if len(visits) < _FEWEST_VISITS:
        return set()
    again = (visits[1:-1] == visits[0]) & (visits[2:] == visits[1])
    return {int(begins[k]) for k in np.flatnonzero(again) + 1}


def _marked_cuts(run: Run, starts: Sequence[int]) -> set[int]:
    """Choose the hints that part probings."""
    place = run.places.of_touch
    hints = sorted({start for start in starts if 0 < start < len(run)})
    visits = 1 + int((np.diff(place) != 0).sum())
    cuts = {0}
    if len(hints) > visits / _FEWEST_VISITS:
        return cuts
    for hint, until in pairwise([*hints, len(run)]):
        before, behind = set(place[max(cuts) : hint]), set(place[hint:until])
        common = len(before & behind)
        again = common >= min(len(before), len(behind)) / 2
        other = not common and _is_wide(run, max(cuts), hint) and _is_wide(run, hint, until)
        if again or other:
            cuts.add(hint)
    return cuts


def _is_wide(run: Run, first: int, last: int) -> bool:
    """Tell whether touches cover more than a row."""
    x, y = run.x[first:last], run.y[first:last]
    across, along = sorted((float(np.ptp(x)), float(np.ptp(y))))
    return last - first >= 4 and across > 0.1 * along


def note_unfinished(run: Run) -> Run:
    """Say so where the row that was probed last is not complete: the probing may be broken off."""
    if len(run) > _MOST_WAITED_FOR:
        return run
    grid = run.places.grid
    if grid is None or grid.rows < 3 or grid.columns < 3:
        return run
    filled = np.isfinite(grid.matrix(run.places.z))
    missing_row, missing_column = np.nonzero(~filled)
    last_row, last_column = grid.row[-1], grid.column[-1]
    for missing, last, size in (
        (missing_row, last_row, grid.columns),
        (missing_column, last_column, grid.rows),
    ):
        if len(missing) and (missing == last).all():
            note = (
                f"the row probed last holds {size - len(missing)} of {size} places; was the "
                "probing broken off?"
            )
            return run.replace(warnings=(*run.warnings, note))
    return run


def is_broken_off(run: Run, runs: Sequence[Run]) -> bool:
    """Tell whether a longer one of some probings goes the same way as this one at first."""
    count = len(run.places)
    return any(
        len(other.places) > count
        and np.allclose(other.places.x[:count], run.places.x, atol=SAME_LINE_MM)
        and np.allclose(other.places.y[:count], run.places.y, atol=SAME_LINE_MM)
        for other in runs
    )


def _named(part: Run, number: int, parts: list[Run]) -> Run:
    warnings = part.warnings
    if is_broken_off(part, parts):
        most = max(len(other.places) for other in parts)
        note = (
            f"probing {number} of {len(parts)} was broken off after {len(part.places)} of {most} "
            "places"
        )
        warnings = (*warnings, note)
    return part.replace(source=f"{part.source} probing {number}", warnings=warnings)
