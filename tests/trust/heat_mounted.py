"""Truth for heat: motors of eight masses and controllers of five that are screwed to a machine.

What they are fixed to, a mount and a frame, warms for hours and is read by nobody; heat crosses the
gap and leaves the end turns better the faster the motor turns; a breeze blows with or against the
rider; riders hold speeds on roads that climb first, last or in between.

Sources: those of :mod:`trust.heat_models`; heat across a gap that a rotor stirs, and from end turns
in stirred air: any text on machines; masses and joints: common practice, no source.
"""

from collections.abc import Mapping, Sequence
from functools import partial
from typing import Any

import numpy as np

from trust.heat_models import STEP, Array, Duty, Network, log_uniform, slow

SLOT, END, TEETH, BACK, ROTOR, SHELL, MOUNT, FRAME = range(8)
JUNCTION, PLANE, BOARD, CASE, UNDER = range(5)

COPPER, STEEL, ALUMINIUM = 390.0, 460.0, 880.0
"""J/kg/K (any handbook of materials; from memory)."""

SENSORS = {
    "winding": ({SLOT: 1.0}, {END: 1.0}, {SLOT: 0.5, END: 0.5}),
    "tooth": ({TEETH: 1.0},),
    "case": ({SHELL: 1.0}, {BACK: 1.0}),
}
"""Where sensors sit: masses and their weights, one of them by chance."""

STAGE_SENSORS = ({PLANE: 1.0}, {BOARD: 1.0}, {JUNCTION: 0.5, PLANE: 0.5})
"""The same of a controller."""

GRAVITY, ROLLING, MASS_TURNING = 9.81, 0.012, 1.05
STYLES = ("mixed", "mixed", "flat", "climb first", "climb last", "loops")


def mounted_motor(chance: np.random.Generator, place: str) -> Network:
    """A closed inner rotor, a hub motor whose stator sits on the axle, or an open motor."""
    d = partial(log_uniform, chance)
    build = ("inner", "hub", "open")[int(chance.integers(3))]
    mass = d(1.2, 7)
    size = (mass / 3) ** 0.67
    slots = chance.uniform(0.5, 0.7)
    copper, iron = (
        mass * chance.uniform(0.12, 0.2) * COPPER,
        mass * chance.uniform(0.3, 0.42) * STEEL,
    )
    capacity = [
        copper * slots,
        copper * (1 - slots),
        0.4 * iron,
        0.6 * iron,
        mass * chance.uniform(0.18, 0.3) * STEEL,
        mass * chance.uniform(0.14, 0.26) * ALUMINIUM,
        d(150, 1500),
        d(800, 9000),
    ]
    joins = {
        (SLOT, TEETH): size * d(3, 10),
        (SLOT, END): size * d(1.5, 6),
        (SLOT, BACK): size * d(0.4, 2),
        (END, SHELL): size * d(0.05, 0.3),
        (TEETH, BACK): size * d(8, 30),
        (TEETH, ROTOR): size * d(0.3, 1.2),
        (MOUNT, FRAME): d(0.2, 1.8),
    }
    if build == "hub":
        joins |= {
            (BACK, MOUNT): size * d(0.9, 4),
            (ROTOR, SHELL): size * d(4, 15),
            (SHELL, MOUNT): size * d(0.05, 0.3),
        }
    else:
        joins |= {
            (BACK, SHELL): size * d(5, 25),
            (ROTOR, SHELL): size * d(0.1, 0.5),
            (SHELL, MOUNT): size * d(0.4, 4),
        }
    stirred = dict.fromkeys(joins, 0.0) | {
        (END, SHELL): size * d(0.01, 0.1),
        (TEETH, ROTOR): size * d(0.02, 0.2),
    }
    nodes = np.zeros((6, 8))
    natural, forced, area, current, motion, still = nodes
    skin = 0.05 * size * chance.uniform(0.8, 1.6)
    natural[SHELL], forced[SHELL] = skin * chance.uniform(1.3, 2.2), skin * chance.uniform(3, 10)
    area[SHELL] = skin * chance.uniform(0.3, 0.9)
    natural[MOUNT], natural[FRAME], forced[FRAME] = d(0.02, 0.1), d(0.1, 0.6), d(0.05, 0.8)
    if build == "open":  # air is drawn through it
        through = size * d(0.05, 0.4)
        forced[[END, TEETH, ROTOR]] = through * np.array([1.0, 0.6, 0.8])
    current[[SLOT, END]] = slots, 1 - slots
    motion[[TEETH, BACK, ROTOR, SHELL, MOUNT]] = 0.45, 0.3, 0.15, 0.05, 0.05
    still[SHELL] = max(chance.uniform(-8, 8), 0.0) * size  # sun and road
    sensor = _sensor(chance, SENSORS[place], 8)
    # The limit of a winding is that of its sensor where it has one, else of its warmer half.
    hot = sensor if place == "winding" else np.eye(8)[END if chance.random() < 0.5 else SLOT]
    return _joined(
        joins,
        chance,
        capacity=np.array(capacity),
        natural=natural,
        forced=forced,
        area=area,
        current=current,
        linear=np.zeros(8),
        motion=motion,
        still=still,
        ohms=0.05,
        rise=0.00393,
        volts=0.0,
        drag=0.0,
        power=chance.uniform(1.3, 2.2),
        wind=chance.uniform(0.55, 0.85),
        sensor=sensor,
        hot=hot,
        lag=float(chance.uniform(1, 10)),
        stirred=np.array([stirred[pair] for pair in joins]),
    )


