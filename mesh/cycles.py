"""Cycles: how a bed warps with temperature, over heating and cooling, and what it keeps.

Each mode, and the height of each place, is taken as a + b (T - T0) + d (T - T0)² + e (heating +1,
cooling -1) + r (cycle): b is its slope, 2 e the width of its loop, r what each cycle leaves.
"""

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from probes.errors import RequestError
from probes.quantiles import normal_quantile, student_quantile
from probes.run import Floats, frozen

__all__ = ["Cycles", "Effect", "ModeCycles", "Prediction", "directions", "fit_cycles"]

Bools = npt.NDArray[np.bool_]
Ints = npt.NDArray[np.intp]

_SAME_K = 2.0
"""Temperatures closer than this are one, K: beds are held no better (common practice, no
source)."""
_BEYOND_K = 5.0
_BEYOND_PART = 0.25
"""So far, in K and as a part of their range, a prediction may go beyond the temperatures seen."""


@dataclass(frozen=True)
class Effect:
    """One coefficient of a mode.

    Attributes
    ----------
    value : float
        In the unit that its place says.
    sigma : float or None
        Its standard deviation; None where no state is left over to tell.
    significant : bool or None
        Whether zero is outside the 95 % interval (Student's t); None where it cannot be told.
    """

    value: float
    sigma: float | None
    significant: bool | None


@dataclass(frozen=True)
class ModeCycles:
    """How one mode goes with temperature; None where the states cannot tell.

    Attributes
    ----------
    name : str
        Of the mode.
    slope : Effect or None
        mm per K, at the mean of the temperatures.
    curvature : Effect or None
        mm per K²; it takes three temperatures.
    loop : Effect or None
        Heating less cooling at one temperature, mm.
    set_per_cycle : Effect or None
        What each cycle leaves for good, mm.
    scatter : float or None
        Standard deviation of a state about all that, mm.
    """

    name: str
    slope: Effect | None
    curvature: Effect | None
    loop: Effect | None
    set_per_cycle: Effect | None
    scatter: float | None


@dataclass(frozen=True, eq=False)
class Prediction:
    """Modes and map at one temperature, or why not.

    Attributes
    ----------
    bed : float
        The temperature asked for, degC.
    refusal : str
        Why there is none; empty if there is.
    modes : dict of str to (value, low, high)
        mm, with the 95 % interval of a single state.
    heights : ndarray, shape (places,), or None
        The whole map, mm; None where no maps were given.
    reach : ndarray, shape (places,), or None
        Half-width of the 95 % interval of each, mm.
    """

    bed: float
    refusal: str
    modes: dict[str, tuple[float, float, float]]
    heights: Floats | None
    reach: Floats | None


@dataclass(frozen=True, eq=False)
class Cycles:
    """How a bed goes with temperature.

    Attributes
    ----------
    modes : tuple of ModeCycles
        In the order given.
    lowest, highest : float
        Temperatures seen, degC.
    first_cycle, last_cycle : int
        Numbers of the cycles seen.
    freedom : int
        States less fitted coefficients.
    terms : tuple of str
        What was fitted: height, and as far as the states carry them slope, loop, set, curvature.
    """

    modes: tuple[ModeCycles, ...]
    lowest: float
    highest: float
    first_cycle: int
    last_cycle: int
    freedom: int
    terms: tuple[str, ...]
    _ways: set[bool]
    _mean: float
    _coefficients: Floats
    _covariance: Floats
    _scatters: Floats | None
    _reach: float

    def leverage(self, bed: float, *, heating: bool = True, cycle: int | None = None) -> float:
        """Give the variance of the fitted value, as a part of a single state's."""
        row = self._row(bed, heating, cycle)
        return float(row @ self._covariance @ row)

    def predict(
        self, bed: float, *, heating: bool = True, cycle: int | None = None
    ) -> Prediction:  # fmt: skip
        """Predict modes and map at a temperature.

        Parameters
        ----------
        bed : float
            Temperature, degC.
        heating : bool, default True
            Whether it is reached from below.
        cycle : int, optional
            In which cycle; the last one seen if not given.

        Returns
        -------
        Prediction
            With the interval t s sqrt(1 + h), h the leverage; or with a refusal: beyond the
            temperatures seen by more than 5 K or a quarter of their range, in a cycle or a
            direction not seen, or with no state left over to tell the scatter.

        References
        ----------
        NIST/SEMATECH e-Handbook of Statistical Methods, 4.5.2.2: prediction intervals.
        """
        refusal = self._refusal(bed, heating, cycle)
        if refusal or self._scatters is None:
            return Prediction(bed, refusal, {}, None, None)
        values = self._row(bed, heating, cycle) @ self._coefficients
        spread = np.sqrt(1 + self.leverage(bed, heating=heating, cycle=cycle))
        reach = self._reach * self._scatters * spread
        count = len(self.modes)
        modes = {
            mode.name: (float(value), float(value - half), float(value + half))
            for mode, value, half in zip(self.modes, values[:count], reach[:count], strict=True)
        }
        if len(values) == count:
            return Prediction(bed, "", modes, None, None)
        return Prediction(bed, "", modes, frozen(values[count:]), frozen(reach[count:]))

    def _row(self, bed: float, heating: bool, cycle: int | None) -> Floats:
        number = self.last_cycle if cycle is None else cycle
        directed = np.array((1.0 if heating else -1.0,))
        heat, cycles = np.array((bed - self._mean,)), np.array((float(number),))
        return _design(self.terms, heat, directed, cycles).ravel()

    def _refusal(self, bed: float, heating: bool, cycle: int | None) -> str:
        beyond = min(_BEYOND_K, _BEYOND_PART * (self.highest - self.lowest))
        low, high = self.lowest - beyond, self.highest + beyond
        if not low <= bed <= high:
            return (
                f"{bed:.0f} degC is too far from the temperatures seen, {self.lowest:.0f} to "
                f"{self.highest:.0f} degC; probe there, or ask between {low:.1f} and {high:.1f}"
            )
        if "loop" not in self.terms and self._ways != {heating}:
            return "heating and cooling cannot be told apart in these states; probe both ways"
        if cycle is not None and not self.first_cycle <= cycle <= self.last_cycle + 1:
            return (
                f"cycle {cycle} is not one of those seen or the next; ask for "
                f"{self.first_cycle} to {self.last_cycle + 1}"
            )
        if self._scatters is None:
            return "no state is left over to tell the scatter by; probe more states"
        return ""


