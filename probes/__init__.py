"""What was measured: runs of probe readings, and how to read them."""

from probes.errors import MachineError, PlanishError, ReadError, RequestError, ShapeError
from probes.formats import ReadOptions, dump_run, read_run, read_runs
from probes.run import Grid, Places, Run

__all__ = [
    "Grid",
    "MachineError",
    "Places",
    "PlanishError",
    "ReadError",
    "ReadOptions",
    "RequestError",
    "Run",
    "ShapeError",
    "dump_run",
    "read_run",
    "read_runs",
]
