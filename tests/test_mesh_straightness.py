import numpy as np
import pytest
from cases import hand_case, table
from hypothesis import given
from hypothesis import strategies as st
from scipy.optimize import linprog

from mesh.straightness import straightness
from probes import ShapeError


def test_kink_by_hand():
    x, _, z = hand_case("kink")
    line = straightness(x, z)
    assert (line.minimum_zone, line.slope) == pytest.approx((3.0, 1.0), abs=1e-9)
    assert (line.least_squares, line.slope_least_squares) == pytest.approx((3.2, 0.8), abs=1e-9)
    assert straightness(x, z, perpendicular=True).minimum_zone == pytest.approx(
        3 / np.sqrt(2), abs=1e-9
    )


def test_tent_by_hand():
    x, _, z = hand_case("tent")
    line = straightness(x, z)
    assert (line.minimum_zone, line.least_squares, line.end_points) == pytest.approx(
        (1, 1, 1), abs=1e-9
    )


def test_autocollimator_example():
    # worked lecture example: 3 um from the line through the ends; zone and line recomputed
    rows = table("autocollimator_straightness.csv")
    line = straightness([float(r["position"]) for r in rows], [float(r["cum_um"]) for r in rows])
    assert line.end_points == pytest.approx(3.0, abs=1e-9)
    assert line.least_squares == pytest.approx(3.035714, abs=1e-6)
    assert line.minimum_zone == pytest.approx(3.0, abs=1e-9)


@given(st.lists(st.tuples(st.integers(0, 9), st.integers(-5, 5)), min_size=2, max_size=20))
def test_zone_equals_the_linear_program(points):
    s, z = np.array(points, dtype=float).T
    if np.ptp(s) == 0:
        return
    ones = np.ones((len(s), 1))
    design = np.column_stack((s, ones))
    result = linprog(
        (0, 0, 1), A_ub=np.block([[-design, -ones], [design, -ones]]),
        b_ub=np.concatenate((-z, z)), bounds=(None, None),
    )  # fmt: skip
    assert straightness(s, z).minimum_zone == pytest.approx(2 * result.x[2], abs=1e-9)


@given(st.lists(st.integers(-5, 5), min_size=3, max_size=12))
def test_perpendicular_zone_equals_search_over_all_pairs(heights):
    s, z = np.arange(len(heights), dtype=float), np.array(heights, dtype=float)
    widths = [
        np.ptp((z - (b - a) / (t - r) * s) / np.sqrt(1 + ((b - a) / (t - r)) ** 2))
        for r, a in zip(s, z, strict=True)
        for t, b in zip(s, z, strict=True)
        if t != r
    ]
    found = straightness(s, z, perpendicular=True).minimum_zone
    assert found == pytest.approx(min(widths), abs=1e-9)


@pytest.mark.parametrize(
    ("s", "z"), [([1], [2]), ([1, 1], [2, 3]), ([1, 2], [3]), ([1, 2], [3, np.inf])]
)
def test_what_is_no_profile_is_refused(s, z):
    with pytest.raises(ShapeError, match="a profile needs"):
        straightness(s, z)
