import numpy as np
import pytest
from cases import table
from hypothesis import given
from hypothesis import strategies as st

from probes.errors import RequestError
from probes.trend import cusum_chart, ewma_chart, trend

values_of_runs = st.lists(st.floats(-1, 1).map(lambda value: round(value, 3)), min_size=2,
                          max_size=40)  # fmt: skip


def column(name: str, key: str) -> list[float]:
    return [float(row[key]) for row in table(name) if row[key]]


def test_averages_of_the_handbook():
    # NIST/SEMATECH e-Handbook 6.3.2.4: weight 0.3, start 50, s 2.0539; limits 52.5884, 47.4115
    chart = ewma_chart(column("nist_ewma.csv", "x"), start=50, sigma=2.0539)
    published = column("nist_ewma.csv", "ewma_published")[1:]
    assert chart.averages == pytest.approx(published, abs=0.0051)  # printed with two decimals
    # the handbook gives the limits they grow to, and cuts the last digit
    assert (chart.upper[-1], chart.lower[-1]) == pytest.approx((52.5884, 47.4115), abs=1e-4)
    assert chart.outside == ()


def test_sums_of_the_handbook():
    # NIST/SEMATECH e-Handbook 6.3.2.3: target 325, k 0.3175, h 4.1959; signal at observation 14
    chart = cusum_chart(column("nist_cusum.csv", "x"), target=325, allowance=0.3175,
                        decision=4.1959)  # fmt: skip
    assert chart.above == pytest.approx(column("nist_cusum.csv", "S_hi"), abs=1e-9)
    assert chart.below == pytest.approx(column("nist_cusum.csv", "S_lo"), abs=1e-9)
    printed = (3.01, 4.94, 7.45, 10.63, 11.99, 14.44, 16.00, 19.04)
    assert chart.above[12:] == pytest.approx(printed, abs=0.0051)
    assert chart.outside[0] + 1 == 14
    assert chart.since(13) + 1 == 13  # the first sum above nothing


def test_single_values_of_the_handbook():
    # NIST/SEMATECH e-Handbook 6.3.2.2: limits 55.8041 and 45.8159
    found = trend(column("nist_individuals.csv", "x"))
    assert (found.single.upper, found.single.lower) == pytest.approx((55.8041, 45.8159), abs=6e-4)
    assert found.steady


def test_averages_by_their_sum():
    # second formula (Roberts 1959): weights w(1-w)^j of the values, (1-w)^n of the start
    random = np.random.default_rng(4)
    x, w = random.normal(size=12), 0.2
    chart = ewma_chart(x, start=0.7, sigma=1, weight=w)
    direct = sum(w * (1 - w) ** (11 - k) * x[k] for k in range(12)) + (1 - w) ** 12 * 0.7
    assert chart.averages[-1] == pytest.approx(direct)


def test_limits_of_averages_are_three_standard_deviations():
    # brute force: the spread of many averages
    random = np.random.default_rng(5)
    charts = [ewma_chart(random.normal(size=6), start=0, sigma=1) for _ in range(4000)]
    spread = np.std([chart.averages for chart in charts], axis=0)
    assert charts[0].upper == pytest.approx(3 * spread, rel=0.05)


def run_length(shift: float, allowance: float, decision: float, steps: int = 100) -> float:
    """Mean count of values up to a signal on one side.

    D. Brook and D. A. Evans, Biometrika 59 (1972) 539-549: a Markov chain over the sum.
    """
    from scipy.special import ndtr

    width = 2 * decision / (2 * steps - 1)
    sums = width * np.arange(steps)
    ends = sums + width / 2
    reach = ndtr(ends[None, :] - sums[:, None] + allowance - shift)
    chain = np.column_stack((reach[:, 0], np.diff(reach, axis=1)))
    return float(np.linalg.solve(np.eye(steps) - chain, np.ones(steps))[0])


