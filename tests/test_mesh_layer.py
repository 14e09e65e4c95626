import numpy as np
import pytest
from cases import grid

from mesh import find_noise, fit_plane
from mesh.layer import first_layer
from probes import Run
from probes.errors import RequestError


def layer_of(x, y, z, *, sigma=0.003, **options):
    run = Run(x=x, y=y, z=z)
    places = run.places
    plane = fit_plane(places.x, places.y, places.z)
    return first_layer(places, plane, find_noise(run, given=sigma), **options)


def test_shares_by_hand():
    # a slope of 1 mm over the bed, and a band of 2 * 0.05: a tenth of the area; flat without it
    x, y = grid(np.linspace(0, 300, 7), np.linspace(0, 300, 7))
    layer = layer_of(x, y, x / 300, height=0.2)
    assert layer.allowed == pytest.approx(0.05)
    assert layer.as_found == pytest.approx(0.1, abs=0.02)
    assert layer.level == 1
    assert layer.corrected > 0.999


def test_a_bowl_by_the_formula():
    # d u^2 with u even in -1..1 is below c on a share sqrt(c / d); 2 * 0.05 of 0.4 makes half
    x, y = grid(np.linspace(-150, 150, 31), np.linspace(-150, 150, 5))
    layer = layer_of(x, y, 0.4 * (x / 150) ** 2, height=0.2)
    assert layer.level == pytest.approx(0.5, abs=0.02)


@pytest.mark.parametrize("scattered", [False, True])
def test_scattered_places_are_filled_in_by_triangles(scattered):
    random = np.random.default_rng(6)
    x, y = grid(np.linspace(0, 300, 9), np.linspace(0, 300, 9))
    if scattered:
        inner = (x > 0) & (x < 300) & (y > 0) & (y < 300)
        x, y = x + inner * random.uniform(-12, 12, 81), y + inner * random.uniform(-12, 12, 81)
    layer = layer_of(x, y, 0.4 * ((x - 150) / 150) ** 2, height=0.2)
    assert layer.level == pytest.approx(0.5, abs=0.03)
    assert (layer.corrected is None) == scattered


def test_correction_leaves_what_a_bilinear_grid_does():
    # theory H1: a bow of F over the span leaves F / n^2 with n segments at worst; noise alone is
    # carried with two thirds of its standard deviation
    random = np.random.default_rng(7)
    fine_x, fine_y = grid(np.linspace(-1, 1, 73), np.linspace(-1, 1, 73))
    lines = np.linspace(-1, 1, 7)

    def bed(u, v):
        return 0.6 * u**2 + 0.3 * v**2

    shares = []
    for _ in range(200):
        noise = random.normal(0, 0.01, (7, 7))
        nodes = bed(*np.meshgrid(lines, lines)) + noise
        rows = np.stack([np.interp(np.linspace(-1, 1, 73), lines, row) for row in nodes])
        whole = np.stack([np.interp(np.linspace(-1, 1, 73), lines, c) for c in rows.T]).T
        off = bed(fine_x, fine_y) - whole.ravel()
        shares.append(np.mean(np.abs(off - np.median(off)) <= 0.015))
    x, y = grid(150 * lines, 150 * lines)
    told = [
        layer_of(x, y, bed(x / 150, y / 150) + random.normal(0, 0.01, 49), sigma=0.01,
                 height=0.06).corrected
        for _ in range(50)
    ]  # fmt: skip
    assert np.mean(told) == pytest.approx(np.mean(shares), abs=0.06)


@pytest.mark.parametrize(("option", "value"), [("height", 0), ("height", -1), ("height", np.inf),
                                               ("squash", 0), ("squash", 1)])  # fmt: skip
def test_impossible_layers(option, value):
    x, y = grid([0, 1, 2], [0, 1, 2])
    with pytest.raises(RequestError, match=f"--{'layer' if option == 'height' else option} "):
        layer_of(x, y, 0 * x, **{"height": 0.2, option: value})


def test_many_places_speak_for_themselves():
    x, y = grid(np.linspace(0, 300, 60), np.linspace(0, 300, 60))
    assert layer_of(x, y, x / 300, height=0.2).as_found == pytest.approx(0.1, abs=0.02)
