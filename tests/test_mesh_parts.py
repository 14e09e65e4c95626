import numpy as np
import pytest
from cases import grid
from hypothesis import given
from hypothesis import strategies as st

from mesh import flatness, modes
from mesh.parts import find_parts
from probes import Run


def parts_of(x, y, z):
    run = Run(x=x, y=y, z=z)
    places = run.places
    args = places.x, places.y, places.z
    return find_parts(places, flatness(*args), modes(*args))


def test_each_cause_takes_its_own_part():
    # by hand, on -1, 0, 1: a fall of 0.6, a twist of 0.02 (zone 0.04) and a bow of 0.1 along x
    x, y = grid([-1, 0, 1], [-1, 0, 1])
    parts = parts_of(x, y, 0.3 * x + 0.02 * x * y + 0.1 * x**2)
    assert parts.untwisted == pytest.approx(0.1, abs=1e-12)
    assert parts.local == pytest.approx(0.0, abs=1e-12)
    assert parts.level == pytest.approx(0.12, abs=1e-12)
    assert parts.tilt == pytest.approx(parts.as_found - 0.12, abs=1e-12)
    assert parts.twist == pytest.approx(0.02, abs=1e-12)


def test_two_columns_tell_no_bow():
    x, y = grid([0, 1], [0, 1, 2])
    parts = parts_of(x, y, 0.1 * (y - 1) ** 2)
    assert parts.level == pytest.approx(0.1)
    assert parts.local == pytest.approx(0.0, abs=1e-12)


@given(st.integers(0, 10**6), st.floats(-0.01, 0.01), st.floats(-0.01, 0.01))
def test_only_what_was_found_depends_on_the_tilt(seed, slope_x, slope_y):
    x, y = grid(np.linspace(0, 300, 5), np.linspace(0, 200, 4))
    z = np.random.default_rng(seed).normal(0, 0.05, len(x))
    flat, tilted = parts_of(x, y, z), parts_of(x, y, z + slope_x * x + slope_y * y)
    for name in ("level", "untwisted", "local"):
        assert getattr(flat, name) == pytest.approx(getattr(tilted, name), abs=1e-10)
    assert tilted.tilt >= 0
