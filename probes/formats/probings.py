"""Several probings in one source: where one ends and the next begins, and which was cut short."""

from collections.abc import Sequence
from itertools import pairwise

import numpy as np

from probes.run import Run

__all__ = ["note_unfinished", "split_probings"]

_FEWEST_VISITS = 3


def split_probings(run: Run, starts: Sequence[int]) -> tuple[Run, ...]:
    """Split a run where the probing begins anew.

    Parameters
    ----------
    run : Run
        All touches of a source, in order.
    starts : sequence of int
        Touches before which the source hints at a new probing.

    Returns
    -------
    tuple of Run
        At least one. A probing that was broken off says so in its warnings.

    Notes
    -----
    A probing begins anew where the head returns to the place it began at and goes on to the place
    that came second; or at a hint, where the place that follows has been touched before. Repeated
    touches of one place, or returns to it between others, are part of a run.
    """
    home = (run.x == run.x[0]) & (run.y == run.y[0])
    if not starts and not home[int(np.argmin(home)) :].any():
        return (run,)  # the head never comes back to where it began
    place = run.places.of_touch
    changes = np.flatnonzero(np.diff(place)) + 1
    begins = np.concatenate(([0], changes))
    visits = place[begins]
    cuts = {0}
    if len(visits) > 1:
        again = (visits[1:-1] == visits[0]) & (visits[2:] == visits[1])
        cuts |= {int(begins[k]) for k in np.flatnonzero(again) + 1}
    hints = sorted({start for start in starts if 0 < start < len(run)})
    for hint in hints:
        since = max(cut for cut in cuts if cut <= hint)
        if place[hint] in place[since:hint] and place[hint] != place[hint - 1]:
            cuts.add(hint)
    ordered = [*sorted(cuts), len(run)]
    parts = [run.take(slice(a, b)) for a, b in pairwise(ordered)]
    if max(len(part.places) for part in parts) < _FEWEST_VISITS or len(parts) == 1:
        return (run,)
    return tuple(_named(part, k, parts) for k, part in enumerate(parts, 1))


def note_unfinished(run: Run) -> Run:
    """Say so where the row that was probed last is not complete: the probing may be broken off."""
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


def _named(part: Run, number: int, parts: list[Run]) -> Run:
    most = max(len(other.places) for other in parts)
    warnings = part.warnings
    if len(part.places) < most and _starts_like(part, parts):
        warnings = (
            *warnings,
            f"probing {number} of {len(parts)} was broken off after {len(part.places)} of {most} "
            "places",
        )
    return part.replace(source=f"{part.source} probing {number}", warnings=warnings)


def _starts_like(part: Run, parts: list[Run]) -> bool:
    """Tell whether a longer probing goes the same way at first."""
    count = len(part.places)
    return any(
        len(other.places) > count
        and np.array_equal(other.places.x[:count], part.places.x)
        and np.array_equal(other.places.y[:count], part.places.y)
        for other in parts
    )
