from itertools import permutations, product

import numpy as np
import pytest
from cases import grid, machine
from hypothesis import given
from hypothesis import strategies as st
from study_verify import GRID, LAYOUTS

from level.influence import find_influence, racking_limit
from level.verify.changes import observer, unit_changes
from level.verify.design import designs, gain_sigmas, play_steps, safe_rise

X, Y = grid(GRID, GRID)


def worst(influence, stands):
    """Largest racking if the lifts stand so, whichever they are and whichever way up."""
    return max(
        float(np.abs(influence.racking(np.array(signs) * stands[list(order)])).max())
        for order in permutations(range(len(stands)))
        for signs in product((1, -1), repeat=len(stands))
    )


@pytest.mark.parametrize("count", [2, 3, 4, 5])
def test_no_wiring_racks_by_more_than_a_design_says(count):
    influence = find_influence(machine(LAYOUTS[count]))
    alone, together = designs(machine(LAYOUTS[count]), influence, largest=0.5, past=0.05)
    assert (alone.kind, together.kind) == ("one by one", "weighing")
    for design in (alone, together):
        found = max(worst(influence, stand) for stand in design.stands(1))
        # one of the wirings is the worst one, exactly
        assert found == pytest.approx(design.racking, abs=1e-12)
        off = 1.0 if design is alone else 1 + 0.05 / design.cap
        limit = racking_limit(machine(LAYOUTS[count]), influence)
        assert design.racking * design.cap * off <= limit * (1 + 1e-9)


@given(
    st.integers(3, 7),
    st.integers(0, 10_000),
)
def test_lifts_within_a_unit_rack_by_no_more_than_together(count, seed):
    random = np.random.default_rng(seed)
    lifts = machine(random.uniform(0, 300, (count, 2)))
    influence = find_influence(lifts)
    stands = random.uniform(-1, 1, count)
    found = designs(lifts, influence, largest=0.5, past=0.0)
    assert np.abs(influence.racking(stands)).max() <= found[1].racking + 1e-9
    lone = np.eye(count)[random.integers(count)] * stands[0]
    assert np.abs(influence.racking(lone)).max() <= found[0].racking + 1e-9


def test_one_of_four_racks_by_a_quarter_and_all_by_a_whole():
    # theory A5: one lift moved alone by u makes racking u / 4
    lifts = machine(LAYOUTS[4], limits={"racking": 0.1})
    alone, together = designs(lifts, find_influence(lifts), largest=1.0, past=0.02)
    assert (alone.racking, together.racking) == pytest.approx((0.25, 1.0))
    assert (alone.cap, together.cap) == pytest.approx((0.4, 0.08))
    assert safe_rise(lifts, find_influence(lifts)) == pytest.approx(0.4)
    assert safe_rise(lifts, find_influence(lifts), 0.3) == 0.3
    assert designs(lifts, find_influence(lifts), largest=1.0, past=0.5) == ()


def test_gains_of_a_design_are_as_sure_as_generalised_least_squares_has_them():
    # second way: all places of all probings in one least-squares fit, bed unknown in each place
    lifts = machine(LAYOUTS[5])
    influence = find_influence(lifts)
    stands = designs(lifts, influence, largest=0.2, past=0.0)[0].stands(2) * 0.2
    # each place has a height of its own, and each probing one of its own (the datum is the bed)
    at = influence.at(X, Y)
    rows = []
    for k, stand in enumerate(stands):
        heights = np.zeros((len(X), len(stands)))
        heights[:, k] = 1
        rows.append(np.hstack((np.eye(len(X)), heights, at * stand)))
    spread = np.linalg.pinv(np.vstack(rows).T @ np.vstack(rows))
    expected = 0.005 * np.sqrt(np.diag(spread)[-5:])
    seeing = observer(influence, X, Y)
    noise = 0.005**2 * seeing @ seeing.T
    ours = gain_sigmas(stands, unit_changes(influence, influence), noise)
    assert ours == pytest.approx(expected, rel=1e-6)


def test_a_lift_that_does_not_show_is_not_known():
    influence = find_influence(machine([*LAYOUTS[4], (150, 150)]))
    seeing = observer(influence, X, Y)
    sigmas = gain_sigmas(
        np.vstack((np.zeros(5), np.eye(5))), unit_changes(influence, influence), seeing @ seeing.T
    )
    assert np.isinf(sigmas).tolist() == [False] * 4 + [True]


@pytest.mark.parametrize(("count", "size"), [(3, 4), (4, 5), (7, 8)])
def test_patterns_are_as_unlike_as_can_be(count, size):
    spots = [(100 * np.cos(k), 100 * np.sin(k)) for k in range(count)]
    lifts = machine(spots, limits={"racking": 9.0})
    signs = designs(lifts, find_influence(lifts), largest=0.5, past=0.05)[1].round
    determinant = abs(np.linalg.det(np.column_stack((np.ones(size), signs))))
    # Hadamard's bound n^(n/2) is reached for 4 and 8; 2^(n-1) is the least of any such pattern
    expected = size ** (size / 2) if size in (4, 8) else 2 ** (size - 1)
    assert determinant == pytest.approx(expected)
    assert set(np.unique(signs)) == {-1, 1}


def test_weighing_pays_for_three_lifts_and_not_for_four():
    for count, pays in ((3, True), (4, False)):
        lifts = machine(LAYOUTS[count], limits={"racking": 0.1})
        influence = find_influence(lifts)
        seeing = observer(influence, X, Y)
        per_unit = unit_changes(influence, influence)
        alone, together = (
            gain_sigmas(design.cap * design.stands(1), per_unit, seeing @ seeing.T).max()
            for design in designs(lifts, influence, largest=0.4, past=0.0)
        )
        assert (together < 0.6 * alone) == pays
        assert pays or together > alone


def test_going_past_a_mark_is_whole_detents():
    hand = machine(LAYOUTS[3], lead=0.7)  # an eighth of a turn: .0875 mm
    assert play_steps(hand, 0.05) == pytest.approx([0.0875] * 3)
    assert play_steps(hand, 0.1) == pytest.approx([0.175] * 3)
    assert play_steps(hand, 0.0).tolist() == [0, 0, 0]
