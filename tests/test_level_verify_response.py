import time

import numpy as np
import pytest
from cases import machine
from hypothesis import given, settings
from hypothesis import strategies as st
from study_verify import LAYOUTS, Faulty

from level.simulator import BedShape
from level.verify.response import Reading, read_response
from probes import MachineError, RequestError, Run

BED = BedShape((150, 150), (150, 150), fall_x=0.1, bowl_x=0.1, twist=0.05)
NAMES = "ABCDEF"


def lifts_of(count, sigma=0.005, **extra):
    return machine(LAYOUTS[count], probe={"sigma": sigma}, **extra)


def respond(lifts, moves=None, *, sigma=0.0, seed=1, datum="bed", readings=(), **faults):
    faulty = Faulty(lifts, BED, sigma=sigma, seed=seed, **faults)
    moves = [{lift.name: 0.2} for lift in lifts.lifts] if moves is None else moves
    return read_response(faulty.trials(moves), lifts, datum=datum, readings=readings)


def verdicts(response):
    return [lift.verdict for lift in response.lifts]


def said(explanation):
    """What an explanation says of drives that are not good."""
    return {
        drive.lift: (drive.verdict, drive.answers_as, drive.reversed, drive.ratio)
        for drive in explanation.drives
        if drive.verdict != "good"
    }


def exchanged(count, one, other):
    lift_of = list(range(count))
    lift_of[one], lift_of[other] = other, one
    return lift_of


@pytest.mark.parametrize(
    ("count", "carries"), [(2, "bed"), (3, "gantry"), (4, "gantry"), (5, "bed"), (6, "bed")]
)
def test_each_fault_of_each_lift_is_found_without_noise(count, carries):
    lifts = lifts_of(count, 0.001, carries=carries)
    assert respond(lifts).all_good
    for k in range(count):
        for gain, verdict in (
            (-1, "reversed"),
            (0, "stuck"),
            (2, "wrong lead"),
            (5 / 8, "wrong lead"),
        ):
            gains = np.ones(count)
            gains[k] = gain
            response = respond(lifts, gain=gains)
            expected = ["good"] * count
            expected[k] = verdict
            assert verdicts(response) == expected
            lift = response.lifts[k]
            assert lift.gain == pytest.approx(gain, abs=1e-9)
            assert lift.answers_as == (None if gain == 0 else NAMES[k])
            assert lift.reversed == (gain < 0)
            if gain not in (0, -1):
                assert lift.ratio == gain
                assert lift.suggested_lead == pytest.approx(0.5 * gain)
                assert lift.factor == pytest.approx(gain, rel=0.01)
            else:
                assert lift.suggested_lead is None


@pytest.mark.parametrize("count", [3, 4, 6])
def test_exchanged_plugs_are_found_or_the_set_that_tilt_cannot_tell(count):
    lifts = lifts_of(count)
    for one in range(count):
        for other in range(one + 1, count):
            response = respond(lifts, lift_of=exchanged(count, one, other))
            a, b = NAMES[one], NAMES[other]
            swapped = {a: ("swapped", b, False, 1.0), b: ("swapped", a, False, 1.0)}
            assert said(response.explanations[0]) == swapped
            apart = lifts.positions[[one, other]].mean(axis=0)
            if np.allclose(apart, lifts.positions.mean(axis=0)):
                # theory D3: a diagonal swap is reversing both of the pair
                both = {a: ("reversed", a, True, 1.0), b: ("reversed", b, True, 1.0)}
                assert [said(each) for each in response.ambiguous[:2]] == [swapped, both]
                assert response.lift(a).verdict == "unclear"
                assert response.lift(a).why == "more than one explanation fits"
                assert response.decider.look == "lifts"
                assert response.decider.expected[0] != response.decider.expected[1]
            else:
                assert response.lift(a).verdict == response.lift(b).verdict == "swapped"
                assert (response.lift(a).answers_as, response.lift(b).answers_as) == (b, a)
                assert response.lift(a).gain == pytest.approx(1, abs=1e-9)


