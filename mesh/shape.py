"""Shape: which simple forms a bed is made of, and the one local feature that stands out.

Legendre products P_i(x) P_j(y) up to the degree that cross-validation carries tell the smooth
form. A lone corner, a ridge, a step or a bump is no such form, and many degrees are needed to copy
it badly; so one of each kind is tried as well, where it fits best, and kept if it foretells a place
from the others better than the smooth form alone does.
"""

from dataclasses import dataclass
from itertools import pairwise
from typing import Literal

import numpy as np

from mesh.noise import Noise
from probes.run import Floats, Places

__all__ = ["Feature", "Shape", "Term", "find_shape"]

FeatureKind = Literal["bump", "corner", "ridge", "step"]

_LEAST_PLACES = {2: 9, 3: 25, 4: 49}
"""Places from which a degree is tried."""

_MOST_PLACES = 1000
_CELLS = 24
"""More places are averaged in so many cells along x and along y: form does not need them."""

_SPOTS = 30
"""Bumps are tried at so many places that depart most."""

_PER_DEGREE = 2.0
_PER_FEATURE = 4.0
"""What n log(mean square of the errors foretold) must fall by for a degree or a feature to stay."""

_LEAST_HEIGHT = 0.15
_LEAST_SIGMAS = 4.0
"""A feature is named if it is so large against the departures' range and the noise."""


@dataclass(frozen=True)
class Term:
    """One Legendre product P_i(x) P_j(y) over the probed rectangle.

    Attributes
    ----------
    i, j : int
        Its degrees along x and y.
    value : float
        Its height at the right back corner, mm; for a bow (2, 0) or (0, 2) the edges over the
        middle.
    factor : float
        Standard deviation of the value, as a multiple of a place's.
    share : float
        Part of the departures' sum of squares that it takes, 0 to 1, behind terms of lower degree.
    """

    i: int
    j: int
    value: float
    factor: float
    share: float


@dataclass(frozen=True)
class Feature:
    """One local feature.

    Attributes
    ----------
    kind : {"bump", "corner", "ridge", "step"}
        A bump or dip, a lone corner, a ridge or groove, a step.
    x, y : float or None
        Where, mm; None along the line of a ridge or step.
    height : float
        How far it stands above what is around it, mm; of a step, right or back over left or front.
    share : float
        Part of the departures' sum of squares that it takes, 0 to 1.
    """

    kind: FeatureKind
    x: float | None
    y: float | None
    height: float
    share: float


@dataclass(frozen=True)
class Shape:
    """The form of a bed.

    Attributes
    ----------
    degree : int
        Highest degree that cross-validation carries; 1 if no bow or twist helps.
    terms : tuple of Term
        The terms from the second degree on.
    feature : Feature or None
        What stands out of them.
    rest : float
        Part of the departures' sum of squares that all this leaves, 0 to 1.
    foretold : tuple of (int, float)
        For each degree that was tried, the root mean square error with which a place is foretold
        from the others, mm.
    """

    degree: int
    terms: tuple[Term, ...]
    feature: Feature | None
    rest: float
    foretold: tuple[tuple[int, float], ...]


@dataclass(frozen=True, eq=False)
class _Template:
    kind: FeatureKind
    x: float | None
    y: float | None
    values: Floats


