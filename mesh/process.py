"""Gaussian process: a plane, a smooth shape about it, and noise, each as large as is likeliest.

The shape's heights at two spots vary together by a product of one factor for x and one for y, which
on a grid makes n^1.5 steps of n^3. The plane's three numbers are integrated out (restricted
likelihood), so that a tilted bed is judged like a level one. Of two laws of smoothness the likelier
is taken.
"""

from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Protocol, get_args

import numpy as np

from mesh.correlation import Kernel, LikelihoodTerms
from mesh.gather import gather
from mesh.lattice import Lattice
from mesh.predictor import Predictor
from mesh.scattered import Scattered
from probes.run import Floats

__all__ = ["Process", "fit_grid", "fit_scattered", "restricted_likelihood"]

_LEAST_NOISE = 1e-9
"""Least noise variance as a part of the shape's; below it the equations lose their digits."""

_MOST_NOISE = 1e6
_LONGEST = 20.0
"""Longest length scale, in lengths of the probed rectangle."""

_SHORTEST = 0.5
"""Shortest length scale, in mean distances of neighbours; without noise, in the least distance."""

_FEWEST_FOR_LENGTHS = 9
"""With fewer places the length scales are not fitted but held at the size of the rectangle."""

_FIRST = 400
"""Places, gathered, from which the search begins where there are more and they are scattered."""

_FIRST_LINES = 60
"""Lines along each axis from which the search begins where there are more."""

_LENGTHS, _NOISES = (0.5, 0.15, 1.5), (1e-2, 1e-4, 1.0)
"""Length scales (parts of the rectangle) and noise (part of the shape) tried before the search."""


_FLAT = 1e-30
"""Least variance of a shape, mm^2: some of the places may stand on a plane."""

_STEP = 1e-3
"""Step of the differences that the curvature of the likelihood is taken from."""

_MOST_DOUBT = 1.0
"""Most that a setting's logarithm is doubted by."""

_Guess = Callable[[Floats, Floats], Floats]


class _Model(Protocol):
    """Places whose likelihood can be asked for, and that can be predicted from."""

    count: int
    kernel: Kernel
    spans: tuple[float, float]
    steps: tuple[float, float]
    closest: tuple[float, float]

    def terms(self, length_x: float, length_y: float, noise: float) -> LikelihoodTerms: ...

    def predictor(
        self, length_x: float, length_y: float, noise: float, scale: float
    ) -> Predictor: ...

    def guess(self, length_x: float, length_y: float, noise: float) -> _Guess: ...


@dataclass(frozen=True, eq=False)
class Process:
    """A fitted Gaussian process.

    Attributes
    ----------
    signal : float
        Standard deviation of the shape about the plane, mm.
    length_x, length_y : float
        Distances along x and y over which the shape changes, mm.
    noise : float
        Standard deviation of a place's reading, mm; given or fitted.
    kernel : str
        The law of the covariance.
    likelihood : float
        Logarithm of the restricted likelihood.
    predictor : Predictor
        Heights and variances between the places.
    """

    signal: float
    length_x: float
    length_y: float
    noise: float
    kernel: Kernel
    likelihood: float
    predictor: Predictor = field(repr=False)


