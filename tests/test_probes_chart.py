import numpy as np
import pytest
from cases import table

from probes.chart import individuals_chart


def test_individuals_chart_of_the_handbook():
    # NIST/SEMATECH e-Handbook 6.3.2.2: mean 50.81, moving range 1.8778, limits 55.8041 and 45.8159
    chart = individuals_chart([float(row["x"]) for row in table("nist_individuals.csv")])
    assert chart.centre == pytest.approx(50.81, abs=6e-3)
    assert chart.moving_range == pytest.approx(1.8778, abs=6e-5)
    assert (chart.upper, chart.lower) == pytest.approx((55.8041, 45.8159), abs=6e-4)
    assert chart.outside == ()


def test_sigma_from_reading_to_reading_is_free_of_wandering():
    random = np.random.default_rng(1)
    chart = individuals_chart(random.normal(0, 0.003, 2000) + np.linspace(0, 0.5, 2000))
    assert chart.sigma == pytest.approx(0.003, rel=0.05)
    assert chart.outside
