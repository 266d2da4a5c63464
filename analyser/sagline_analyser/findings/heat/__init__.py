"""How long a current may flow before a motor or controller reaches its temperature limit."""

from .answer import heat_answer
from .parts import PartHeat, part_heat, part_heats
from .times import TimeToLimit

__all__ = ["PartHeat", "TimeToLimit", "heat_answer", "part_heat", "part_heats"]
