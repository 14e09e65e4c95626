import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from mesh.reversal import hanging, reverse_bar
from mesh.straightness import straightness
from probes.errors import RequestError, ShapeError

AT = np.linspace(-1, 1, 21)


def bare(values, at=AT):
    return values - np.polyval(np.polyfit(at, values, 1), at)


def reverse(first, second, width, at=AT, **kwargs):
    return reverse_bar(at, first, second, width, sigma=0.001, sigma_width=0.002, **kwargs)


def test_worked_bar():
    # T-E6: neither edge of the bar is straight, nor are they parallel; the rail comes out exactly
    top = 0.03 * (1 - AT**2) + 0.005 * np.sin(3 * AT)
    below = 0.012 * (1 - AT**2) - 0.004 * AT**3
    rail = -0.05 * (1 - AT**2) + 0.01 * AT**3
    found = reverse(top + rail, -below + rail, top - below)
    assert found.rail == pytest.approx(bare(rail), abs=1e-16)
    assert found.edges[0] == pytest.approx(bare(top), abs=1e-16)
    assert found.edges[1] == pytest.approx(bare(-below), abs=1e-16)
    assert found.straightness.minimum_zone == pytest.approx(straightness(AT, rail).minimum_zone)


def test_sigma_is_that_of_simulated_readings():
    random = np.random.default_rng(1)
    flat = np.zeros(21)
    values = []
    for _ in range(400):
        first, second = random.normal(0, 0.001, (2, 21))
        values.append(reverse(first, second, random.normal(0, 0.002, 21)).rail)
    sigma = reverse(flat, flat, flat).sigma
    assert sigma == pytest.approx(np.sqrt(2 * 0.001**2 + 0.002**2) / 2)
    # a line takes two of 21 freedoms out
    assert np.std(values) / np.sqrt(19 / 21) == pytest.approx(sigma, rel=0.03)


@given(st.integers(0, 2**32 - 1), st.lists(st.floats(-1, 1), min_size=6, max_size=6))
def test_lines_and_the_order_of_edges_change_nothing(seed, lines):
    first, second, width = np.random.default_rng(seed).normal(0, 0.1, (3, 21))
    one = reverse(first, second, width)
    other = reverse(
        second + lines[0] + lines[1] * AT, first + lines[2] + lines[3] * AT,
        width + lines[4] + lines[5] * AT,
    )  # fmt: skip
    assert one.rail == pytest.approx(other.rail, abs=1e-12)
    assert one.edges[0] == pytest.approx(other.edges[1], abs=1e-12)


@pytest.mark.parametrize(
    ("length", "density", "modulus", "um"),
    [
        # theory E4: steel or aluminium, 20 mm high; handbook values of both, from memory
        (300, 7850, 210, 1.2),
        (500, 7850, 210, 8.9),
        (300, 2700, 70, 1.2),
        (500, 2700, 70, 9.2),
    ],
)
def test_sag_of_worked_bars(length, density, modulus, um):
    middle = hanging([length / 2], ends=(0, length), height=20, density=density, modulus=modulus)
    assert middle * 1000 == pytest.approx([um], abs=0.06)


def test_sag_solves_the_beam_equation():
    # E I w'''' is the load for each length, w and w'' are zero at the supports; all by differences
    at = np.linspace(100, 400, 61)
    sag = hanging(at, ends=(100, 400), height=10, density=7850, modulus=200)
    step = at[1] - at[0]
    load = 7850e-9 * 9.80665 * 10 * 1
    inertia = 10**3 / 12
    assert np.diff(sag, 4) / step**4 * 200e3 * inertia == pytest.approx(np.full(57, load), rel=1e-3)
    assert sag[[0, -1]] == pytest.approx([0, 0], abs=1e-15)
    bend = np.diff(sag, 2)
    assert 2 * bend[0] - bend[1] == pytest.approx(0, abs=abs(bend).max() * 0.01)


def test_a_hanging_bar_dips_the_rail_unless_it_is_given():
    at = np.linspace(0, 500, 21)
    sag = hanging(at, ends=(0, 500), height=20, density=7850, modulus=210)
    flat = np.zeros(21)
    plain = reverse(-sag, -sag, flat, at)
    assert plain.rail == pytest.approx(bare(-sag, at), abs=1e-15)
    assert plain.edges[0] == pytest.approx(flat, abs=1e-15)
    assert any("does not cancel" in sentence for sentence in plain.meaning)
    put_right = reverse(-sag, -sag, flat, at, sag=sag)
    assert put_right.rail == pytest.approx(flat, abs=1e-15)
    assert put_right.edges[0] == pytest.approx(flat, abs=1e-15)


def test_what_is_refused():
    flat = np.zeros(21)
    with pytest.raises(ShapeError, match="width has 20 values for 21 positions"):
        reverse(flat, flat, flat[1:])
    with pytest.raises(ShapeError, match="second holds a value that is not finite"):
        reverse(flat, flat * np.nan, flat)
    with pytest.raises(ShapeError, match="three different positions; there are 1"):
        reverse(flat, flat, flat, at=flat)
    with pytest.raises(ShapeError, match="sag must be one finite value"):
        reverse(flat, flat, flat, sag=[1, 2])
    with pytest.raises(RequestError, match="0 or more"):
        reverse_bar(AT, flat, flat, flat, sigma=-1, sigma_width=0)
    with pytest.raises(RequestError, match="must be above 0"):
        hanging([1], ends=(0, 2), height=0, density=1, modulus=1)
    with pytest.raises(RequestError, match="between the ends, 0 and 2 mm"):
        hanging([3], ends=(0, 2), height=1, density=1, modulus=1)
