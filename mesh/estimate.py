"""The flatness behind the noise: how flat the bed itself is likely to be over its places.

Noise makes a bed look less flat: among places that stand about as high, the one whose noise is
highest sets the figure. So possible beds are drawn from what the readings say (`mesh.smooth`), and
the minimum zones of these, not of the readings, say how flat the bed is.
"""

from collections.abc import Callable
from dataclasses import dataclass
from math import sqrt

import numpy as np

from mesh.flatness import Flatness
from mesh.modes import Modes
from mesh.noise import Noise
from mesh.plane import fit_plane
from mesh.ranges import expected_range, range_quantile
from mesh.smooth import smooth_bed
from mesh.widths import zone_widths
from probes.quantiles import chi_square_quantile, normal_quantile, student_quantile
from probes.run import Floats, Ints, Places

__all__ = [
    "DRAWS",
    "Estimate",
    "FinerGrid",
    "competing_extremes",
    "estimate_flatness",
    "looks_perfect",
]

DRAWS = 400
"""Beds drawn, unless another number is asked for."""

_OUTSIDE = 0.01
"""Part of the drawn beds left out at either end. The draws know the bed's smoothness only so well:
with this part the bounds hold the truth 95 times in 100 over the beds of the tests' study."""

_SEED = 12781
_BLOCK = 1_000_000
_FEWEST_LINES = 5

_FEWEST_PLACES = 9
"""Of fewer places the bounds are sure ones, and wide: they tell too little of the bed's form."""


@dataclass(frozen=True)
class FinerGrid:
    """What a grid with more lines would be likely to find.

    Attributes
    ----------
    coarser : float
        Flatness of the likely bed on the grid with about every second line left out, mm.
    value : float
        Likely flatness on a much finer grid, mm: what leaving lines out loses falls with the square
        of their distance.
    most : float
        Flatness if all finer lines together bring as much again as the last doubling did, mm.
    """

    coarser: float
    value: float
    most: float


@dataclass(frozen=True)
class Estimate:
    """Likely flatness of a bed, without noise, over the places that were probed.

    Attributes
    ----------
    value : float
        Likely minimum zone, mm: the mean over the drawn beds.
    interval : (float, float)
        Bounds that hold the true one 95 times in 100, mm.
    smooth : float
        Minimum zone of the likely heights, mm; the drawn beds correct it.
    noise_part : float
        What noise adds to a measured flatness of such a shape, mm: the rule of competing extremes.
    finer : FinerGrid or None
        What a finer grid would find; None without a grid of 5 x 5 lines or more.
    draws : int
        Beds drawn.
    """

    value: float
    interval: tuple[float, float]
    smooth: float
    noise_part: float
    finer: FinerGrid | None
    draws: int


