"""A vehicle for loading packs: its road load a fitted polynomial, its driver a list of phases.

Road load as a chassis dynamometer is set, F = a + b·v + c·v² (coast-down coefficients, as in the
EPA's test procedures, from memory), a drive train of one efficiency with a fixed idle draw, hills
of straight ramps.  No equation is shared with the simulator of a board.
"""

import random
from dataclasses import dataclass

import numpy as np

from sagline_analyser.findings.readings.series import Array

STEP = 0.1
"""s of one step of the schedule."""

GRAVITY = 9.81


@dataclass(frozen=True)
class Vehicle:
    """kg; N, N/(m/s), N/(m/s)²; shares of the power that reach the road and, braking, the pack; W
    that it draws at rest; m/s; m/s²; and the share of its ramps in the slope."""

    mass: float
    a: float
    b: float
    c: float
    efficiency: float
    returned: float
    idle: float
    pace: float
    launch: float
    hills: float


def draw_vehicle(chance: random.Random) -> Vehicle:
    """Draw one, from a cart to a small car."""
    mass = chance.uniform(40.0, 180.0)
    return Vehicle(
        mass,
        mass * GRAVITY * chance.uniform(0.008, 0.025),
        chance.uniform(0.0, 0.8),
        chance.uniform(0.1, 0.35),
        chance.uniform(0.72, 0.9),
        chance.choice((0.0, 0.4, 0.65)),
        chance.uniform(0.0, 15.0),
        chance.uniform(4.0, 11.0),
        chance.uniform(0.5, 2.0),
        chance.uniform(0.0, 0.06),
    )


def schedule(vehicle: Vehicle, seconds: float, chance: random.Random) -> tuple[Array, Array]:
    """Return the speed in m/s and the power at the pack in W, every :data:`STEP` s.

    It begins and ends wherever the phases happen to be: under way, or standing.
    """
    speeds, slopes = [], []
    speed, slope, total = chance.choice((0.0, vehicle.pace)), 0.0, 0
    while total < seconds / STEP:
        kind = chance.choices(("leg", "stand", "climb"), (8, 2, 2))[0]
        if kind == "stand":
            part = np.zeros(int(chance.uniform(3, 40) / STEP))
            part = np.r_[_to(speed, 0.0, chance.uniform(0.6, 1.8)), part]
        else:
            pace = vehicle.pace * chance.uniform(0.4, 1.15) * (0.6 if kind == "climb" else 1.0)
            slope = chance.gauss(0.0, vehicle.hills)
            if kind == "climb":
                slope = abs(slope) + vehicle.hills
            rate = vehicle.launch * chance.uniform(0.5, 1.0)
            count = int(chance.uniform(8, 60) / STEP)
            wave = np.linspace(0, chance.uniform(1, 6) * np.pi, count)
            part = np.r_[_to(speed, pace, rate), pace * (1 + 0.06 * np.sin(wave))]
        slopes.append(np.full(len(part), 0.0 if kind == "stand" else slope))
        speeds.append(part)
        speed = float(part[-1])
        total += len(part)
    pace = np.concatenate(speeds)[: int(seconds / STEP)]
    rise = np.concatenate(slopes)[: len(pace)]
    gain = np.gradient(pace, STEP)
    drag = vehicle.a + vehicle.b * pace + vehicle.c * pace**2
    road = np.where(pace > 0, drag, 0) + vehicle.mass * (GRAVITY * rise + gain)
    wheel = road * pace
    pack = np.where(wheel > 0, wheel / vehicle.efficiency, wheel * vehicle.returned)
    return pace, pack + vehicle.idle


def _to(start: float, end: float, rate: float) -> Array:
    count = max(int(abs(end - start) / rate / STEP), 1)
    return np.linspace(start, end, count + 1)[1:]


def knots(values: Array, tolerance: float, longest: int = 200) -> Array:
    """Return places between which straight lines stay within ``tolerance`` of every value."""
    places, start = [0], 0
    while start < len(values) - 1:
        reach = min(start + longest, len(values) - 1)
        ahead = np.arange(1, reach - start + 1)
        slope = (values[start + 1 : reach + 1] - values[start]) / ahead
        low = np.maximum.accumulate(slope - tolerance / ahead)
        high = np.minimum.accumulate(slope + tolerance / ahead)
        sound = np.flatnonzero((slope >= low) & (slope <= high) & (low <= high))
        fits = np.flatnonzero(low > high)
        sound = sound[sound < fits[0]] if len(fits) else sound
        start += int(sound[-1]) + 1
        places.append(start)
    return np.array(places)
