import numpy as np
import pytest
from cases import grid, machine

from level.leave import is_tilted
from level.show.words import turns_words
from level.simulator import BedShape, SimulatedMachine
from level.turns import plan_turns
from mesh.tilt import find_tilt
from probes import MachineError, RequestError, Run, ShapeError

SQUARE = [(0, 0), (300, 0), (300, 300), (0, 300)]
TRIANGLE = [(0, 0), (300, 0), (150, 300)]
FIVE = np.linspace(30, 270, 5)


def plane_run(slope_x, slope_y, level=0.0, at=FIVE):
    x, y = grid(at, at)
    return Run(x=x, y=y, z=level + slope_x * x + slope_y * y)


def rises(plan):
    return [move.rise for move in plan.moves]


def test_twisted_corners_get_the_plane_taken_out():
    # T-A1: corner heights .10 .30 .24 -.04: u = +.07 -.17 -.07 +.17, racking 0, present .02
    run = Run(x=[0, 300, 300, 0], y=[0, 0, 300, 300], z=[0.10, 0.30, 0.24, -0.04])
    plan = plan_turns(run, machine(SQUARE, lift={"detent": 1e-9}))
    assert rises(plan) == pytest.approx([0.07, -0.17, -0.07, 0.17], abs=1e-12)
    assert plan.racking.added == pytest.approx(0, abs=1e-9)
    assert plan.racking.present == pytest.approx(0.02)
    # T-A1: lift-only plane .24 0 .10 .34
    lifted = plan_turns(run, machine(SQUARE), reference="raise-only")
    assert rises(lifted) == pytest.approx([0.24, 0, 0.10, 0.34], abs=1e-12)


def test_turns_of_three_screws():
    # T-B1: z = .10 + .0005 x - .0003 y; heights .100 .250 .085; 0.5 mm pitch
    run = plane_run(0.0005, -0.0003, 0.10)
    three = machine(TRIANGLE, lead=0.5, lift={"detent": 1e-6})
    held = plan_turns(run, three, reference="A")
    assert [move.turns for move in held.moves] == pytest.approx([0, -0.30, 0.03], abs=1e-12)
    mean = plan_turns(run, three)
    assert [move.turns for move in mean.moves] == pytest.approx([0.09, -0.21, 0.12], abs=1e-12)
    assert [move.direction for move in mean.moves] == ["clockwise", "counterclockwise", "clockwise"]
    assert [move.degrees for move in mean.moves] == pytest.approx([32.4, -75.6, 43.2])


def test_steps_of_two_motors():
    # T-B2: lifts x = -20, 320, slope .0006: u2 - u1 = -.204 mm; lead 8: 9.18 deg, 81.6 microsteps
    two = machine([(-20, 150), (320, 150)], lead=8.0, lift={"motor_steps": 200, "microsteps": 16})
    plan = plan_turns(plane_run(0.0006, 0.0), two, reference="A")
    second = plan.moves[1]
    assert second.rise == pytest.approx(-0.204)
    assert second.degrees == pytest.approx(-9.18)
    assert second.turns * 3200 == pytest.approx(-81.6)
    assert second.steps == -82


def test_sigma_of_turns():
    # T-B4: sigma 5 um, 5 x 5 on 30..270, pitch .5, relative to the first: sd 0, .00707, .00791 turn
    three = machine(TRIANGLE, lead=0.5, probe={"sigma": 0.005})
    plan = plan_turns(plane_run(0.0005, -0.0003), three, reference="A")
    assert [move.sigma / 0.5 for move in plan.moves] == pytest.approx(
        [0, 0.00707, 0.00791], abs=6e-6
    )
    assert plan.moves[1].interval == pytest.approx(
        (-0.15 - 1.96 * 0.003536, -0.15 + 1.96 * 0.003536), abs=1e-5
    )
    # T-B3: sqrt of the leverage at (0, 0) is .5385
    assert np.sqrt(plan.moves[0].leverage) == pytest.approx(0.5385, abs=6e-5)


