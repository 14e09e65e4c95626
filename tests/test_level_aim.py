import numpy as np
import pytest
from cases import grid, machine
from scipy.optimize import minimize

from level.aim import find_aim, same_rises
from level.case import Case
from level.influence import find_influence
from level.request import Request, check_request
from level.turns import plan_turns
from mesh import find_noise, find_tilt, minimum_zone
from probes import RequestError, Run

SQUARE = [(0, 0), (300, 0), (300, 300), (0, 300)]
FIVE = np.linspace(30, 270, 5)
X, Y = grid(FIVE, FIVE)
FINE = {"detent": 1e-7}


def aim_of(z, lifts, sigma=0.004, limit=1.0, **asked):
    run = Run(x=X, y=Y, z=z)
    request = check_request(Request(**asked), lifts, run)
    noise = find_noise(run, given=sigma)
    tilt = find_tilt(X, Y, run.z)
    twisting = True if request.corners else None
    influence = find_influence(lifts, twisting=twisting)
    return find_aim(Case(lifts, influence, run.places, tilt, noise, request, limit))


@pytest.mark.parametrize("carries", ["bed", "gantry"])
@pytest.mark.parametrize(
    "asked",
    [
        {"locked": ("A",)},
        {"locked": ("A", "B")},
        {"reference": "C", "locked": ("B",)},
        {"together": (("A", "B"),)},
        {"together": (("A", "B"), ("C", "D"))},
        {"together": (("A", "D"),), "reference": "raise-only"},
        {"reference": "keep-centre"},
    ],
)
def test_wishes_are_kept_and_nothing_nearer_is_left(asked, carries):
    # second formula: SciPy's SLSQP over the rises themselves
    lifts = machine(SQUARE, carries=carries, bed={"x": [20, 290], "y": [0, 300]})
    influence = find_influence(lifts)
    z = 0.0007 * X - 0.0004 * Y
    rises = aim_of(z, lifts, **asked).rises
    names = [lift.name for lift in lifts.lifts]
    still = [names.index(name) for name in (*asked.get("locked", ()), asked.get("reference", ""))
             if name in names]  # fmt: skip
    equal = [[names.index(name) for name in group] for group in asked.get("together", ())]
    assert rises[still] == pytest.approx(0, abs=1e-12)
    for group in equal:
        assert np.ptp(rises[group]) < 1e-12
    assert influence.racking(rises) == pytest.approx(0, abs=1e-12)
    if asked.get("reference") == "raise-only":
        assert rises.min() == 0
    if asked.get("reference") == "keep-centre":
        assert influence.at(155, 150) @ rises == pytest.approx([0], abs=1e-12)

    def left(values):
        after = z + influence.change(X, Y, values)
        return 1e6 * np.var(after)

    constraints = [{"type": "eq", "fun": lambda u: influence.racking(u)[:1]}]
    constraints += [{"type": "eq", "fun": lambda u, k=k: u[k]} for k in still]
    constraints += [{"type": "eq", "fun": lambda u, g=g: u[g[0]] - u[g[1]]} for g in equal]
    best = minimize(left, np.zeros(4), method="SLSQP", constraints=constraints,
                    options={"ftol": 1e-12, "maxiter": 300})  # fmt: skip
    assert left(rises) <= best.fun + 0.02
    if len(equal) < 2:  # two pairs are one equation too many for SLSQP
        assert left(rises) == pytest.approx(best.fun, abs=0.02)


def test_locked_lifts_and_one_way_may_contradict():
    with pytest.raises(RequestError, match="raise-only cannot be kept with the lifts that are"):
        aim_of(0.001 * X, machine(SQUARE), locked=("A",), reference="raise-only")
    lowered = aim_of(0.001 * X, machine(SQUARE), locked=("A",), reference="lower-only")
    assert lowered.rises == pytest.approx([0, -0.3, -0.3, 0])


def test_groups_join():
    lifts = machine(SQUARE, lift={"moves_with": None})
    request = Request(together=(("A", "B"), ("C", "B")))
    assert same_rises(lifts, request) == [[0, 1, 2]]


def test_minimum_zone_plane_is_made_parallel():
    random = np.random.default_rng(2)
    z = 0.1 * ((X - 150) / 120) ** 3 + 0.0004 * Y + random.normal(0, 0.01, 25)
    lifts = machine(SQUARE)
    aim = aim_of(z, lifts, objective="minimum-zone")
    zone = minimum_zone(X, Y, z)
    after = z + find_influence(lifts).change(X, Y, aim.rises)
    assert np.ptp(after) == pytest.approx(zone.width)
    least = aim_of(z, lifts)
    assert np.ptp(z + find_influence(lifts).change(X, Y, least.rises)) > zone.width
    # how sure: no surer than least squares
    assert (aim.sigmas >= least.sigmas * (1 - 1e-9)).all()


