from datetime import datetime, timedelta

import numpy as np
import pytest
from cases import grid

from mesh.series import Series, drift_range, mode_series, rounds
from probes import RequestError, Run


def test_modes_of_runs_over_time():
    x, y = grid([0, 100, 200], [0, 100, 200])
    u, v = x / 100 - 1, y / 100 - 1
    runs = [
        Run(x=x, y=y, z=0.5 + 0.01 * k * u + 0.02 * k * u * v + 0.03 * k * (v**2 - 2 / 3))
        for k in range(4)
    ]
    found = {one.name: one for one in mode_series(runs, [0, 5, 10, 15], sigma=0.003)}
    assert found["height"].values == pytest.approx([0.5] * 4)
    assert found["fall_x"].values == pytest.approx([0, 0.02, 0.04, 0.06])
    assert found["twist"].values == pytest.approx([0, 0.02, 0.04, 0.06])
    assert found["bow_y"].values == pytest.approx([0, 0.03, 0.06, 0.09])
    assert found["height"].sigma == pytest.approx([0.001] * 4)
    # theory T-E2: twist of a 3 x 3 grid is known to 0.500 sigma
    assert found["twist"].sigma == pytest.approx([0.0015] * 4)
    # the order of the touches does not matter
    back = [run.replace(x=run.x[::-1], y=run.y[::-1], z=run.z[::-1]) for run in runs[1:]]
    other = mode_series([runs[0], *back], [0, 5, 10, 15])
    assert other[3].values == pytest.approx(found["twist"].values)


def test_times_of_runs():
    start = datetime(2020, 2, 1, 10)
    x, y = [0, 9, 0], [0, 0, 9]
    runs = [
        Run(x=x, y=y, z=x, minutes=[0, 1, 2], started=start + timedelta(minutes=20 * k))
        for k in range(3)
    ]
    assert mode_series(runs)[0].minutes == pytest.approx([1, 21, 41])
    with pytest.raises(RequestError, match="its time is not known"):
        mode_series([run.replace(minutes=None, started=None) for run in runs])


def test_rounds_over_a_few_places():
    # two touches in a row at each of three places, four times round, the last broken off
    x, y = np.tile(np.repeat([0, 9, 0], 2), 4), np.tile(np.repeat([0, 0, 9], 2), 4)
    run = Run(x=x[:-3], y=y[:-3], z=np.arange(21), minutes=np.arange(21))
    found = rounds(run)
    assert [list(one.z) for one in found] == [list(range(6 * k, 6 * k + 6)) for k in range(3)]
    assert mode_series(found)[0].minutes == pytest.approx([2.5, 8.5, 14.5])
    with pytest.raises(RequestError, match="no minutes"):
        rounds(run.replace(minutes=None))


def test_runs_of_other_places_are_refused():
    runs = [Run(x=[0, 9, at], y=[0, 0, 9], z=[0, 0, 0], source=f"at {at}") for at in (0, 5)]
    with pytest.raises(RequestError, match="at 5: not the places of at 0"):
        mode_series(runs, [0, 1])
    with pytest.raises(RequestError, match="1 times for 2 runs"):
        mode_series(runs, [0])
    with pytest.raises(RequestError, match="two runs or more"):
        mode_series(runs[:1], [0])


def test_drift_range_by_brute_force():
    random = np.random.default_rng(8)
    t = np.cumsum(random.uniform(1, 5, 60))
    values, heat = random.normal(size=60).cumsum(), random.normal(60, 1, 60)
    found = drift_range(
        Series("twist", t, values), period=30, warm_up=50, temperature=heat
    )  # fmt: skip
    after = t >= t[0] + 50
    for part, width in ((t > 0, found.whole), (after, found.after_warm_up)):
        spots = np.flatnonzero(part)
        pairs = [abs(values[i] - values[j]) for i in spots for j in spots if abs(t[i] - t[j]) <= 30]
        assert width == pytest.approx(max(pairs))
    assert found.temperatures == (heat.min(), heat.max())
    assert found.temperatures_after == (heat[after].min(), heat[after].max())


def test_drift_range_of_too_little():
    twist = Series("twist", [0, 30, 60], [0, 1, 2])
    assert drift_range(twist, warm_up=30).after_warm_up is None
    with pytest.raises(RequestError, match="state a shorter one"):
        drift_range(twist, period=61)
    with pytest.raises(RequestError, match="one finite temperature"):
        drift_range(twist, temperature=[20, 20])


@pytest.mark.parametrize(
    ("minutes", "values", "sigma", "words"),
    [
        ([0], [0], None, "two probings or more"),
        ([0, 1], [0, 1, 2], None, "two probings or more"),
        ([0, 1], [0, np.nan], None, "not finite"),
        ([0, 0], [0, 1], None, "times must rise"),
        ([0, 1], [0, 1], 0.0, "above 0"),
        ([0, 1], [0, 1], [1, 1, 1], "two probings or more"),
    ],
)
def test_impossible_series(minutes, values, sigma, words):
    with pytest.raises(RequestError, match=words):
        Series("twist", minutes, values, sigma)
