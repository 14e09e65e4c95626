"""Wall times for the benchmarks."""

import time
from collections.abc import Callable


def best(action: Callable[[], object], times: int = 5) -> float:
    """Least of some wall times of an action, s."""
    taken = []
    for _ in range(times):
        start = time.perf_counter()
        action()
        taken.append(time.perf_counter() - start)
    return min(taken)
