import numpy as np
import pytest
from cases import table

from probes.components import crossed_components, nested_components


def test_nested_design_of_the_gum():
    # JCGM 100:2008, H.5: mean 10.000097 V, s of the means 57 uV, pooled s 85 uV, F 2.25
    rows = table("gum_h5.csv")
    means = np.array([float(row["mean_V"]) for row in rows])
    sigmas = np.array([float(row["s_uV"]) for row in rows])
    # five observations a day with that mean and standard deviation
    pattern = np.array([-2, -1, 0, 1, 2]) / np.sqrt(2.5)
    parts = nested_components(means[:, None] * 1e6 + sigmas[:, None] * pattern)
    assert means.mean() == pytest.approx(10.000097, abs=5e-7)
    assert means.std(ddof=1) * 1e6 == pytest.approx(57, abs=0.5)
    assert parts.within == pytest.approx(85, abs=0.5)
    assert parts.f == pytest.approx(2.25, abs=0.015)
    assert (parts.freedom_between, parts.freedom_within) == (9, 40)


def test_components_come_out_right_on_average():
    # T-G2: 4 runs x 5 touches, truth 9 and 36: mean estimates 9.04 and 36.6 there
    random = np.random.default_rng(2)
    own = random.normal(0, 6, (4000, 4, 1))
    found = [nested_components(own[k] + random.normal(0, 3, (4, 5))) for k in range(4000)]
    assert np.mean([part.within**2 for part in found]) == pytest.approx(9, rel=0.03)
    assert np.mean([part.between**2 for part in found]) == pytest.approx(36, rel=0.04)


def test_gauge_study_of_the_manual():
    # AIAG MSA 4th edition: EV .19993 AV .22684 GRR .30237 PV 1.04233 TV 1.08530
    rows = table("aiag_grr.csv")
    values = np.array([float(row["value"]) for row in rows]).reshape(3, 3, 10)
    parts = crossed_components(values.transpose(2, 0, 1))  # part, operator, trial
    assert parts.pooled
    found = (parts.repeatability, parts.set_up, parts.gauge, parts.place, parts.total)
    assert found == pytest.approx((0.19993, 0.22684, 0.30237, 1.04233, 1.08530), abs=6e-6)


def test_pooled_standard_deviation_of_a_gauge_study():
    # NIST/SEMATECH e-Handbook 2.6.1: sum of squares 3.17635, 300 degrees of freedom: s1 = 0.10290
    pattern = np.array([-1.0, 0, 1])
    size = np.sqrt(3.17635 / (150 * 2))
    parts = nested_components(np.arange(150)[:, None] + size * pattern)
    assert parts.freedom_within == 300
    assert parts.within == pytest.approx(0.10290, abs=5e-6)


def test_an_interaction_is_told_from_repeatability():
    random = np.random.default_rng(4)
    both = random.normal(0, 5, (8, 4, 1))
    parts = crossed_components(both + random.normal(0, 1, (8, 4, 6)))
    assert not parts.pooled
    assert parts.repeatability == pytest.approx(1, rel=0.15)
    assert parts.interaction == pytest.approx(5, rel=0.3)


def test_one_touch_each_holds_the_interaction():
    random = np.random.default_rng(5)
    table_ = random.normal(0, 3, (1, 6, 1)) + random.normal(0, 1, (25, 6, 1))
    parts = crossed_components(table_)
    assert parts.pooled
    assert parts.repeatability == pytest.approx(1, rel=0.15)
