import numpy as np
import pytest
from cases import grid, machine
from study_verify import GRID, Faulty

from level.influence import find_influence
from level.simulator import BedShape
from level.verify.changes import find_changes, observer, unit_changes
from level.verify.trials import check_trials
from probes import RequestError, Run, ShapeError

THREE = [(0, 0), (300, 0), (150, 300)]  # lifts of T-B1
SQUARE = [(0, 0), (300, 0), (300, 300), (0, 300)]
X, Y = grid(GRID, GRID)
BED = BedShape((150, 150), (150, 150), fall_x=0.1, bowl_x=0.2, twist=0.1, ripple=0.02)


def changes(machine, trials, datum="bed"):
    return find_changes(check_trials(trials, machine), machine, datum)


def flat(seed=0, sigma=0.005, x=X, y=Y):
    return Run(x=x, y=y, z=np.random.default_rng([seed, 7]).normal(0, sigma, len(x)))


@pytest.mark.parametrize("joint", ["rigid", "twisting"])
@pytest.mark.parametrize("datum", ["bed", "fixed"])
@pytest.mark.parametrize("carries", ["bed", "gantry"])
def test_changes_are_those_of_the_lifts_and_the_bed_cancels(carries, datum, joint):
    lifts = machine(SQUARE, carries=carries, joint=joint, probe={"sigma": 0.005})
    simulated = Faulty(lifts, BED)
    found = changes(lifts, simulated.trials([{"A": 0.3}, {"B": -0.1, "D": 0.2}]), datum)
    ways = 2 + (datum == "fixed") + (joint == "twisting")
    assert found.values.shape == (2, ways)
    assert found.values == pytest.approx(found.moved @ found.per_unit.T, abs=1e-12)
    # half the span away (106 mm along x and y) a slope of A's rise over the square's side
    tilt = 0.3 / 2 / 300 * 300 * np.sqrt(2) / 2
    tilts = found.values[0, int(datum == "fixed") :][:2]
    assert np.abs(found.influence.directions.T @ tilts) == pytest.approx([tilt, tilt], abs=1e-12)
    assert not found.warnings


def test_lift_height_is_known_as_theory_says():
    # T-D1: standard error of the height at each lift from one pair, 5 x 5, 5 um: 3.81, 3.81, 2.87
    lifts = machine(THREE, probe={"sigma": 0.005})
    found = changes(lifts, [(flat(1), {"A": 0.2}, flat(2))], "fixed")
    at = (lifts.positions - found.influence.centre) / (found.influence.span / 2)
    rows = np.column_stack((np.ones(3), at @ found.influence.directions.T))
    sigmas = np.sqrt(np.einsum("ij,jk,ik->i", rows, found.covariance, rows))
    assert sigmas * 1e3 == pytest.approx([3.81, 3.81, 2.87], abs=0.005)


def test_chained_trials_share_a_run_and_others_do_not():
    lifts = machine(THREE, probe={"sigma": 0.005})
    a, b, c, d = (flat(seed) for seed in range(4))
    chained = changes(lifts, [(a, {"A": 0.2}, b), (b, {"B": 0.2}, c)]).covariance
    own, between = chained[:2, :2], chained[:2, 2:]
    assert between == pytest.approx(-own / 2)  # one run of two, with the other sign
    alone = changes(lifts, [(a, {"A": 0.2}, b), (c, {"B": 0.2}, d)]).covariance
    assert alone[:2, 2:] == pytest.approx(np.zeros((2, 2)))
    fan = changes(lifts, [(a, {"A": 0.2}, b), (a, {"B": 0.2}, c)]).covariance
    assert fan[:2, 2:] == pytest.approx(own / 2)
    # equal touches in a chain are one run, whatever object holds them
    copied = changes(lifts, [(a, {"A": 0.2}, b), (flat(1), {"B": 0.2}, c)]).covariance
    assert copied == pytest.approx(chained)


