"""The motor and its power stage as pure functions.  SI units throughout.

Sources: the steady equations of the permanent-magnet direct-current machine in any electrical
machines textbook; conduction and switching loss as in power electronics textbooks (both from
memory).
"""

import math

from .constants import COPPER_COEFFICIENT


def phase_resistance(at_20: float, temperature: float) -> float:
    """Return the winding resistance in Ω at ``temperature`` °C; IEC 60028 for copper."""
    return at_20 * (1.0 + COPPER_COEFFICIENT * (temperature - 20.0))


def drag_torque(static: float, per_speed: float, speed: float) -> float:
    """Return the no-load torque in N·m at ``speed`` rad/s ≥ 0: iron and bearing loss.

    The constant part is hysteresis, the proportional part eddy currents; nothing at standstill.
    """
    return static + per_speed * speed if speed > 0.0 else 0.0


def switching_voltage(voltage: float, transition_time: float, frequency: float) -> float:
    """Return the switching loss per ampere in W/A: ½·V·t·f for each ampere switched."""
    return 0.5 * voltage * transition_time * frequency


def input_power(
    current: float, emf: float, resistance: float, switching: float, standby: float
) -> float:
    """Return the power in W that the controller takes from the pack.

    P = R·I² + E·I + s·|I| + P₀ with ``resistance`` of winding and power stage together,
    ``emf`` the back-EMF and ``switching`` the loss per ampere of :func:`switching_voltage`.
    """
    return (resistance * current + emf) * current + switching * abs(current) + standby


def current_at_power(
    power: float, emf: float, resistance: float, switching: float, standby: float
) -> float:
    """Return the driving motor current (A ≥ 0) at which :func:`input_power` is ``power``."""
    slope = emf + switching
    root = slope * slope + 4.0 * resistance * (power - standby)
    return max(0.0, (math.sqrt(max(root, 0.0)) - slope) / (2.0 * resistance))


def braking_current_at_power(
    power: float, emf: float, resistance: float, switching: float, standby: float
) -> float:
    """Return the gentlest braking current (A ≤ 0) at which :func:`input_power` is ``power`` ≤ 0.

    Of the two roots the one nearer zero: beyond the peak of returned power, braking harder gives
    back less.  ``power`` must be reachable.
    """
    slope = emf - switching
    root = slope * slope + 4.0 * resistance * (power - standby)
    return min(0.0, (math.sqrt(max(root, 0.0)) - slope) / (2.0 * resistance))
