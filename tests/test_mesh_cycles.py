import numpy as np
import pytest
import scipy.stats
from hypothesis import given, settings
from hypothesis import strategies as st

from mesh.cycles import directions, fit_cycles
from probes import RequestError

# theory T-F7: truth 0.02 + 0.0012 t + 1e-5 t^2, t = T - 25, at 25, 40, 60 up and down
SEEN = np.array([25.0, 40, 60, 60, 40, 25])


def truth(bed):
    return 0.02 + 0.0012 * (bed - 25) + 1e-5 * (bed - 25) ** 2


def fitted(**options):
    return fit_cycles({"bow_x": truth(SEEN)}, SEEN, [True] * 6, [1] * 6, **options)


def test_extrapolation_is_refused():
    found = fitted()
    assert found.predict(100).refusal == (
        "100 degC is too far from the temperatures seen, 25 to 60 degC; "
        "probe there, or ask between 20.0 and 65.0"
    )
    assert found.predict(100).modes == {}
    for bed, refused in ((65.0, False), (65.1, True), (20.0, False), (19.9, True)):
        assert bool(found.predict(bed).refusal) == refused


def test_a_quarter_of_a_narrow_range_counts():
    bed = np.array([50.0, 54, 58, 50, 54, 58])
    found = fit_cycles({"bow_x": bed}, bed, [True] * 6, [1] * 6)
    assert not found.predict(60).refusal
    assert "52" not in found.predict(60.1).refusal
    assert "48.0 and 60.0" in found.predict(60.1).refusal


def test_a_line_cannot_be_trusted_far_off():
    # theory T-F7: by a line the leverage at 100 is 2.93; the truth there is 0.1663, at 50 0.0563.
    # By hand, without noise: slope 0.96083 / 616.67, mean 0.044833 at 41.67
    found = fitted(curvature=False)
    assert found.terms == ("height", "slope")
    assert found.leverage(100) == pytest.approx(2.93, abs=0.005)
    slope = found.modes[0].slope.value
    assert slope == pytest.approx(0.96083 / 616.67, rel=1e-5)
    value, low, high = found.predict(50).modes["bow_x"]
    assert value == pytest.approx(0.044833 + slope * 25 / 3, abs=1e-6)
    assert low < truth(50) < high
    reach = scipy.stats.t.ppf(0.975, 4) * found.modes[0].scatter * np.sqrt(1 + found.leverage(50))
    assert high - value == pytest.approx(reach)
    # 100 degC: short by a fifth, which is why it is refused
    assert truth(100) == pytest.approx(0.1663, abs=5e-5)
    assert value + 50 * slope < 0.83 * truth(100)
    # a square through three temperatures holds what is between them
    assert fitted().predict(50).modes["bow_x"][0] == pytest.approx(0.05625)


def test_line_is_the_reference():
    # scipy.stats.linregress as the second formula
    random = np.random.default_rng(1)
    bed = random.uniform(25, 100, 12)
    values = 1e-3 * bed + random.normal(0, 0.01, 12)
    found = fit_cycles({"twist": values}, bed, [True] * 12, [1] * 12, curvature=False).modes[0]
    line = scipy.stats.linregress(bed, values)
    assert found.slope.value == pytest.approx(line.slope)
    assert found.slope.sigma == pytest.approx(line.stderr)
    assert found.slope.significant == (line.pvalue < 0.05)


@settings(max_examples=50, deadline=None)
@given(
    slope=st.floats(-0.01, 0.01),
    curve=st.floats(-1e-4, 1e-4),
    loop=st.floats(-0.1, 0.1),
    left=st.floats(-0.1, 0.1),
    shift=st.floats(-40, 40),
)
def test_finds_what_was_put_in(slope, curve, loop, left, shift):
    bed = np.array([25.0, 60, 100, 60, 25, 60, 100, 60, 25, 60, 100, 60, 25]) + shift
    heating, cycle = directions(bed)
    off = bed - bed.mean()
    values = 0.3 + slope * off + curve * off**2 + loop / 2 * np.where(heating, 1, -1) + left * cycle
    found = fit_cycles(
        {"bow_y": values}, bed, heating, cycle, heights=np.stack([values, -values], 1)
    )
    mode = found.modes[0]
    assert mode.slope.value == pytest.approx(slope, abs=1e-9)
    assert mode.curvature.value == pytest.approx(curve, abs=1e-9)
    assert mode.loop.value == pytest.approx(loop, abs=1e-9)
    assert mode.set_per_cycle.value == pytest.approx(left, abs=1e-9)
    # the map goes as the modes do, and exactly
    for k in range(len(bed)):
        at = found.predict(bed[k], heating=bool(heating[k]), cycle=int(cycle[k]))
        assert at.modes["bow_y"][0] == pytest.approx(values[k], abs=1e-9)
        assert at.heights == pytest.approx([values[k], -values[k]], abs=1e-9)
        assert at.reach == pytest.approx([0, 0], abs=1e-9)