def estimate_flatness(
    places: Places,
    noise: Noise,
    *,
    perfect: bool = False,
    draws: int = DRAWS,
    progress: Callable[[float], None] = lambda _: None,
) -> Estimate | None:
    """Estimate the flatness of the bed behind noisy readings.

    Parameters
    ----------
    places : Places
        Three or more that are not in line.
    noise : Noise
        Of the run. Places that are touched less often than others count as uncertain as the worst.
    perfect : bool, default False
        Whether the bed looks perfect (`looks_perfect`): then nothing is the lower bound.
    draws : int
        Number of beds to draw, 40 or more.
    progress : callable
        Is told the share that is done.

    Returns
    -------
    Estimate or None
        None where the noise is not known, or three places leave no flatness to estimate.

    References
    ----------
    The parametric bootstrap: B. Efron, R. Tibshirani, An Introduction to the Bootstrap, 1993,
    chapter 6; beds are drawn from their posterior law instead of one fit.

    Examples
    --------
    >>> from probes.run import Run
    >>> from mesh.noise import find_noise
    >>> x, y = (a.ravel() for a in np.meshgrid(range(7), range(7)))
    >>> noise = np.random.default_rng(1).normal(0, 0.01, 49)
    >>> run = Run(x=x, y=y, z=0.1 * ((x - 3) / 3) ** 2 + noise)
    >>> found = estimate_flatness(run.places, find_noise(run, given=0.01))
    >>> found.interval[0] < 0.1 < found.interval[1]
    True
    """
    sigma = noise.worst_place
    if not sigma or len(places) < 4:
        return None
    random = np.random.default_rng(_SEED)
    bed = smooth_bed(places, sigma, noise.freedom)
    coarse = _every_second_line(places)
    widths, coarser = [], []
    done, block = 0, max(1, _BLOCK // len(places))
    while done < draws:
        heights = bed.draw(random, min(block, draws - done))
        widths.append(zone_widths(places.x, places.y, heights))
        if coarse is not None:
            kept = coarse[0]
            coarser.append(zone_widths(places.x[kept], places.y[kept], heights[:, kept]))
        done += len(heights)
        progress(done / draws)
    found = np.concatenate(widths)
    low, high = (float(bound) for bound in np.quantile(found, (_OUTSIDE, 1 - _OUTSIDE)))
    if len(places) < _FEWEST_PLACES:
        low, high = _sure_bounds(places, noise)
    smooth = float(zone_widths(places.x, places.y, bed.heights[None, :])[0])
    finer = None
    if coarse is not None:
        finer = _finer(float(found.mean()), float(np.concatenate(coarser).mean()), coarse[1])
    return Estimate(
        value=float(found.mean()),
        interval=(0.0 if perfect else low, high),
        smooth=smooth,
        noise_part=competing_extremes(places, bed.heights, sigma),
        finer=finer,
        draws=draws,
    )


def _sure_bounds(places: Places, noise: Noise) -> tuple[float, float]:
    """Bounds by the range of the noise: it cannot change a minimum zone by more."""
    width = float(zone_widths(places.x, places.y, places.z[None, :])[0])
    reach = _noise_range(len(places), noise, 0.05)
    return max(0.0, width - reach), width + reach


def _noise_range(n: int, noise: Noise, outside: float) -> float:
    """Give what the range of the noise over n places passes with this chance only, mm."""
    worst = noise.worst_place or 0.0
    if noise.freedom is None:
        return range_quantile(n, 1 - outside) * worst
    # an estimated sigma may be too small: the chance is shared out
    small = sqrt(chi_square_quantile(outside / 2, noise.freedom) / noise.freedom)
    return range_quantile(n, 1 - outside / 2) * worst / small


def competing_extremes(places: Places, heights: Floats, sigma: float) -> float:
    """Give what noise adds to the flatness of a shape, by the rule of competing extremes.

    The places within one sigma of the highest compete to be it, and so at the lowest: the noise
    adds half the expected range of as many values at either side.

    Parameters
    ----------
    places : Places
        Where.
    heights : ndarray, shape (n,)
        The shape without noise, mm.
    sigma : float
        Standard deviation of a place, mm.

    Returns
    -------
    float
        mm.
    """
    away = fit_plane(places.x, places.y, heights).residuals
    top = int((away >= away.max() - sigma).sum())
    bottom = int((away <= away.min() + sigma).sum())
    return sum(expected_range(count) / 2 for count in (top, bottom) if count > 1) * sigma


def looks_perfect(flat: Flatness, shape: Modes, noise: Noise) -> bool:
    """Tell whether noise alone on a perfect plane may look as unflat.

    Two questions are asked, each so that noise says no once in forty: whether the range of the
    departures is larger than noise makes it, and whether a bow or the twist stands out.

    Parameters
    ----------
    flat : Flatness
        Of the places.
    shape : Modes
        Of the places.
    noise : Noise
        Of the run.
    """
    if noise.of_places is None:
        return False
    if flat.least_squares > _noise_range(len(flat.departures), noise, 0.025):
        return False
    found = [mode for mode in (shape.twist, shape.bow_x, shape.bow_y) if mode is not None]
    if not found:
        return True
    probability = 1 - 0.025 / (2 * len(found))
    reach = (
        normal_quantile(probability)
        if noise.freedom is None
        else student_quantile(probability, noise.freedom)
    )
    return all(abs(mode.value) <= reach * mode.factor * noise.of_places for mode in found)


def _every_second_line(places: Places) -> tuple[Ints, float] | None:
    """Places of about every second line, the outer ones kept, and how much wider these lie."""
    grid = places.grid
    if grid is None or min(grid.columns, grid.rows) < _FEWEST_LINES:
        return None
    picked, wider = [], []
    for count in (grid.columns, grid.rows):
        fewer = (count + 1) // 2
        picked.append(np.round(np.linspace(0, count - 1, fewer)).astype(int))
        wider.append((count - 1) / (fewer - 1))
    lines = grid.matrix(np.arange(len(places), dtype=np.float64))[np.ix_(picked[1], picked[0])]
    kept = lines[np.isfinite(lines)].astype(np.intp)
    if len(kept) < 9:
        return None
    return kept, min(wider)


def _finer(value: float, coarser: float, wider: float) -> FinerGrid:
    gain = max(0.0, value - coarser)
    return FinerGrid(coarser=coarser, value=value + gain / (wider**2 - 1), most=value + gain)