def find_shape(places: Places, noise: Noise) -> Shape:
    """Find the form of a bed.

    Parameters
    ----------
    places : Places
        Three or more that are not in line.
    noise : Noise
        Of the run; a feature has to stand out of it.

    Returns
    -------
    Shape
        The form.

    References
    ----------
    Legendre polynomials: NIST Digital Library of Mathematical Functions, 18.3. Errors foretold by
    leaving one place out: D. M. Allen, "The relationship between variable selection and data
    augmentation and a method for prediction", Technometrics 16 (1974) 125-127.

    Examples
    --------
    >>> from mesh.noise import find_noise
    >>> from probes.run import Run
    >>> x, y = (a.ravel() for a in np.meshgrid(range(7), range(7)))
    >>> run = Run(x=x, y=y, z=0.01 * (x - 3) ** 2 + 0.05 * ((x == 5) & (y == 2)))
    >>> shape = find_shape(run.places, find_noise(run, given=0.002))
    >>> shape.degree, shape.feature.kind, shape.feature.x, shape.feature.y
    (2, 'bump', 5.0, 2.0)
    """
    x, y, z, lines = _condensed(places)
    xi, eta = (
        2 * (t - whole.min()) / np.ptp(whole) - 1 for t, whole in ((x, places.x), (y, places.y))
    )
    degrees = [1]
    degrees += [d for d, least in _LEAST_PLACES.items() if len(x) >= least and min(lines) > d]
    designs = {d: _products(xi, eta, d, lines) for d in degrees}
    scores: dict[tuple[int, _Template | None], float] = {}
    floor = max((1e-9 * float(np.ptp(z))) ** 2, float(np.finfo(np.float64).tiny))
    foretold = []
    for degree in degrees:
        error = _foretold(designs[degree][0], z)
        foretold.append((degree, float(np.sqrt(error))))
        scores[degree, None] = _score(error, len(x), floor) + _PER_DEGREE * degree
    if len(degrees) > 1:
        templates = _templates(x, y, xi, eta, z - _fitted(designs[degrees[1]][0], z))
        for degree in degrees[:-1] if len(degrees) > 2 else degrees:
            for best in _best_of_each_kind(designs[degree][0], z, templates):
                error = _foretold(
                    np.column_stack((designs[degree][0], best.values)), z, evenly=True
                )
                search = 2 * np.log(sum(one.kind == best.kind for one in templates))
                score = _score(error, len(x), floor) + _PER_DEGREE * degree
                scores[degree, best] = score + _PER_FEATURE + float(search)
    degree, template = min(scores, key=lambda key: scores[key])
    return _shape(designs[degree], z, template, noise, tuple(foretold))


def _condensed(places: Places) -> tuple[Floats, Floats, Floats, tuple[int, int]]:
    """Positions, heights and numbers of lines; cell means where the places are very many."""
    x, y, z = places.x, places.y, places.z
    if len(x) <= _MOST_PLACES:
        few = int(np.sqrt(len(x)))
        lines = (places.grid.columns, places.grid.rows) if places.grid else (few, few)
        return x, y, z, lines
    column, row = (
        np.minimum((_CELLS * (t - t.min()) / np.ptp(t)).astype(np.intp), _CELLS - 1) for t in (x, y)
    )
    cell = row * _CELLS + column
    counts = np.bincount(cell, minlength=_CELLS**2)
    kept = counts > 0
    means = [np.bincount(cell, t, _CELLS**2)[kept] / counts[kept] for t in (x, y, z)]
    return means[0], means[1], means[2], (_CELLS, _CELLS)


def _products(
    xi: Floats, eta: Floats, degree: int, lines: tuple[int, int]
) -> tuple[Floats, list[tuple[int, int]]]:
    from numpy.polynomial.legendre import legvander

    along_x, along_y = legvander(xi, degree), legvander(eta, degree)
    kinds = [
        (total - j, j)
        for total in range(degree + 1)
        for j in range(total + 1)
        if total - j < lines[0] and j < lines[1]
    ]
    return np.column_stack([along_x[:, i] * along_y[:, j] for i, j in kinds]), kinds


def _fitted(design: Floats, z: Floats) -> Floats:
    basis = np.linalg.qr(design)[0]
    fitted: Floats = basis @ (basis.T @ z)
    return fitted


def _foretold(design: Floats, z: Floats, *, evenly: bool = False) -> float:
    """Mean square error with which each place is foretold from all others: e / (1 - h).

    A place that a feature sits on is not foretold from the others; evenly, with the mean h for
    each, that does not speak against the feature.
    """
    basis = np.linalg.qr(design)[0]
    free = 1 - np.einsum("ij,ij->i", basis, basis)
    if evenly:
        free[:] = free.mean()
    if (free < 1e-6).any():
        return float("inf")
    errors = (z - basis @ (basis.T @ z)) / free
    return float(errors @ errors / len(z))


def _score(error: float, n: int, floor: float) -> float:
    return n * float(np.log(max(error, floor))) if np.isfinite(error) else float("inf")