def fit_grid(x: Floats, y: Floats, z: Floats, noise: float | None = None) -> Process:
    """Fit a Gaussian process to places on a grid.

    Parameters
    ----------
    x, y : ndarray, shape (columns,), (rows,)
        Rising positions of the lines, mm.
    z : ndarray, shape (rows, columns)
        Heights, mm, that are no plane; NaN at holes.
    noise : float, optional
        Standard deviation of a place, mm, where it is known; fitted if not.

    Returns
    -------
    Process
        The likelier of the two laws; of many lines, the one that is likelier for some of them, from
        where the search then goes on with all.

    Examples
    --------
    >>> x = y = np.linspace(0, 300, 7)
    >>> process = fit_grid(x, y, 0.1 * np.outer(np.sin(y / 60), np.cos(x / 60)), 0.002)
    >>> height, variance = process.predictor.at(np.array([75.0]), np.array([125.0]))
    >>> height.item(), float(0.1 * np.sin(125 / 60) * np.cos(75 / 60))
    (0.03, 0.03)
    """
    by_x, by_y = (-(-len(lines) // _FIRST_LINES) for lines in (x, y))
    if np.isfinite(z[::by_y, ::by_x]).mean() < 0.5:  # too many of its holes to begin from
        by_x = by_y = 1
    first = max(
        (_fit(Lattice(x[::by_x], y[::by_y], z[::by_y, ::by_x], kernel), noise)
         for kernel in get_args(Kernel)), key=lambda one: one.likelihood,
    )  # fmt: skip
    if by_x * by_y == 1:
        return first
    return _fit(Lattice(x, y, z, first.kernel), noise, first)


def fit_scattered(
    x: Floats, y: Floats, z: Floats, spread: Floats, noise: float | None = None
) -> Process:
    """Fit a Gaussian process to places anywhere.

    Parameters
    ----------
    x, y, z : ndarray, shape (n,)
        Four places or more that do not stand on a plane, mm.
    spread : ndarray, shape (n,)
        Standard deviation of each place's noise, in units of `noise`.
    noise : float, optional
        As for `fit_grid`.

    Returns
    -------
    Process
        The likelier of the two laws; of many places, the one that is likelier for means of cells,
        from where the search then goes on with all of them.
    """
    few = gather(x, y, z, spread, _FIRST)
    first = max(
        (_fit(Scattered(few.x, few.y, few.z, few.spread, kernel), noise)
         for kernel in get_args(Kernel)), key=lambda one: one.likelihood,
    )  # fmt: skip
    if len(few.x) == len(x):
        return first
    return _fit(Scattered(x, y, z, spread, first.kernel), noise, first)


def restricted_likelihood(
    model: _Model, length_x: float, length_y: float, noise: float, given: float | None = None
) -> tuple[float, float, Floats]:
    """Logarithm of the restricted likelihood, the shape's variance, and the slopes.

    Parameters
    ----------
    model : Scattered or Lattice
        The places.
    length_x, length_y : float
        Length scales, mm.
    noise : float
        Noise variance as a part of the shape's.
    given : float, optional
        Noise, mm, above zero. If not given, the shape's variance is the likeliest one.

    Returns
    -------
    likelihood, variance : float
        Natural logarithm; mm^2.
    slopes : ndarray, shape (3,)
        Derivatives by the logarithms of the three settings.

    References
    ----------
    H. D. Patterson, R. Thompson, "Recovery of inter-block information when block sizes are
    unequal", Biometrika 58 (1971) 545-554.
    """
    terms = model.terms(length_x, length_y, noise)
    free = model.count - 3
    variance = max(terms.squares / free, _FLAT) if given is None else given**2 / noise
    value = free * float(np.log(2 * np.pi * variance)) + terms.log_det + terms.squares / variance
    slopes = terms.log_det_slopes + terms.squares_slopes / variance
    if given is not None:
        slopes[2] -= free - terms.squares / variance
    return -value / 2, variance, -slopes / 2


def _fit(model: _Model, noise: float | None, near: Process | None = None) -> Process:
    """Find the likeliest settings, from several starts or near those of another fit."""
    from scipy.optimize import minimize

    given = noise or None  # without noise the least that the equations bear, and no more
    bounds = _bounds(model, noise)

    def cost(settings: Floats) -> tuple[float, Floats]:
        try:
            value, _, slopes = restricted_likelihood(model, *_settings(settings), given)
        except np.linalg.LinAlgError:  # noise too little for so smooth a shape
            return 1e25, np.zeros(3)
        return -value, -slopes

    start = _first(bounds, model, cost, near)
    found = minimize(
        cost, start, jac=True, method="L-BFGS-B", bounds=[(low, high) for low, high in bounds],
        options={"ftol": 1e-10 if near is None else 1e-7, "gtol": 1e-5},
    )  # fmt: skip
    logs = np.asarray(found.x, dtype=np.float64)
    length_x, length_y, ratio = _settings(logs)
    value, variance, _ = restricted_likelihood(model, length_x, length_y, ratio, given)
    return Process(
        signal=float(np.sqrt(variance)),
        length_x=length_x,
        length_y=length_y,
        noise=float(np.sqrt(variance * ratio)) if noise is None else noise,
        kernel=model.kernel,
        likelihood=value,
        predictor=_Unsure(
            model.predictor(length_x, length_y, ratio, variance),
            tuple(
                (model.guess(*_settings(one)), model.guess(*_settings(other)))
                for one, other in _doubtful(logs, bounds, cost)
            ),
        ),
    )


@dataclass(frozen=True, eq=False)
class _Unsure:
    """A predictor whose settings are not known for sure themselves."""

    best: Predictor
    pairs: tuple[tuple[_Guess, _Guess], ...]

    @property
    def left_out(self) -> Floats:
        return self.best.left_out

    def at(self, x: Floats, y: Floats) -> tuple[Floats, Floats]:
        height, variance = self.best.at(x, y)
        for one, other in self.pairs:
            variance += (one(x, y) - other(x, y)) ** 2 / 4
        return height, variance


def _doubtful(
    settings: Floats, bounds: Floats, cost: Callable[[Floats], tuple[float, Floats]]
) -> list[tuple[Floats, Floats]]:
    """Pairs of settings one standard deviation to either side of the likeliest.

    What they differ by is added to the variance: D. L. Zimmerman, N. Cressie, "Mean squared
    prediction error in the spatial linear model with estimated covariance parameters", Ann. Inst.
    Stat. Math. 44 (1992) 27-43.
    """
    free = np.flatnonzero((settings > bounds[:, 0] + _STEP) & (settings < bounds[:, 1] - _STEP))
    if len(free) == 0:
        return []
    curvature = np.empty((len(free), len(free)))
    for k, which in enumerate(free):
        step = _STEP * np.eye(len(settings))[which]
        curvature[k] = (cost(settings + step)[1] - cost(settings - step)[1])[free] / (2 * _STEP)
    sizes, ways = np.linalg.eigh((curvature + curvature.T) / 2)
    pairs = []
    for size, way in zip(sizes, ways.T, strict=True):
        step = np.zeros(len(settings))
        step[free] = way * min(_MOST_DOUBT, 1 / np.sqrt(max(size, 1e-9)))
        pairs.append((np.clip(settings - step, *bounds.T), np.clip(settings + step, *bounds.T)))
    return pairs


def _bounds(model: _Model, noise: float | None) -> Floats:
    """Least and largest logarithms of the settings; shape (3, 2)."""
    steps = model.closest if noise == 0 else model.steps
    lengths = [(step * _SHORTEST, span * _LONGEST)
               for step, span in zip(steps, model.spans, strict=True)]  # fmt: skip
    if model.count < _FEWEST_FOR_LENGTHS:
        lengths = [(span, span) for span in model.spans]
    ratios = (_LEAST_NOISE, _LEAST_NOISE if noise == 0 else _MOST_NOISE)
    bounds: Floats = np.log(np.array((*lengths, ratios)))
    return bounds


def _first(
    bounds: Floats,
    model: _Model,
    cost: Callable[[Floats], tuple[float, Floats]],
    near: Process | None,
) -> Floats:
    """Give the likeliest of some settings to begin from."""
    short = [np.array(model.steps) * 2, np.exp(bounds[:2, 0])]
    lengths = [np.array(model.spans) * length for length in _LENGTHS]
    ratios = _NOISES[:1] if bounds[2, 0] == bounds[2, 1] else _NOISES
    starts = [
        np.log((*length, ratio))
        for length in (short[:1] if near else lengths + short)
        for ratio in ratios
    ]
    if near:
        starts.insert(0, _near(near))
    starts = [np.clip(start, *bounds.T) for start in starts]
    # few places may not tell settings apart; the first is then taken, whatever the rounding
    return min(starts, key=lambda settings: round(cost(settings)[0], 6))


def _near(process: Process) -> Floats:
    ratio = max((process.noise / process.signal) ** 2, _LEAST_NOISE)
    settings: Floats = np.log(np.array((process.length_x, process.length_y, ratio)))
    return settings


def _settings(logs: Floats) -> tuple[float, float, float]:
    length_x, length_y, ratio = np.exp(logs)
    return float(length_x), float(length_y), float(ratio)