def directions(bed: npt.ArrayLike) -> tuple[Bools, Ints]:
    """Tell from temperatures in order which were reached by heating, and in which cycle.

    Parameters
    ----------
    bed : array_like, shape (n,)
        Temperatures in the order they were reached, degC. Steps of less than 2 K go on as before.

    Returns
    -------
    heating : ndarray of bool, shape (n,)
        The first one goes with what follows.
    cycle : ndarray of int, shape (n,)
        From 1; a cycle begins with the first state that is reached by heating after cooling.

    Examples
    --------
    >>> heating, cycle = directions([25, 60, 100, 60, 25, 60, 100])
    >>> heating.tolist(), cycle.tolist()
    ([True, True, True, False, False, True, True], [1, 1, 1, 1, 1, 2, 2])
    """
    heat = np.asarray(bed, dtype=np.float64).ravel()
    heating, cycle = np.ones(len(heat), dtype=bool), np.ones(len(heat), dtype=np.intp)
    last = heat[0] if len(heat) else 0.0
    began = False
    for k in range(1, len(heat)):
        heating[k], cycle[k] = heating[k - 1], cycle[k - 1]
        if abs(heat[k] - last) < _SAME_K:
            continue
        heating[k] = heat[k] > last
        if not began:
            heating[:k] = heating[k]
            began = True
        elif heating[k] and not heating[k - 1]:
            cycle[k] += 1
        last = heat[k]
    return heating, cycle


def fit_cycles(
    values: Mapping[str, npt.ArrayLike],
    bed: npt.ArrayLike,
    heating: npt.ArrayLike,
    cycle: npt.ArrayLike,
    *,
    sigma: Mapping[str, float] | None = None,
    heights: npt.ArrayLike | None = None,
    curvature: bool = True,
) -> Cycles:
    """Fit how modes go with temperature.

    Parameters
    ----------
    values : mapping of str to array_like, shape (states,)
        Each mode in each state, mm.
    bed : array_like, shape (states,)
        Temperature of each state, degC.
    heating : array_like of bool, shape (states,)
        Whether the state was reached by heating.
    cycle : array_like of int, shape (states,)
        Number of the heating cycle, 1 or more.
    sigma : mapping of str to float, optional
        Standard deviation of each mode, mm. It stands in where no state is left over to tell the
        scatter; the scatter of the states is preferred, as it holds what a probe alone does not.
    heights : array_like, shape (states, places), optional
        The maps, the same places in each, mm, to predict the whole map.
    curvature : bool, default True
        Fit the square of the temperature where three temperatures or more carry it.

    Returns
    -------
    Cycles
        The coefficients. A term that the states cannot tell from the others is left out; of those
        that they could, the curvature first gives way where no state would be left over.

    Raises
    ------
    RequestError
        If numbers do not match, a value is not finite, or there are fewer than two states.

    Notes
    -----
    Each effect is tested by itself at 5 %. A loop and a set are what is left in comparing states of
    one temperature, and of one temperature and direction; states that differ in both do not tell.

    References
    ----------
    N. Draper, H. Smith, Applied Regression Analysis, 3rd edition, 1998, chapter 3.

    Examples
    --------
    >>> bed = np.array([25, 60, 100, 60, 25, 60, 100, 60])
    >>> heating, cycle = directions(bed)
    >>> found = fit_cycles({"bow_x": 0.001 * bed + 0.004 * heating}, bed, heating, cycle)
    >>> round(found.modes[0].slope.value, 6), round(found.modes[0].loop.value, 6)
    (0.001, 0.004)
    >>> found.predict(140).refusal
    '140 degC is too far from the temperatures seen, 25 to 100 degC; probe there, or ask between 20.0 and 105.0'
    """  # noqa: E501
    heat, warming, number, columns = _check(values, bed, heating, cycle, heights)
    mean = float(heat.mean())
    terms = _terms(heat - mean, warming, number, curvature=curvature)
    design = _design(terms, heat - mean, warming, number)
    inverse = np.asarray(np.linalg.pinv(design), dtype=np.float64)
    covariance = inverse @ inverse.T
    coefficients = inverse @ columns
    left = columns - design @ coefficients
    freedom = len(heat) - len(terms)
    scatters: Floats | None = None
    reach = normal_quantile(0.975)
    if freedom > 0:
        scatters = np.sqrt(np.einsum("ij,ij->j", left, left) / freedom)
        reach = student_quantile(0.975, freedom)
    elif sigma is not None and heights is None:
        scatters = np.array([sigma[name] for name in values])
    return Cycles(
        modes=tuple(
            _mode(
                name,
                terms,
                coefficients[:, k],
                np.sqrt(np.diag(covariance)),
                None if scatters is None else float(scatters[k]),
                reach,
            )
            for k, name in enumerate(values)
        ),
        lowest=float(heat.min()),
        highest=float(heat.max()),
        first_cycle=int(number.min()),
        last_cycle=int(number.max()),
        freedom=freedom,
        terms=terms,
        _ways={bool(way > 0) for way in warming},
        _mean=mean,
        _coefficients=coefficients,
        _covariance=covariance,
        _scatters=scatters,
        _reach=reach,
    )