def test_only_places_of_both_runs_count():
    lifts = machine(THREE, probe={"sigma": 0.005})
    tilted = Run(x=X[::-1], y=Y[::-1], z=1e-3 * X[::-1] + (Y[::-1] > 200) * 5.0)
    front = Y < 200
    found = changes(lifts, [(Run(x=X[front], y=Y[front], z=0 * X[front]), {"A": 0.2}, tilted)])
    slope = found.influence.directions.T @ found.values[0] / (found.influence.span / 2)
    assert slope == pytest.approx([1e-3, 0], abs=1e-15)
    for few, what in (([0, 24], "2 places are in both runs"), ([0, 1, 2], "3 places")):
        part = Run(x=np.append(X[few], 150.5), y=np.append(Y[few], 20.5), z=np.zeros(len(few) + 1))
        with pytest.raises(ShapeError, match=rf"trial 1 .*{what}.*same places before and after"):
            changes(lifts, [(flat(1), {"A": 0.2}, part)])


def test_a_carriage_that_can_twist_must_be_probed_for_it():
    influence = find_influence(machine(SQUARE, joint="twisting"))
    with pytest.raises(ShapeError, match="no twist"):
        observer(influence, np.array([150.0, 0, 150, 300]), np.array([0.0, 150, 300, 150]))


def test_the_noise_comes_from_the_file_or_repeats_or_the_differences():
    lifts = machine(THREE)
    found = changes(lifts, [(flat(1), {"A": 0.2}, flat(2)), (flat(3), {"A": 0.2}, flat(4))])
    assert (found.sigma_source, found.freedom) == ("difference", 2 * 22)
    assert found.sigma == pytest.approx(0.005, rel=0.2)
    twice = [np.repeat(axis, 2) for axis in (X, Y)]
    repeated = changes(
        lifts, [(flat(1, 0.003, *twice), {"A": 0.2}, flat(2, 0.003, *twice))]
    )  # fmt: skip
    assert (repeated.sigma_source, repeated.freedom) == ("repeated touches", 50)
    assert repeated.sigma == pytest.approx(0.003, rel=0.2)
    few = [X[[0, 4, 20, 24]], Y[[0, 4, 20, 24]]]
    with pytest.raises(RequestError, match=r"set \[probe\] sigma in the machine file, or probe 9"):
        changes(lifts, [(flat(1, 0.005, *few), {"A": 0.2}, flat(2, 0.005, *few))])


def test_maps_that_differ_by_more_than_noise_are_told():
    lifts = machine(THREE, probe={"sigma": 0.001})
    found = changes(lifts, [(flat(1), {"A": 0.2}, flat(2))])
    assert "the bed shifted or warped between the runs" in found.warnings[0]
    assert found.sigma == pytest.approx(0.005, rel=0.3)


def test_rounded_readings_are_no_better_than_their_steps():
    lifts = machine(THREE, probe={"sigma": 0.001})
    rounded = [np.round(flat(seed, 0.001).z / 0.02 + 0.3 * seed) * 0.02 for seed in range(2)]
    runs = [Run(x=X, y=Y, z=z + np.tile([0.0, 0.02, 0.0, 0.0, 0.02], 5) * k)
            for k, z in enumerate(rounded)]  # fmt: skip
    assert changes(lifts, [(runs[0], {"A": 0.2}, runs[1])]).sigma > 0.005


def test_turning_back_is_followed_along_a_chain_only():
    lifts = machine(THREE, probe={"sigma": 0.005})
    runs = [flat(seed) for seed in range(6)]
    moves = [{"A": 0.2, "B": 0.1}, {"A": -0.2}, {"A": (-0.1, 0.3)}, {"A": (-0.4, 0.1)}]
    chain = list(zip(runs, moves, runs[1:], strict=False))
    assert changes(lifts, chain).turned_back[:, 0].tolist() == [0, -1, 1, 0]
    broken = [chain[0], (runs[4], {"A": -0.2}, runs[5])]
    assert changes(lifts, broken).turned_back.tolist() == [[0, 0, 0], [0, 0, 0]]


def test_unit_changes_are_the_same_wherever_they_are_read():
    influence = find_influence(machine(SQUARE, joint="twisting", carries="gantry"))
    for x, y in ((X, Y), (3 * X - 500, Y / 7)):
        read = -observer(influence, x, y, "fixed") @ influence.at(x, y)
        assert unit_changes(influence, influence, "fixed") == pytest.approx(read, abs=1e-12)
