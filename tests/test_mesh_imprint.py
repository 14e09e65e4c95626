import numpy as np
import pytest
from cases import grid
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from mesh.imprint import find_imprint
from probes import Run
from probes.errors import ShapeError

AT = np.linspace(-1, 1, 7)
X, Y = grid(AT, AT)


def p2(t):
    return (3 * t**2 - 1) / 2


def p3(t):
    return (5 * t**3 - 3 * t) / 2


def imprint(z, keep=slice(None), x=X, y=Y):
    return find_imprint(Run(x=100 * x[keep], y=100 * y[keep], z=np.asarray(z)[keep]).places)


def worked(seed, twist=0.03):
    """Make the map of T-E3: rail along x bowed, rail along y an S, bed twisted."""
    noise = np.random.default_rng(seed).normal(0, 0.003, 49)
    return -0.05 * p2(X) + 0.012 * p3(Y) + twist * X * Y + noise


def test_shares_of_the_worked_map():
    # T-E3, one draw: shares .784 / .043 / .172 (rest with the twist), twist .0302, Tukey's F .003.
    # By hand, over all draws: 7 x .05² x 7/3, 7 x .012² x 2.466 and .03² x (28/9)², each with its
    # freedom x .003², of the sum
    found = [imprint(worked(seed)) for seed in range(20)]
    shares = np.mean(
        [[f.along_x.share, f.along_y.share, f.twist_share + f.rest_share] for f in found], axis=0
    )
    assert shares == pytest.approx([0.784, 0.043, 0.172], abs=0.01)
    parts = np.array([7 * 0.05**2 * 7 / 3, 7 * 0.012**2 * 2.466, 0.03**2 * (28 / 9) ** 2])
    parts += 0.003**2 * np.array([6, 6, 36])
    assert shares == pytest.approx(parts / parts.sum(), abs=0.005)
    for one in found:
        total = one.along_x.share + one.along_y.share + one.twist_share + one.rest_share
        assert total == pytest.approx(1)
        assert one.twist == pytest.approx(0.0302, abs=0.004)
        assert one.product_ratio < 0.2  # the twist passes Tukey's test unseen
        assert one.along_x.p_value < 1e-9
        assert one.along_y.bend_p_value < 1e-5
        assert (one.along_x.freedom, one.along_y.freedom, one.freedom) == (6, 6, 35)


def test_one_outlier():
    # T-E4: one reading off by .25 moves f by .031 with means and by .0026 with medians, whose rest
    # shows .247 there
    truth = -0.05 * p2(AT)
    truth = truth - truth.mean()
    means, medians, shown = [], [], []
    for seed in range(20):
        z = worked(seed, twist=0)
        spot = int(np.random.default_rng(seed).integers(49))
        z[spot] += 0.25
        found = imprint(z)
        means.append(np.abs(found.along_x.values - truth).max())
        medians.append(np.abs(found.along_x.robust - truth).max())
        shown.append(found.rest_robust[spot])
    assert np.mean(means) == pytest.approx(0.031, rel=0.05)
    assert np.mean(medians) == pytest.approx(0.0026, rel=0.25)
    assert np.mean(shown) == pytest.approx(0.247, rel=0.02)


def test_full_grid_is_means_of_rows_and_columns():
    x, y = grid([0, 30, 70, 80], [10, 20, 45])
    z = np.random.default_rng(1).normal(0, 1, (3, 4))
    found = imprint(z.ravel(), x=x, y=y)
    mean = z.mean()
    # uneven steps make the twist lopsided; it is no part of the profiles all the same
    assert found.level == pytest.approx(mean)
    assert found.along_x.values == pytest.approx(z.mean(axis=0) - mean)
    assert found.along_y.values == pytest.approx(z.mean(axis=1) - mean)
    assert found.along_x.swing == pytest.approx(np.ptp(z.mean(axis=0)))


