"""What shape it has: planes, the minimum zone, flatness, modes and tilt of probed places."""

from mesh.flatness import Flatness, flatness
from mesh.limits import Grade, grade_limits, grades_met
from mesh.modes import Mode, Modes, modes
from mesh.noise import Noise, find_noise
from mesh.plane import PlaneFit, fit_plane
from mesh.straightness import Straightness, straightness
from mesh.tilt import Tilt, find_tilt
from mesh.zone import Zone, minimum_zone

__all__ = [
    "Flatness",
    "Grade",
    "Mode",
    "Modes",
    "Noise",
    "PlaneFit",
    "Straightness",
    "Tilt",
    "Zone",
    "find_noise",
    "find_tilt",
    "fit_plane",
    "flatness",
    "grade_limits",
    "grades_met",
    "minimum_zone",
    "modes",
    "straightness",
]
