"""Boards drawn by chance, for trying a claim on many machines."""

import random
from dataclasses import replace

from .kestrel import KESTREL
from .parameters import BoardParameters


def random_board(seed: int) -> BoardParameters:
    """Return a board that differs from Kestrel as home builds do; same seed, same board."""
    chance = random.Random(f"board {seed}")
    series = chance.randint(10, 16)
    size = series / KESTREL.pack.series
    drives = []
    for drive in KESTREL.drives[: chance.choice((1, 2, 2))]:
        limits = replace(
            drive.controller.limits,
            motor_current=chance.uniform(30.0, 55.0),
            full_request=60.0,
            battery_current=chance.uniform(13.0, 22.0),
            charge_current=chance.uniform(6.0, 14.0),
        )
        motor = replace(
            drive.motor,
            torque_constant=drive.motor.torque_constant * size * chance.uniform(0.9, 1.1),
            resistance=drive.motor.resistance * chance.uniform(0.8, 1.3),
        )
        drives.append(
            replace(drive, motor=motor, controller=replace(drive.controller, limits=limits))
        )
    pack = replace(
        KESTREL.pack,
        series=series,
        capacity=chance.uniform(12.0, 24.0),
        weak_cell=chance.randint(1, series),
        weak_resistance=chance.uniform(1.3, 2.5),
        weak_capacity=chance.uniform(0.8, 0.97),
        initial_charge=chance.uniform(0.5, 0.95),
    )
    vehicle = replace(
        KESTREL.vehicle,
        mass=chance.uniform(130.0, 280.0),
        drag_area=chance.uniform(0.5, 0.9),
        rolling_coefficient=chance.uniform(0.007, 0.014),
    )
    return BoardParameters(f"board {seed}", "simulated board 1", vehicle, tuple(drives), pack)
