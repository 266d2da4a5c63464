"""The machine: drives, pack and vehicle coupled, moved on by one fixed step at a time.

Two ways to move it: :meth:`Machine.ride` takes throttle and brake and finds the speed;
:meth:`Machine.follow` takes the speed and finds the currents (inverse dynamics).

Motor currents answer at once (the winding's own time constant is a millisecond or so, below the
step), the speed is integrated with the trapezoid of old and new speed.  Temperatures, open-circuit
voltages, slope, bounds and faults move slowly and are refreshed by :meth:`Machine.settle`.
"""

import math
from dataclasses import replace

from .cells import CellPack
from .constants import air_density
from .drive_state import DriveState
from .faults import FaultChange, FaultNumber, FaultWatch
from .heat import conductance, warm
from .ledger import Ledger
from .parameters import BoardParameters, check_board
from .route import Route, cosine
from .vehicle import air_drag, friction_force, rolling_resistance, slope_force

VOLTAGE_FILTER = 0.5
"""s: the controllers derate on smoothed voltages, or derating and sag would chase each other."""


class Machine:
    """State of the whole machine.  ``step`` and ``slow_step`` in s."""

    def __init__(
        self,
        board: BoardParameters,
        route: Route,
        air: float,
        seed: int,
        step: float = 0.005,
        slow_step: float = 0.05,
    ) -> None:
        check_board(board)
        self.board = board
        self.route = route
        self.air = air
        self.seed = seed
        self.step = step
        self.slow_step = slow_step
        self.drives = [DriveState(drive, air) for drive in board.drives]
        self.pack = CellPack(board.pack, seed, step)
        self.pack_temperature = air
        self.faults = FaultWatch(slow_step)
        self.speed = 0.0
        self.distance = 0.0
        self.throttle = 0.0
        self.brake = 0.0
        self.inertia = board.vehicle.mass * board.vehicle.inertia_factor
        self._density = air_density(air)
        self._rise = 0.0
        self._cosine = 1.0
        self._sums = Ledger()
        """Sums in W × steps of what the drives do not sum themselves."""
        self._pack_heat_booked = 0.0
        self._old_pairs = 0.0
        self._steps = 0
        self._smooth_mean = self.pack.voltage / board.pack.series
        self._smooth_highest = max(self.pack.resting)
        self._refresh()

    # ---------------------------------------------------------------- slow quantities

    def settle(self) -> list[FaultChange]:
        """Refresh everything slow; call every ``slow_step`` s.  Returns the faults that changed."""
        pack, parts = self.pack, self.board.pack
        pack.settle()
        for drive in self.drives:
            drive.warm(self.air, self.speed, self.slow_step, self._steps)
        lost = self._sums.pack_ohmic + self._sums.pack_relaxation
        heating = (lost - self._pack_heat_booked) / self._steps if self._steps else 0.0
        self._pack_heat_booked = lost
        self._steps = 0
        self.pack_temperature = warm(
            self.pack_temperature,
            heating,
            self.air,
            parts.heat.capacity,
            conductance(parts.heat, self.speed),
            self.slow_step,
        )
        voltages = pack.cell_voltages()
        changes = self.faults.watch_cells(voltages, parts.stop_voltage)
        for index, drive in enumerate(self.drives, 1):
            limit = drive.drive.controller.limits
            changes += self.faults.watch_heat(
                FaultNumber.MOTOR_HOT, index, drive.winding_temperature, limit.motor_stop
            )
            changes += self.faults.watch_heat(
                FaultNumber.CONTROLLER_HOT,
                index,
                drive.controller_temperature,
                limit.controller_stop,
            )
        share = 1.0 - math.exp(-self.slow_step / VOLTAGE_FILTER)
        self._smooth_mean += share * (pack.voltage / parts.series - self._smooth_mean)
        self._smooth_highest += share * (max(voltages) - self._smooth_highest)
        self._refresh()
        return changes

    def _refresh(self) -> None:
        self._rise = self.route.rise(self.distance)
        self._cosine = cosine(self._rise)
        for drive in self.drives:
            drive.set_bounds(self._smooth_mean, self._smooth_highest, self.faults.drive_cut)

    def rest(self, seconds: float) -> None:
        """Stand without power for ``seconds``: only cooling goes on."""
        for drive in self.drives:
            drive.stop()
            drive.warm(self.air, 0.0, seconds, 0)
        heat = self.board.pack.heat
        self.pack_temperature = warm(
            self.pack_temperature, 0.0, self.air, heat.capacity, heat.conductance, seconds
        )
        self._steps = 0

    def swap_pack(self, charge: float, weak: bool) -> None:
        """Put in another pack at state of ``charge``; without a weak group unless ``weak``."""
        self._old_pairs += self.pack.stored_in_pairs()
        old = self.board.pack
        pack = replace(old, initial_charge=charge, weak_cell=old.weak_cell if weak else None)
        self.board = replace(self.board, pack=pack)
        self.seed += 1  # another pack has its own spread between groups
        self.pack = CellPack(pack, self.seed, self.step)
        self.pack_temperature = self.air
        self.faults = FaultWatch(self.slow_step)
        self._smooth_mean = self.pack.voltage / pack.series
        self._smooth_highest = max(self.pack.resting)
        self._refresh()

    def return_to_start(self) -> None:
        """Stand at the start of the route again; the ledger keeps what was climbed before."""
        self.distance = 0.0

    def launch(self, speed: float) -> None:
        """Move at ``speed`` m/s from now on; the tow rope gives the energy or takes it."""
        gained = 0.5 * self.inertia * (speed * speed - self.speed * self.speed)
        self._sums.towed += gained / self.step
        self.speed = speed

    # ---------------------------------------------------------------- steps

    def ride(self, throttle: float, brake: float) -> None:
        """Move on one step with the rider's hands at ``throttle`` and ``brake`` (0 to 1)."""
        step, speed, parts = self.step, self.speed, self.board.vehicle
        self.throttle, self.brake = throttle, brake
        motor_brake = min(brake / parts.motor_brake_travel, 1.0)
        voltage = self.pack.voltage
        force = 0.0
        for drive in self.drives:
            drive.slew(drive.demand(throttle, motor_brake), step)
            drive.push(speed, voltage)
            force += drive.force
        friction = friction_force(parts.friction_brake, parts.friction_onset, brake)
        rolling = rolling_resistance(parts.mass, parts.rolling_coefficient, self._cosine)
        air = air_drag(self._density, parts.drag_area, speed)
        slope = slope_force(parts.mass, self._rise)
        net = force - slope - air
        if speed > 0.0 or net > rolling + friction:
            after = speed + (net - rolling - friction) / self.inertia * step
            if after < 0.0:
                # It stops inside this step.  What holds it is the friction that acts, not the
                # friction that could; a holding brake also keeps it from rolling back.
                after = 0.0
                friction = net - rolling + self.inertia * speed / step
        else:
            after = friction = 0.0  # held still: friction takes no power
        self._move(after, rolling, air, slope, friction, 0.0)

    def follow(self, after: float) -> None:
        """Move on one step to the imposed speed ``after`` (m/s ≥ 0).

        The motors are asked for exactly the force this takes.  What their limits refuse, the
        friction brake supplies when slowing and an imaginary tow rope when driving, so the speed
        is met, every limit holds, and the ledger still balances.
        """
        step, speed, parts = self.step, self.speed, self.board.vehicle
        middle = 0.5 * (speed + after)
        moving = middle > 0.0
        rolling = rolling_resistance(parts.mass, parts.rolling_coefficient, self._cosine)
        air = air_drag(self._density, parts.drag_area, middle)
        slope = slope_force(parts.mass, self._rise)
        needed = self.inertia * (after - speed) / step + rolling + air + slope if moving else 0.0
        voltage = self.pack.voltage
        force = 0.0
        for drive in self.drives:
            share = needed / len(self.drives)
            drive.request = drive.request_for_force(share, middle) if moving else 0.0
            drive.push(middle, voltage)
            force += drive.force
        short = needed - force if moving else 0.0
        friction = max(0.0, -short)
        self._show_hands(friction, moving)
        self._move(after, rolling, air, slope, friction, max(0.0, short))

    def _show_hands(self, friction: float, moving: bool) -> None:
        """Set throttle and brake to what a rider would have had to do."""
        parts = self.board.vehicle
        first = self.drives[0]
        limit = first.drive.controller.limits
        self.throttle = min(max(first.request / limit.full_request, 0.0), 1.0)
        self.brake = 0.0
        if first.request < 0.0 and moving:
            share = min(-first.request / limit.full_brake_request, 1.0)
            self.brake = parts.motor_brake_travel * share
        if friction > 0.0:
            onset = parts.friction_onset
            bite = onset + (1.0 - onset) * min(friction / parts.friction_brake, 1.0)
            self.brake = max(self.brake, bite)
            self.throttle = 0.0

    def _move(
        self, after: float, rolling: float, air: float, slope: float, friction: float, tow: float
    ) -> None:
        """Draw from the pack, move to speed ``after`` and book the energy."""
        pack, sums = self.pack, self._sums
        auxiliary = self.board.vehicle.auxiliary_power
        power = auxiliary
        for drive in self.drives:
            power += drive.power
        emf, filtered = pack.emf, pack.filtered
        current = pack.draw(power)
        voltage = pack.voltage
        for drive in self.drives:
            drive.measure(voltage)
        middle = 0.5 * (self.speed + after)
        self.speed = after
        self.distance += middle * self.step
        self._steps += 1
        sums.chemical += emf * current
        sums.battery += power
        sums.pack_ohmic += pack.total_ohmic * current * current
        sums.pack_relaxation += pack.total_relaxation * filtered * filtered
        sums.auxiliary += auxiliary
        sums.rolling += rolling * middle
        sums.air += air * middle
        sums.potential += slope * middle
        sums.friction_brake += friction * middle
        sums.towed += tow * middle

    # ---------------------------------------------------------------- what it knows

    def ledger(self) -> Ledger:
        """Return where the energy went so far."""
        step, sums = self.step, self._sums
        return Ledger(
            chemical=step * sums.chemical,
            pack_ohmic=step * sums.pack_ohmic,
            pack_relaxation=step * sums.pack_relaxation,
            pack_pairs=self._old_pairs + self.pack.stored_in_pairs(),
            battery=step * sums.battery,
            auxiliary=step * sums.auxiliary,
            controller=step * math.fsum(drive.controller for drive in self.drives),
            copper=step * math.fsum(drive.copper for drive in self.drives),
            iron=step * math.fsum(drive.iron for drive in self.drives),
            gear=step * math.fsum(drive.gear for drive in self.drives),
            rolling=step * sums.rolling,
            air=step * sums.air,
            friction_brake=step * sums.friction_brake,
            kinetic=0.5 * self.inertia * self.speed * self.speed,
            potential=step * sums.potential,
            towed=step * sums.towed,
        )
