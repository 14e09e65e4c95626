import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from mesh.gather import gather


@given(st.integers(0, 999), st.integers(1, 400), st.integers(4, 300))
def test_keeps_means_and_weights(seed, n, most):
    random = np.random.default_rng(seed)
    x, y, z = random.uniform(0, 300, (3, n))
    spread = random.uniform(0.5, 2, n)
    few = gather(x, y, z, spread, most)
    assert len(few.x) <= max(most, 1)
    weight, total = spread**-2, few.spread**-2
    assert total.sum() == pytest.approx(weight.sum())
    for one, other in ((x, few.x), (y, few.y), (z, few.z)):
        assert total @ other == pytest.approx(weight @ one)


def test_few_places_are_left_alone():
    x, y, z = np.random.default_rng(0).uniform(0, 300, (3, 50))
    assert gather(x, y, z, np.ones(50), 50).x is x
    assert 40 <= len(gather(x, y, z, np.ones(50), 49).x) <= 49
