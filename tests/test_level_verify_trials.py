import numpy as np
import pytest
from cases import grid, machine

from level.verify.trials import Reading, Trial, check_readings, check_trials, same_run, same_touches
from probes import MachineError, RequestError, Run, ShapeError

SQUARE = machine([(0, 0), (300, 0), (300, 300), (0, 300)])
X, Y = grid([30, 150, 270], [30, 150, 270])


def run(seed=0, **extra):
    return Run(x=X, y=Y, z=np.random.default_rng(seed).normal(0, 0.01, 9), **extra)


def test_rises_of_one_lift_add_up_and_keep_their_order():
    (trial,) = check_trials([(run(1), {" a ": [-0.3, 0.1], "B": 0.2, "C": 0.0}, run(2))], SQUARE)
    assert trial.moved == {"A": (-0.3, 0.1), "B": (0.2,)}  # names as in the file, no zeros
    assert trial.net == pytest.approx({"A": -0.2, "B": 0.2})
    assert str(trial) == "run -> run"
    assert check_trials([trial], SQUARE)[0].moved == trial.moved  # checked trials pass again


@pytest.mark.parametrize(
    ("moved", "what"),
    [
        (
            {"E": 0.2},
            r"trial 1 \(run -> run\): there is no lift 'E'; the machine file has 'A', 'B'",
        ),
        ({}, "moves no lift; give what was commanded"),
        ({"A": 0.0}, "moves no lift"),
        ({"A": float("nan")}, "rise of 'A' is nan; it must be a finite number of mm"),
        ({"A": 0.1, "a": 0.2}, "lift 'A' is moved under two spellings"),
    ],
)
def test_impossible_moves_are_refused(moved, what):
    with pytest.raises(RequestError, match=what):
        check_trials([(run(1), moved, run(2))], SQUARE)


def test_a_trial_needs_two_probings_and_counts_once():
    first, second = run(1), run(2)
    with pytest.raises(RequestError, match="before and after are the same probing"):
        check_trials([(first, {"A": 0.2}, first)], SQUARE)
    for again in ((first, {"B": 0.2}, second), (second, {"A": -0.2}, first)):
        with pytest.raises(RequestError, match=r"trial 2 .*: these two runs are trial 1 already"):
            check_trials([(first, {"A": 0.2}, second), again], SQUARE)


def test_a_file_read_twice_is_one_run_and_equal_arrays_are_not():
    one, other = run(1, source="a.csv", format="columns"), run(1, source="a.csv", format="columns")
    assert same_run(one, other)
    assert not same_run(one, run(1, source="b.csv", format="columns"))
    # a stuck lift on a perfect machine gives the same heights again: still two probings
    assert not same_run(run(1), run(1))
    assert same_touches(run(1), run(1))
    assert not same_touches(run(1), run(2))


def test_runs_must_be_of_this_bed_and_carry_a_plane():
    small = machine([(0, 0), (300, 0), (150, 300)], bed={"x": [0, 200], "y": [0, 200]})
    with pytest.raises(MachineError, match="lies outside the bed"):
        check_trials([(run(1), {"A": 0.2}, run(2))], small)
    line = Run(x=[0, 1, 2], y=[0, 0, 0], z=[0, 0, 0], source="line")
    with pytest.raises(ShapeError, match="line: all 3 places stand on one line"):
        check_trials([Trial(run(1), {"A": 0.2}, line)], SQUARE)


def test_readings():
    (reading,) = check_readings([Reading("b", 25.1, 50.0, 0.5)], SQUARE)
    assert reading.lift == "B"
    for bad, what in (
        (Reading("Z", 1, 1, 1), "reading: there is no lift 'Z'"),
        (Reading("A", float("inf"), 1, 1), "reading at 'A': measured is inf"),
        (Reading("A", 0, 0, 1), "commanded is 0; a lift that is not moved tells nothing"),
        (Reading("A", 1, 1, 0), "sigma is 0; it must be above 0"),
    ):
        with pytest.raises(RequestError, match=what):
            check_readings([bad], SQUARE)
