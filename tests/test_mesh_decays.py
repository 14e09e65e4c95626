import numpy as np
import pytest

from mesh.decays import learn_constants
from mesh.series import Series
from probes import RequestError


def series(t, values, sigma=1e-6):
    return Series("bow_x", t, values, sigma)


def test_learns_the_constants_of_nist():
    # NIST StRD, MGH17 (Osborne 1972; data and certified values from memory: the sum of squares
    # they give is the certified one), b4 = 1.2867534640E-02
    printed = (
        "844 908 932 936 925 908 881 850 818 784 751 718 685 658 628 603 580 558 538 522 506 490 "
        "478 467 457 448 438 431 424 420 414 411 406"
    )
    y = np.array(printed.split(), dtype=float) / 1000
    x = np.arange(33) * 10.0
    b = (3.7541005211e-01, 1.9358469127e00, -1.4646871366e00, 1.2867534640e-02, 2.2122699662e-02)
    fitted = b[0] + b[1] * np.exp(-x * b[3]) + b[2] * np.exp(-x * b[4])
    assert np.sum((y - fitted) ** 2) == pytest.approx(5.4648946975e-05, rel=1e-8)
    assert learn_constants([[Series("decay", x, y)]]).tau_slow == pytest.approx(1 / b[3], rel=2e-3)


@pytest.mark.parametrize(("fast", "sigma"), [(0.08, 1e-3), (-0.08, None), (0, 1e-3)])
def test_learns_from_warm_ups(fast, sigma):
    random = np.random.default_rng(2)
    t = np.arange(0.0, 150.0, 2)
    warm_ups = []
    for slow in (34, 35, 36):
        values = 0.06 * np.exp(-t / slow) + fast * np.exp(-t / 6)
        noisy = [values * part + random.normal(0, 1e-3, len(t)) for part in (1, -0.5)]
        warm_ups.append([Series("bow_x", t, one, sigma) for one in noisy])
    found = learn_constants(warm_ups)
    assert found.learnt
    low, high = found.interval
    assert low < 35 < high
    assert high / low < 1.6
    assert found.tau_slow == pytest.approx(35, rel=0.1)


def test_what_varies_between_warm_ups_counts():
    t = np.arange(0.0, 200.0, 2)
    slow = np.array([25.0, 35, 49])
    found = learn_constants([[series(t, 0.1 * np.exp(-t / one), 1e-4)] for one in slow])
    # of one more, about the mean of three
    assert found.spread == pytest.approx(np.log(slow).std(ddof=1) * np.sqrt(4 / 3), rel=0.01)


def test_what_cannot_be_learnt_from():
    t = np.arange(0.0, 31.0)
    with pytest.raises(RequestError, match="warm-up 1 lasts 30 min, less than three times"):
        learn_constants([[series(t, 0.1 * np.exp(-t / 35), 1e-5)]])
    with pytest.raises(RequestError, match="warm-up 1 has 3 probings"):
        learn_constants([[series(t[:3], t[:3])]])
    with pytest.raises(RequestError, match="no warm-up"):
        learn_constants([])
