"""Components of spread: how much of it is the touch, and how much the set-up."""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

__all__ = ["Crossed", "Nested", "crossed_components", "nested_components"]


@dataclass(frozen=True)
class Nested:
    """Spread within and between groups of the same size.

    Attributes
    ----------
    within : float
        Repeatability: standard deviation of a reading within its group.
    between : float
        Standard deviation of the groups' own part; zero where they differ no more than by chance.
    reproducibility : float
        Standard deviation of a single reading in a new group.
    f : float
        Mean square between over mean square within.
    freedom_between, freedom_within : int
        Degrees of freedom of the two.
    """

    within: float
    between: float
    reproducibility: float
    f: float
    freedom_between: int
    freedom_within: int


def nested_components(groups: npt.ArrayLike) -> Nested:
    """Part the spread of readings in groups, such as touches in several set-ups.

    Parameters
    ----------
    groups : array_like, shape (groups, readings)
        At least two groups of two readings.

    References
    ----------
    ISO 5725-2: repeatability and between-laboratory variance; JCGM 100:2008 (GUM), H.5.

    Examples
    --------
    >>> parts = nested_components([[1.0, 3.0], [5.0, 7.0]])
    >>> round(parts.within, 3), round(parts.between, 3)
    (1.414, 2.646)
    """
    table = np.asarray(groups, dtype=np.float64)
    count, size = table.shape
    within = float(table.var(axis=1, ddof=1).mean())
    between = size * float(table.mean(axis=1).var(ddof=1))
    own = max(0.0, (between - within) / size)
    return Nested(
        within=float(np.sqrt(within)),
        between=float(np.sqrt(own)),
        reproducibility=float(np.sqrt(own + within)),
        f=between / within if within else float("inf"),
        freedom_between=count - 1,
        freedom_within=count * (size - 1),
    )


@dataclass(frozen=True)
class Crossed:
    """Spread of readings of several places in several set-ups, every place in every one.

    Attributes
    ----------
    repeatability : float
        Standard deviation of a touch (equipment variation).
    set_up : float
        Standard deviation between set-ups (appraiser variation).
    interaction : float
        Standard deviation of what a place does in one set-up only; zero where it was pooled.
    place : float
        Standard deviation between places (part variation).
    pooled : bool
        Whether the interaction was no more than chance, and counted as repeatability.
    """

    repeatability: float
    set_up: float
    interaction: float
    place: float
    pooled: bool

    @property
    def gauge(self) -> float:
        """Standard deviation of a single touch in a new set-up (gauge R&R)."""
        return float(np.sqrt(self.repeatability**2 + self.set_up**2 + self.interaction**2))

    @property
    def total(self) -> float:
        """Standard deviation of everything (total variation)."""
        return float(np.hypot(self.gauge, self.place))


def crossed_components(readings: npt.ArrayLike, *, alpha: float = 0.05) -> Crossed:
    """Part the spread of readings by place, set-up and touch.

    Parameters
    ----------
    readings : array_like, shape (places, set_ups, touches)
        At least two of each, but one touch is enough: it then holds the interaction.
    alpha : float
        The interaction is pooled with the repeatability unless it is significant at this level.

    References
    ----------
    AIAG, Measurement Systems Analysis, 4th edition: analysis of variance of a gauge study.
    """
    table = np.asarray(readings, dtype=np.float64)
    places, set_ups, touches = table.shape
    mean = table.mean()
    by_place, by_set_up = table.mean(axis=(1, 2)), table.mean(axis=(0, 2))
    cells = table.mean(axis=2)
    square_place = set_ups * touches * float(((by_place - mean) ** 2).sum()) / (places - 1)
    square_set_up = places * touches * float(((by_set_up - mean) ** 2).sum()) / (set_ups - 1)
    rest = cells - by_place[:, None] - by_set_up[None, :] + mean
    freedom = (places - 1) * (set_ups - 1)
    sum_both = touches * float((rest**2).sum())
    sum_error = float(((table - cells[:, :, None]) ** 2).sum())
    freedom_error = places * set_ups * (touches - 1)
    square_error = sum_error / freedom_error if freedom_error else 0.0
    pooled = not freedom_error or not _significant(
        sum_both / freedom, square_error, freedom, freedom_error, alpha
    )
    interaction = 0.0
    if pooled:
        square_error = (sum_both + sum_error) / (freedom + freedom_error)
        square_both = square_error
    else:
        square_both = sum_both / freedom
        interaction = (square_both - square_error) / touches
    return Crossed(
        repeatability=float(np.sqrt(square_error)),
        set_up=float(np.sqrt(max(0.0, (square_set_up - square_both) / (places * touches)))),
        interaction=float(np.sqrt(max(0.0, interaction))),
        place=float(np.sqrt(max(0.0, (square_place - square_both) / (set_ups * touches)))),
        pooled=pooled,
    )


def _significant(above: float, below: float, upper: int, lower: int, alpha: float) -> bool:
    from scipy.special import fdtrc

    return below > 0 and float(fdtrc(upper, lower, above / below)) < alpha
