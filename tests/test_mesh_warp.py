from math import cos, pi, sqrt

import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.integrate import quad
from scipy.optimize import brentq

from mesh.plate import MATERIALS, Material, find_material
from mesh.warp import (
    CONDUCTIVITY,
    buckling_heat,
    curvature,
    explain_bow,
    flux_difference,
    growth,
    held_curvature,
    sag,
    sheet_curvature,
)
from probes import RequestError

ALUMINIUM = find_material("aluminium 6061")
GLASS = find_material("borosilicate")
STEEL = Material("steel", 207.0, 0.30, 11.7)


def test_free_plate():
    # recomputed from the handbook formula alpha dT / h (tests/data/README.md)
    bent = curvature(23.6, 5, 8)
    assert 1 / bent == pytest.approx(67796.610, abs=5e-4)
    assert sag(bent, 300) == pytest.approx(0.1659375, abs=1e-12)
    assert sag(curvature(3.3, 10, 4), 300) == pytest.approx(0.0928125, abs=1e-12)
    # the exact arc
    radius = 1 / bent
    assert radius - sqrt(radius**2 - 150**2) == pytest.approx(0.16593770, abs=1e-8)
    assert sag(bent, 300) == pytest.approx(radius - sqrt(radius**2 - 150**2), rel=1e-5)


@pytest.mark.parametrize(("chord", "um"), [(300, 16.6), (424, 33.2)])
def test_half_a_kelvin_through_aluminium(chord, um):
    # theory T-F6
    assert sag(curvature(23.6, 0.5, 8), chord) * 1e3 == pytest.approx(um, abs=0.06)


@pytest.mark.parametrize(
    ("material", "thickness", "conductivity", "kelvin", "um"),
    [
        # theory T-F6: 1500 W/m2 over 300 mm
        ("aluminium 6061", 8, 167, 0.072, 2.4),
        ("borosilicate", 4, 1.1, 5.45, 51),
        ("soda-lime glass", 4, 1.1, 5.45, 138),
    ],
)
def test_heat_that_flows_through(material, thickness, conductivity, kelvin, um):
    difference = flux_difference(1500, thickness, conductivity)
    assert difference == pytest.approx(kelvin, rel=0.01)
    expansion = find_material(material).expansion
    assert sag(curvature(expansion, difference, thickness), 300) * 1e3 == pytest.approx(
        um, rel=0.02
    )


def test_bonded_sheet():
    # theory T-F6: steel 0.5 on aluminium 8, 40 K: 3.70e-5 /mm, 416 um over 300 mm
    plate, sheet = Material("aluminium", 70, 0.33, 23.6), Material("steel", 200, 0.3, 12)
    bent = sheet_curvature(plate, 8, sheet, 0.5, 40)
    assert bent == pytest.approx(3.70e-5, rel=0.003)
    assert sag(bent, 300) * 1e3 == pytest.approx(416, rel=0.003)


@given(
    thick=st.floats(1, 20), thin=st.floats(0.1, 20), n=st.floats(0.05, 20), rise=st.floats(1, 100)
)
def test_bonded_sheet_by_balance(thick, thin, n, rise):
    # a second way: force and moment of the two layers, each a beam, balance
    plate, sheet = Material("p", 70, 0.3, 20), Material("s", 70 * n, 0.3, 8)
    stiff_1, stiff_2 = plate.modulus * thick, sheet.modulus * thin
    bend = (stiff_1 * thick**2 + stiff_2 * thin**2) / 12
    both = thick + thin
    strain = 12e-6 * rise
    # F both/2 = bend kappa; strain = F (1/stiff_1 + 1/stiff_2) + kappa both/2
    kappa = strain / (2 * bend / both * (1 / stiff_1 + 1 / stiff_2) + both / 2)
    assert sheet_curvature(plate, thick, sheet, thin, rise) == pytest.approx(kappa, rel=1e-9)


def test_alike_bimetal():
    # Timoshenko 1925: equal thicknesses and moduli, kappa = 3/2 da dT / h
    a, b = Material("a", 100, 0.3, 20), Material("b", 100, 0.3, 10)
    assert sheet_curvature(a, 1, b, 1, 100) == pytest.approx(1.5 * 1e-3 / 2)


def test_held_underside_is_a_thin_stiff_layer():
    # a layer below that does not grow: the sheet's plate turned over, so the sign too
    rigid = Material("rigid", 1e14, 0.3, 0)
    layer = sheet_curvature(ALUMINIUM, 8, rigid, 1e-6, 20)
    assert held_curvature(23.6, 20, 8) == pytest.approx(-layer, rel=1e-3)


def test_growth_and_buckling():
    # theory F3: 0.566 mm for 80 K over 300 mm; 24.8 K for 8 mm
    assert growth(23.6, 80, 300) == pytest.approx(0.566, abs=5e-4)
    assert buckling_heat(23.6, 8, 300) == pytest.approx(24.8, abs=0.05)
    # Euler's load of the strip, per width, over its stiffness
    load = pi**2 * 70e3 * 8**3 / 12 / 300**2
    assert buckling_heat(23.6, 8, 300) == pytest.approx(load / (70e3 * 8) / 23.6e-6)


