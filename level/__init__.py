"""What to turn, and what people see: machines, lifts and plans."""

from level.influence import Influence, find_influence
from level.machine import Lift, Machine, read_machine
from level.turns import Move, TurnPlan, plan_turns

__all__ = [
    "Influence",
    "Lift",
    "Machine",
    "Move",
    "TurnPlan",
    "find_influence",
    "plan_turns",
    "read_machine",
]
