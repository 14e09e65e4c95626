from itertools import chain, combinations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from mesh.significance import any_of, by_squares, detectable, holm, quantile, two_sided


@pytest.mark.parametrize(
    ("score", "freedom", "probability"),
    [
        # Abramowitz and Stegun, tables 26.10 (t) and 26.1 (normal): values from memory
        (12.706, 1, 0.05),
        (3.169, 10, 0.01),
        (1.960, None, 0.05),
        (-2.576, None, 0.01),
    ],
)
def test_two_sided_against_tables(score, freedom, probability):
    assert two_sided(score, freedom) == pytest.approx(probability, rel=2e-3)
    assert quantile(1 - probability / 2, freedom) == pytest.approx(abs(score), abs=5e-4)


@pytest.mark.parametrize(
    ("squares", "count", "freedom", "probability"),
    [
        # the same, tables 26.8 (chi-square) and 26.9 (F): values from memory
        (3.841, 1, None, 0.05),
        (18.307, 10, None, 0.05),
        (5 * 3.33, 5, 10, 0.05),
        (6 * 4.46, 6, 14, 0.01),
    ],
)
def test_squares_against_tables(squares, count, freedom, probability):
    reference = (
        stats.chi2.sf(squares, count) if freedom is None
        else stats.f.sf(squares / count, count, freedom)
    )  # fmt: skip
    found = by_squares(squares / count, count, freedom)
    assert found == pytest.approx(reference, rel=1e-9)
    assert found == pytest.approx(probability, rel=5e-3)


def test_threshold_of_a_map():
    # theory: two single-touch maps of 49 places differ by 1.653 sigma rms, at 5 %
    assert by_squares(1.653**2 / 2, 46, None) == pytest.approx(0.05, abs=3e-4)


@pytest.mark.parametrize(("places", "limit"), [(9, 3.92), (25, 4.37), (49, 4.65), (121, 4.99)])
def test_threshold_of_one_place_among_many(places, limit):
    # theory: with 5 % for all places together, in sigmas of two single touches (Bonferroni, which
    # is a little wider than Šidák)
    assert any_of(places, two_sided(limit / np.sqrt(2), None)) == pytest.approx(0.049, abs=0.001)


def test_any_of_is_the_complement_of_none():
    assert any_of(7, 0.02) == pytest.approx(1 - 0.98**7, rel=1e-12)
    assert any_of(1000, 1e-18) == pytest.approx(1e-15, rel=1e-9)
    assert any_of(3, 1.0) == 1.0


@given(st.lists(st.floats(1e-6, 1), min_size=1, max_size=5), st.floats(0.01, 0.2))
def test_holm_is_the_closure_of_bonferroni(values, level):
    # brute force: a figure stands out if every set of figures with it has one at level / size
    names = [f"m{k}" for k in range(len(values))]
    p_values = dict(zip(names, values, strict=True))
    sets = list(chain.from_iterable(combinations(names, size + 1) for size in range(len(names))))
    expected = {
        name: all(
            min(p_values[n] for n in group) <= level / len(group)
            for group in sets if name in group
        )
        for name in names
    }  # fmt: skip
    assert holm(p_values, level) == expected


@pytest.mark.parametrize("freedom", [None, 1, 3, 12, 300])
@pytest.mark.parametrize("level", [0.05, 0.006])
def test_detectable_has_the_power_it_says(freedom, level):
    change = detectable(level, 0.8, freedom)
    limit = quantile(1 - level / 2, freedom)
    if freedom is None:
        power = stats.norm.sf(limit - change) + stats.norm.cdf(-limit - change)
    else:
        power = stats.nct.sf(limit, freedom, change)
    assert power == pytest.approx(0.8, abs=1e-4)


def test_touches_to_see_a_change():
    # theory: a change of 5 um, sigma 3 um, needs 5.7 touches in each run for 80 %
    touches = 2 * (detectable(0.05, 0.8, None) * 3 / 5) ** 2
    assert touches == pytest.approx(5.7, abs=0.05)
