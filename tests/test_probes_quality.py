import numpy as np
import pytest
from cases import grid

from probes import ReadError, Run
from probes.quality import assess_quality, find_resolution, sigma_interval


def at_one_place(z):
    return Run(x=[100] * len(z), y=[100] * len(z), z=z)


@pytest.mark.parametrize(
    ("n", "low", "high"), [(5, 0.60, 2.87), (10, 0.69, 1.83), (20, 0.76, 1.46), (30, 0.80, 1.34)]
)
def test_interval_of_sigma(n, low, high):
    # T-G1: factors of the 95 % interval of sigma
    assert sigma_interval(1.0, n - 1) == pytest.approx((low, high), abs=6e-3)


@pytest.mark.parametrize(("n", "factor"), [(3, 6.08), (5, 3.93), (10, 3.20), (20, 2.96)])
def test_repeatability_limit(n, factor):
    # G1 (ISO 5725): t sqrt(2) s from n touches
    z = np.random.default_rng(1).normal(0, 1e-3, n)
    quality = assess_quality([at_one_place(z)])
    assert quality.repeatability_limit / quality.sigma == pytest.approx(factor, abs=6e-3)
    assert quality.sigma == pytest.approx(z.std(ddof=1))


def test_intervals_of_sigma_cover():
    random = np.random.default_rng(2)
    x, y = grid([0, 100, 200], [0, 100])
    xs, ys = np.tile(x, 4), np.tile(y, 4)
    inside = 0
    for _ in range(1000):
        quality = assess_quality([Run(x=xs, y=ys, z=0.01 * xs + random.normal(0, 0.004, 24))])
        inside += quality.interval[0] <= 0.004 <= quality.interval[1]
    assert inside / 1000 == pytest.approx(0.95, abs=0.02)
    assert (quality.touches, quality.places, quality.freedom) == (24, 6, 18)


@pytest.mark.parametrize("step", [0.0025, 0.01, 0.0001, 0.05])
def test_resolution(step):
    random = np.random.default_rng(3)
    z = np.round(random.normal(0, 5 * step, 60) / step) * step
    assert find_resolution(z) == pytest.approx(step)


def test_readings_without_a_step_have_none():
    assert find_resolution(np.random.default_rng(4).normal(0, 1, 50)) is None
    assert find_resolution(np.array([0.1, 0.1])) is None


def test_the_step_sets_sigma_where_the_probe_is_better():
    # G1: if s < step / 2, step / sqrt(12)
    quality = assess_quality([at_one_place([0.01] * 19 + [0.02])])
    assert quality.coarse
    assert quality.sigma == pytest.approx(0.01 / np.sqrt(12))
    assert not assess_quality([at_one_place([0.01, 0.03, 0.0, 0.02, 0.04])]).coarse


def test_first_touch():
    random = np.random.default_rng(5)
    z = random.normal(0, 0.002, (12, 4))
    z[:, 0] += 0.01
    xs = np.repeat(np.arange(12) * 20.0, 4)
    quality = assess_quality([Run(x=xs, y=np.zeros(48), z=z.ravel())])
    assert quality.first_touch.differs
    assert quality.first_touch.difference == pytest.approx(0.01, abs=0.002)
    false = [
        assess_quality(
            [Run(x=xs, y=np.zeros(48), z=random.normal(0, 0.002, 48))]
        ).first_touch.differs
        for _ in range(500)
    ]
    assert np.mean(false) == pytest.approx(0.05, abs=0.03)


def test_two_groups_are_seen():
    random = np.random.default_rng(6)
    two = np.where(random.random(20) < 0.4, 0.05, 0.0) + random.normal(0, 0.001, 20)
    assert assess_quality([at_one_place(two)]).two_groups == pytest.approx(0.05, abs=0.003)
    one = [assess_quality([at_one_place(random.normal(0, 1, 20))]).two_groups for _ in range(300)]
    assert np.mean([group is not None for group in one]) < 0.01