def test_sigmas_are_those_of_many_plans():
    random = np.random.default_rng(1)
    four = machine(SQUARE, carries="gantry", probe={"sigma": 0.004})
    x, y = grid(FIVE, FIVE)
    plans = [
        plan_turns(Run(x=x, y=y, z=0.001 * x + random.normal(0, 0.004, 25)), four)
        for _ in range(800)
    ]
    seen = np.std([rises(plan) for plan in plans], axis=0)
    assert seen == pytest.approx([move.sigma for move in plans[0].moves], rel=0.08)
    inside = [move.interval[0] <= (0.15 if k in (1, 2) else -0.15) <= move.interval[1]
              for plan in plans for k, move in enumerate(plan.moves)]  # fmt: skip
    assert np.mean(inside) == pytest.approx(0.95, abs=0.015)


@pytest.mark.parametrize("carries", ["bed", "gantry"])
@pytest.mark.parametrize("reference", ["least-motion", "raise-only", "lower-only", "A"])
@pytest.mark.parametrize(
    "spots",
    [
        [(150, 150)],
        [(-20, 150), (320, 150)],
        [(-20, 10), (320, 260)],
        [(0, 0), (300, 0), (150, 300)],
        SQUARE,
        [(-60, -10), (410, -10), (410, 370), (-60, 370), (175, 400)],
        [(x, y) for y in (0, 300) for x in (0, 150, 300)],
        [(0, 0), (100, 0), (200, 0), (300, 0)],
    ],
    ids=["1", "2", "2 askew", "3", "4", "5", "6", "4 in line"],
)
def test_simulated_machine_is_level_after_the_plan(spots, reference, carries):
    lifts = machine(spots, carries=carries, lead=0.7, lift={"detent": 1e-9})  # 0.7 nm
    shape = BedShape((150, 150), (150, 150), fall_x=0.3, fall_y=-0.2, bowl_x=0.1, twist=0.03)
    heights = np.random.default_rng(len(spots)).normal(0, 0.1, len(spots))
    simulated = SimulatedMachine(lifts, shape, heights=heights)
    plan = plan_turns(simulated.probe(FIVE, FIVE), lifts, reference=reference)
    for stage in plan.stages:
        for part in stage.moves:
            simulated.turn(part.lift, part.turns, part.direction)
    after = simulated.probe(FIVE, FIVE)
    left = find_tilt(after.x, after.y, after.z)
    slopes = np.array([left.slope_x, left.slope_y])
    for direction in plan.influence.directions:
        assert abs(slopes @ direction) * 300 < 1e-9
    # what these lifts cannot take out is said
    assert slopes == pytest.approx(plan.stays, abs=1e-11)
    assert (left.fall_x, left.fall_y) == pytest.approx(
        (plan.predicted.fall_x, plan.predicted.fall_y), abs=1e-9
    )
    if reference == "raise-only":
        assert min(rises(plan)) == 0
    elif reference == "lower-only":
        assert max(rises(plan)) == 0
    elif reference == "A":
        assert rises(plan)[0] == 0
    else:
        assert sum(rises(plan)) == pytest.approx(0, abs=1e-12)


def test_stages_never_rack_beyond_the_limit():
    random = np.random.default_rng(3)
    for _ in range(60):
        spots = random.uniform(-50, 350, (int(random.integers(4, 8)), 2))
        four = machine(
            spots, limits={"racking": 0.02}, probe={"sigma": 1e-6}, lift={"detent": 1e-6}
        )
        plan = plan_turns(plane_run(*random.normal(0, 1e-3, 2)), four)
        done, names = np.zeros(len(spots)), [lift.name for lift in four.lifts]
        for stage in plan.stages:
            for part in stage.moves:
                done[names.index(part.lift)] += part.rise
                assert np.abs(plan.influence.racking(done)).max() <= 0.02 * (1 + 1e-9)
        assert done == pytest.approx(rises(plan), abs=1e-6)


def test_stages_hold_the_limit_where_a_lift_is_left_too():
    # leaving a lift racks a little, and that adds up over the stages
    spots = [(-20, -20), (320, -20), (320, 320), (-20, 320)]
    four = machine(
        spots, lead=8.0, limits={"racking": 0.05}, probe={"sigma": 1e-4}, lift={"detent": 0.02}
    )
    at = np.linspace(20, 280, 5)
    plan = plan_turns(plane_run(-0.0005, -0.0015, at=at), four, reference="raise-only")
    done, names = np.zeros(4), [lift.name for lift in four.lifts]
    for stage in plan.stages:
        for part in stage.moves:
            done[names.index(part.lift)] += part.rise
            assert np.abs(plan.influence.racking(done)).max() <= 0.05 * (1 + 1e-9)
    assert any(move.leave for move in plan.moves)