def test_sigmas_of_the_minimum_zone_cover():
    random = np.random.default_rng(3)
    bowl = 0.1 * ((X - 150) / 120) ** 2 + 0.03 * ((Y - 150) / 120) ** 2
    held = []
    for _ in range(150):
        aim = aim_of(bowl + 0.0005 * X + random.normal(0, 0.004, 25), machine(SQUARE),
                     objective="minimum-zone")  # fmt: skip
        held.append(np.abs(aim.rises - [0.075, -0.075, -0.075, 0.075]) <= 1.96 * aim.sigmas)
    assert np.mean(held) > 0.88


def test_area_counts_alone():
    z = np.where(X < 140, 0.0005 * X, 0.07 + 0.002 * Y)
    part = plan_turns(Run(x=X, y=Y, z=z), machine(SQUARE, lift=FINE), area=((0, 140), (0, 300)))
    assert [move.rise for move in part.moves] == pytest.approx([0.075, -0.075, -0.075, 0.075])


def test_corners_take_the_twist_and_no_more_than_may_be_racked():
    # theory T-A1 (ii): corner to zero is +.05 -.15 -.09 +.19, racking -.02
    run = Run(x=[0, 300, 300, 0], y=[0, 0, 300, 300], z=[0.10, 0.30, 0.24, -0.04])
    free = machine(SQUARE, lift={"detent": 1e-6}, limits={"racking": 0.05})
    plan = plan_turns(run, free, corners=True)
    assert [move.rise for move in plan.moves] == pytest.approx([0.05, -0.15, -0.09, 0.19])
    assert plan.racking.added == pytest.approx(0.02, abs=1e-5)
    assert plan.predicted.height_range == pytest.approx(0, abs=1e-5)
    tight = machine(SQUARE, lift={"detent": 1e-6}, limits={"racking": 0.005})
    plan = plan_turns(run, tight, corners=True)
    assert [move.rise for move in plan.moves] == pytest.approx([0.065, -0.165, -0.075, 0.175])
    assert plan.racking.added <= 0.005 * (1 + 1e-6)


def test_lock_shift_is_taken_off_before():
    lifts = machine(SQUARE, lift={"lock_shift": 0.01, **FINE})
    plain = machine(SQUARE, lift=FINE)
    z = 0.001 * X
    assert aim_of(z, lifts).rises == pytest.approx(aim_of(z, plain).rises - 0.01)


def test_one_lift_is_asked_for_nothing():
    aim = aim_of(0.001 * X, machine([(150, 150)]))
    assert aim.rises == pytest.approx([0])
    assert aim.stays == pytest.approx([0.001, 0])


def test_corners_of_any_four_lifts_come_to_one_height():
    spots = [(0, 0), (350, 0), (350, 350), (0, 200)]
    x, y = grid(np.linspace(20, 330, 5), np.linspace(20, 330, 5))
    z = 0.0004 * x + 0.05 * (x - 175) * (y - 175) / 155**2
    for reference in ("least-motion", "A", "raise-only"):
        lifts = machine(spots, carries="gantry", lift=FINE, limits={"racking": 5},
                        probe={"sigma": 1e-5})  # fmt: skip
        plan = plan_turns(Run(x=x, y=y, z=z), lifts, corners=True, reference=reference)
        left = z + plan.influence.change(x, y, [move.made for move in plan.moves])
        coefficients = np.polynomial.polynomial.polyvander2d(x - 175, y - 175, [1, 1])
        fit = np.linalg.lstsq(coefficients, left, rcond=None)[0]
        at = np.polynomial.polynomial.polyvander2d(*(np.array(spots).T - 175), [1, 1]) @ fit
        assert np.ptp(at) < 1e-4, reference
        if reference == "A":
            assert plan.moves[0].made == 0
        if reference == "raise-only":
            assert min(move.made for move in plan.moves) >= 0


def test_corners_want_free_lifts():
    run = Run(x=X, y=Y, z=0.001 * X)
    with pytest.raises(RequestError, match="--corners needs every lift to be free"):
        plan_turns(run, machine(SQUARE), corners=True, locked=["A"])


def test_raise_only_raises_only_with_lock_shifts_too():
    lifts = machine(SQUARE, lift={"lock_shift": 0.05, "detent": 0.001}, probe={"sigma": 1e-5})
    for reference, sign in (("raise-only", 1), ("lower-only", -1)):
        plan = plan_turns(Run(x=X, y=Y, z=0.0009 * X + 1e-5 * Y), lifts, reference=reference)
        assert min(sign * move.made for move in plan.moves) >= 0


def test_corners_leave_every_lift_its_load():
    # theory T-A2: slack at .02 mm; half of that may be racked, corners or not
    frame = {"carries": "bed", "joint": "rigid", "mass": 80 / 9.80665, "stiffness": 1000.0}
    z = 0.05 * (X - 150) * (Y - 150) / 120**2
    lifts = machine(SQUARE, frame=frame, lift={"detent": 1e-3}, probe={"sigma": 1e-4})
    plan = plan_turns(Run(x=X, y=Y, z=z), lifts, corners=True)
    assert plan.racking.limit == pytest.approx(0.01)
    assert plan.racking.added <= 0.01 * (1 + 1e-6)