def test_every_plate_conducts():
    assert set(CONDUCTIVITY) == {one.name for one in MATERIALS}


def verdicts(bow_x, bow_y, material=ALUMINIUM, thickness=8.0, **options):
    causes = explain_bow(
        (bow_x, 0.002),
        (bow_y, 0.002),
        (300, 300),
        material=material,
        thickness=thickness,
        **options,
    )
    return {cause.name: cause.verdict for cause in causes}


def test_a_bowl_of_glass_is_heat_from_below():
    assert verdicts(0.050, 0.049, GLASS, 4, rise=40, flux=1500) == {
        "heated from below": "fits",
        "underside held": "does not fit",
        "buckled between fixings": "does not fit",
    }


def test_a_dome_of_thick_metal_is_held():
    found = verdicts(-0.2, -0.19, rise=20, flux=1500)
    assert found["underside held"] == "fits"
    assert found["heated from below"] == "does not fit"
    assert found["buckled between fixings"] == "does not fit"


def test_a_bowl_too_large_for_the_flow_of_heat():
    # 1500 W/m2 make 2.4 um in 8 mm of aluminium; above 24.8 K it may have buckled
    found = verdicts(0.2, 0.19, rise=60, flux=1500)
    assert found["heated from below"] == "does not fit"
    assert found["buckled between fixings"] == "fits"
    assert verdicts(0.2, 0.19, rise=60)["heated from below"] == "cannot be told"


def test_one_curvature_in_all_directions():
    # a bow along one side only is no even curvature, and a saddle is none either
    for bow_y in (0.0, -0.05):
        found = verdicts(0.05, bow_y, GLASS, 4, rise=40, flux=1500)
        assert found["heated from below"] == "does not fit"
    # half as long, a quarter of the bow
    causes = explain_bow(
        (0.048, 0.002), (0.010, 0.002), (300, 150), material=GLASS, thickness=4, rise=40, flux=1500
    )
    assert causes[0].verdict == "fits"
    assert causes[0].most[0] == pytest.approx(4 * causes[0].most[1])
    # by hand: 8 x 0.048 x 4 / (300^2 x 3.3e-6) K
    assert "5.2 K hotter" in causes[0].why


def test_a_sheet_on_top():
    found = verdicts(0.3, 0.3, rise=40, flux=1500, sheet=(STEEL, 0.5))
    assert found["bonded sheet"] == "fits"
    assert verdicts(-0.3, -0.3, rise=40, sheet=(STEEL, 0.5))["bonded sheet"] == "does not fit"
    assert verdicts(0.6, 0.6, rise=40, sheet=(STEEL, 0.5))["bonded sheet"] == "does not fit"
    alike = verdicts(0.3, 0.3, rise=40, sheet=(ALUMINIUM, 0.5))
    assert alike["bonded sheet"] == "does not fit"


def test_buckled_height_is_the_arcs():
    # the half sine whose arc is as long as the grown strip, by numbers
    cause = explain_bow(
        (1.0, 0.01), (1.0, 0.01), (300, 300), material=ALUMINIUM, thickness=8, rise=80
    )[2]
    strain = 23.6e-6 * (80 - buckling_heat(23.6, 8, 300))

    def longer(a):
        arc, _ = quad(lambda s: sqrt(1 + (a * pi / 300 * cos(pi * s / 300)) ** 2), 0, 300)
        return arc / 300 - 1 - strain

    assert cause.most[0] == pytest.approx(brentq(longer, 0.1, 50), rel=2e-3)


def test_what_speaks_against_buckling():
    def last(bow, rise):
        return explain_bow((bow, 0.01), (bow, 0.01), (300, 300), material=ALUMINIUM, thickness=8,
                           rise=rise)[2]  # fmt: skip

    assert last(0.5, 20).why == "a strip between fixed ends buckles at 25 K, and it warmed by 20"
    assert last(-5, 80).verdict == "fits"
    assert last(-10, 80).verdict == "does not fit"
    assert "larger than" in last(-10, 80).why


def test_nothing_to_explain():
    assert explain_bow((0.003, 0.002), (-0.003, 0.002), (300, 300), material=GLASS, thickness=4,
                       rise=40) == ()  # fmt: skip


def test_impossible_plates():
    with pytest.raises(RequestError, match="thickness is 0"):
        curvature(23.6, 5, 0)
    with pytest.raises(RequestError, match="conductivity is 0"):
        flux_difference(1, 1, 0)
    with pytest.raises(RequestError, match="rise is -1"):
        verdicts(0.1, 0.1, rise=-1)
    with pytest.raises(RequestError, match="flux is -5"):
        verdicts(0.1, 0.1, rise=10, flux=-5)
    with pytest.raises(RequestError, match="expansion is 0"):
        verdicts(0.1, 0.1, Material("none", 100, 0.3, 0), rise=10)
    with pytest.raises(RequestError, match="a bow of nan mm"):
        verdicts(float("nan"), 0.1, rise=10)
