from study_verify import study


def test_faults_are_found_or_the_set_that_cannot_be_told_is_named():
    # a part of the study: of 5,000 machines 99 % are right, 0.1 % confidently wrong at most, and
    # of the good ones 1 % at most are called faulty
    outcomes, good = study(100, seed=11)
    right = sum(number for outcome, number in outcomes.items() if outcome.startswith("right"))
    assert right >= 97
    assert outcomes["confidently wrong"] == 0
    assert outcomes["right, alone"] > 50
    assert good["good"] >= good.total() - 1 > 20
    assert good["faulty"] == 0