def test_rounded_readings_are_no_two_groups_and_no_first_touch():
    random = np.random.default_rng(11)
    for step in (0.005, 0.01, 0.02):
        rounded = [np.round(random.normal(0, 0.002, 20) / step) * step for _ in range(200)]
        found = [assess_quality([at_one_place(z)]) for z in rounded]
        assert np.mean([quality.two_groups is not None for quality in found]) < 0.02
    xs = np.repeat(np.arange(6) * 20.0, 3)
    first = []
    for _ in range(300):
        z = np.round(random.normal(0, 0.002, 18) / 0.01) * 0.01
        quality = assess_quality([Run(x=xs, y=np.zeros(18), z=z)])
        first.append(quality.first_touch.differs)
    assert np.mean(first) < 0.07


def test_good_touches_are_hardly_ever_suspect():
    random = np.random.default_rng(12)
    x, y = grid(range(5), range(5))
    for touches in (5, 8):
        xs, ys = np.repeat(x, touches), np.repeat(y, touches)
        runs = (Run(x=xs, y=ys, z=random.normal(0, 0.003, len(xs))) for _ in range(150))
        assert np.mean([len(assess_quality([run]).outliers) > 0 for run in runs]) < 0.09


def test_drift_is_left_out_of_sigma():
    random = np.random.default_rng(13)
    xs = np.tile([0.0, 100, 200], 15)
    z = xs / 1e3 + random.normal(0, 0.002, 45) + np.linspace(0, 0.05, 45)
    quality = assess_quality([Run(x=xs, y=np.zeros(45), z=z)])
    assert quality.drift.significant
    assert quality.sigma == pytest.approx(0.002, rel=0.3)


def test_runs_may_take_their_places_in_another_order():
    random = np.random.default_rng(14)
    x, y = grid(range(0, 300, 60), range(0, 300, 60))
    order = random.permutation(25)
    one = Run(x=x, y=y, z=0.001 * x + random.normal(0, 0.003, 25))
    other = Run(x=x[order], y=y[order], z=(0.001 * x + random.normal(0, 0.003, 25))[order])
    assert assess_quality([one, other]).sigma == pytest.approx(0.003, rel=0.4)


def test_outliers_are_named_and_kept():
    z = [0.012, 0.010, 0.011, 0.013, 0.009, 0.012, 0.085, 0.011, 0.010]
    quality = assess_quality([at_one_place(z)])
    assert [(touch.touch, touch.z) for touch in quality.outliers] == [(7, 0.085)]
    assert quality.sigma == pytest.approx(np.std(z, ddof=1))


def test_several_runs_tell_the_spread_from_run_to_run():
    random = np.random.default_rng(7)
    x, y = grid(range(0, 300, 60), range(0, 300, 60))
    bow = 0.1 * (x / 150 - 1) ** 2
    runs = [
        Run(x=x, y=y, z=bow + random.normal(0, 0.02) + random.normal(0, 0.003, 25))
        for _ in range(12)
    ]
    quality = assess_quality(runs)
    assert quality.sigma == pytest.approx(0.003, rel=0.1)
    assert quality.set_ups.set_up == pytest.approx(0.02, rel=0.5)


def test_several_runs_at_one_place_are_nested():
    # T-G2: 4 runs x 5 touches
    random = np.random.default_rng(8)
    found = [
        assess_quality(
            [at_one_place(random.normal(0, 6) + random.normal(0, 3, 5)) for _ in range(4)]
        )
        for _ in range(500)
    ]
    assert np.mean([q.set_ups.repeatability**2 for q in found]) == pytest.approx(9, rel=0.1)
    assert np.mean([q.set_ups.set_up**2 for q in found]) == pytest.approx(36, rel=0.12)


def test_a_series_at_one_place_has_a_chart():
    quality = assess_quality([at_one_place([0.0] * 5 + [0.001] * 5 + [0.1])])
    assert quality.chart.outside == (10,)
    assert assess_quality([at_one_place([0.0, 0.1, 0.2])]).chart is None


def test_runs_without_repeats_are_refused():
    x, y = grid([0, 1, 2], [0, 1, 2])
    with pytest.raises(ReadError, match="no place was touched twice; touch one place ten times"):
        assess_quality([Run(x=x, y=y, z=np.zeros(9))])
