"""Rides of the simulated board as the analyser reads them, each with the simulator's truth."""

import math
import random
import tempfile
from dataclasses import dataclass, replace
from functools import cache
from pathlib import Path

import numpy as np

from sagline_analyser.load import load_ride
from sagline_analyser.load.ride import Ride
from sagline_logger.format import BoardFile, Record, read_board_file
from sagline_logger.simulator import (
    BoardParameters,
    Decider,
    Leg,
    LimitChange,
    Route,
    Scenario,
    SensorStream,
    Simulation,
    random_board,
    sensor,
    standard_streams,
)
from sagline_logger.simulator.parameters import HeatNode, Ramp
from support.logs import log_bytes
from support.logs import time as time_record

STEP = 10_000
"""µs of integration; the rider's hands move as often, so nothing coarser is possible."""
FAST = 20_000
"""µs between fast samples."""


@dataclass(frozen=True)
class SimulatedRide:
    """A ride, the board file that goes with it, and what the simulator knows."""

    ride: Ride
    board_file: BoardFile
    board: BoardParameters
    changes: tuple[LimitChange, ...]
    warmth: tuple[tuple[float, float, float], ...]
    """For each motor at the end: winding, case and controller temperature, °C."""

    def limit_at(self, motor: int, times: np.ndarray) -> list[Decider]:
        """Return what decided the current of ``motor`` (from 1) at ``times`` s."""
        changes = [c for c in self.changes if c.motor == motor]
        at_times = np.array([c.time / 1e6 for c in changes])
        found = np.searchsorted(at_times, times + 1e-6, "right") - 1
        return [changes[max(i, 0)].limit for i in found]


def equal_drives(board: BoardParameters) -> BoardParameters:
    """Return ``board`` with the limits of its first controller in all of them."""
    limits = board.drives[0].controller.limits
    drives = tuple(
        replace(d, controller=replace(d.controller, limits=limits)) for d in board.drives
    )
    return replace(board, drives=drives)


def touchy(board: BoardParameters, seed: int) -> BoardParameters:
    """Return ``board`` with other heat capacities and conductances, and with deratings that begin,
    by chance, as early as cautious builders set them."""
    chance = random.Random(f"touchy {seed}")
    motor, stage, low = chance.uniform(45, 80), chance.uniform(30, 75), chance.uniform(3.25, 3.5)
    ramps = {
        "motor_temperature": Ramp(motor, motor + chance.uniform(20, 35)),
        "controller_temperature": Ramp(stage, stage + chance.uniform(12, 25)),
        "low_voltage": Ramp(low, low - chance.uniform(0.25, 0.4)),
    }

    def other(node: HeatNode) -> HeatNode:
        """Return a lump of another size, so that no estimator can live off one motor's figures."""
        sizes = [chance.uniform(-0.6, 0.6) for _ in range(3)]
        return HeatNode(
            node.capacity * math.exp(sizes[0]),
            node.conductance * math.exp(sizes[1]),
            node.conductance_per_speed * math.exp(sizes[2]),
        )

    drives = tuple(
        replace(
            d,
            motor=replace(d.motor, winding=other(d.motor.winding), case=other(d.motor.case)),
            controller=replace(
                d.controller,
                heat=other(d.controller.heat),
                limits=replace(d.controller.limits, **ramps),
            ),
        )
        for d in board.drives
    )
    return replace(board, drives=drives)


def board_text(board: BoardParameters, settings: bool) -> str:
    """Return the board file a builder would write; ``settings`` includes the controllers' own."""
    limits = board.drives[0].controller.limits
    pack, count = board.pack, len(board.drives)
    lines = [
        f'name = "{board.name}"',
        "[battery]",
        "[[battery.units]]",
        'name = "box"',
        f"series = {pack.series}",
        "parallel = 5",
        "[[motors]]",
        f"count = {count}",
        f"temperature_limit = {limits.motor_temperature.stop:g}",
        'temperature_sensor = "winding"',
        f"rated_current = {0.8 * limits.motor_current:.1f}",
        "[[controllers]]",
        f"count = {count}",
        f"temperature_limit = {limits.controller_temperature.stop:g}",
    ]
    if settings:
        lines += [
            "[settings]",
            f"motor_current_limit = {limits.motor_current!r}",
            f"battery_current_limit = {limits.battery_current!r}",
            f"duty_limit = {limits.duty_ceiling!r}",
            f"voltage_cutback_start = {limits.low_voltage.start * pack.series!r}",
            f"voltage_cutback_end = {limits.low_voltage.stop * pack.series!r}",
        ]
    return "\n".join(lines)


