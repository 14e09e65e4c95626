"""Benchmarks of the surfaces: time and error against reference libraries in one run.

Run by hand: ``python tests/bench_surface.py``. scikit-learn, verde and pykrige are not needed by
planish; what is not installed is said and left out (``pip install scikit-learn verde pykrige``).
"""

import importlib.util
import os
import time
import warnings
from collections.abc import Callable

# both sides on one thread, in its own time: ratios do not hang on what else the machine does
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

import numpy as np

from mesh.surface import fit_surface

Floats = np.ndarray
Fit = Callable[[Floats, Floats, Floats], Callable[[Floats, Floats], Floats]]
SIZE, NOISE = 300.0, 0.005
MISSING = [name for name in ("sklearn", "verde", "pykrige")
           if importlib.util.find_spec(name) is None]  # fmt: skip


def taken(action: Callable[[], object], times: int) -> float:
    """Least of some processor times of an action, s."""
    found = []
    for _ in range(times):
        start = time.process_time()
        action()
        found.append(time.process_time() - start)
    return min(found)


def franke(x: Floats, y: Floats) -> Floats:
    """Franke's function 1 on the unit square (NPS-53-79-003, 1979)."""
    u, v = 9 * x, 9 * y
    return (
        0.75 * np.exp(-((u - 2) ** 2 + (v - 2) ** 2) / 4)
        + 0.75 * np.exp(-((u + 1) ** 2) / 49 - (v + 1) / 10)
        + 0.5 * np.exp(-((u - 7) ** 2 + (v - 3) ** 2) / 4)
        - 0.2 * np.exp(-((u - 4) ** 2) - (v - 7) ** 2)
    )


SURFACES: dict[str, Callable[[Floats, Floats], Floats]] = {
    "bow along x": lambda x, y: 0.4 * (x - 0.5) ** 2 + 0.1 * y,
    "bowl with twist": lambda x, y: 0.3 * ((x - 0.5) ** 2 + (y - 0.5) ** 2) + 0.2 * x * y,
    "Franke's": lambda x, y: 0.1 * franke(x, y),
    "wave along x": lambda x, y: 0.03 * np.sin(2 * np.pi * 2 * x) + 0.05 * y,
    "waves of two rails": lambda x, y: 0.03 * np.sin(9 * x + 1) + 0.02 * np.cos(13 * y),
    "bump": lambda x, y: 0.1 * np.exp(-((x - 0.3) ** 2 + (y - 0.6) ** 2) / 0.02),
    "drum": lambda x, y: 0.05 * np.cos(8 * np.hypot(x - 0.5, y - 0.5)),
    "lifted corner": lambda x, y: 0.15 * np.exp(-5 * np.hypot(1 - x, 1 - y)),
    "ridge": lambda x, y: 0.06 * np.tanh(8 * (x + 0.5 * y - 0.8)),
    "slanted waves": lambda x, y: 0.04 * np.sin(7 * (x + y)) + 0.05 * (x - y) ** 2,
}


def grid(side: int) -> tuple[Floats, Floats]:
    """Places of a square grid over the bed."""
    line = np.linspace(0, SIZE, side)
    x, y = np.meshgrid(line, line)
    return x.ravel(), y.ravel()


