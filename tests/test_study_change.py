import pytest
from study_change import OTHER_GRIDS, WAYS, false_alarms, found, surface_alarms


def test_false_alarms_of_unchanged_beds():
    # a part of the study: a share of 300 has a standard deviation of 1.3 %
    shares = false_alarms(300, seed=3)
    assert list(shares) == list(WAYS)
    for share in shares.values():
        assert share["any"] == pytest.approx(0.05, abs=0.038)


def test_real_changes_are_found():
    shares = found(50, seed=2)
    assert shares["repeated touches", "one place 6"] > 0.95
    assert shares["machine file", "waves 1.5"] > 0.95
    assert shares["machine file", "bow 2"] > 0.7


def test_a_surface_makes_no_false_alarms():
    # it is meant to be on the safe side; 150 have a standard deviation of 1.8 %
    shares = surface_alarms(150, seed=4)
    assert len(shares) == len(OTHER_GRIDS)
    assert max(shares.values()) <= 0.1
    assert sum(shares.values()) / len(shares) <= 0.07