def test_curvature_takes_three_temperatures():
    two = np.array([25.0, 60, 25.5, 60.5, 24.5, 59.5])
    assert "curvature" not in fit_cycles({"twist": two}, two, [True] * 6, [1] * 6).terms
    # a slow sweep has many, though no two neighbours are apart
    sweep = np.arange(25.0, 60, 1.5)
    count = len(sweep)
    assert "curvature" in fit_cycles({"t": sweep}, sweep, [True] * count, [1] * count).terms


def test_what_states_do_not_tell_is_none():
    bed = np.array([25.0, 60, 100])
    found = fit_cycles({"twist": bed}, bed, [True] * 3, [1] * 3)
    mode = found.modes[0]
    assert found.terms == ("height", "slope")
    assert mode.loop is mode.set_per_cycle is mode.curvature is None
    assert not found.predict(60).refusal
    assert "both ways" in found.predict(60, heating=False).refusal
    cooled = fit_cycles({"twist": bed}, bed, [False] * 3, [1] * 3)
    assert not cooled.predict(60, heating=False).refusal
    assert "both ways" in cooled.predict(60).refusal
    assert "ask for 1 to 2" in found.predict(60, cycle=5).refusal


def test_a_loop_hidden_behind_the_cycle_is_none():
    # heating only seen in cycle 1, cooling only in cycle 2: one of them is told, not both
    bed = np.array([25.0, 60, 100, 100, 60, 25])
    found = fit_cycles({"twist": bed}, bed, bed == bed[[0, 1, 2, 2, 1, 0]], [1, 1, 1, 2, 2, 2])
    assert ("loop" in found.terms) + ("set" in found.terms) == 1


def test_no_state_left_over():
    bed = np.array([25.0, 60])
    alone = fit_cycles({"twist": bed}, bed, [True] * 2, [1] * 2)
    assert alone.modes[0].slope.sigma is alone.modes[0].slope.significant is None
    assert "probe more states" in alone.predict(40).refusal
    known = fit_cycles({"twist": bed}, bed, [True] * 2, [1] * 2, sigma={"twist": 0.7})
    # by hand: a difference of two states over 35 K
    assert known.modes[0].slope.sigma == pytest.approx(0.7 * np.sqrt(2) / 35)
    value, low, _ = known.predict(42.5).modes["twist"]
    assert value - low == pytest.approx(1.96 * 0.7 * np.sqrt(1.5), rel=1e-3)


def test_loop_by_hand():
    # paired states of one temperature: the loop is the mean difference, its sigma s sqrt(2 2/n 2)
    bed = np.repeat([25.0, 60, 95], 4)
    heating = np.tile([True, False], 6)
    values = np.where(heating, 0.004, 0.0) + np.tile([1e-3, 1e-3, -1e-3, -1e-3], 3)
    loop = fit_cycles({"bow_x": values}, bed, heating, [1] * 12).modes[0].loop
    assert loop.value == pytest.approx(0.004)
    scatter = np.sqrt(12 * 1e-6 / 8)
    assert loop.sigma == pytest.approx(scatter * np.sqrt(1 / 6 + 1 / 6))
    assert loop.significant


def test_rounding_is_no_effect():
    bed = np.array([25.0, 60, 100, 60, 25, 60, 100, 60, 25])
    heating, cycle = directions(bed)
    mode = fit_cycles({"bow_x": 0.1 + 0.003 * bed}, bed, heating, cycle).modes[0]
    assert mode.slope.significant
    assert not mode.loop.significant
    assert not mode.set_per_cycle.significant


def test_directions():
    heating, cycle = directions([100, 60, 25, 26, 60, 59, 100, 25])
    assert heating.tolist() == [False, False, False, False, True, True, True, False]
    assert cycle.tolist() == [1, 1, 1, 1, 2, 2, 2, 2]
    assert directions([25])[0].tolist() == [True]


@pytest.mark.parametrize(
    ("values", "bed", "heating", "cycle", "words"),
    [
        ({}, [1, 2], [1, 1], [1, 1], "one mode or more"),
        ({"a": [1]}, [1], [1], [1], "two states or more"),
        ({"a": [1, 2, 3]}, [1, 2], [1, 1], [1, 1], "a: 3 states for 2"),
        ({"a": [1, np.nan]}, [1, 2], [1, 1], [1, 1], "a: a value is not finite"),
        ({"a": [1, 2]}, [1, 2], [1], [1, 1], "a direction and a cycle for each of the 2"),
        ({"a": [1, 2]}, [1, np.inf], [1, 1], [1, 1], "temperature or cycle is not finite"),
    ],
)
def test_impossible_states(values, bed, heating, cycle, words):
    with pytest.raises(RequestError, match=words):
        fit_cycles(values, bed, heating, cycle)
