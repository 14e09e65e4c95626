import numpy as np
import pytest
from cases import grid
from hypothesis import given, settings
from hypothesis import strategies as st

from mesh.separation import NAMES, separate_turned
from probes import Run
from probes.errors import RequestError, ShapeError

X, Y = grid(np.linspace(-1, 1, 7), np.linspace(-1, 1, 7))
CENTRE = (170.0, 160.0)
ODD = {"s_x", "s_y", "bow_x_along_y", "bow_y_along_x"}


def p2(t):
    return (3 * t**2 - 1) / 2


def p3(t):
    return (5 * t**3 - 3 * t) / 2


def terms(x, y):
    """Each term of one mm, as it is defined: edge over middle is 1.5 of a P2."""
    return {
        "twist": x * y,
        "saddle": (p2(x) - p2(y)) / 1.5,
        "bowl": (p2(x) + p2(y)) / 1.5,
        "s_x": p3(x),
        "s_y": p3(y),
        "bow_x_along_y": p2(x) * y / 1.5,
        "bow_y_along_x": p2(y) * x / 1.5,
    }


def plate(x, y):  # T-E5
    return 0.04 * x * y + 0.06 * p2(x) + 0.02 * p3(x) + 0.01 * p2(y)


def machine(x, y):
    return -0.05 * p2(x) + 0.01 * p3(x) + 0.012 * p3(y)


def turned(angle, x=X, y=Y, plate=plate, machine=machine, size=(150, 150), noise=0.0, seed=1):
    """Probe a plate that was turned: each spot of it now lies where a rotation brings it."""
    random = np.random.default_rng([seed, int(angle)])
    back = np.exp(-1j * np.radians(angle)) * (x + 1j * y)
    z = plate(back.real, back.imag) + machine(x, y)
    z = z + random.normal(0, 0.3, 3) @ (np.ones(len(x)), x, y) + random.normal(0, 1, len(x)) * noise
    return Run(x=CENTRE[0] + size[0] * x, y=CENTRE[1] + size[1] * y, z=z).places


def told(part):
    return {name: term.value for name, term in part.items() if term.value is not None}


def test_worked_half_turn():
    # T-E5: half a turn tells S-shapes alone: P3x .020 of the plate, .010 and .012 of the machine
    found = separate_turned({angle: turned(angle) for angle in (0, 180)}, CENTRE)
    assert told(found.plate) == pytest.approx(
        {"s_x": 0.02, "s_y": 0, "bow_x_along_y": 0, "bow_y_along_x": 0}, abs=1e-12
    )
    assert told(found.machine) == pytest.approx(
        {"s_x": 0.01, "s_y": 0.012, "bow_x_along_y": 0, "bow_y_along_x": 0}, abs=1e-12
    )
    assert "quarter turn" in found.plate["twist"].why
    assert "no turning" in found.plate["bowl"].why
    assert found.half == (150, 150)


@pytest.mark.parametrize("angles", [(0, 90), (90, 0), (0, 90, 180), (0, 90, 180, 270)])
def test_worked_quarter_turns(angles):
    # T-E5, with the twist and the saddle P2x - P2y that a quarter turn tells as well
    found = separate_turned({angle: turned(angle) for angle in angles}, CENTRE)
    assert told(found.plate) == pytest.approx(
        {
            "twist": 0.04, "saddle": 1.5 * (0.06 - 0.01) / 2, "s_x": 0.02, "s_y": 0,
            "bow_x_along_y": 0, "bow_y_along_x": 0,
        }, abs=1e-12,
    )  # fmt: skip
    assert told(found.machine) == pytest.approx(
        {
            "twist": 0, "saddle": 1.5 * -0.05 / 2, "s_x": 0.01, "s_y": 0.012,
            "bow_x_along_y": 0, "bow_y_along_x": 0,
        }, abs=1e-12,
    )  # fmt: skip
    assert found.residual_sigma == pytest.approx(0, abs=1e-12)


@pytest.mark.parametrize(
    ("angles", "missing"),
    [
        ((0, 180), {"twist", "saddle", "bowl"}),
        ((0, 90), {"bowl"}),
        ((0, 270), {"bowl"}),
        ((0, 90, 180, 270), {"bowl"}),
        # a third of a turn: what has three lobes looks the same, and it is in each S and bow
        ((0, 120, 240), {"bowl"} | ODD),
    ],
)
def test_what_is_told_is_what_does_not_look_the_same(angles, missing):
    # a second way: a term is hidden if some shape that holds it is the same in all positions but
    # for a plane. Shapes of these seven terms that a turn leaves alone are found here from the
    # turn's own matrix
    found = separate_turned({angle: turned(angle, noise=1e-6) for angle in angles}, CENTRE)
    assert set(NAMES) - set(told(found.plate)) == missing
    assert set(NAMES) - set(told(found.machine)) == missing
    base = np.column_stack([*terms(X, Y).values(), np.ones(49), X, Y])
    stacked = []
    for angle in angles:
        back = np.exp(-1j * np.radians(angle)) * (X + 1j * Y)
        matrix = np.linalg.lstsq(
            base, np.column_stack(list(terms(back.real, back.imag).values())), rcond=None
        )[0]
        stacked.append(matrix[:7] - np.eye(7))
    _, sizes, right = np.linalg.svd(np.vstack(stacked))
    hidden = np.abs(right[sizes < 1e-9]).max(axis=0) > 1e-9
    assert {name for name, hides in zip(NAMES, hidden, strict=True) if hides} == missing