@settings(max_examples=40)
@given(st.integers(0, 2**32 - 1))
def test_holes_against_dummy_regression(seed):
    # a second way: one column of the design for each column and row but the last, and the twist;
    # F from the sums of squares of the fits with and without a profile, or without its bend
    random = np.random.default_rng(seed)
    keep = np.sort(random.permutation(49)[:40])
    z = random.normal(0, 1, 49) + X
    found = imprint(z, keep)
    x, y, heights = X[keep], Y[keep], z[keep]
    columns = np.column_stack([x == at for at in AT[:-1]]).astype(float)
    rows = np.column_stack([y == at for at in AT[:-1]]).astype(float)
    one, twist = np.ones((40, 1)), (x * y)[:, None]

    def left(*parts):
        design = np.hstack(parts)
        rest = heights - design @ np.linalg.lstsq(design, heights, rcond=None)[0]
        return float(rest @ rest)

    full = left(one, columns, rows, twist)
    square = full / (40 - 14)
    assert float(found.rest @ found.rest) == pytest.approx(full)
    for profile, mine, other, at in (
        (found.along_x, columns, rows, x), (found.along_y, rows, columns, y),
    ):  # fmt: skip
        ratio = (left(one, other, twist) - full) / 6 / square
        assert profile.ratio == pytest.approx(ratio)
        assert profile.p_value == pytest.approx(stats.f.sf(ratio, 6, 26))
        bend = (left(one, at[:, None], other, twist) - full) / 5 / square
        assert profile.bend_p_value == pytest.approx(stats.f.sf(bend, 5, 26))
        assert mine.shape == other.shape
    without = left(one, columns, rows)
    assert (found.twist / found.twist_sigma) ** 2 == pytest.approx((without - full) / square)


@settings(max_examples=10)
@given(st.integers(0, 2**32 - 1))
def test_sigma_of_the_profiles(seed):
    # brute force: values are linear in the heights; move the places one by one
    random = np.random.default_rng(seed)
    keep = np.sort(random.permutation(49)[:40])
    z = random.normal(0, 1, 49)
    found = imprint(z, keep)
    square = float(found.rest @ found.rest) / found.freedom
    moved = np.array([imprint(1.0 * (np.arange(49) == k), keep).along_x.values for k in keep])
    assert found.along_x.sigma == pytest.approx(np.sqrt(square * np.sum(moved**2, axis=0)))


def test_a_hole_does_not_turn_twist_into_profiles():
    keep = (X < 0.9) | (Y < 0.5)  # two of a corner are missing
    found = imprint(0.1 * X * Y + 0.02 * p2(X), keep)
    assert found.twist == pytest.approx(0.1)
    assert found.along_x.values == pytest.approx(0.02 * (p2(AT) - p2(AT).mean()))
    assert found.along_y.swing == pytest.approx(0, abs=1e-12)


def test_a_bowed_bed_is_the_same_data_and_is_said_so():
    found = imprint(worked(1))
    assert any("no proof" in sentence for sentence in found.meaning)


def test_tilt_is_no_bend():
    noise = np.random.default_rng(2).normal(0, 0.003, 49)
    found = imprint(0.3 * X + noise)
    assert found.along_x.p_value < 1e-9
    assert found.along_x.bend_p_value > 0.01
    assert found.along_x.swing == pytest.approx(0.6, abs=0.01)
    assert found.along_x.bend < 0.01


def test_rows_times_columns_is_found():
    # Tukey's case: the effects multiply
    noise = np.random.default_rng(3).normal(0, 0.001, 49)
    assert imprint((1 + 0.2 * X) * (1 + 0.3 * Y) + noise).product_p_value < 1e-9


def test_false_alarm_of_the_tests():
    random = np.random.default_rng(4)
    found = [imprint(0.05 * X * Y + random.normal(0, 1, 49)) for _ in range(400)]
    for share in (
        np.mean([f.along_x.p_value <= 0.05 for f in found]),
        np.mean([f.along_y.bend_p_value <= 0.05 for f in found]),
        np.mean([f.product_p_value <= 0.05 for f in found]),
    ):
        assert share == pytest.approx(0.05, abs=0.033)


def test_small_and_flat_grids():
    four = imprint([0, 1, 2, 5], x=np.array([0, 1, 0, 1.0]), y=np.array([0, 0, 1, 1.0]))
    assert four.twist == pytest.approx(0.5)
    assert four.freedom == 0
    assert four.along_x.sigma is four.along_x.p_value is four.twist_sigma is None
    assert four.along_x.bend == pytest.approx(0)
    flat = imprint(np.full(49, 3.0))
    assert flat.level == pytest.approx(3)
    assert flat.along_x.share == flat.rest_share == 0
    assert flat.along_x.ratio is None


def test_what_is_refused():
    random = np.random.default_rng(5)
    with pytest.raises(ShapeError, match=r"30 places form no grid.*two in three"):
        find_imprint(Run(*random.uniform(0, 100, (3, 30))).places)
    # nine by nine places and one more, alone in its row and its column
    x, y = grid(np.arange(9), np.arange(9))
    with pytest.raises(ShapeError, match=r"pieces that share no row and no column.*between"):
        find_imprint(Run(x=[*x, 20], y=[*y, 20], z=np.zeros(82)).places)
    with pytest.raises(ShapeError, match="3 places in 2 rows and 2 columns are too few"):
        find_imprint(Run(x=[0, 9, 0], y=[0, 0, 9], z=[0, 0, 1]).places)
