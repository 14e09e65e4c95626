"""What shape it has: planes, the minimum zone, flatness, modes and tilt of probed places."""

from importlib import import_module
from typing import TYPE_CHECKING, Any

from mesh.flatness import Flatness, flatness
from mesh.limits import Grade, grade_limits, grades_met
from mesh.modes import Mode, Modes, modes
from mesh.noise import Noise, find_noise
from mesh.plane import PlaneFit, fit_plane
from mesh.straightness import Straightness, straightness
from mesh.tilt import Tilt, find_tilt
from mesh.zone import Zone, minimum_zone

if TYPE_CHECKING:
    from mesh.change import Change, compare
    from mesh.surface import Surface, fit_surface

__all__ = [
    "Change",
    "Flatness",
    "Grade",
    "Mode",
    "Modes",
    "Noise",
    "PlaneFit",
    "Straightness",
    "Surface",
    "Tilt",
    "Zone",
    "compare",
    "find_noise",
    "find_tilt",
    "fit_plane",
    "fit_surface",
    "flatness",
    "grade_limits",
    "grades_met",
    "minimum_zone",
    "modes",
    "straightness",
]

_HOMES = {"change": ("Change", "compare"), "surface": ("Surface", "fit_surface")}


def __getattr__(name: str) -> Any:
    """Import what few commands need when it is asked for."""
    for home, names in _HOMES.items():
        if name in names:
            return getattr(import_module(f"mesh.{home}"), name)
    raise AttributeError(f"module 'mesh' has no attribute {name!r}")
