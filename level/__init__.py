"""What to turn, and what people see: machines, lifts and plans."""

from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from level.check import Check, check_bed
    from level.influence import Influence, find_influence
    from level.machine import Lift, Machine, read_machine
    from level.turns import Move, TurnPlan, plan_turns
    from level.verify.response import Response, read_response

__all__ = [
    "Check",
    "Influence",
    "Lift",
    "Machine",
    "Move",
    "Response",
    "TurnPlan",
    "check_bed",
    "find_influence",
    "plan_turns",
    "read_machine",
    "read_response",
]

_HOMES = {
    "check": ("Check", "check_bed"),
    "influence": ("Influence", "find_influence"),
    "machine": ("Lift", "Machine", "read_machine"),
    "turns": ("Move", "TurnPlan", "plan_turns"),
    "verify.response": ("Response", "read_response"),
}


def __getattr__(name: str) -> Any:
    """Import what is asked for when it is asked for, so that a command loads what it needs."""
    for home, names in _HOMES.items():
        if name in names:
            return getattr(import_module(f"level.{home}"), name)
    raise AttributeError(f"module 'level' has no attribute {name!r}")
