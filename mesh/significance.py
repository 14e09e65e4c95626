"""Significance: whether a figure stands out of its noise, alone and among several.

`freedom` is None everywhere where the standard deviation is known: the normal law and chi-square
then take the place of Student's t and of F.
"""

from collections.abc import Mapping
from math import expm1, log1p

from probes.quantiles import normal_quantile, student_quantile

__all__ = ["any_of", "by_squares", "detectable", "holm", "quantile", "two_sided"]


def quantile(probability: float, freedom: int | None) -> float:
    """Give the quantile of Student's t, or of the normal law; probability from 0.5 up."""
    if freedom is None:
        return normal_quantile(probability)
    return student_quantile(probability, freedom)


def two_sided(score: float, freedom: int | None) -> float:
    """Give the probability of a score so far from zero on either side by chance.

    Examples
    --------
    >>> round(two_sided(1.96, None), 3), round(two_sided(-2.228, 10), 3)
    (0.05, 0.05)
    """
    from scipy.special import ndtr, stdtr

    below = ndtr(-abs(score)) if freedom is None else stdtr(freedom, -abs(score))
    return 2 * float(below)


def by_squares(mean: float, count: float, freedom: int | None) -> float:
    """Give the probability of so large a mean of `count` squared scores by chance.

    Examples
    --------
    >>> round(by_squares(18.307 / 10, 10, None), 3), round(by_squares(3.326, 5, 10), 3)
    (0.05, 0.05)
    """
    from scipy.special import chdtrc, fdtrc

    if freedom is None:
        return float(chdtrc(count, mean * count))
    return float(fdtrc(count, freedom, mean))


def any_of(count: int, probability: float) -> float:
    """Give the probability that one of `count` does what each does with this probability.

    It is exact for figures that are independent, and an upper bound for normal ones that are not
    (Šidák 1967).

    Examples
    --------
    >>> round(any_of(2, 0.1), 6)
    0.19
    """
    return 1.0 if probability >= 1 else -expm1(count * log1p(-probability))


def holm(p_values: Mapping[str, float], level: float) -> dict[str, bool]:
    """Tell which of several figures stand out, so that chance makes any do so at `level` only.

    References
    ----------
    S. Holm, "A simple sequentially rejective multiple test procedure", Scand. J. Statistics 6
    (1979) 65-70.

    Examples
    --------
    >>> holm({"twist": 0.03, "bow_x": 0.01, "bow_y": 0.2}, 0.05)
    {'twist': False, 'bow_x': True, 'bow_y': False}
    """
    stands_out = dict.fromkeys(p_values, False)
    for rank, name in enumerate(sorted(p_values, key=p_values.__getitem__)):
        if p_values[name] > level / (len(p_values) - rank):
            break
        stands_out[name] = True
    return stands_out


def detectable(level: float, power: float, freedom: int | None) -> float:
    """Give the change, in its standard deviations, that a two-sided test finds with this power.

    Parameters
    ----------
    level : float
        Of the test.
    power : float
        Probability to find the change, from 0.5 up.
    freedom : int or None
        Degrees of freedom of the standard deviation.

    References
    ----------
    J. Cohen, Statistical Power Analysis for the Behavioral Sciences, 2nd ed. (1988), chapter 2.
    Noncentral t: Johnson, Kotz, Balakrishnan, Continuous Univariate Distributions 2 (1995),
    chapter 31.

    Examples
    --------
    >>> round(detectable(0.05, 0.8, None), 3), round(detectable(0.05, 0.8, 10), 3)
    (2.802, 3.11)
    """
    limit = quantile(1 - level / 2, freedom)
    if freedom is None:
        return limit + normal_quantile(power)
    from scipy.special import nctdtrinc

    return float(nctdtrinc(freedom, 1 - power, limit))
