"""Simulated rides with chance-drawn boards, and how near the cell findings came to their truth."""

import math
import random
from bisect import bisect_right
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from sagline_analyser import load_ride
from sagline_analyser.findings.cells.fitted import Asked, PackCells, fit_packs, measure_cells
from sagline_analyser.findings.cells.low_cell import judge_low_cells
from sagline_analyser.findings.readings.gathered import Gathered
from sagline_analyser.findings.readings.unknown import NotKnown
from sagline_analyser.load import Ride
from sagline_logger.format import BoardFile, read_board_file
from sagline_logger.simulator import (
    BREAD_RUN,
    HILL_CLIMB,
    TOWN_LOOP,
    BoardParameters,
    Sensor,
    SensorStream,
    Simulation,
    random_board,
    standard_streams,
)

from . import logs

ALARM = 3.30


@dataclass(frozen=True)
class Score:
    """One ride.  ``excess`` is the true share by which the worst cell's resistance lies above the
    median of the others; errors are shares of the truth, one a cell; the alarms' ``rest_errors``
    are in V, ``rest_inside`` and ``verdicts_right`` count against ``alarms``."""

    seed: int
    excess: float
    worst: int
    named: tuple[int, ...]
    known: bool
    step_errors: tuple[float, ...]
    ten_errors: tuple[float, ...]
    step_inside: int
    skew_error: float
    rest_errors: tuple[float, ...]
    rest_inside: int
    verdicts_wrong: int

    @property
    def rightly(self) -> bool | None:
        """Whether the weak cell alone was named, or none when all are alike; None in between."""
        if self.excess >= 0.25:
            return self.named == (self.worst,)
        return self.named == () if self.excess <= 0.05 else None


def board_file(board: BoardParameters) -> BoardFile:
    """Return a board file that states the simulated board's pack."""
    text = (
        f'name = "{board.name}"\n[battery]\ncell_full = 4.2\ncell_alarm = {ALARM}\n'
        f'[[battery.units]]\nname = "box"\nseries = {board.pack.series}\nparallel = 1\n'
        f"cell_capacity = {board.pack.capacity}\nmax_charge_rate = 0.5\n"
    )
    return read_board_file(text, "simulated")


def load(simulation: Simulation, path: Path) -> Ride:
    """Run a simulation to its end and load what it sent."""
    frames = b"".join(one.data for one in simulation.run())
    path.write_bytes(logs.log_bytes([frames]))
    return load_ride(path)


def score_cells(seed: int, folder: Path, seconds: float = 200.0) -> Score:
    """Ride one board for ``seconds`` s.  Every second board has no weak cell."""
    chance = random.Random(f"ride {seed}")
    board = random_board(seed)
    pack = replace(
        board.pack,
        weak_cell=None if seed % 2 else board.pack.weak_cell,
        weak_resistance=chance.uniform(1.27, 2.0),
        ohmic_resistance=board.pack.ohmic_resistance * chance.uniform(0.5, 1.5),
        relaxation_time=chance.uniform(6.0, 25.0),
        initial_charge=chance.uniform(0.2, 0.95),
    )
    board = replace(board, pack=pack)
    scenario = replace(chance.choice((BREAD_RUN, TOWN_LOOP, HILL_CLIMB)), charge=None)
    streams = _coarser(
        standard_streams(board, cells_period=chance.choice((100_000, 200_000, 500_000))), chance
    )
    simulation = Simulation(board, scenario, streams, seed=seed, seconds=seconds, step=10_000)
    truth = simulation.machine.pack
    rests: list[tuple[float, list[float]]] = []
    frames = []
    drawn, resting = truth.drawn, list(truth.resting)
    for one in simulation.run():
        frames.append(one.data)
        rests.append((one.time / 1e6, truth.resting))
    path = folder / f"{seed}.sagline"
    path.write_bytes(logs.log_bytes([b"".join(frames)]))
    skew = chance.choice((0.0, chance.uniform(-0.4, 0.4)))
    ride = _late(load_ride(path), skew)
    path.unlink()
    ohmic, slow = np.array(truth.ohmic), np.array(truth.relaxation)
    fall = (np.array(resting) - truth.resting) / (truth.drawn - drawn)
    ten = ohmic + slow * -math.expm1(-10.0 / pack.relaxation_time) + 10.0 * fall
    others = [np.median(np.delete(ohmic, at)) for at in range(len(ohmic))]
    excess = ohmic / others - 1
    worst = int(np.argmax(excess))
    fits = fit_packs(Gathered(ride))
    found = measure_cells(fits[0])
    if not isinstance(found, PackCells):
        return Score(seed, float(excess[worst]), worst + 1, (), False, (), (), 0, 0, (), 0, 0)
    step = np.array([cell.step for cell in found.cells])
    half = np.array([cell.step_error for cell in found.cells])
    alarms = judge_low_cells(Asked(Gathered(ride, board_file(board)), fits))
    rest_errors, inside, wrong = [], 0, 0
    for alarm in alarms if isinstance(alarms, tuple) else ():
        if isinstance(alarm.rest, NotKnown):
            continue
        at = bisect_right(rests, alarm.span.peak_time + skew, key=lambda entry: entry[0])
        true_rest = rests[min(at, len(rests) - 1)][1][alarm.cell - 1]
        rest_errors.append(alarm.rest.value - true_rest)
        inside += alarm.rest.low <= true_rest <= alarm.rest.high
        empty = true_rest < ALARM
        wrong += alarm.verdict in ("sag", "empty") and (alarm.verdict == "empty") != empty
    return Score(
        seed,
        float(excess[worst]),
        worst + 1,
        tuple(cell.number for cell in found.weak),
        True,
        tuple((step / ohmic - 1).tolist()),
        tuple((np.array([cell.ten for cell in found.cells]) / ten - 1).tolist()),
        int(np.sum(np.abs(step - ohmic) <= half)),
        found.skew - skew,
        tuple(rest_errors),
        inside,
        wrong,
    )


def _coarser(plans: tuple[SensorStream, ...], chance: random.Random) -> tuple[SensorStream, ...]:
    """Draw the cell voltages' noise and quantum (1 or 10 mV) and the current's (0.01 or 0.1 A)."""
    noise = chance.choice((0.0012, 0.004))
    quanta = {
        "cell_voltage": chance.choice((-3, -3, -2)),
        "battery_current": chance.choice((-2, -1)),
    }

    def change(one: Sensor) -> Sensor:
        exponent = quanta.get(one.channel.name)
        if exponent is None:
            return one
        channel = replace(one.channel, exponent=exponent)
        return replace(
            one, channel=channel, noise=noise if channel.name == "cell_voltage" else one.noise
        )

    return tuple(replace(plan, sensors=tuple(map(change, plan.sensors))) for plan in plans)


def _late(ride: Ride, skew: float) -> Ride:
    """Stamp the cell readings ``skew`` s early: what they show is the load at t + skew."""
    cells = ride.streams["cells"]
    streams = {**ride.streams, "cells": replace(cells, time=cells.time - skew)}
    return replace(ride, streams=streams)
