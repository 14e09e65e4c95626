"""The bed behind the readings: how much of each kind of shape is bed, and how much is noise.

Heights are parted into kinds of shape that are at right angles to one another over the places: the
plane, each bow, the twist, each S, finer waves along x, finer waves along y, shapes of degree three
and four that run along neither, and the rest. Of each kind but the plane a share is kept. A kind
that is no larger than noise would make it is most likely noise; one that is far larger is kept
whole. The share is not known, so it is drawn, and with it possible beds.
"""

from dataclasses import dataclass

import numpy as np

from probes.run import Floats, Places

__all__ = ["SmoothBed", "smooth_bed"]

_ABSENT = 0.5
"""Chance, before the readings are seen, that a bed has nothing of a kind of shape."""

_ALONG = 8
"""Highest degree of waves along x or y alone; finer ones are in the rest."""

_ACROSS = 4
"""Highest degree of shapes that run along neither."""

_NODES = 100
_SURELY_THERE = 50.0
"""From so much more than noise on, the share is drawn from its limiting law."""

_DEPENDENT = 1e-6
"""A column that the others explain but for this part of its length is left out."""

_NOISE_SHARES: Floats = np.append(
    np.sin((np.arange(_NODES) + 0.5) * np.pi / (2 * _NODES)) ** 2, 1.0
)
"""Possible parts of noise in a kind; even steps of the arc sine, as the prior has it, and 1."""


@dataclass(frozen=True, eq=False)
class SmoothBed:
    """What the readings say of the bed's true heights.

    Attributes
    ----------
    heights : ndarray, shape (n,)
        Likely heights, mm: the mean of all possible beds.
    sigma : float
        Standard deviation of a place, mm.
    freedom : int or None
        Degrees of freedom of sigma; None if it was given.
    """

    heights: Floats
    sigma: float
    freedom: int | None
    _basis: Floats  # (n, terms): columns at right angles, of length 1
    _terms: Floats  # (terms,): the heights in that basis
    _kinds: tuple[slice, ...]
    _rest: Floats  # (n,): what the basis leaves of the heights

    def draw(self, random: np.random.Generator, count: int) -> Floats:
        """Draw possible beds.

        Parameters
        ----------
        random : Generator
            Source of chance.
        count : int
            Number of beds.

        Returns
        -------
        ndarray, shape (count, n)
            Heights, mm.
        """
        n, terms = self._basis.shape
        variance = np.full(count, self.sigma**2)
        if self.freedom is not None:
            variance *= self.freedom / random.chisquare(self.freedom, count)
        drawn = np.tile(self._terms, (count, 1))
        for kind in self._kinds:
            values = self._terms[kind]
            kept = _draw_kept(random, len(values), float(values @ values), variance)
            spread = np.sqrt(kept * variance)[:, None]
            drawn[:, kind] = kept[:, None] * values
            drawn[:, kind] += spread * random.standard_normal((count, len(values)))
        heights = drawn @ self._basis.T
        if n > terms:
            kept = _draw_kept(random, n - terms, float(self._rest @ self._rest), variance)
            noise = random.standard_normal((count, n))
            noise -= (noise @ self._basis) @ self._basis.T
            noise *= np.sqrt(kept * variance)[:, None]
            heights += noise
            heights += kept[:, None] * self._rest
        return heights


def smooth_bed(places: Places, sigma: float, freedom: int | None = None) -> SmoothBed:
    """Tell bed from noise.

    Parameters
    ----------
    places : Places
        Three or more that are not in line.
    sigma : float
        Standard deviation of a place, mm, above zero.
    freedom : int, optional
        Degrees of freedom of sigma where it is an estimate.

    Returns
    -------
    SmoothBed
        Its likely heights, and a source of possible ones.

    References
    ----------
    C. M. Carvalho, N. G. Polson, J. G. Scott, "The horseshoe estimator for sparse signals",
    Biometrika 97 (2010) 465-480: the law of the shares. T. J. Mitchell, J. J. Beauchamp, "Bayesian
    variable selection in linear regression", J. Am. Stat. Assoc. 83 (1988) 1023-1032: kinds that
    may be absent.

    Examples
    --------
    >>> from probes.run import Run
    >>> x, y = (a.ravel() for a in np.meshgrid(range(5), range(5)))
    >>> run = Run(x=x, y=y, z=0.1 * (x - 2) ** 2)
    >>> bed = smooth_bed(run.places, sigma=0.001)
    >>> bool(np.allclose(bed.heights, run.z, atol=1e-6))
    True
    """
    basis, kinds = _basis(places)
    terms = places.z @ basis
    rest = places.z - basis @ terms
    variance = np.array([sigma**2])
    likely = terms.copy()
    for kind in kinds:
        likely[kind] *= _mean_kept(len(terms[kind]), float(terms[kind] @ terms[kind]), variance)
    heights = basis @ likely
    if len(rest) > len(terms):
        heights += _mean_kept(len(rest) - len(terms), float(rest @ rest), variance) * rest
    return SmoothBed(
        heights=heights,
        sigma=sigma,
        freedom=freedom,
        _basis=basis,
        _terms=terms,
        _kinds=kinds,
        _rest=rest,
    )