def test_run_lengths_are_those_of_the_defaults():
    # NIST/SEMATECH e-Handbook 6.3.2.3.1 (value from memory): both sides, h 5 and k 0.5: 465 in
    # control and 10.4 at a shift by one standard deviation
    assert run_length(0, 0.5, 5) / 2 == pytest.approx(465, rel=0.01)
    assert run_length(1, 0.5, 5) == pytest.approx(10.4, abs=0.1)
    random = np.random.default_rng(6)
    lengths = []
    for _ in range(1000):
        chart = cusum_chart(random.normal(1, 1, 100), target=0, allowance=0.5, decision=5)
        lengths.append(chart.outside[0] + 1)
    assert np.mean(lengths) == pytest.approx(run_length(1, 0.5, 5), rel=0.05)


def test_small_shift_is_found_and_dated():
    random = np.random.default_rng(7)
    found = []
    for _ in range(100):
        x = random.normal(0.1, 0.004, 60)
        x[40:] += 0.008  # two standard deviations
        signals = trend(x, np.arange(60) * 7.0, baseline=40).signals
        first = next(signal for signal in signals if signal.chart == "sum")
        if first.index >= 40:  # else a false alarm, which may last
            found.append(first)
    assert len(found) > 85  # 40 values give a false alarm once in 465 / 40
    assert all(signal.up and signal.time == 7.0 * signal.index for signal in found)
    # two standard deviations take 4 values (NIST 6.3.2.3.1, value from memory: 4.01 at h 5)
    assert np.mean([signal.index - 39 for signal in found]) == pytest.approx(4, abs=0.7)
    assert np.median([signal.since for signal in found]) == pytest.approx(40, abs=1)


def test_limits_hold_for_values_after_the_baseline():
    x = np.array([0.0, 1, 0, 1, 0, 1, 30])
    whole, first = trend(x), trend(x, baseline=6)
    # moving ranges of the first six are all 1, so the limits are 0.5 +- 3 / 1.128
    assert (first.single.lower, first.single.upper) == pytest.approx((0.5 - 2.6596, 0.5 + 2.6596),
                                                                     abs=1e-4)  # fmt: skip
    assert first.single.outside == (6,)
    assert whole.single.upper > first.single.upper


def test_values_that_never_change_are_steady():
    assert trend([0.1] * 30).steady
    assert trend([0.1] * 30 + [0.11], baseline=30).signals[0].index == 30


@given(values_of_runs)
def test_mirror_image_signals_the_other_way(values):
    def told(figures):
        return [(s.index, s.chart, s.up, s.since) for s in trend(figures).signals]

    there, back = told(values), told([-value for value in values])
    assert there == [(index, chart, not up, since) for index, chart, up, since in back]


@given(values_of_runs, st.sampled_from([0.5, 2, 1024]))
def test_unit_does_not_matter(values, factor):
    there = [(s.index, s.chart) for s in trend(values).signals]
    scaled = [(s.index, s.chart) for s in trend([factor * value for value in values]).signals]
    assert there == scaled


@pytest.mark.parametrize(
    ("arguments", "options", "line"),
    [
        (([0.1],), {}, "give a list of at least 2"),
        (([0.1, np.nan, 0.2],), {}, "number 2 of the values is nan; leave that run out"),
        (([0.1, 0.2], [1.0]), {}, "give a list of at least 2"),
        (([0.1, 0.2], [1.0, 2.0, 3.0]), {}, "2 values and 3 times; give one for each"),
        (([0.1, 0.2, 0.3], [1.0, 3.0, 2.0]), {}, "time 3 lies before time 2"),
        (([0.1, 0.2],), {"baseline": 3}, "baseline of 3: must be 2 to 2"),
        (([[0.1, 0.2]],), {}, "values of shape"),
    ],
)
def test_what_makes_no_trend_is_refused(arguments, options, line):
    with pytest.raises(RequestError, match=line):
        trend(*arguments, **options)


@pytest.mark.parametrize("weight", [0, -0.1, 1.1, np.nan])
def test_impossible_weight_is_refused(weight):
    with pytest.raises(RequestError, match="weight of the newest value"):
        ewma_chart([1.0], start=0, sigma=1, weight=weight)


@pytest.mark.parametrize("name", ["allowance", "decision"])
def test_impossible_setting_of_sums_is_refused(name):
    settings = {"allowance": 0.5, "decision": 5.0, name: -1}
    with pytest.raises(RequestError, match=f"{name}.*must be a number not below 0"):
        cusum_chart([1.0], target=0, **settings)
