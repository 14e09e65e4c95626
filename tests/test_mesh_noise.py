import numpy as np
import pytest
from cases import grid

from mesh.noise import find_noise
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
    # Student's t: t(0.975, 75) = 1.992 (tables)
    assert noise.freedom == 75
    assert noise.reach() == pytest.approx(1.992, abs=1e-3)


def test_three_places_tell_nothing():
    noise = find_noise(Run(x=[0, 1, 0], y=[0, 0, 1], z=[0, 1, 5]))
    assert (noise.sigma, noise.source, noise.of_places) == (None, "unknown", None)