def test_two_lifts_swapped_are_two_lifts_reversed():
    # theory D3: N = 2: swap == both reversed; N = 3 has no such pair (test above)
    swapped = respond(lifts_of(2), lift_of=[1, 0])
    reversed_both = respond(lifts_of(2), gain=[-1, -1])
    for response in (swapped, reversed_both):
        assert verdicts(response) == ["unclear", "unclear"]
        assert [each.drives[0].verdict for each in response.ambiguous] == ["swapped", "reversed"]
        shares = [each.share for each in response.ambiguous]
        assert shares == pytest.approx([0.8, 0.2], abs=0.01)  # the prior: .02 against .02 / 4
        assert response.lifts[0].gain is None
        assert response.decider.expected == ({"B": 0.5}, {"A": -0.5})
    # what breaks it: a datum off the bed, a look at the lift
    for datum in ("fixed",):
        assert verdicts(respond(lifts_of(2), lift_of=[1, 0], datum=datum)) == ["swapped"] * 2
        assert verdicts(respond(lifts_of(2), gain=[-1, -1], datum=datum)) == ["reversed"] * 2
    look = [Reading("A", -0.2, 0.2, 0.07)]
    assert verdicts(respond(lifts_of(2), gain=[-1, -1], readings=look)) == ["reversed"] * 2
    look = [Reading("A", 0.0, 0.2, 0.07)]
    assert verdicts(respond(lifts_of(2), lift_of=[1, 0], readings=look)) == ["swapped"] * 2


def test_twist_breaks_the_symmetry_of_four():
    lifts = lifts_of(4, joint="twisting")
    assert verdicts(respond(lifts, lift_of=[2, 1, 0, 3])) == ["swapped", "good"] * 2
    assert verdicts(respond(lifts, gain=[-1, 1, -1, 1])) == ["reversed", "good"] * 2


def test_faults_add_up():
    response = respond(lifts_of(3), lift_of=[1, 2, 0], gain=[-2, 1, 0.5])
    assert verdicts(response) == ["swapped"] * 3
    first = response.lifts[0]
    assert (first.answers_as, first.reversed, first.ratio) == ("B", True, 2)
    assert first.gain == pytest.approx(-2)
    assert first.suggested_lead == pytest.approx(1.0)
    assert verdicts(respond(lifts_of(4), gain=[0, 0, 1, 1])) == ["stuck", "stuck", "good", "good"]
    same = respond(lifts_of(4), gain=[4, 4, 4, 4])
    assert verdicts(same) == ["wrong lead"] * 4
    assert "every lift moves 4 times what it is told" in same.warnings[0]
    everything = respond(lifts_of(3), gain=[-1, -1, -1])
    assert verdicts(everything) == ["reversed"] * 3
    assert "check [frame] carries (bed)" in everything.warnings[0]


def test_a_gain_of_no_ratio_suggests_the_lead_it_shows():
    response = respond(lifts_of(3), gain=[1.42, 20, 1], sigma=1e-4)
    assert verdicts(response) == ["wrong lead", "wrong lead", "good"]
    for lift, gain in zip(response.lifts, (1.42, 20), strict=False):
        assert lift.ratio is None
        assert lift.suggested_lead == pytest.approx(0.5 * gain, rel=0.02)


def test_a_lift_that_stands_elsewhere_is_told_from_a_faulty_drive():
    true, filed = LAYOUTS[3], [LAYOUTS[3][0], (250, 60), LAYOUTS[3][2]]
    faulty = Faulty(machine(true, probe={"sigma": 0.005}), BED, sigma=0.005)
    lifts = machine(filed, probe={"sigma": 0.005})
    response = read_response(faulty.trials([{name: 0.2} for name in "ABC"]), lifts)
    assert response.misplaced.lift == "B"
    assert response.misplaced.x == pytest.approx(330, abs=4 * response.misplaced.sigma_x)
    assert response.misplaced.y == pytest.approx(-30, abs=4 * response.misplaced.sigma_y)
    assert verdicts(response) == ["good", "unclear", "good"]
    assert response.lift("B").why == "seems to stand elsewhere"
    with pytest.raises(MachineError, match="seems to stand elsewhere"):
        response.commands({"B": 0.1})


def test_with_four_lifts_a_soft_one_looks_misplaced_too():
    filed = [LAYOUTS[4][0], (180, 60), *LAYOUTS[4][2:]]
    faulty = Faulty(machine(LAYOUTS[4], probe={"sigma": 0.002}), BED, sigma=0.002)
    lifts = machine(filed, probe={"sigma": 0.002})
    response = read_response(faulty.trials([{name: 0.3} for name in "ABCD"]), lifts)
    assert response.misplaced.lift == "B"
    assert response.lift("B").why.endswith("or to carry more or less than its share")