def _check(
    values: Mapping[str, npt.ArrayLike],
    bed: npt.ArrayLike,
    heating: npt.ArrayLike,
    cycle: npt.ArrayLike,
    heights: npt.ArrayLike | None,
) -> tuple[Floats, Floats, Floats, Floats]:
    """Give temperatures, directions (+1, -1), cycles, and modes and places as columns."""
    heat = np.asarray(bed, dtype=np.float64).ravel()
    warming = np.where(np.asarray(heating, dtype=bool).ravel(), 1.0, -1.0)
    number = np.asarray(cycle, dtype=np.float64).ravel()
    count = len(heat)
    if not values or count < 2:
        raise RequestError("give one mode or more, in two states or more")
    parts = [np.asarray(each, dtype=np.float64).reshape(-1, 1) for each in values.values()]
    if heights is not None:
        parts.append(np.atleast_2d(np.asarray(heights, dtype=np.float64)))
    for name, part in zip((*values, "the maps"), parts, strict=False):
        if len(part) != count:
            raise RequestError(
                f"{name}: {len(part)} states for {count} temperatures; give one each"
            )
        if not np.isfinite(part).all():
            raise RequestError(f"{name}: a value is not finite; leave that state out")
    if not len(warming) == len(number) == count:
        raise RequestError(f"give a direction and a cycle for each of the {count} temperatures")
    if not (np.isfinite(heat).all() and np.isfinite(number).all()):
        raise RequestError("a temperature or cycle is not finite; leave that state out")
    return heat, warming, number, np.hstack(parts)


def _terms(heat: Floats, warming: Floats, number: Floats, *, curvature: bool) -> tuple[str, ...]:
    """Take terms one by one, as far as the states tell each from those before."""
    levels = _levels(heat)
    wanted = ["slope"] if levels > 1 else []
    wanted += ["loop", "set"]
    if curvature and levels > 2:
        wanted.append("curvature")
    terms: tuple[str, ...] = ("height",)
    for term in wanted:
        more = (*terms, term)
        design = _design(more, heat, warming, number)
        sizes = np.linalg.norm(design, axis=0)
        whole = bool(sizes.all()) and np.linalg.matrix_rank(design / sizes, tol=1e-6) == len(more)
        if whole and (term != "curvature" or len(heat) > len(more)):
            terms = more
    return terms


def _levels(heat: Floats) -> int:
    """Count temperatures that are apart."""
    levels, last = 0, -np.inf
    for one in np.sort(heat):
        if one - last > _SAME_K:
            levels, last = levels + 1, one
    return levels


def _design(terms: tuple[str, ...], heat: Floats, warming: Floats, number: Floats) -> Floats:
    columns = {
        "height": np.ones(len(heat)),
        "slope": heat,
        "loop": warming,
        "set": number,
        "curvature": heat**2,
    }
    return np.column_stack([columns[term] for term in terms])


def _mode(
    name: str,
    terms: tuple[str, ...],
    values: Floats,
    factors: Floats,
    scatter: float | None,
    reach: float,
) -> ModeCycles:
    def effect(term: str, times: float = 1.0) -> Effect | None:
        if term not in terms:
            return None
        k = terms.index(term)
        value = times * float(values[k])
        if scatter is None:
            return Effect(value, None, None)
        sigma = times * float(factors[k]) * scatter
        # what rounding of the arithmetic leaves is no effect
        tiny = 1e-12 * float(np.abs(values).max())
        return Effect(value, sigma, abs(value) > max(reach * sigma, tiny))

    return ModeCycles(
        name=name,
        slope=effect("slope"),
        curvature=effect("curvature"),
        loop=effect("loop", 2.0),
        set_per_cycle=effect("set"),
        scatter=scatter,
    )
