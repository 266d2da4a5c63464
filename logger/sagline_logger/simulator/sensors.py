"""Sensors and streams: which quantity is read, how noisily, how coarsely and how often."""

import random
from collections.abc import Callable
from dataclasses import dataclass, replace

from ..format import Channel, SaglineError, SampleType, vocabulary
from .course import ALTITUDE, place
from .machine import Machine
from .parameters import BoardParameters

RADIANS_PER_SECOND_TO_RPM = 60.0 / (2.0 * 3.141592653589793)


@dataclass(frozen=True, slots=True)
class Sensor:
    """A channel as the board measures it.

    ``noise`` is a standard deviation and ``error`` a constant offset, both in the channel's unit.
    """

    channel: Channel
    noise: float = 0.0
    error: float = 0.0


@dataclass(frozen=True, slots=True)
class SensorStream:
    """A stream: number, name, ``period`` in µs, samples in one frame, and its sensors."""

    stream: int
    name: str
    period: int
    samples_per_frame: int
    sensors: tuple[Sensor, ...]


_Spec = tuple[SampleType, int, int, int, float, int | None]

# type, multiplier, offset, exponent, noise, missing code; all invented, in sizes that small
# boards' converters have.
_SPECS: dict[str, _Spec] = {
    "pack_voltage": (SampleType.U16, 1, 0, -2, 0.02, None),
    "battery_current": (SampleType.I16, 1, 0, -2, 0.08, None),
    "controller_battery_current": (SampleType.I16, 1, 0, -2, 0.08, None),
    "motor_current": (SampleType.I16, 5, 0, -2, 0.20, None),
    "duty_cycle": (SampleType.I16, 1, 0, -3, 0.0006, None),
    "motor_temperature": (SampleType.U8, 1, -40, 0, 0.3, None),
    "controller_temperature": (SampleType.U8, 1, -40, 0, 0.3, None),
    "battery_temperature": (SampleType.I16, 1, 0, -1, 0.1, -32768),
    "ambient_temperature": (SampleType.I16, 1, 0, -1, 0.1, -32768),
    "cell_voltage": (SampleType.U16, 1, 0, -3, 0.0012, None),
    "speed": (SampleType.U16, 1, 0, -3, 0.01, None),
    "motor_speed": (SampleType.I16, 1, 0, 0, 1.5, None),
    "motor_electrical_speed": (SampleType.I32, 1, 0, 0, 8.0, None),
    "throttle": (SampleType.U8, 5, 0, -3, 0.0, None),
    "brake": (SampleType.U8, 5, 0, -3, 0.0, None),
    "battery_current_limit": (SampleType.F32, 1, 0, 0, 0.0, None),
    "motor_current_limit": (SampleType.F32, 1, 0, 0, 0.0, None),
    "state_of_charge": (SampleType.U8, 5, 0, -3, 0.0, 255),
    "latitude": (SampleType.I32, 1, 0, -7, 4e-6, -(2**31)),
    "longitude": (SampleType.I32, 1, 0, -7, 4e-6, -(2**31)),
    "altitude": (SampleType.I16, 1, 0, -1, 0.4, -32768),
}


def sensor(name: str, index: int = 0) -> Sensor:
    """Return this board's sensor for a standard channel."""
    kind, multiplier, offset, exponent, noise, missing = _SPECS[name]
    unit = vocabulary()[name].unit
    return Sensor(
        Channel(
            name, unit, kind, multiplier, offset, exponent, index, _label(name, index), missing
        ),
        noise,
    )


def _label(name: str, index: int) -> str:
    if vocabulary()[name].index != "motor" or not index:
        return ""
    return {1: "left", 2: "right"}.get(index, "")


def standard_streams(
    board: BoardParameters,
    fast_period: int = 10_000,
    cells_period: int = 200_000,
    temperatures_period: int = 500_000,
    fast_samples_per_frame: int = 10,
) -> tuple[SensorStream, ...]:
    """Return the three streams of an ordinary board: fast, cells and temperatures; µs."""
    motors = range(1, len(board.drives) + 1)
    fast = (
        sensor("pack_voltage"),
        sensor("battery_current"),
        *(sensor("motor_current", motor) for motor in motors),
        *(sensor("duty_cycle", motor) for motor in motors),
        *(sensor("motor_speed", motor) for motor in motors),
        sensor("speed"),
        sensor("throttle"),
        sensor("brake"),
    )
    cells = tuple(sensor("cell_voltage", cell) for cell in range(1, board.pack.series + 1))
    temperatures = (
        *(sensor("motor_temperature", motor) for motor in motors),
        *(sensor("controller_temperature", motor) for motor in motors),
        sensor("ambient_temperature"),
        sensor("battery_temperature", 1),
    )
    return (
        SensorStream(1, "fast", fast_period, fast_samples_per_frame, fast),
        SensorStream(2, "cells", cells_period, 1, cells),
        SensorStream(3, "temperatures", temperatures_period, 1, temperatures),
    )


