import pytest
from cases import table

from mesh.plate import MATERIALS, corner_force, find_material, stiffness
from probes.errors import ShapeError


@pytest.mark.parametrize(("thickness", "force"), [(6, 8.4), (8, 20.0), (10, 39.0)])
def test_force_that_twists_an_aluminium_plate(thickness, force):
    # theory T-A3: 0.1 mm over 300 x 300 mm
    found = corner_force(0.1, 300, 300, modulus=70, poisson=0.33, thickness=thickness)
    assert found == pytest.approx(force, abs=0.05)


def test_force_by_the_other_way_round():
    # Timoshenko, Woinowsky-Krieger 1959, article 11: twisting moment M = D (1 - nu) w_xy, and a
    # force 2 M at the corners; twist of a strip whose torsion stiffness is G b h^3 / 3
    modulus, poisson, thickness, width, depth = 70.0, 0.33, 8.0, 300.0, 200.0
    shear = modulus * 1e3 / (2 * (1 + poisson))
    w_xy = 0.1 / (width / 2 * depth / 2)
    torque = shear * depth * thickness**3 / 3 * w_xy  # of a strip of that depth, twisted along x
    # the corner forces of its two ends make that torque with the depth as lever
    force = torque / depth
    found = corner_force(0.1, width, depth, modulus=modulus, poisson=poisson, thickness=thickness)
    assert found == pytest.approx(force, rel=1e-12)


def test_expansions_are_the_tables():
    # Callister Table B.6 and data sheets (tests/data/README.md)
    printed = {row["material"]: float(row["alpha"]) for row in table("cte.csv")}
    for ours, theirs in (
        ("aluminium 5083", "Al 5083"),
        ("aluminium 6061", "Al 6061"),
        ("steel", "steel A36/1020"),
        ("spring steel", "spring steel 1095/CK75"),
        ("stainless 304", "stainless 304"),
        ("stainless 316", "stainless 316"),
        ("grey cast iron", "grey cast iron"),
        ("invar", "invar"),
        ("borosilicate", "borosilicate 3.3"),
        ("soda-lime glass", "soda-lime glass"),
    ):
        assert find_material(ours).expansion == printed[theirs]
    weave = (printed["G10/FR4 lengthwise"] + printed["G10/FR4 crosswise"]) / 2
    assert find_material("g10").expansion == weave
    assert len({one.name for one in MATERIALS}) == len(MATERIALS)


def test_unknown_material_is_none():
    assert find_material("slate") is None
    assert find_material(" Stainless  304 ").modulus == 193


@pytest.mark.parametrize(
    ("modulus", "poisson", "thickness"), [(0, 0.3, 8), (70, 0.6, 8), (70, 0.3, 0)]
)
def test_impossible_plates(modulus, poisson, thickness):
    with pytest.raises(ShapeError, match="cannot be"):
        stiffness(modulus, poisson, thickness)