def test_a_lift_that_drags_the_carriage_sideways_is_unclear():
    lifts = lifts_of(3)
    faulty = Faulty(lifts, BED, sigma=0.002)

    def drag(name, rise):
        plain(name, rise)
        if name == "A":
            faulty.heights += np.array([0, 0.8, -0.5]) * rise

    plain, faulty.command = faulty.command, drag
    response = read_response(faulty.trials([{name: 0.2} for name in "ABC"]), lifts)
    assert verdicts(response) == ["unclear", "good", "good"]
    assert response.lifts[0].why == "moves the carriage as no lift of this machine would"
    assert response.lifts[0].off_axis > 100


def test_levelling_passes_count_as_trials():
    passes = [{"A": 0.2, "B": -0.15, "C": -0.2, "D": 0.15}, {"A": 0.1, "B": 0.1, "C": -0.1}]
    lifts = lifts_of(4)
    good = respond(lifts, passes, sigma=0.005)
    assert good.all_good
    assert not good.ambiguous
    # D is reversed, or B is, which tilts the same: the pair is unclear, the others are not
    response = respond(lifts, passes[:1], sigma=0.005, gain=[1, 1, 1, -1])
    assert verdicts(response) == ["good", "unclear", "good", "unclear"]
    assert {tuple(said(each)) for each in response.ambiguous[:2]} == {("D",), ("B",)}
    assert response.decider.lift in "BD"
    assert response.decider.decides


def test_lifts_never_moved_are_unclear_and_the_rest_is_not():
    response = respond(lifts_of(3), [{"A": 0.2}], lift_of=[0, 2, 1])
    assert verdicts(response) == ["good", "unclear", "unclear"]
    assert [lift.why for lift in response.lifts] == ["", "never moved", "never moved"]
    assert response.lifts[1].gain is None
    # a plug found in another lift leaves open who moves it: the mover itself is clear
    other = respond(lifts_of(3), [{"A": 0.2}], lift_of=[1, 0, 2])
    assert (other.lifts[0].verdict, other.lifts[0].answers_as) == ("swapped", "B")


def test_one_move_of_four_leaves_the_diagonal_open_and_names_the_move_that_closes_it():
    response = respond(lifts_of(4), [{"A": 0.2}], gain=[-1, 1, 1, 1])
    assert response.lifts[0].verdict == "unclear"
    assert {said(each)["A"][:2] for each in response.ambiguous} == {
        ("swapped", "C"),
        ("reversed", "A"),
    }
    # if A's plug is in C, C's is in A, and moving C shows it
    assert (response.decider.lift, response.decider.look) == ("C", "probe")
    assert {tuple(each) for each in response.decider.expected} == {("A",), ("C",)}
    settled = respond(lifts_of(4), [{"A": 0.2}, {"C": response.decider.rise}], gain=[-1, 1, 1, 1])
    assert [settled.lift(name).verdict for name in "AC"] == ["reversed", "good"]


def test_a_ruler_alone_gives_gains():
    lifts = lifts_of(3, lift={})
    readings = [
        Reading("A", 25.1, 50.0, 0.5),
        Reading("b", -50.3, 50.0, 0.5),
        Reading("C", 50, 50, 1),
    ]
    response = read_response([], lifts, readings=readings)
    assert verdicts(response) == ["wrong lead", "reversed", "good"]
    assert (response.lifts[0].gain, response.lifts[0].gain_sigma) == pytest.approx((0.502, 0.01))
    assert response.lifts[0].suggested_lead == pytest.approx(0.25)
    # it shows a lift that no tilt shows
    five = machine([*LAYOUTS[4], (150, 150)], probe={"sigma": 0.005})
    moves = [{name: 0.2} for name in "ABCDE"]
    blind = respond(five, moves)
    assert (blind.lifts[4].verdict, blind.lifts[4].gain) == ("unclear", None)
    assert blind.lifts[4].why == "its rise does not tilt what it carries"
    seen = respond(five, moves, readings=[Reading("E", 0.2, 0.2, 0.01)])
    assert seen.all_good


def test_backlash_is_told_for_each_lift_that_turned_back():
    lifts = lifts_of(3)
    faulty = Faulty(lifts, BED, sigma=1e-6)
    faulty.play[:] = faulty._slack[:] = 0.02
    response = read_response(faulty.trials([{"A": 0.2}, {"A": -0.2}, {"B": 0.2}]), lifts)
    assert response.lifts[0].backlash == pytest.approx(0.02, abs=1e-4)
    assert response.lifts[0].backlash_sigma > 0
    assert response.lifts[1].backlash is None


