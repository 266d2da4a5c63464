"""One motor with its controller and wheel at work: current, heat and force, step by step."""

import math

from . import heat, limits, motor
from .parameters import DriveModel


class DriveState:
    """State of one drive.  Public fields hold the last step; the sums are W × steps."""

    def __init__(self, drive: DriveModel, air: float) -> None:
        self.drive = drive
        wheel, limit = drive.wheel, drive.controller.limits
        self.ratio = 2.0 * wheel.gear_ratio / wheel.diameter
        """Motor speed in rad/s for each m/s of road speed; also N at the road for each N·m."""
        self.duty_ceiling = limit.duty_ceiling
        self._slew = limit.request_slew
        self._efficiency = wheel.gear_efficiency
        self.winding_temperature = air
        self.case_temperature = air
        self.controller_temperature = air
        self.request = 0.0
        self.current = 0.0
        self.limit = limits.Decider.NONE
        self.speed = 0.0
        """Motor speed in rad/s."""
        self.emf = 0.0
        self.duty = 0.0
        self.power = 0.0
        """Taken from the pack, W."""
        self.battery_current = 0.0
        self.force = 0.0
        """At the road, N, positive forwards."""
        self.copper = 0.0
        self.iron = 0.0
        self.controller = 0.0
        self.gear = 0.0
        self._booked = (0.0, 0.0, 0.0)
        self.resistance = 0.0
        self.bounds = limits.ceilings(limit, air, air, math.inf, 0.0, False)
        self.warm_resistance()

    def warm_resistance(self) -> None:
        """Refresh the winding resistance from the winding temperature."""
        self.resistance = motor.phase_resistance(
            self.drive.motor.resistance, self.winding_temperature
        )

    def demand(self, throttle: float, motor_brake: float) -> float:
        """Return the motor current in A that the rider asks for; braking wins over driving."""
        limit = self.drive.controller.limits
        if motor_brake > 0.0:
            return -motor_brake * limit.full_brake_request
        return throttle * limit.full_request

    def slew(self, demand: float, step: float) -> None:
        """Move the request towards ``demand`` as fast as the controller follows."""
        most = self._slew * step
        self.request += min(max(demand - self.request, -most), most)

    def request_for_force(self, force: float, speed: float) -> float:
        """Return the motor current in A that makes ``force`` N at the road at ``speed`` m/s."""
        parts, turning = self.drive.motor, speed * self.ratio
        efficiency = self._efficiency
        torque = force / self.ratio * (efficiency if force < 0.0 else 1.0 / efficiency)
        drag = motor.drag_torque(parts.static_drag, parts.speed_drag, turning)
        return (torque + drag) / parts.torque_constant

    def push(self, speed: float, voltage: float) -> None:
        """Grant the request at ``speed`` m/s and pack ``voltage`` V and work out what follows."""
        parts, stage = self.drive.motor, self.drive.controller
        turning = speed * self.ratio
        constant, resistance = parts.torque_constant, self.resistance
        emf = constant * turning
        switching = motor.switching_voltage(
            voltage, stage.transition_time, stage.switching_frequency
        )
        circuit = limits.Circuit(
            emf, resistance, resistance + stage.resistance, switching, stage.standby, voltage
        )
        current, self.limit = limits.grant(self.request, circuit, self.bounds, self.duty_ceiling)
        drag = motor.drag_torque(parts.static_drag, parts.speed_drag, turning)
        torque = constant * current - drag
        efficiency = self._efficiency
        force = torque * self.ratio * (efficiency if torque > 0.0 else 1.0 / efficiency)
        copper = resistance * current * current
        stage_loss = stage.resistance * current * current + switching * abs(current) + stage.standby
        self.speed, self.emf, self.current, self.force = turning, emf, current, force
        self.power = emf * current + copper + stage_loss
        self.copper += copper
        self.iron += drag * turning
        self.controller += stage_loss
        self.gear += torque * turning - force * speed

    def measure(self, voltage: float) -> None:
        """Work out what needs the pack ``voltage`` (V) of this step: duty and battery current.

        The modulator cannot pass its ceiling, also when coasting faster than it could drive.
        """
        duty = (self.emf + self.resistance * self.current) / voltage
        self.duty = min(duty, self.duty_ceiling)
        self.battery_current = self.power / voltage

    def warm(self, air: float, speed: float, step: float, steps: int) -> None:
        """Move the temperatures on by ``step`` s at the mean losses of the last ``steps`` steps.

        With ``steps`` 0 nothing was lost: the board was without power.
        """
        sums = (self.copper, self.iron, self.controller)
        copper, iron, stage = (
            (now - before) / steps if steps else 0.0
            for now, before in zip(sums, self._booked, strict=True)
        )
        self._booked = sums
        parts, node = self.drive.motor, self.drive.controller.heat
        self.winding_temperature, self.case_temperature = heat.warm_two(
            self.winding_temperature,
            self.case_temperature,
            copper,
            iron,
            air,
            (parts.winding, parts.case),
            speed,
            step,
        )
        self.controller_temperature = heat.warm(
            self.controller_temperature,
            stage,
            air,
            node.capacity,
            heat.conductance(node, speed),
            step,
        )
        self.warm_resistance()

    def set_bounds(self, voltage_per_cell: float, highest_cell: float, drive_cut: bool) -> None:
        """Refresh the slowly moving bounds."""
        self.bounds = limits.ceilings(
            self.drive.controller.limits,
            self.winding_temperature,
            self.controller_temperature,
            voltage_per_cell,
            highest_cell,
            drive_cut,
        )

    def stop(self) -> None:
        """Fall still: the board lost its power."""
        self.request = self.current = self.power = self.duty = self.battery_current = 0.0
        self.limit = limits.Decider.NONE