def dense(x: Floats, y: Floats, z: Floats) -> Callable[[Floats, Floats], Floats]:
    """scikit-learn's process with the same kernel family, length scales in parts of the bed."""
    from sklearn.gaussian_process import GaussianProcessRegressor
    from sklearn.gaussian_process.kernels import RBF, ConstantKernel, WhiteKernel

    kernel = ConstantKernel(1.0, (1e-6, 1e6)) * RBF((0.5, 0.5), (1e-2, 20)) + WhiteKernel(
        0.01, (1e-9, 1e3)
    )
    columns = np.column_stack((np.ones(len(x)), x / SIZE, y / SIZE))
    plane = np.linalg.lstsq(columns, z, rcond=None)[0]
    left = z - columns @ plane
    size = left.std()
    model = GaussianProcessRegressor(kernel).fit(columns[:, 1:], left / size)

    def at(to_x: Floats, to_y: Floats) -> Floats:
        spots = np.column_stack((np.ones(len(to_x)), to_x / SIZE, to_y / SIZE))
        parts = [model.predict(part[:, 1:], return_std=True)
                 for part in np.array_split(spots, 1 + len(spots) // 5000)]  # fmt: skip
        return spots @ plane + size * np.concatenate([part[0] for part in parts])

    return at


def spline(x: Floats, y: Floats, z: Floats) -> Callable[[Floats, Floats], Floats]:
    """verde's bi-harmonic spline, damping by cross-validation."""
    import verde

    fitted = verde.SplineCV(dampings=[None, *np.logspace(-8, 1, 10)]).fit((x, y), z)
    return lambda to_x, to_y: np.asarray(fitted.predict((to_x, to_y)))


def kriging(x: Floats, y: Floats, z: Floats) -> Callable[[Floats, Floats], Floats]:
    """pykrige's universal kriging with a plane, Gaussian variogram with nugget."""
    from pykrige.uk import UniversalKriging

    fitted = UniversalKriging(x, y, z, variogram_model="gaussian", exact_values=False,
                              drift_terms=["regional_linear"])  # fmt: skip
    return lambda to_x, to_y: np.asarray(fitted.execute("points", to_x, to_y)[0])


def ours(kind: str) -> Fit:
    """One of our kinds."""

    def fit(x: Floats, y: Floats, z: Floats) -> Callable[[Floats, Floats], Floats]:
        surface = fit_surface(x, y, z, kind)
        return lambda to_x, to_y: surface.at(to_x, to_y)[0]

    return fit


def errors() -> None:
    """Print the error of each method on ten noisy surfaces, and how often ours is best."""
    methods = {"gaussian-process": ours("gaussian-process"), "thin-plate": ours("thin-plate"),
               "bilinear": ours("bilinear"), "bicubic": ours("bicubic")}  # fmt: skip
    if "verde" not in MISSING:
        methods["verde spline"] = spline
    if "pykrige" not in MISSING:
        methods["pykrige"] = kriging
    for side in (7, 15):
        x, y = grid(side)
        to_x, to_y = grid(61)
        print(f"\nrms error against truth, um; {side} x {side} places, noise {NOISE * 1e3:g} um")
        print(f"{'':20}" + "".join(f"{name:>18}" for name in methods))
        near, first = 0, 0
        for number, (name, truth) in enumerate(SURFACES.items()):
            noise = np.random.default_rng(number).normal(0, NOISE, len(x))
            z = truth(x / SIZE, y / SIZE) + noise
            expected = truth(to_x / SIZE, to_y / SIZE)
            found = [float(np.sqrt(np.mean((fit(x, y, z)(to_x, to_y) - expected) ** 2))) * 1e3
                     for fit in methods.values()]  # fmt: skip
            print(f"{name:20}" + "".join(f"{value:18.2f}" for value in found))
            near += found[0] <= 1.05 * min(found)
            first += found[0] == min(found)
        print(f"gaussian-process is best on {first}, best or within 5 % on {near} of 10")


def speed() -> None:
    """Print times against the dense process, and the growth."""
    x, y = grid(50)
    to_x, to_y = grid(301)
    truth = SURFACES["Franke's"]
    z = truth(x / SIZE, y / SIZE) + np.random.default_rng(3).normal(0, NOISE, len(x))
    expected = truth(to_x / SIZE, to_y / SIZE)

    def rms(heights: Floats) -> float:
        return float(np.sqrt(np.mean((heights - expected) ** 2))) * 1e3

    fit_surface(x, y, z, "gaussian-process")
    mine = taken(lambda: fit_surface(x, y, z, "gaussian-process").at(to_x, to_y), 5)
    error = rms(fit_surface(x, y, z, "gaussian-process").at(to_x, to_y)[0])
    print(f"50 x 50 places, fit and 301 x 301 map with sigma: {mine:.3f} s, rms {error:.3f} um")
    if "sklearn" not in MISSING:
        start = time.process_time()
        theirs = rms(dense(x, y, z)(to_x, to_y))
        spent = time.process_time() - start
        print(f"  scikit-learn, dense / ours: {spent / mine:.0f} times the time ({spent:.1f} s), "
              f"{theirs / error:.3f} times the error ({theirs:.3f} um)")  # fmt: skip
    at_side = {}
    for side in (100, 300):
        x, y = grid(side)
        z = truth(x / SIZE, y / SIZE) + np.random.default_rng(4).normal(0, NOISE, len(x))
        at_side[side] = taken(
            lambda: fit_surface(x, y, z, "gaussian-process").at(to_x, to_y),  # noqa: B023
            2,
        )
        print(f"{side} x {side} places, fit and map: {at_side[side]:.2f} s")
    print(f"  300 x 300 / 100 x 100: {at_side[300] / at_side[100]:.1f} (9 times the places)")


def main() -> None:
    """Print all ratios."""
    if MISSING:
        print(f"not installed, so not compared: {', '.join(MISSING)}")
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # the references warn of bounds and of changes to come
        speed()
        errors()


if __name__ == "__main__":
    main()