def mounted_stage(chance: np.random.Generator, _: str) -> Network:
    """A controller in its enclosure on a frame; the enclosure is outside, or in a box."""
    d = partial(log_uniform, chance)
    joins = {
        (JUNCTION, PLANE): d(2, 7),
        (PLANE, BOARD): d(1, 4),
        (PLANE, CASE): d(1, 5),
        (BOARD, CASE): d(0.8, 5),
        (CASE, UNDER): d(0.05, 1.5),
    }
    skin, box = d(0.015, 0.06), (1.0, 1.0, 0.4, 0.1)[int(chance.integers(4))]
    natural, forced, area, current, linear, still = np.zeros((6, 5))
    natural[CASE], forced[CASE] = skin * chance.uniform(1.3, 2.2), box * skin * chance.uniform(3, 9)
    area[CASE] = skin * chance.uniform(0.3, 0.9)
    natural[UNDER], forced[UNDER] = d(0.1, 0.6), d(0.05, 0.8)
    current[[JUNCTION, PLANE]] = 0.94, 0.06
    linear[JUNCTION], still[BOARD] = 1.0, d(0.5, 3)
    sensor = _sensor(chance, STAGE_SENSORS, 5)
    return _joined(
        joins,
        chance,
        capacity=np.array([d(8, 20), d(20, 60), d(20, 90), d(150, 900), d(800, 9000)]),
        natural=natural,
        forced=forced,
        area=area,
        current=current,
        linear=linear,
        motion=np.zeros(5),
        still=still,
        ohms=0.004,
        rise=chance.uniform(0.003, 0.006),
        volts=d(0.03, 0.2),
        drag=0.0,
        power=1.0,
        wind=chance.uniform(0.5, 0.8),
        sensor=sensor,
        hot=sensor,
        lag=float(chance.uniform(1, 6)),
    )


def _sensor(chance: np.random.Generator, spots: Sequence[Mapping[int, float]], nodes: int) -> Array:
    """Return the weight of each mass in what a sensor at one of these places touches."""
    sensor = np.zeros(nodes)
    for node, weight in spots[int(chance.integers(len(spots)))].items():
        sensor[node] = weight
    return sensor


def _joined(
    joins: Mapping[tuple[int, int], float], chance: np.random.Generator, **rest: Any
) -> Network:
    """Return a network whose joins go by the pairs of masses, in a breeze by chance."""
    values = np.array(list(joins.values()))
    return Network(links=tuple(joins), joins=values, breeze=float(chance.normal(0, 1)), **rest)


def outing(chance: np.random.Generator, seconds: float, air: float, hard: float) -> Duty:
    """A rider who holds speeds between stops on a road of some shape; ``hard`` is the motor current
    in A that a flat road at the usual speed takes."""
    d = partial(log_uniform, chance)
    count = int(seconds / STEP)
    top = chance.uniform(4.5, 11)
    goal = np.zeros(count)
    at, stand, go = int(chance.uniform(1, 40) / STEP), d(6, 60), d(20, 200)
    while at < count:
        end = at + int((chance.exponential(go) + 8) / STEP)
        goal[at:end] = top * chance.uniform(0.45, 1.0)
        at = end + int((chance.exponential(stand) + 2) / STEP)
    if chance.random() < 0.6:
        goal[-int(chance.uniform(4, 25) / STEP) :] = 0.0
    slope = _road(chance, count)
    speed = slow(goal, chance.uniform(2, 5), 0.0)
    gain = np.gradient(speed, STEP) * MASS_TURNING / GRAVITY
    drag = chance.uniform(0.008, 0.02)
    asked = np.where(goal > 0, ROLLING + slope + drag * (speed / top) ** 2 + gain, gain * 0.3)
    usual = ROLLING + drag * 0.5
    most = chance.uniform(2.2, 5.0)
    brake = -most * (0.0, 0.3, 0.6)[int(chance.integers(3))]
    return Duty(hard * np.clip(asked / usual, brake, most), speed, air)


def _road(chance: np.random.Generator, count: int) -> Array:
    """Return the slope at each step (a tangent)."""
    style, steep = STYLES[int(chance.integers(len(STYLES)))], chance.uniform(0.015, 0.06)
    slope = np.zeros(count)
    if style == "mixed":
        at = 0
        while at < count:
            end = at + int(chance.uniform(15, 180) / STEP)
            slope[at:end] = steep * (0.0, 0.0, 1.0, -0.8, 0.5)[int(chance.integers(5))]
            at = end
    elif style == "climb last":
        slope[int(count * chance.uniform(0.5, 0.85)) :] = 0.8 * steep
    elif style == "climb first":
        slope[: int(count * chance.uniform(0.2, 0.5))] = 0.8 * steep
    elif style == "loops":
        turn = 2 * np.pi * STEP / chance.uniform(100, 500)
        slope = steep * np.sin(turn * np.arange(count))
    return slow(slope, 3.0, 0.0)
