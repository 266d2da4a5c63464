"""Short simulated rides of a few launches from standstill, for comparing settings."""

import random
from dataclasses import replace

from sagline_logger.simulator import BoardParameters, Leg, Route, Scenario, random_board
from support.simulated_rides import SimulatedRide, equal_drives, simulated_ride

LAUNCHES = 5


def launch_board(seed: int) -> BoardParameters:
    """Return a random board whose controllers are set alike."""
    return equal_drives(random_board(seed))


def changed(board: BoardParameters, name: str, factor: float) -> BoardParameters:
    """Return ``board`` with one limit of every controller multiplied by ``factor``."""
    drives = []
    for drive in board.drives:
        limits = drive.controller.limits
        limits = replace(limits, **{name: getattr(limits, name) * factor})
        drives.append(replace(drive, controller=replace(drive.controller, limits=limits)))
    return replace(board, drives=tuple(drives))


def launch_ride(
    board: BoardParameters,
    seed: str,
    slope_seed: int = 0,
    charge: float | None = None,
    launches: int = LAUNCHES,
    rise: float | None = None,
) -> SimulatedRide:
    """Ride ``launches`` launches of 5 to 6 s each and load the log.

    Throttle openings, lengths, pauses and, unless given, the state of charge come by chance from
    ``seed``; the road's steady rise from ``slope_seed``.
    """
    chance = random.Random(f"launches {seed}")
    place = random.Random(f"road {slope_seed}")
    level, usual = place.uniform(0.0, 0.02), place.uniform(0.4, 0.9)
    legs = [Leg("stand", 0.0, seconds=1.5)]
    for _ in range(launches):
        legs += [
            Leg("launch", 14.0, throttle=chance.uniform(0.85, 1.0), seconds=chance.uniform(5, 6)),
            Leg("stop", 0.0, brake=0.9, until_stopped=True),
            Leg("wait", 0.0, brake=0.4, seconds=chance.uniform(1.5, 2.5)),
        ]
    own = usual + chance.uniform(-0.02, 0.02) if charge is None else charge
    slope = level if rise is None else rise
    scenario = Scenario("launches", tuple(legs), Route(((0.0, slope),)), air=20.0, charge=own)
    return simulated_ride(chance.randrange(1, 10**6), "settings", scenario, board)