def with_limits_in_force(
    streams: tuple[SensorStream, ...], motors: int
) -> tuple[SensorStream, ...]:
    """Add the channels of the limits in force to the first stream."""
    more = tuple(
        sensor(name, motor)
        for name in ("motor_current_limit", "battery_current_limit")
        for motor in range(1, motors + 1)
    )
    return (replace(streams[0], sensors=streams[0].sensors + more), *streams[1:])


def hard_ride(seed: int) -> Scenario:
    """Return about four minutes of launches, flat-out stretches and steep hills, by chance."""
    chance = random.Random(f"hard ride {seed}")
    rise = chance.uniform(0.06, 0.18)
    flat = chance.uniform(120.0, 260.0)
    hill = chance.uniform(200.0, 500.0)
    route = Route(
        ((0.0, 0.0), (flat, 0.0), (flat + 20.0, rise), (flat + hill, rise), (flat + hill + 20, 0.0))
    )
    legs = [
        Leg("stand", 0.0, seconds=3.0),
        Leg("launch", chance.uniform(6.0, 12.0), until_distance=flat / 2),
        Leg("stop", 0.0, brake=0.8, until_stopped=True),
        Leg("gentle launch", 5.0, throttle=chance.uniform(0.4, 0.7), until_distance=flat),
        Leg("climb", chance.uniform(5.0, 9.0), until_distance=flat + hill, seconds=120.0),
        Leg("stop", 0.0, brake=0.6, until_stopped=True),
        Leg("rest", 0.0, brake=0.5, seconds=chance.uniform(10.0, 30.0)),
        Leg("launch", 12.0, seconds=35.0),
        Leg("cruise", 5.0, throttle=0.8, seconds=20.0),
        Leg("flat out", 14.0, seconds=25.0),
        Leg("stop", 0.0, brake=0.8, until_stopped=True),
        Leg("rest", 0.0, brake=0.5, seconds=20.0),
    ]
    return Scenario(
        f"hard ride {seed}",
        tuple(legs),
        route,
        air=chance.uniform(5.0, 38.0),
        charge=chance.uniform(0.15, 0.95),
    )


@cache
def small_ride(seed: int, knowledge: str) -> SimulatedRide:
    """Return one of the short rides that several tests share; see :func:`simulated_ride`."""
    return simulated_ride(seed, knowledge)


def simulated_ride(
    seed: int,
    knowledge: str = "settings",
    scenario: Scenario | None = None,
    board: BoardParameters | None = None,
) -> SimulatedRide:
    """Ride a random board and load its log.

    ``knowledge`` is what the analyser is told of the limits: "settings" in the board file, the
    limits "in force" as channels, or "nothing".
    """
    board = board or touchy(random_board(seed), seed)
    if knowledge == "settings":
        board = equal_drives(board)
    streams = standard_streams(board, fast_period=FAST)
    if knowledge == "in force":
        streams = with_limits_in_force(streams, len(board.drives))
    simulation = Simulation(
        board, scenario or hard_ride(seed), streams=streams, seed=seed, step=STEP
    )
    records: list[Record | bytes] = []
    told = -1
    for sent in simulation.run():
        if sent.time // 500_000 != told:
            told = sent.time // 500_000
            records.append(time_record(sent.time))
        records.append(sent.data)
    with tempfile.TemporaryDirectory() as place:
        path = Path(place) / "ride.sagline"
        path.write_bytes(log_bytes(records))
        ride = load_ride(path)
    board_file = read_board_file(board_text(board, knowledge == "settings"), "board.toml")
    warmth = tuple(
        (d.winding_temperature, d.case_temperature, d.controller_temperature)
        for d in simulation.machine.drives
    )
    return SimulatedRide(ride, board_file, board, tuple(simulation.limit_changes), warmth)
