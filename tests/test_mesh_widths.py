import numpy as np
import pytest
from cases import grid
from hypothesis import given
from hypothesis import strategies as st

from mesh.widths import zone_widths
from mesh.zone import minimum_zone


def places(kind, random):
    if kind == "corners":
        return grid([0.0, 300.0], [0.0, 200.0])
    if kind == "grid":
        return grid(np.linspace(20, 330, 6), np.linspace(20, 180, 5))
    return random.uniform(0, 300, (2, 40))


@pytest.mark.parametrize("kind", ["corners", "grid", "scattered"])
@pytest.mark.parametrize("step", [None, 0.0025, 0.05])
def test_widths_are_those_of_the_single_zone(kind, step):
    # rounding makes equal heights, on which exchanges can run in a circle
    random = np.random.default_rng(4)
    x, y = places(kind, random)
    heights = random.normal(0, 0.03, (300, len(x))) + 0.1 * ((x - 150) / 150) ** 2 + 0.01 * x
    if step:
        heights = np.round(heights / step) * step
    want = [minimum_zone(x, y, one).width for one in heights]
    assert zone_widths(x, y, heights) == pytest.approx(want, abs=1e-11)


@given(st.integers(0, 2**32 - 1), st.integers(1, 4))
def test_lattices_of_small_whole_heights(seed, top):
    random = np.random.default_rng(seed)
    x, y = grid(range(4), range(3))
    heights = random.integers(0, top + 1, (20, 12)).astype(float)
    want = [minimum_zone(x, y, one).width for one in heights]
    assert zone_widths(x, y, heights) == pytest.approx(want, abs=1e-12)


def test_many_places_are_solved_one_by_one():
    random = np.random.default_rng(5)
    x, y = random.uniform(0, 300, (2, 4000))
    heights = random.normal(0, 1, (2, 4000))
    want = [minimum_zone(x, y, one).width for one in heights]
    assert zone_widths(x, y, heights) == pytest.approx(want, abs=1e-12)


def test_no_sets_have_no_widths():
    assert zone_widths(*grid([0, 1], [0, 1]), np.empty((0, 4))).shape == (0,)