def test_leaving_a_lift_never_tilts_more():
    # lifts almost in line, detents fine and coarse, noise small and large
    random = np.random.default_rng(9)
    for _ in range(400):
        spots = [(0, 0), (300, random.uniform(-5, 5)), (600, random.uniform(-5, 5))]
        three = machine(
            spots, lead=8.0, probe={"sigma": float(random.choice((1e-4, 0.005, 0.05)))},
            lift={"detent": float(random.choice((0.006, 0.125)))},
        )  # fmt: skip
        plan = plan_turns(plane_run(*random.normal(0, 3e-4, 2)), three)
        before = np.hypot(plan.tilt.slope_x, plan.tilt.slope_y)
        left = plan.predicted.fall_x / plan.tilt.width, plan.predicted.fall_y / plan.tilt.depth
        assert np.hypot(*left) <= before * (1 + 1e-9)


def test_a_lift_is_turned_where_leaving_it_would_rack():
    # one rise is below its uncertainty, but leaving it alone racks beyond the limit
    tight = machine(SQUARE, limits={"racking": 0.01}, probe={"sigma": 0.05}, lift={"detent": 0.01})
    plan = plan_turns(plane_run(0.001, 0.00015), tight, reference="raise-only")
    assert plan.racking.added <= 0.01
    loose = machine(SQUARE, limits={"racking": 10}, probe={"sigma": 0.05}, lift={"detent": 0.01})
    assert plan_turns(plane_run(0.001, 0.00015), loose, reference="raise-only").racking.added > 0.01


def test_a_tilt_that_is_noise_as_a_whole_is_left():
    left = 0
    random = np.random.default_rng(10)
    x, y = grid(FIVE, FIVE)
    fine = machine(SQUARE, probe={"sigma": 0.005}, lift={"detent": 1e-6})
    for _ in range(400):
        plan = plan_turns(Run(x=x, y=y, z=random.normal(0, 0.005, 25)), fine)
        left += not is_tilted(plan.tilt, plan.noise, plan.influence)
    assert left / 400 == pytest.approx(0.95, abs=0.035)


def test_misread_runs_are_not_turned_by():
    four = machine(SQUARE)
    with pytest.raises(ShapeError, match="the readings tilt by 500 mm/m, which no bed does"):
        plan_turns(plane_run(0.5, 0), four)
    with pytest.raises(ShapeError, match="the places cover 2 x 2 mm of a machine whose lifts"):
        plan_turns(plane_run(0.001, 0, at=np.linspace(0, 2, 3)), four)


def test_small_turns_are_left():
    # noise 5 um: a rise of 2 um is not real; a detent of 1/8 turn of 0.5 mm is 62.5 um
    three = machine(TRIANGLE, lead=0.5, probe={"sigma": 0.005}, lift={"detent": 1e-4})
    tiny = plan_turns(plane_run(1e-5, 0), three)
    assert {move.why for move in tiny.moves} == {"below its uncertainty", "no rise needed"}
    assert tiny.turning == ()
    assert tiny.stages == ()
    by_hand = plan_turns(plane_run(1.5e-4, 0), machine(TRIANGLE, lead=0.5, probe={"sigma": 1e-4}))
    small = "no detent nearer"
    assert [move.why for move in by_hand.moves] == [small, small, "no rise needed"]
    finer = plan_turns(plane_run(1.5e-4, 0), machine(TRIANGLE, probe={"sigma": 1e-4}), detent=0.01)
    assert [move.leave for move in finer.moves] == [False, False, True]


def test_a_lopsided_mask_does_not_tilt_a_bowl():
    x, y = grid(np.linspace(0, 300, 5), np.linspace(0, 300, 5))
    keep = (x < 290) | (y < 290)
    bowl = 0.1 * ((x - 150) / 150) ** 2
    plan = plan_turns(Run(x=x[keep], y=y[keep], z=bowl[keep]), machine(SQUARE))
    assert rises(plan) == pytest.approx([0] * 4, abs=1e-12)
    assert any("lopsided" in warning for warning in plan.warnings)


