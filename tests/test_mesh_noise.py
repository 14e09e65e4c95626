import numpy as np
import pytest
from cases import grid

from mesh.noise import find_noise
from mesh.tilt import find_tilt
from probes import Run


def test_given_noise_is_taken():
    noise = find_noise(Run(x=[0, 1, 0], y=[0, 0, 1], z=[0, 0, 0]), given=0.004)
    assert (noise.sigma, noise.source, noise.of_places) == (0.004, "machine file", 0.004)
    assert noise.reach() == pytest.approx(1.959964, abs=1e-6)  # normal law


def test_repeats_are_pooled_and_means_are_surer():
    random = np.random.default_rng(1)
    x, y = grid(range(10), range(10))
    run = Run(
        x=np.repeat(x, 4), y=np.repeat(y, 4), z=0.1 * np.repeat(x, 4) + random.normal(0, 0.01, 400)
    )
    noise = find_noise(run)
    assert noise.source == "repeated touches"
    assert noise.freedom == 300
    assert noise.sigma == pytest.approx(0.01, rel=0.1)
    assert noise.of_places == pytest.approx(noise.sigma / 2)


def test_map_estimate_is_free_of_bow_and_twist():
    random = np.random.default_rng(2)
    x, y = grid(np.linspace(-1, 1, 9), np.linspace(-1, 1, 9))
    z = 0.1 * x**2 + 0.05 * x * y - 0.2 * y + random.normal(0, 0.004, 81)
    noise = find_noise(Run(x=x, y=y, z=z))
    assert noise.source == "map"
    assert noise.sigma == pytest.approx(0.004, rel=0.2)
    # Student's t: t(0.975, 30) = 2.042 (tables)
    assert noise.freedom == 30
    assert noise.reach() == pytest.approx(2.042, abs=1e-3)


def test_three_places_tell_nothing():
    noise = find_noise(Run(x=[0, 1, 0], y=[0, 0, 1], z=[0, 1, 5]))
    assert (noise.sigma, noise.source, noise.of_places) == (None, "unknown", None)


@pytest.mark.parametrize("kind", ["grid", "grid with holes", "scattered"])
def test_map_estimate_hits_the_truth_and_knows_its_freedom(kind):
    random = np.random.default_rng(7)
    x, y = grid(np.linspace(0, 300, 7), np.linspace(0, 300, 7))
    if kind == "scattered":
        x, y = random.uniform(0, 300, (2, 60))
    elif kind == "grid with holes":
        keep = (x + y) % 350 != 0
        x, y = x[keep], y[keep]
    u, v = x / 150 - 1, y / 150 - 1
    # bow, twist, and a wave along x
    shape = (
        0.08 * u**2
        - 0.03 * v**2
        + 0.02 * u * v
        + (0.004 * np.sin(2.5 * np.pi * u) if kind == "grid" else 0)
    )
    found = [
        find_noise(Run(x=x, y=y, z=shape + random.normal(0, 0.004, len(x)))) for _ in range(400)
    ]
    variances = np.array([noise.sigma**2 for noise in found])
    assert np.sqrt(variances.mean()) == pytest.approx(0.004, rel=0.03)
    seen = 2 * variances.mean() ** 2 / variances.var()
    assert found[0].freedom == pytest.approx(seen, rel=0.3)


def test_rounding_is_not_averaged_away():
    # steps of 0.01 and a quiet probe: three touches agree, and are no surer for it
    random = np.random.default_rng(3)
    x, y = (np.repeat(a, 3) for a in grid(np.linspace(0, 300, 5), np.linspace(0, 300, 5)))
    inside = 0
    for _ in range(300):
        slope = random.uniform(-3e-4, 3e-4)
        z = slope * x + random.uniform(-0.05, 0.05) + random.normal(0, 0.001, 75)
        run = Run(x=x, y=y, z=np.round(z / 0.01) * 0.01)
        noise = find_noise(run)
        if noise.source == "unknown":  # all heights equal: nothing is claimed
            inside += 1
            continue
        tilt = find_tilt(run.places.x, run.places.y, run.places.z, spread=noise.spread)
        half = noise.reach() * tilt.fall_sigmas(noise.of_places)[0]
        inside += abs(tilt.fall_x - 300 * slope) <= half
    assert inside / 300 >= 0.93


def test_equal_heights_tell_nothing():
    x, y = grid(range(5), range(5))
    assert find_noise(Run(x=x, y=y, z=[0.1] * 25)).source == "unknown"


def test_places_touched_more_often_are_surer():
    # 3 x 3, twenty touches each but for one corner: the intervals must know of that corner
    random = np.random.default_rng(5)
    x, y = grid([0, 1, 2], [0, 1, 2])
    count = np.array([1] + [20] * 8)
    xs, ys = np.repeat(x, count), np.repeat(y, count)
    inside = np.zeros(2)
    for _ in range(1500):
        run = Run(x=xs, y=ys, z=random.normal(0, 0.01, len(xs)))
        noise = find_noise(run, given=0.01)
        tilt = find_tilt(run.places.x, run.places.y, run.places.z, spread=noise.spread)
        twist = tilt.modes.twist
        inside += [
            abs(tilt.fall_x) <= 1.96 * tilt.fall_sigmas(noise.of_places)[0],
            abs(twist.value) <= 1.96 * twist.sigma(noise.of_places),
        ]
    assert inside / 1500 == pytest.approx(0.95, abs=0.015)