def _templates(x: Floats, y: Floats, xi: Floats, eta: Floats, left: Floats) -> list[_Template]:
    """Features to try: bumps where the places depart most, corners, ridges and steps."""
    spacing = float(np.sqrt(np.ptp(x) * np.ptp(y) / len(x)))
    found = []
    for spot in np.argsort(-np.abs(left), kind="stable")[:_SPOTS]:
        squared = (x - x[spot]) ** 2 + (y - y[spot]) ** 2
        for width in (0.4, 0.8, 1.4):
            values = np.exp(-squared / (2 * (width * spacing) ** 2))
            found.append(_Template("bump", float(x[spot]), float(y[spot]), values))
    for right in (-1, 1):
        for back in (-1, 1):
            for start in (0.0, 0.5, 1.0):
                values = np.maximum(0.0, right * xi + back * eta - start) / (2 - start)
                at_x = float(x.max() if right > 0 else x.min())
                at_y = float(y.max() if back > 0 else y.min())
                found.append(_Template("corner", at_x, at_y, values))
    for axis, t in (("x", x), ("y", y)):
        lines = _lines(t)
        inner = lines[1:-1]
        for line in inner:
            values = np.exp(-((t - line) ** 2) / (2 * (0.4 * spacing) ** 2))
            found.append(_across("ridge", axis, float(line), values))
        for low, high in pairwise(lines[1:-1]):
            middle = float((low + high) / 2)
            found.append(_across("step", axis, middle, (t > middle).astype(np.float64)))
    return found


def _lines(t: Floats) -> Floats:
    """Give the distinct positions along an axis, or a few even ones where there are very many."""
    ordered = np.sort(t)
    gaps = np.diff(ordered)
    distinct = np.append(ordered[:1], ordered[1:][gaps > 1e-6 * float(np.ptp(t))])
    return distinct if len(distinct) <= _CELLS else np.linspace(t.min(), t.max(), 12)


def _across(kind: FeatureKind, axis: str, at: float, values: Floats) -> _Template:
    return _Template(kind, at if axis == "x" else None, at if axis == "y" else None, values)


def _best_of_each_kind(design: Floats, z: Floats, templates: list[_Template]) -> list[_Template]:
    """Pick the template of each kind that lowers the sum of squares most."""
    basis = np.linalg.qr(design)[0]
    values = np.stack([one.values for one in templates])
    fresh = values - (values @ basis) @ basis.T
    lengths = np.einsum("ij,ij->i", fresh, fresh)
    usable = lengths > 1e-3 * np.einsum("ij,ij->i", values, values)
    gains = np.where(usable, (fresh @ z) ** 2 / np.where(usable, lengths, 1.0), -1.0)
    best: dict[FeatureKind, int] = {}
    for k, one in enumerate(templates):
        if gains[k] > 0 and (one.kind not in best or gains[k] > gains[best[one.kind]]):
            best[one.kind] = k
    return [templates[k] for k in best.values()]


def _shape(
    design: tuple[Floats, list[tuple[int, int]]],
    z: Floats,
    template: _Template | None,
    noise: Noise,
    foretold: tuple[tuple[int, float], ...],
) -> Shape:
    columns, kinds = design
    feature = None if template is None else _measured(columns, z, template, noise)
    whole = columns
    if feature is not None and template is not None:
        whole = np.column_stack((columns, template.values))
    basis, triangle = np.linalg.qr(whole)
    parts = basis.T @ z
    inverse = np.linalg.inv(triangle)
    values, factors = inverse @ parts, np.sqrt((inverse**2).sum(axis=1))
    left = z - basis @ parts
    total = float(parts[3:] @ parts[3:] + left @ left)
    shares = parts**2 / total if total > 0 else np.zeros(len(parts))
    size = np.where([kind in ((2, 0), (0, 2)) for kind in kinds], 1.5, 1.0)
    return Shape(
        degree=max(sum(kind) for kind in kinds),
        terms=tuple(
            Term(i, j, float(size[k] * values[k]), float(size[k] * factors[k]), float(shares[k]))
            for k, (i, j) in enumerate(kinds)
            if i + j >= 2
        ),
        feature=None if feature is None else _with_share(feature, float(shares[-1])),
        rest=float(left @ left / total) if total > 0 else 0.0,
        foretold=foretold,
    )


def _measured(columns: Floats, z: Floats, template: _Template, noise: Noise) -> Feature | None:
    """Measure a feature; None if it is too small to name."""
    whole = np.column_stack((columns, template.values))
    basis, triangle = np.linalg.qr(whole)
    height = float((basis[:, -1] @ z) / triangle[-1, -1])
    sigma = 0.0 if noise.of_places is None else noise.of_places / abs(float(triangle[-1, -1]))
    departures = z - _fitted(columns[:, :3], z)
    if abs(height) < max(_LEAST_HEIGHT * float(np.ptp(departures)), _LEAST_SIGMAS * sigma):
        return None
    return Feature(template.kind, template.x, template.y, height, 0.0)


def _with_share(feature: Feature, share: float) -> Feature:
    return Feature(feature.kind, feature.x, feature.y, feature.height, share)