@pytest.mark.parametrize(
    ("moves", "count", "fault", "what"),
    [
        ([], 3, RequestError, "no trials: give a run before, what was moved, and a run after"),
        ([{"A": 0.004}], 3, RequestError, r"'A': a move of 0\.004 mm is too small .* by 0\.0\d mm"),
        ([{"E": 0.2}], 5, MachineError, "'E': a rise there tilts nothing that the probe sees"),
        ([{"A": 0.2}], 1, MachineError, "one lift alone tips nothing"),
    ],
)
def test_what_cannot_be_told_at_all_is_refused_in_a_line(moves, count, fault, what):
    spots = {1: [(150, 150)], 5: [*LAYOUTS[4], (150, 150)]}.get(count, LAYOUTS.get(count))
    with pytest.raises(fault, match=what) as caught:
        respond(machine(spots, probe={"sigma": 0.005}), moves, sigma=0.005)
    assert "\n" not in str(caught.value)


def test_a_move_that_no_lift_explains_is_not_called_no_move():
    lifts = machine(LAYOUTS[4], probe={"sigma": 0.002})
    x, y = (values.ravel() for values in np.meshgrid(*[np.linspace(30, 270, 5)] * 2))
    before = Run(x=x, y=y, z=0 * x)
    after = Run(x=x, y=y, z=0.003 * (x - 150))  # as no single one of four corners tips it
    with pytest.raises(RequestError, match="'A': the bed moved, but as no one lift"):
        read_response([(before, {"A": 0.2}, after)], lifts)


def test_one_lift_shows_in_height():
    one = machine([(150, 150)], probe={"sigma": 0.005})
    response = respond(one, [{"A": 0.2}], gain=[0.5], datum="fixed")
    assert (response.lifts[0].verdict, response.lifts[0].ratio) == ("wrong lead", 0.5)


def test_an_unknown_datum_is_refused():
    with pytest.raises(RequestError, match="datum 'probe': must be one of bed, fixed"):
        respond(lifts_of(3), datum="probe")


def test_gains_too_vague_to_see_a_near_lead_are_told():
    response = respond(lifts_of(6), sigma=0.005)
    assert response.all_good
    assert "(B, E): a lead that is wrong by less does not show" in response.warnings[0]


@given(
    st.integers(2, 5),
    st.tuples(st.floats(-500, 500), st.floats(-500, 500)),
    st.sampled_from([0.5, 1.0, 25.4]),
    st.integers(0, 1000),
)
@settings(max_examples=15)
def test_where_the_origin_is_and_how_large_the_machine_is_do_not_matter(count, shift, scale, seed):
    random = np.random.default_rng(seed)
    wiring = {"lift_of": random.permutation(count), "gain": random.choice([-1, 0, 1, 2], count)}
    plain = lifts_of(count)
    moved = machine(scale * plain.positions + shift, probe={"sigma": 0.005})
    moves = [{lift.name: 0.3} for lift in plain.lifts]
    trials = Faulty(plain, BED, sigma=0.005, seed=seed, **wiring).trials(moves)
    there = {}
    for run in {id(run): run for trial in trials for run in (trial[0], trial[2])}.values():
        there[id(run)] = Run(x=scale * run.x + shift[0], y=scale * run.y + shift[1], z=run.z)
    again = [(there[id(a)], move, there[id(b)]) for a, move, b in trials]
    one, other = read_response(trials, plain), read_response(again, moved)
    assert verdicts(one) == verdicts(other)
    for a, b in zip(one.lifts, other.lifts, strict=True):
        assert (a.gain is None) == (b.gain is None)
        if a.gain is not None:
            # of one that does not move the sign is that of the lift it is held against
            ours, theirs = (abs(x.gain) if x.verdict == "stuck" else x.gain for x in (a, b))
            assert (ours, a.gain_sigma) == pytest.approx((theirs, b.gain_sigma), abs=1e-6)
            assert a.share == pytest.approx(b.share, abs=1e-3)


def test_six_lifts_are_read_in_well_under_a_second():
    off = np.array([(0, 0), (20, -30), (0, 60), (-50, 0), (0, 20), (-40, 0)])
    lifts = machine(np.array(LAYOUTS[6]) + off, probe={"sigma": 0.005})
    faulty = Faulty(lifts, BED, sigma=0.002, lift_of=[2, 0, 1, 4, 3, 5], gain=[1, -1, 2, 0, 1, 1])
    trials = faulty.trials([{name: 0.4} for name in NAMES])
    start = time.perf_counter()
    response = read_response(trials, lifts)
    assert time.perf_counter() - start < 2  # about .15 s where nothing else runs
    assert [lift.answers_as for lift in response.lifts] == ["C", "A", "B", None, "D", "F"]
