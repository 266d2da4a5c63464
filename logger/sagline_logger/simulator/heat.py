"""Temperature of a lump that is heated and cools: first order, solved exactly over a step.

Source: lumped-capacity cooling, any heat transfer textbook (from memory).
"""

import math

from .parameters import HeatNode


def conductance(node: HeatNode, speed: float) -> float:
    """Return the conductance to the surroundings in W/K in an air stream of ``speed`` m/s."""
    return node.conductance + node.conductance_per_speed * speed


def warm(
    temperature: float, power: float, surroundings: float, capacity: float, path: float, step: float
) -> float:
    """Return the temperature in °C after ``step`` s of constant ``power`` (W).

    C·dT/dt = P − G·(T − T_s), with ``capacity`` C in J/K and ``path`` G in W/K.
    """
    final = surroundings + power / path
    return final + (temperature - final) * math.exp(-step * path / capacity)


def warm_two(
    winding: float,
    case: float,
    copper: float,
    iron: float,
    air: float,
    nodes: tuple[HeatNode, HeatNode],
    speed: float,
    step: float,
) -> tuple[float, float]:
    """Return winding and case temperature in °C of a motor after ``step`` s.

    Copper loss (W) heats the winding, iron loss (W) the case.  The heat that left the winding over
    the step is what the case receives, so none is made or lost between them.
    """
    inner, outer = nodes
    path = conductance(inner, 0.0)
    warmer = warm(winding, copper, case, inner.capacity, path, step)
    passed = copper - inner.capacity * (warmer - winding) / step
    return warmer, warm(case, iron + passed, air, outer.capacity, conductance(outer, speed), step)
