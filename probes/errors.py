"""What planish says no to: one class per kind of fault, each message one clear line.

A message says what is wrong, where, what is allowed and what to do. The command line prints it
and ends with exit code 2; everything else is a bug and keeps its traceback.
"""

__all__ = ["MachineError", "PlanishError", "ReadError", "RequestError", "ShapeError"]


class PlanishError(Exception):
    """The base of everything planish refuses on purpose."""


class ReadError(PlanishError):
    """A file or text that cannot be read as a run."""


class ShapeError(PlanishError):
    """Readings that are sound but carry no plane: too few places, or all on one line."""


class MachineError(PlanishError):
    """A machine file that is unreadable or describes no possible machine."""


class RequestError(PlanishError):
    """An option, or a combination of options, that cannot be met."""
