import numpy as np
import pytest
from cases import table

from probes.outliers import generalised_esd, modified_z


def column(name):
    return np.array([float(row["x"]) for row in table(name)])


def test_grubbs_of_the_handbook():
    # NIST/SEMATECH e-Handbook 1.3.5.17.1: G 2.4687, critical 2.032 one-sided, 2.1266 two-sided
    values = column("nist_grubbs.csv")
    test = generalised_esd(values, 1)
    assert test.statistics[0] == pytest.approx(2.4687, abs=1e-4)
    assert test.critical[0] == pytest.approx(2.1266, abs=6e-5)
    assert generalised_esd(values, 1, alpha=0.1).critical[0] == pytest.approx(2.032, abs=6e-4)
    assert test.which.tolist() == [7]
    # the largest modified z of the same data, 29.9627 (tests/data/README.md)
    assert modified_z(values).max() == pytest.approx(29.9627, abs=6e-5)


def test_generalised_esd_of_the_handbook():
    # NIST/SEMATECH e-Handbook 1.3.5.17.3 (Rosner 1983); the print truncates
    test = generalised_esd(column("nist_gesd_rosner.csv"), 10)
    r = [3.118, 2.942, 3.179, 2.810, 2.815, 2.848, 2.279, 2.310, 2.101, 2.067]
    critical = [3.158, 3.151, 3.143, 3.136, 3.128, 3.120, 3.111, 3.103, 3.094, 3.085]
    assert test.statistics == pytest.approx(r, abs=1.5e-3)
    assert test.critical == pytest.approx(critical, abs=1.5e-3)
    assert len(test.which) == 3
    assert column("nist_gesd_rosner.csv")[test.which].tolist() == [6.01, 5.42, 5.34]


@pytest.mark.parametrize(
    ("n", "critical"), [(5, 1.715), (7, 2.020), (10, 2.290), (20, 2.708), (30, 2.908)]
)
def test_critical_values_of_grubbs(n, critical):
    # theory T-G6, two-sided 5 %
    assert generalised_esd(np.arange(n), 1).critical[0] == pytest.approx(critical, abs=1.1e-3)


def test_modified_z_of_nine_touches():
    # T-G5: median .011, MAD .001, z of .085 is 49.9
    z = modified_z([0.012, 0.010, 0.011, 0.013, 0.009, 0.012, 0.085, 0.011, 0.010])
    assert z[6] == pytest.approx(49.9, abs=0.05)
    assert np.abs(np.delete(z, 6)).max() < 3.5


def test_two_bad_touches_hide_from_grubbs_but_not_from_modified_z():
    # T-G6: G 1.793 against 2.215; modified z 24.6 and 23.9
    touches = [0.012, 0.010, 0.011, 0.013, 0.009, 0.012, 0.085, 0.083, 0.010]
    test = generalised_esd(touches, 1)
    assert test.statistics[0] == pytest.approx(1.793, abs=1e-3)
    assert test.critical[0] == pytest.approx(2.215, abs=1e-3)
    assert not len(test.which)
    z = modified_z(touches)
    assert (z[6], z[7]) == pytest.approx((24.6, 23.9), abs=0.06)


def test_rounded_touches_that_all_agree():
    # MAD 0 happens with rounded readings: the resolution stands for it
    touches = [0.010] * 8 + [0.0125]
    assert modified_z(touches, least_mad=0.0025)[8] == pytest.approx(0.6745)
    assert modified_z(touches)[8] == np.inf
    assert modified_z([0.01] * 5).tolist() == [0] * 5
