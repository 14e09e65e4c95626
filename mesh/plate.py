"""Plates: what beds are made of, how stiff they are, and what it takes to twist one.

Four forces at the corners, up and down in turn, twist a plate evenly; screws can do that. Nothing
at the corners takes a bowl or a dome out, as that needs moments along the edges.
"""

from dataclasses import dataclass

from probes.errors import ShapeError

__all__ = ["MATERIALS", "Material", "corner_force", "find_material", "stiffness"]

_N_PER_MM2_PER_GPA = 1e3


@dataclass(frozen=True)
class Material:
    """A material.

    Attributes
    ----------
    name : str
        What it is called here.
    modulus : float
        Young's modulus, GPa.
    poisson : float
        Poisson's ratio.
    expansion : float
        Linear thermal expansion, 1e-6 per K.
    """

    name: str
    modulus: float
    poisson: float
    expansion: float


MATERIALS = tuple(
    Material(*row)
    for row in (
        # expansion: Callister, Materials Science and Engineering, Table B.6 (5083: a public
        # data sheet, 20 to 100 degC; G10: Coombs, Table 8.12); moduli and ratios: handbook
        # tables, values from memory
        ("aluminium 5083", 71.0, 0.33, 23.8),
        ("aluminium 6061", 69.0, 0.33, 23.6),
        ("steel", 207.0, 0.30, 11.7),
        ("spring steel", 207.0, 0.30, 11.5),
        ("stainless 304", 193.0, 0.30, 17.2),
        ("stainless 316", 193.0, 0.30, 15.9),
        ("grey cast iron", 110.0, 0.26, 11.4),
        ("invar", 141.0, 0.29, 1.6),
        ("borosilicate", 64.0, 0.20, 3.3),
        ("soda-lime glass", 70.0, 0.23, 9.0),
        ("G10", 19.0, 0.14, 12.5),
    )
)
"""Plates that are in use. G10 is a mean of along and across its weave."""


def find_material(name: str) -> Material | None:
    """Find a material by its name, in any case; None if it is not in the table.

    Examples
    --------
    >>> find_material("Aluminium 5083").expansion
    23.8
    """
    wanted = " ".join(name.lower().split())
    return next((one for one in MATERIALS if one.name.lower() == wanted), None)


def stiffness(modulus: float, poisson: float, thickness: float) -> float:
    """Give the bending stiffness of a plate, E h^3 / (12 (1 - nu^2)), N mm.

    Parameters
    ----------
    modulus : float
        Young's modulus, GPa.
    poisson : float
        Poisson's ratio, from -1 to 0.5.
    thickness : float
        mm.

    Raises
    ------
    ShapeError
        If a value is out of its range.

    References
    ----------
    S. Timoshenko, S. Woinowsky-Krieger, Theory of Plates and Shells, 2nd edition, 1959, equation 3.
    """
    if not (0 < modulus < float("inf") and 0 < thickness < float("inf") and -1 < poisson <= 0.5):
        raise ShapeError(
            f"a plate {thickness:g} mm thick with a modulus of {modulus:g} GPa and a Poisson's "
            f"ratio of {poisson:g} cannot be; sizes are above zero, the ratio is from -1 to 0.5"
        )
    return modulus * _N_PER_MM2_PER_GPA * thickness**3 / (12 * (1 - poisson**2))


def corner_force(
    twist: float, width: float, depth: float, *, modulus: float, poisson: float, thickness: float
) -> float:
    """Give the force at each corner that twists a free plate so far.

    Parameters
    ----------
    twist : float
        How far two opposite corners of a `width` x `depth` rectangle rise and the others sink, mm.
    width, depth : float
        Sides of that rectangle, mm.
    modulus : float
        Young's modulus, GPa.
    poisson : float
        Poisson's ratio.
    thickness : float
        Of the plate, mm.

    Returns
    -------
    float
        N: up at two opposite corners of the plate, down at the others, as large for any size of the
        plate: an even twist w_xy needs 2 D (1 - nu) w_xy.

    References
    ----------
    Timoshenko, Woinowsky-Krieger, 1959, article 11: a plate under forces at its corners.

    Examples
    --------
    An aluminium plate 8 mm thick, twisted by 0.1 mm over 300 x 300 mm:

    >>> round(corner_force(0.1, 300, 300, modulus=70, poisson=0.33, thickness=8), 1)
    20.0
    """
    per_area = abs(twist) / (width / 2 * depth / 2)
    return 2 * stiffness(modulus, poisson, thickness) * (1 - poisson) * per_area
