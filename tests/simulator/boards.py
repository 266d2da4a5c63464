"""Boards reduced to one effect at a time, so that a textbook formula applies to the rest."""

from dataclasses import replace

from sagline_logger.simulator import KESTREL, BoardParameters, Route
from sagline_logger.simulator.machine import Machine

LIMITS = KESTREL.drives[0].controller.limits
PLENTY = replace(
    LIMITS,
    motor_current=1e3,
    brake_current=1e3,
    battery_current=60.0,
    charge_current=1e3,
    duty_ceiling=1.0,
)
"""Limits that do not bind in these tests."""


def with_limits(board: BoardParameters, **changes: object) -> BoardParameters:
    """Return ``board`` with the same changed limits in every controller."""
    drives = tuple(
        replace(
            drive,
            controller=replace(
                drive.controller, limits=replace(drive.controller.limits, **changes)
            ),
        )
        for drive in board.drives
    )
    return replace(board, drives=drives)


def with_pack(board: BoardParameters, **changes: object) -> BoardParameters:
    """Return ``board`` with a changed pack."""
    return replace(board, pack=replace(board.pack, **changes))


def frictionless(board: BoardParameters = KESTREL, **vehicle: float) -> BoardParameters:
    """Return ``board`` without gear or motor drag, on wheels of one size, limits out of the way.

    Road resistances are zero too unless ``vehicle`` gives them.
    """
    drives = tuple(
        replace(
            drive,
            motor=replace(drive.motor, static_drag=0.0, speed_drag=0.0),
            wheel=replace(board.drives[0].wheel, gear_efficiency=1.0),
            controller=replace(drive.controller, limits=PLENTY),
        )
        for drive in board.drives
    )
    changes = {"rolling_coefficient": 0.0, "drag_area": 0.0, **vehicle}
    return replace(board, drives=drives, vehicle=replace(board.vehicle, **changes))


def machine(board: BoardParameters, rise: float = 0.0, **options: float) -> Machine:
    """Return a machine on an even slope at 15 °C."""
    return Machine(board, Route(((0.0, rise),)), air=15.0, seed=1, **options)


def run(subject: Machine, seconds: float, throttle: float = 0.0, brake: float = 0.0) -> None:
    """Ride with still hands, refreshing what is slow as a simulation does."""
    every = round(subject.slow_step / subject.step)
    for step in range(1, round(seconds / subject.step) + 1):
        subject.ride(throttle, brake)
        if step % every == 0:
            subject.settle()
