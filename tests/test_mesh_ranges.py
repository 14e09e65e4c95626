import pytest

from mesh.ranges import expected_range, range_quantile


@pytest.mark.parametrize(
    ("n", "d2"),
    [
        # T-G8, control chart constants d2
        (2, 1.128), (5, 2.326), (9, 2.970), (16, 3.532), (25, 3.931), (49, 4.482), (81, 4.863),
        (100, 5.015), (121, 5.150), (225, 5.570),
    ],
)  # fmt: skip
def test_expected_range_of_normal_values(n, d2):
    assert expected_range(n) == pytest.approx(d2, abs=6e-4)


@pytest.mark.parametrize(("n", "quantile"), [(2, 2.77), (5, 3.86), (10, 4.47), (20, 5.01)])
def test_quantiles_of_the_range(n, quantile):
    # Studentised range with infinite degrees of freedom, 5 % point (tables; value from memory)
    assert range_quantile(n, 0.95) == pytest.approx(quantile, abs=0.011)