COURSE = ("latitude", "longitude", "altitude", "state_of_charge")
"""What a receiver of satellites and a battery monitor add, once a second."""


def course_stream(number: int = 4, period: int = 1_000_000) -> SensorStream:
    """Return the stream of where the vehicle is and of the charge that the board reports."""
    return SensorStream(number, "course", period, 1, tuple(sensor(name) for name in COURSE))


def wide_streams(
    board: BoardParameters, period: int = 10_000, samples_per_frame: int = 10
) -> tuple[SensorStream, ...]:
    """Return one stream with every channel this board has: 40 for two motors and 13 cells.

    Where it is and what it reports of its charge are a receiver's and a monitor's, not the board's.
    """
    motors = range(1, len(board.drives) + 1)
    indices = {
        "motor": motors,
        "cell": range(1, board.pack.series + 1),
        "sensor": range(1, 4),
        "none": (0,),
    }
    terms = vocabulary()
    sensors = tuple(
        sensor(name, index)
        for name in _SPECS
        if name not in COURSE
        for index in indices[terms[name].index]
    )
    return (SensorStream(1, "all", period, samples_per_frame, sensors),)


def without_noise(plans: tuple[SensorStream, ...], name: str) -> tuple[SensorStream, ...]:
    """Return the plans with the sensors called ``name`` made perfect but for their quantum."""
    return tuple(
        replace(
            plan,
            sensors=tuple(
                replace(one, noise=0.0, error=0.0) if one.channel.name == name else one
                for one in plan.sensors
            ),
        )
        for plan in plans
    )


def reading(machine: Machine, name: str, index: int) -> Callable[[], float]:
    """Return a function that reads a quantity of ``machine``, in the vocabulary's unit.

    Raises:
        SaglineError: this machine has no such quantity.
    """
    whole = _WHOLE.get(name)
    if whole is not None:
        return lambda: whole(machine)
    motor = _MOTOR.get(name)
    if motor is not None and 1 <= index <= len(machine.drives):
        return lambda: motor(machine, index - 1)
    if name == "cell_voltage" and 1 <= index <= machine.board.pack.series:
        return lambda: machine.pack.cell_voltage(index)
    raise SaglineError(f"this board cannot measure {name} {index or ''}".rstrip())


_WHOLE: dict[str, Callable[[Machine], float]] = {
    "pack_voltage": lambda machine: machine.pack.voltage,
    "battery_current": lambda machine: machine.pack.current,
    "speed": lambda machine: machine.speed,
    "throttle": lambda machine: machine.throttle,
    "brake": lambda machine: machine.brake,
    "ambient_temperature": lambda machine: machine.air,
    "battery_temperature": lambda machine: machine.pack_temperature,
    "state_of_charge": lambda machine: machine.pack.mean_charge(),
    "latitude": lambda machine: place(machine.distance)[0],
    "longitude": lambda machine: place(machine.distance)[1],
    "altitude": lambda machine: ALTITUDE + machine.route.height(machine.distance),
}

_MOTOR: dict[str, Callable[[Machine, int], float]] = {
    "controller_battery_current": lambda machine, at: machine.drives[at].battery_current,
    "motor_current": lambda machine, at: machine.drives[at].current,
    "duty_cycle": lambda machine, at: machine.drives[at].duty,
    "motor_speed": lambda machine, at: machine.drives[at].speed * RADIANS_PER_SECOND_TO_RPM,
    "motor_electrical_speed": lambda machine, at: (
        machine.drives[at].speed
        * RADIANS_PER_SECOND_TO_RPM
        * machine.drives[at].drive.motor.pole_pairs
    ),
    "motor_temperature": lambda machine, at: machine.drives[at].winding_temperature,
    "controller_temperature": lambda machine, at: machine.drives[at].controller_temperature,
    "battery_current_limit": lambda machine, at: machine.drives[at].bounds.battery.current,
    "motor_current_limit": lambda machine, at: machine.drives[at].bounds.drive.current,
}


class Sampler:
    """Takes samples of one stream as raw numbers."""

    def __init__(self, plan: SensorStream, machine: Machine, chance: random.Random) -> None:
        self.plan = plan
        self._columns = [
            (one, reading(machine, one.channel.name, one.channel.index), one.channel.raw)
            for one in plan.sensors
        ]
        self._gauss = chance.gauss
        self.loose: set[tuple[str, int]] = set()
        """Sensors without contact now, as (name, index)."""

    def sample(self) -> tuple[int | float, ...]:
        """Return one sample, raw, in channel order."""
        gauss = self._gauss
        row = []
        for one, read, raw in self._columns:
            value = read() + one.error
            if one.noise:
                value += one.noise * gauss(0.0, 1.0)
            row.append(raw(value))
        if self.loose:
            for at, one in enumerate(self.plan.sensors):
                channel = one.channel
                if (channel.name, channel.index) in self.loose and channel.missing is not None:
                    row[at] = channel.missing
        return tuple(row)