def test_what_is_uncertain_is_said():
    x, y = grid(np.linspace(100, 200, 3), np.linspace(100, 200, 3))
    plan = plan_turns(Run(x=x, y=y, z=0.001 * x), machine(SQUARE))
    assert "known worse than one reading" in " ".join(plan.warnings)
    assert "estimated from the map" in " ".join(plan.warnings)
    three = Run(x=[0, 300, 0], y=[0, 0, 300], z=[0, 0.1, 0])
    bare = plan_turns(three, machine(SQUARE))
    assert bare.moves[0].sigma is None
    assert bare.moves[0].interval is None
    assert "too few places" in " ".join(bare.warnings)


def test_lifts_in_line_and_one_lift_say_what_stays():
    run = plane_run(0.0006, 0.0004)
    two = plan_turns(run, machine([(0, 150), (300, 150)]))
    assert two.stays == pytest.approx((0, 0.0004))
    assert "0.400 mm/m across it stays" in " ".join(two.warnings)
    one = plan_turns(run, machine([(150, 150)]))
    assert one.stays == pytest.approx((0.0006, 0.0004))
    assert one.stages == ()
    assert "one lift can raise and lower" in " ".join(one.warnings)


def test_impossible_requests_are_said():
    run, four = plane_run(0.001, 0), machine(SQUARE)
    with pytest.raises(RequestError, match="least-motion, raise-only, lower-only, keep-centre or"):
        plan_turns(run, four, reference="Z")
    with pytest.raises(RequestError, match="must be a number of turns above zero"):
        plan_turns(run, four, detent=0)
    with pytest.raises(ShapeError, match="on one line"):
        plan_turns(Run(x=[0, 1, 2], y=[0, 1, 2], z=[0, 0, 0]), four)
    with pytest.raises(MachineError, match="outside the bed"):
        plan_turns(run, machine(SQUARE, bed={"x": [0, 100], "y": [0, 100]}))


def test_a_lift_that_may_carry_nothing_is_named():
    # theory T-A2: 80 N, four lifts of 1000 N/mm: a twist of .03 mm at the lifts leaves two slack
    frame = {"carries": "bed", "mass": 80 / 9.80665, "stiffness": 1000.0}
    x, y = grid(np.linspace(0, 300, 5), np.linspace(0, 300, 5))
    z = 0.03 * (x - 150) * (y - 150) / 150**2
    said = " ".join(plan_turns(Run(x=x, y=y, z=z), machine(SQUARE, frame=frame)).warnings)
    assert "B and D carry next to nothing" in said
    gantry = machine(SQUARE, frame={**frame, "carries": "gantry"})
    assert "A and C carry next" in " ".join(plan_turns(Run(x=x, y=y, z=z), gantry).warnings)
    flat = " ".join(plan_turns(Run(x=x, y=y, z=0.1 * z), machine(SQUARE, frame=frame)).warnings)
    assert "carry next" not in flat


def test_a_lift_at_the_end_of_its_room_is_named():
    roomy = machine(SQUARE, lift={"detent": 0.01})
    run = plane_run(0.001, 0.0)
    assert not any(move.short for move in plan_turns(run, roomy).moves)
    # all may go down as they like: the same plane is reached from lower, and nothing lacks
    up_only = machine(SQUARE, lift={"detent": 0.01, "room_up": 0.05})
    assert not any(move.short for move in plan_turns(run, up_only).moves)
    tight = machine(SQUARE, lift={"detent": 0.01, "room_up": 0.05, "room_down": 0.05})
    plan = plan_turns(run, tight)
    assert [move.short for move in plan.moves] == [True] * 4
    assert plan.predicted.fall_x > 0.15
    assert "A: has room for 0.050 mm up only, of 0.150 mm asked for" in " ".join(plan.warnings)
    assert not any("finer" in sentence for sentence in turns_words(plan))
    closed = machine(SQUARE, lift={"detent": 0.01, "room_up": 0, "room_down": 0})
    stuck = plan_turns(run, closed)
    assert {move.why for move in stuck.moves} == {"no room"}
    assert turns_words(stuck)[0].endswith("those that should be turned have no room.")
