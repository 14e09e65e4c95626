from study_grid import shares


def test_recommended_grids_hold_and_are_not_finer_than_need_be():
    # a part of the study
    held, fails, beds = shares(40, seed=2)
    assert beds > 30
    assert held >= 0.93
    assert fails >= 0.5