def test_half_difference_is_the_odd_part():
    # theory E3: (m0 - m180) / 2 is the odd part of the plate, with sigma over root 2
    maps = {angle: turned(angle, noise=0.003) for angle in (0, 180)}
    found = separate_turned(maps, CENTRE, sigma=0.003)
    half = (maps[0].z - maps[180].z) / 2
    design = np.column_stack(
        [np.ones(49), X, Y, *(terms(X, Y)[name] for name in NAMES if name in ODD)]
    )
    values = np.linalg.lstsq(design, half, rcond=None)[0][3:]
    factors = np.sqrt(np.diag(np.linalg.inv(design.T @ design)))[3:]
    told_terms = [found.plate[name] for name in NAMES if name in ODD]
    assert [term.value for term in told_terms] == pytest.approx(values, abs=1e-12)
    assert [term.sigma for term in told_terms] == pytest.approx(0.003 / np.sqrt(2) * factors)


@settings(max_examples=20)
@given(st.integers(0, 2**32 - 1))
def test_any_plate_and_machine_come_out(seed):
    random = np.random.default_rng(seed)
    sizes = random.normal(0, 0.05, (2, 7))

    def shape(part):
        return lambda x, y: sizes[part] @ np.array(list(terms(x, y).values()))

    maps = {a: turned(a, plate=shape(0), machine=shape(1), seed=seed) for a in (0, 90, 180)}
    found = separate_turned(maps, CENTRE)
    for part, told_part in enumerate((found.plate, found.machine)):
        expected = dict(zip(NAMES, sizes[part], strict=True))
        del expected["bowl"]
        assert told(told_part) == pytest.approx(expected, abs=1e-11)


def test_intervals_cover():
    inside, flagged = [], []
    for seed in range(200):
        maps = {a: turned(a, noise=0.005, seed=seed) for a in (0, 180)}
        found = separate_turned(maps, CENTRE)
        inside.append(abs(found.plate["s_x"].value - 0.02) <= 2 * found.plate["s_x"].sigma)
        flagged.append(found.plate["s_y"].significant)
        assert found.residual_sigma == pytest.approx(0.005, rel=0.35)
        assert found.freedom == 98 - 6 - 11  # seven terms and the four that are told twice
    assert np.mean(inside) == pytest.approx(0.95, abs=0.05)
    assert np.mean(flagged) == pytest.approx(0.05, abs=0.05)


def test_oblong_plates_turn_half_round():
    maps = {angle: turned(angle, size=(200, 90)) for angle in (0, 180)}
    found = separate_turned(maps, CENTRE)
    assert found.half == (200, 90)
    assert found.plate["s_x"].value == pytest.approx(0.02)


def test_other_places_in_each_position():
    random = np.random.default_rng(2)
    maps = {}
    for angle in (0, 90):
        x, y = random.uniform(-1, 1, (2, 60))
        x[0] = 1.0
        maps[angle] = turned(angle, x=x, y=y)
    found = separate_turned(maps, CENTRE)
    assert found.plate["twist"].value == pytest.approx(0.04)
    assert found.rest[90] == pytest.approx(np.zeros(60), abs=1e-12)


def test_few_places_are_told_from_what_turning_hides():
    x, y = grid([-1, 0, 1], [-1, 0, 1])
    maps = {angle: turned(angle, x=x, y=y) for angle in (0, 90)}
    found = separate_turned(maps, CENTRE)
    assert found.plate["s_x"].why.startswith("these places do not tell it")
    assert found.plate["bowl"].why.startswith("no turning tells it")
    assert found.plate["twist"].value == pytest.approx(0.04)


def test_thirds_ask_for_another_position():
    found = separate_turned({angle: turned(angle) for angle in (0, 120, 240)}, CENTRE)
    assert found.plate["twist"].value == pytest.approx(0.04)
    assert "other positions" in found.plate["s_x"].why


def test_what_is_refused():
    flat = turned(0)
    for maps in ({}, {0: flat}, {0: flat, 360: flat}):
        with pytest.raises(RequestError, match="two positions or more"):
            separate_turned(maps, CENTRE)
    with pytest.raises(RequestError, match="sigma 0 mm"):
        separate_turned({0: flat, 90: flat}, CENTRE, sigma=0)
    with pytest.raises(RequestError, match="plate turned by nan degrees: must be a number"):
        separate_turned({0: flat, float("nan"): flat}, CENTRE)
    line = Run(x=[0, 1, 2], y=[0, 1, 2], z=[0, 0, 0]).places
    with pytest.raises(ShapeError, match="plate at 90 degrees: all 3 places stand on one line"):
        separate_turned({0: flat, 90: line}, CENTRE)


def test_meaning_says_what_hides():
    found = separate_turned({angle: turned(angle) for angle in (0, 180)}, CENTRE)
    assert any("hides a bowed plate" in sentence for sentence in found.meaning)
