"""Current limits: what a controller grants of a request, and which limit decided."""

from enum import StrEnum
from typing import NamedTuple

from .motor import braking_current_at_power, current_at_power, input_power
from .parameters import Limits


class Decider(StrEnum):
    """What decided a motor's current."""

    NONE = "none"
    """The request was granted in full."""
    MOTOR_CURRENT = "motor_current"
    BRAKE_CURRENT = "brake_current"
    BATTERY_CURRENT = "battery_current"
    CHARGE_CURRENT = "charge_current"
    DUTY_CEILING = "duty_ceiling"
    STANDSTILL = "standstill"
    """Braking faded out because back-EMF drives no more current at this speed."""
    MOTOR_TEMPERATURE = "motor_temperature"
    CONTROLLER_TEMPERATURE = "controller_temperature"
    LOW_VOLTAGE = "low_voltage"
    HIGH_VOLTAGE = "high_voltage"
    FAULT = "fault"


class Ceiling(NamedTuple):
    """A bound in A and the name to give when it decides."""

    current: float
    name: Decider


class Ceilings(NamedTuple):
    """The slowly moving bounds of one controller: motor driving and braking, pack out and in."""

    drive: Ceiling
    brake: Ceiling
    battery: Ceiling
    charge: Ceiling


class Circuit(NamedTuple):
    """A motor circuit at one moment: V, Ω, W/A, W."""

    emf: float
    winding: float
    """Winding resistance."""
    path: float
    """Winding and power stage resistance."""
    switching: float
    standby: float
    voltage: float
    """Pack voltage."""


def ceilings(
    limits: Limits,
    motor_temperature: float,
    controller_temperature: float,
    pack_voltage_per_cell: float,
    highest_cell: float,
    drive_cut: bool,
) -> Ceilings:
    """Return the bounds in force at these temperatures (°C) and voltages (V)."""
    motor = limits.motor_temperature.factor(motor_temperature)
    stage = limits.controller_temperature.factor(controller_temperature)
    heat = min(motor, stage)
    if heat >= 1.0:
        drive_name, brake_name = Decider.MOTOR_CURRENT, Decider.BRAKE_CURRENT
    else:
        drive_name = brake_name = (
            Decider.MOTOR_TEMPERATURE if motor <= stage else Decider.CONTROLLER_TEMPERATURE
        )
    low = limits.low_voltage.factor(pack_voltage_per_cell)
    high = limits.high_voltage.factor(highest_cell)
    drive = Ceiling(heat * limits.motor_current, drive_name)
    return Ceilings(
        Ceiling(0.0, Decider.FAULT) if drive_cut else drive,
        Ceiling(heat * limits.brake_current, brake_name),
        Ceiling(
            low * limits.battery_current,
            Decider.BATTERY_CURRENT if low >= 1.0 else Decider.LOW_VOLTAGE,
        ),
        Ceiling(
            high * limits.charge_current,
            Decider.CHARGE_CURRENT if high >= 1.0 else Decider.HIGH_VOLTAGE,
        ),
    )


def grant(
    request: float, circuit: Circuit, bounds: Ceilings, duty_ceiling: float
) -> tuple[float, Decider]:
    """Return the motor current in A granted for ``request`` and the limit that decided.

    Every bound is tried in turn on what the ones before left, so the last that cut is the tightest.
    """
    if request > 0.0:
        return _grant_drive(request, circuit, bounds, duty_ceiling)
    if request < 0.0:
        return _grant_brake(request, circuit, bounds)
    return 0.0, Decider.NONE


def _grant_drive(
    request: float, circuit: Circuit, bounds: Ceilings, duty_ceiling: float
) -> tuple[float, Decider]:
    emf, winding, path, switching, standby, voltage = circuit
    current, name = request, Decider.NONE
    if current > bounds.drive.current:
        current, name = bounds.drive
    power = voltage * bounds.battery.current
    if input_power(current, emf, path, switching, standby) > power:
        current = current_at_power(power, emf, path, switching, standby)
        name = bounds.battery.name
    # Duty is (back-EMF + I·R)/V; past the ceiling there is no voltage left to push more current.
    highest = (duty_ceiling * voltage - emf) / winding
    if current > highest:
        current, name = max(highest, 0.0), Decider.DUTY_CEILING
    return current, name


def _grant_brake(request: float, circuit: Circuit, bounds: Ceilings) -> tuple[float, Decider]:
    emf, winding, path, switching, standby, voltage = circuit
    current, name = request, Decider.NONE
    if current < -bounds.brake.current:
        current, name = -bounds.brake.current, bounds.brake.name
    # At zero duty the motor is shorted: back-EMF drives no more than this without plugging.
    if current < -emf / winding:
        current, name = (-emf / winding if emf > 0.0 else 0.0), Decider.STANDSTILL
    power = -voltage * bounds.charge.current
    if input_power(current, emf, path, switching, standby) < power:
        current = braking_current_at_power(power, emf, path, switching, standby)
        name = bounds.charge.name
    return current, name
