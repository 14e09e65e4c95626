import pytest
from scipy.special import chdtri, stdtrit

from probes.quantiles import chi_square_quantile, student_quantile


@pytest.mark.parametrize("freedom", [1, 2, 3, 4, 5, 10, 31, 100, 399, 400, 1000, 89_994])
@pytest.mark.parametrize("probability", [0.6, 0.9, 0.975, 0.995])
def test_equals_scipy(freedom, probability):
    expected = stdtrit(freedom, probability)
    assert student_quantile(probability, freedom) == pytest.approx(expected, rel=1e-10)


@pytest.mark.parametrize(
    ("freedom", "quantile"), [(1, 12.706), (2, 4.303), (5, 2.571), (10, 2.228), (30, 2.042)]
)
def test_equals_the_printed_table(freedom, quantile):
    # NIST/SEMATECH e-Handbook 1.3.6.7.2, t(0.975); value from memory
    assert student_quantile(0.975, freedom) == pytest.approx(quantile, abs=6e-4)


@pytest.mark.parametrize("freedom", [1, 2, 3, 4, 9, 30, 75, 399, 400, 5000])
@pytest.mark.parametrize("probability", [0.025, 0.5, 0.975])
def test_chi_square_equals_scipy(freedom, probability):
    expected = chdtri(freedom, 1 - probability)
    near = 1e-9 if freedom < 400 else 2e-5
    assert chi_square_quantile(probability, freedom) == pytest.approx(expected, rel=near)
