"""What a simulated board is: every number that makes one machine differ from another."""

from dataclasses import dataclass

from ..format import SaglineError


@dataclass(frozen=True, slots=True)
class HeatNode:
    """A lump with one temperature.

    ``capacity`` in J/K; ``conductance`` to its surroundings in W/K, of which the air stream adds
    ``conductance_per_speed`` in W/K for each m/s.
    """

    capacity: float
    conductance: float
    conductance_per_speed: float = 0.0


@dataclass(frozen=True, slots=True)
class Ramp:
    """A derating: full up to ``start``, nothing from ``stop`` on, straight between.

    ``start`` < ``stop`` for what derates when it rises (temperature), ``start`` > ``stop`` for
    what derates when it falls (voltage).
    """

    start: float
    stop: float

    def factor(self, value: float) -> float:
        """Return the share, 0 to 1, that is left at ``value``."""
        share = (self.stop - value) / (self.stop - self.start)
        return 0.0 if share < 0.0 else min(share, 1.0)


@dataclass(frozen=True, slots=True)
class MotorModel:
    """A motor as its direct-current equivalent.

    ``torque_constant`` in N·m/A of torque-producing current, which in SI units is also the
    back-EMF constant in V·s/rad; ``resistance`` in Ω at 20 °C; drag torque without load
    ``static_drag`` (N·m) + ``speed_drag`` (N·m·s/rad) × speed stands for iron and bearing loss.
    Heat flows from ``winding`` to ``case`` to the air.
    """

    torque_constant: float
    resistance: float
    static_drag: float
    speed_drag: float
    pole_pairs: int
    winding: HeatNode
    case: HeatNode


@dataclass(frozen=True, slots=True)
class Wheel:
    """Driven wheel: ``diameter`` in m, motor turns per wheel turn, gear efficiency 0 to 1."""

    diameter: float
    gear_ratio: float
    gear_efficiency: float


@dataclass(frozen=True, slots=True)
class Limits:
    """What a controller allows.  Currents in A, all positive; temperatures in °C.

    ``full_request`` is the motor current asked for at full throttle and ``full_brake_request`` at
    full motor braking; a request above ``motor_current`` or ``brake_current`` is cut to it.
    ``battery_current`` and ``charge_current`` bound this controller's share of the pack.
    ``low_voltage`` derates the drive by pack voltage per cell, ``high_voltage`` derates charging
    by the highest cell, in V.  ``request_slew`` in A/s is how fast a request is followed.
    """

    motor_current: float
    brake_current: float
    battery_current: float
    charge_current: float
    full_request: float
    full_brake_request: float
    duty_ceiling: float
    motor_temperature: Ramp
    controller_temperature: Ramp
    low_voltage: Ramp
    high_voltage: Ramp
    motor_stop: float
    controller_stop: float
    request_slew: float


@dataclass(frozen=True, slots=True)
class ControllerModel:
    """Power stage: ``resistance`` in Ω in the current path, ``transition_time`` in s (switching on
    plus off), ``switching_frequency`` in Hz, ``standby`` in W, ``heat`` to the air."""

    resistance: float
    transition_time: float
    switching_frequency: float
    standby: float
    heat: HeatNode
    limits: Limits


@dataclass(frozen=True, slots=True)
class DriveModel:
    """One motor with its wheel and controller."""

    motor: MotorModel
    wheel: Wheel
    controller: ControllerModel


@dataclass(frozen=True, slots=True)
class Pack:
    """``series`` cell groups; capacity in A·h, resistances in Ω of one group, time in s.

    ``relaxation_resistance`` with ``relaxation_time`` is the one RC pair of each group.
    ``spread`` is the standard deviation of capacity and resistance between groups, as a ratio.
    The group ``weak_cell`` (1 is at the negative end, None for none) has its capacity and its
    resistances multiplied by the weak factors.  ``initial_charge`` (0 to 1) is the state of charge
    of a nominal group; all groups were full together when the pack was last charged.
    ``stop_voltage`` in V: a group below it cuts the drive.
    """

    series: int
    capacity: float
    ohmic_resistance: float
    relaxation_resistance: float
    relaxation_time: float
    spread: float
    weak_cell: int | None
    weak_capacity: float
    weak_resistance: float
    initial_charge: float
    stop_voltage: float
    heat: HeatNode


@dataclass(frozen=True, slots=True)
class VehicleModel:
    """Masses and resistances.

    ``mass`` in kg with rider and load; ``inertia_factor`` multiplies it for the turning parts;
    ``rolling_coefficient`` without unit; ``drag_area`` (cd·A) in m²; ``friction_brake`` in N at
    full lever, which begins to bite at ``friction_onset`` of the lever's travel and leaves the
    motors to reach full braking at ``motor_brake_travel``; ``auxiliary_power`` in W is what lamps
    and electronics take from the pack.
    """

    mass: float
    inertia_factor: float
    rolling_coefficient: float
    drag_area: float
    friction_brake: float
    friction_onset: float
    motor_brake_travel: float
    auxiliary_power: float


@dataclass(frozen=True, slots=True)
class BoardParameters:
    """A whole machine; ``drives`` holds one motor or two, motor 1 (left) first."""

    name: str
    firmware: str
    vehicle: VehicleModel
    drives: tuple[DriveModel, ...]
    pack: Pack


def check_board(board: BoardParameters) -> None:
    """Check that a board can exist before anything is computed from it.

    Raises:
        SaglineError: a number is outside what the model can compute.
    """
    pack = board.pack
    total = sum(drive.controller.limits.battery_current for drive in board.drives)
    weak = pack.weak_resistance - 1.0 if pack.weak_cell is not None else 0.0
    resistance = pack.ohmic_resistance * (pack.series + weak)
    rules = (
        (bool(board.drives), "it has no motor"),
        (board.vehicle.mass > 0.0, "its mass is not positive"),
        (pack.series >= 1 and pack.capacity > 0.0, "its pack has no cells or no capacity"),
        (
            pack.weak_cell is None or 1 <= pack.weak_cell <= pack.series,
            "the weak cell is not there",
        ),
        # Past half the short-circuit current more current brings less power (maximum power
        # transfer); no limit could hold there.  2.5 V is a nearly empty cell.
        (
            total * resistance < 0.4 * 2.5 * pack.series,
            "its battery limits would collapse the pack",
        ),
    )
    for holds, problem in rules:
        if not holds:
            raise SaglineError(
                f"this board cannot run: {problem}", where=board.name, remedy="change its numbers"
            )
