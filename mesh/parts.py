"""Parts of a bed's unevenness: what screws take out, what an untwisting could, what stays."""

from dataclasses import dataclass

from mesh.flatness import Flatness
from mesh.modes import Modes
from mesh.zone import minimum_zone
from probes.run import Places

__all__ = ["Parts", "find_parts"]


@dataclass(frozen=True)
class Parts:
    """What is left of a bed's unevenness as one cause after the other is taken away.

    Attributes
    ----------
    as_found : float
        Highest less lowest place, mm: with the tilt, which lifts take out.
    level : float
        Minimum zone, mm: without the tilt.
    untwisted : float
        Minimum zone without the twist too, mm; as `level` where no twist is known. A frame or a
        plate that is twisted by its lifts can be brought to this.
    local : float
        Minimum zone without the bows as well, mm: waves, bumps and noise.
    """

    as_found: float
    level: float
    untwisted: float
    local: float

    @property
    def tilt(self) -> float:
        """What levelling takes out, mm."""
        return max(0.0, self.as_found - self.level)

    @property
    def twist(self) -> float:
        """What untwisting could take out besides, mm; negative if it would make things worse."""
        return self.level - self.untwisted


def find_parts(places: Places, flat: Flatness, shape: Modes) -> Parts:
    """Part a bed's unevenness by what could take it out.

    Parameters
    ----------
    places : Places
        Where.
    flat : Flatness
        Of these places.
    shape : Modes
        Of these places, over their own rectangle.

    Returns
    -------
    Parts
        What is left, cause by cause.

    Examples
    --------
    >>> import numpy as np
    >>> from mesh import flatness, modes
    >>> from probes.run import Run
    >>> x, y = (a.ravel() for a in np.meshgrid([-1, 0, 1], [-1, 0, 1]))
    >>> run = Run(x=x, y=y, z=0.3 * x + 0.02 * x * y)
    >>> parts = find_parts(run.places, flatness(x, y, run.z), modes(x, y, run.z))
    >>> round(parts.as_found, 3), round(parts.level, 3), round(parts.untwisted, 3)
    (0.64, 0.04, 0.0)
    """
    x, y, z = places.x, places.y, places.z
    untwisted = flat.minimum_zone
    if shape.twist is not None:
        xi, eta = shape.scaled(x, y)
        untwisted = minimum_zone(x, y, z - shape.twist.value * xi * eta).width
    return Parts(
        as_found=flat.height_range,
        level=flat.minimum_zone,
        untwisted=untwisted,
        local=minimum_zone(x, y, shape.residuals).width,
    )