def _basis(places: Places) -> tuple[Floats, tuple[slice, ...]]:
    """Columns at right angles, and the kinds of shape among them but for the plane."""
    columns, labels = _columns(places)
    norms = np.linalg.norm(columns, axis=0)
    norms[norms == 0] = 1.0
    basis, triangle = np.linalg.qr(columns / norms)
    kept = np.abs(np.diag(triangle)) > _DEPENDENT
    if not kept.all():
        columns, labels = (
            columns[:, kept],
            [k for k, keep in zip(labels, kept, strict=True) if keep],
        )
        basis = np.linalg.qr(columns / norms[kept])[0]
    order = list(dict.fromkeys(labels))
    basis = np.column_stack(
        [basis[:, k] for kind in order for k, label in enumerate(labels) if label == kind]
    )
    kinds, start = [], 0
    for kind in order:
        size = labels.count(kind)
        kinds.append(slice(start, start + size))
        start += size
    return basis, tuple(kinds[1:])


def _columns(places: Places) -> tuple[Floats, list[str]]:
    """Products of Legendre polynomials, by rising degree, and the kind of shape each belongs to."""
    from numpy.polynomial.legendre import legvander

    n = len(places)
    scattered = int(np.sqrt(n))
    grid = places.grid
    lines = (grid.columns, grid.rows) if grid else (scattered, scattered)
    most_x, most_y = (min(count - 1, _ALONG) for count in lines)
    x, y = places.x, places.y
    along_x = legvander((2 * x - x.min() - x.max()) / np.ptp(x), max(most_x, 1))
    along_y = legvander((2 * y - y.min() - y.max()) / np.ptp(y), max(most_y, 1))
    columns, labels = [np.ones(n), along_x[:, 1], along_y[:, 1]], ["plane"] * 3
    for degree in range(2, max(most_x, most_y, _ACROSS) + 1):
        for i in range(degree, -1, -1):
            j = degree - i
            alone = i == 0 or j == 0
            if i > most_x or j > most_y or not (alone or degree <= _ACROSS):
                continue
            columns.append(along_x[:, i] * along_y[:, j])
            labels.append(_kind(i, j))
    columns, labels = columns[:n], labels[:n]
    return np.column_stack(columns), labels


def _kind(i: int, j: int) -> str:
    """Name the kind of shape of P_i(x) P_j(y): low ones stand alone, finer ones go together."""
    if i + j == 2 or (i + j == 3 and 0 in (i, j)):
        return f"x{i} y{j}"
    if j == 0:
        return "fine along x"
    if i == 0:
        return "fine along y"
    return f"degree {i + j}"


def _odds(size: int, excess: Floats) -> Floats:
    """Probabilities of `_NOISE_SHARES`, for a kind of so many terms; a row for each excess.

    A kind whose terms have the variance s2 / share, with s2 the noise's, is as likely as
    share^(size / 2) exp(-share excess), with excess = sum of squares / (2 s2).
    """
    logs = size / 2 * np.log(_NOISE_SHARES) - _NOISE_SHARES * excess[:, None]
    logs[:, :-1] += np.log((1 - _ABSENT) / _NODES)
    logs[:, -1] += np.log(_ABSENT)
    odds: Floats = np.exp(logs - logs.max(axis=1, keepdims=True))
    odds /= odds.sum(axis=1, keepdims=True)
    return odds


def _surely_there(size: int, excess: Floats) -> bool:
    return float(excess.mean()) > _SURELY_THERE + size


def _mean_kept(size: int, squares: float, variance: Floats) -> float:
    excess = squares / (2 * variance)
    if _surely_there(size, excess):
        return 1 - float((size + 1) / (2 * excess[0]))
    return 1 - float(_odds(size, excess)[0] @ _NOISE_SHARES)


def _draw_kept(
    random: np.random.Generator, size: int, squares: float, variance: Floats
) -> Floats:  # fmt: skip
    """Draw the share of a kind that is bed, once for each noise variance."""
    excess = squares / (2 * variance)
    count = len(variance)
    if _surely_there(size, excess):
        noise = random.standard_gamma((size + 1) / 2, count) / excess
        return 1 - np.minimum(noise, 1.0)
    same = np.ptp(excess) == 0
    below = np.cumsum(_odds(size, excess[:1] if same else excess), axis=1)
    node = (below < random.uniform(size=(count, 1))).sum(axis=1)
    node = np.minimum(node, _NODES)
    angle = (node + random.uniform(size=count)) * np.pi / (2 * _NODES)
    return np.where(node == _NODES, 0.0, np.cos(angle) ** 2)
