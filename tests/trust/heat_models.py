"""Truth for heat: motors and controllers as networks of four and five nodes, many at a time.

Nothing here is the analyser's: heat flows through a network of masses; air takes it by natural
convection ∝ ΔT^1.25, by forced convection ∝ v^0.6 and by radiation; iron loss grows with speed to
a power; copper and transistors warm with their own resistance; the sensor is glued beside what it
measures and tells whole kelvins late.

Sources: convection ∝ ΔT^1.25 in still air and ∝ v^0.6 across a cylinder, radiation εσT⁴: any heat
transfer text; copper 0.00393 /K, IEC 60028; iron loss between hysteresis (∝ f) and eddy (∝ f²):
any text on machines; masses of motors: common practice, no source.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from functools import partial

import numpy as np
import numpy.typing as npt

Array = npt.NDArray[np.float64]
STEP = 0.5
"""s of integration; the quickest node has a time constant of several s."""

ASHES = 2000.0
"""°C at which a part whose resistance ran away is left: all that is asked of it is long past."""

KELVIN = 273.15
RADIATION = 5.67e-8
"""W/m²/K⁴: Stefan and Boltzmann's constant (CODATA)."""


@dataclass(frozen=True)
class Network:
    """One part.  Arrays over its nodes, shape (k,), but ``links`` and ``joins`` of shape (l,).

    ``capacity`` J/K; ``links`` the pairs of nodes joined by ``joins`` W/K; ``natural`` W/K^1.25,
    ``forced`` W/K at 1 m/s, ``area`` m² times emissivity; shares of the losses that go to each
    node: ``current`` (R·i² with ``ohms`` at 20 °C, rising by ``rise`` 1/K of the node's own
    temperature), ``linear`` (``volts``·|i|), ``motion`` (``drag``·v^``power`` W) and ``still`` W.
    ``sensor`` and ``hot`` weigh the nodes: what the sensor touches, and what the limit is for.
    ``stirred`` W/K at 1 m/s, shape (l,), come to the joins as the part turns; ``breeze`` m/s to the
    wind of the ride.
    """

    capacity: Array
    links: tuple[tuple[int, int], ...]
    joins: Array
    natural: Array
    forced: Array
    area: Array
    current: Array
    linear: Array
    motion: Array
    still: Array
    ohms: float
    rise: float
    volts: float
    drag: float
    power: float
    wind: float
    sensor: Array
    hot: Array
    lag: float
    stirred: Array | float = 0.0
    breeze: float = 0.0


@dataclass(frozen=True)
class Duty:
    """What a part is asked for along steps of :data:`STEP`: A, m/s, and the air in °C."""

    current: Array
    speed: Array
    air: float


def simulate(
    parts: Sequence[Network], duties: Sequence[Duty], start: Sequence[Array]
) -> tuple[list[Array], list[Array], list[Array]]:
    """Return for each part what its sensor is at and what is hot along its duty, shape (n,) each,
    °C, and all nodes at the end."""
    many, size = len(parts), max(len(p.capacity) for p in parts)
    count = max(len(d.current) for d in duties)

    def node(get: Callable[[Network], Array], fill: float = 0.0) -> Array:
        whole = np.full((size, many), fill)
        for at, part in enumerate(parts):
            value = get(part)
            whole[: len(value), at] = value
        return whole

    capacity = node(lambda p: p.capacity, 1.0)
    natural, forced, area = (
        node(lambda p: p.natural),
        node(lambda p: p.forced),
        node(lambda p: p.area),
    )
    ways = (
        node(lambda p: p.current),
        node(lambda p: p.linear),
        node(lambda p: p.motion),
        node(lambda p: p.still),
    )
    join, more = np.zeros((2, size, size, many))
    for at, part in enumerate(parts):
        stirred = np.broadcast_to(part.stirred, len(part.links))
        for (one, other), value, stir in zip(part.links, part.joins, stirred, strict=True):
            join[one, other, at] = join[other, one, at] = value
            more[one, other, at] = more[other, one, at] = stir
    turning = bool(more.any())
    total, within = join.sum(axis=1), join
    one = {
        name: np.array([getattr(p, name) for p in parts])
        for name in ("ohms", "rise", "volts", "drag", "power", "wind", "breeze")
    }
    current, speed = np.zeros((count, many)), np.zeros((count, many))
    for at, duty in enumerate(duties):
        current[: len(duty.current), at] = duty.current
        speed[: len(duty.speed), at] = duty.speed
    air = np.array([d.air for d in duties])
    wind = np.abs(speed + one["breeze"]) ** one["wind"]
    stir = np.abs(speed) ** one["wind"]
    drag = one["drag"] * np.abs(speed) ** one["power"]
    heat = one["ohms"] * current**2
    linear = one["volts"] * np.abs(current)
    state = np.full((size, many), 20.0)
    for at, begin in enumerate(start):
        state[: len(begin), at] = begin[:size]
    weigh = node(lambda p: p.sensor), node(lambda p: p.hot)
    paths = np.empty((2, count, many))
    ends = [np.empty(0)] * many
    last = {len(d.current): [] for d in duties}
    for at, duty in enumerate(duties):
        last[len(duty.current)].append(at)
    sky = (air + KELVIN) ** 4
    radiant = RADIATION * area
    for k in range(count):
        paths[0, k], paths[1, k] = (weigh[0] * state).sum(0), (weigh[1] * state).sum(0)
        above = state - air
        lost = natural * np.abs(above) ** 0.25 * above + forced * wind[k] * above
        lost += radiant * ((state + KELVIN) ** 4 - sky)
        if turning:
            within = join + more * stir[k]
            total = within.sum(axis=1)
        got = (within * state).sum(axis=1) - total * state
        got += ways[0] * (heat[k] * (1 + one["rise"] * (state - 20)))
        got += ways[1] * linear[k] + ways[2] * drag[k] + ways[3]
        state = np.minimum(state + STEP * (got - lost) / capacity, ASHES)
        for at in last.get(k + 1, ()):
            ends[at] = state[: len(parts[at].capacity), at].copy()
    return (
        [paths[0, : len(d.current), at] for at, d in enumerate(duties)],
        [paths[1, : len(d.current), at] for at, d in enumerate(duties)],
        ends,
    )


def log_uniform(chance: np.random.Generator, low: float, high: float) -> float:
    """Return a number between two, evenly in its logarithm."""
    return float(np.exp(chance.uniform(np.log(low), np.log(high))))


def hub(chance: np.random.Generator, place: str) -> Network:
    """A hub motor: winding, iron, axle side and a shell that the air passes."""
    d = partial(log_uniform, chance)
    return _motor(
        chance,
        place,
        capacity=[d(180, 400), d(500, 1200), d(200, 500), d(900, 2400)],
        links=((0, 1), (1, 2), (1, 3), (2, 3)),
        joins=[d(1.5, 10), d(3, 12), d(1.5, 5), d(1, 4)],
        natural=[0, 0, 0.05, d(0.25, 0.7)],
        forced=[0, 0, 0.05, d(0.4, 1.6)],
        area=[0, 0, 0, d(0.05, 0.12)],
        outer=int(chance.integers(2, 4)),
    )


def inrunner(chance: np.random.Generator, place: str) -> Network:
    """An inner rotor: winding, stator iron, housing, and a rotor that warms last."""
    d = partial(log_uniform, chance)
    size = d(0.5, 2.5)
    return _motor(
        chance,
        place,
        capacity=[size * d(60, 150), size * d(150, 350), size * d(120, 350), size * d(100, 250)],
        links=((0, 1), (1, 2), (1, 3), (2, 3)),
        joins=[size**0.7 * d(1, 7), size**0.7 * d(6, 30), d(0.2, 0.8), d(0.2, 0.6)],
        natural=[0, 0, size**0.7 * d(0.12, 0.4), 0],
        forced=[0, 0, size**0.7 * d(0.15, 0.9), 0],
        area=[0, 0, size**0.7 * d(0.02, 0.06), 0],
        outer=2,
    )


def open_outrunner(chance: np.random.Generator, place: str) -> Network:
    """An open outer rotor, winding in two halves, one of them in the air stream of the machine's
    own speed, on a plate that is cooled too.  No constant was chosen on it, but it showed that a
    sensor on a tooth tells less of the winding than was stated."""
    d = partial(log_uniform, chance)
    size = d(0.5, 2.0)
    return _motor(
        chance,
        place,
        capacity=[
            size * d(40, 90),
            size * d(150, 350),
            size * d(200, 700),
            size * d(120, 300),
            size * d(30, 80),
        ],
        links=((0, 1), (1, 2), (1, 3), (0, 4)),
        joins=[size * d(2, 6), size * d(2, 8), size * d(0.3, 1.0), size * d(1, 4)],
        natural=[0, 0.02, size * d(0.2, 0.6), size * d(0.05, 0.15), 0.01],
        forced=[
            0,
            size * d(0.01, 0.08),
            size * d(0.2, 0.8),
            size * d(0.1, 0.4),
            size * d(0.02, 0.12),
        ],
        area=[0, 0, size * 0.03, size * 0.02, 0],
        outer=2,
    )


def _motor(
    chance: np.random.Generator,
    place: str,
    *,
    capacity: list[float],
    links: tuple[tuple[int, int], ...],
    joins: list[float],
    natural: list[float],
    forced: list[float],
    area: list[float],
    outer: int,
) -> Network:
    size = len(capacity)
    copper, motion, still = np.zeros(size), np.zeros(size), np.zeros(size)
    if size == 5:
        copper[0], copper[4] = 0.6, 0.4
        hot = copper
    else:
        copper[0] = 1.0
        hot = copper
    motion[1], motion[3] = 0.8, 0.2
    still[outer] = max(chance.uniform(-6, 12), 0.0) * sum(natural)  # sun and road
    sensor = np.zeros(size)
    if place == "winding":
        sensor[:] = hot
    elif place == "tooth":
        sensor[1] = 1.0
    else:
        sensor[outer] = 1.0
    return Network(
        np.array(capacity),
        links,
        np.array(joins),
        np.array(natural),
        np.array(forced),
        np.array(area),
        copper,
        np.zeros(size),
        motion,
        still,
        0.05,
        0.00393,
        0.0,
        0.0,
        chance.uniform(1.5, 2.0),
        chance.uniform(0.5, 0.8),
        sensor,
        hot,
        float(chance.uniform(2, 12)),
    )


def stage(chance: np.random.Generator, _: str) -> Network:
    """A controller: transistors, board, heat sink, enclosure; the sensor sits on the board."""
    d = partial(log_uniform, chance)
    share = chance.uniform(0.2, 0.8)
    return Network(
        np.array([d(8, 20), d(30, 90), d(120, 600), d(150, 700)]),
        ((0, 1), (0, 2), (1, 2), (2, 3)),
        np.array([d(0.5, 2), d(1.5, 3), d(0.8, 4), d(0.4, 3)]),
        np.array([0, 0.01, d(0.02, 0.2), d(0.1, 0.4)]),
        np.array([0, 0, d(0.01, 0.3), d(0.1, 0.6)]),
        np.array([0, 0, 0, d(0.01, 0.05)]),
        np.array([0.95, 0.05, 0, 0]),
        np.array([1.0, 0, 0, 0]),
        np.array([0.0, 0, 0, 0]),
        np.array([0, d(1, 4), 0, max(chance.uniform(-2, 4), 0) * 0.3]),
        0.004,
        chance.uniform(0.004, 0.006),
        d(0.04, 0.2),
        0.0,
        1.0,
        chance.uniform(0.5, 0.8),
        np.array([1 - share, share, 0, 0]),
        np.array([1 - share, share, 0, 0]),
        float(chance.uniform(2, 8)),
    )


def ride_duty(chance: np.random.Generator, seconds: float, air: float, hard: float) -> Duty:
    """A ride of launches, cruising, climbs, rolling and stops by chance; ``hard`` is the current
    of cruising in A."""
    count = int(seconds / STEP)
    current, goal = np.zeros(count), np.zeros(count)
    at = 0
    top = chance.uniform(4, 11)
    stops, climbs = chance.uniform(0.05, 0.3), chance.uniform(0.0, 0.4)
    while at < count:
        kind = chance.random()
        if kind < stops:
            legs = [
                (chance.uniform(2, 5), -0.8, 0.3),
                (chance.uniform(5, 90), 0.0, 0.0),
                (chance.uniform(5, 14), chance.uniform(1.6, 2.6), 0.8),
            ]
        elif kind < stops + climbs:
            legs = [(chance.uniform(20, 150), chance.uniform(1.1, 1.9), chance.uniform(0.4, 0.8))]
        elif kind > 0.93:
            legs = [(chance.uniform(8, 40), 0.0, 0.9)]
        else:
            legs = [(chance.uniform(20, 180), chance.uniform(0.4, 1.2), chance.uniform(0.6, 1.0))]
        for long, amount, pace in legs:
            end = min(at + int(long / STEP), count)
            current[at:end], goal[at:end] = amount * hard, pace * top
            at = end
    wobble = np.convolve(chance.normal(0, 1, count + 20), np.ones(21) / 21, "valid")[:count]
    current *= 1 + 0.8 * wobble
    return Duty(current, slow(goal, 4.0, 0.0), air)


def slow(value: Array, lag: float, start: float) -> Array:
    """First order lag of ``lag`` s."""
    out, now, share = np.empty(len(value)), start, 1 - np.exp(-STEP / lag)
    for k, v in enumerate(value.tolist()):
        now += share * (v - now)
        out[k] = now
    return out


def sensor(part: Network, at: Array, chance: np.random.Generator, step: float) -> Array:
    """Return what the log holds: late, noisy, in whole steps of ``step`` K."""
    late = slow(at, part.lag, float(at[0]))
    return np.round((late + chance.normal(0, 0.3, len(at))) / step) * step


def scaled(part: Network, duty: Duty, rise: float, iron: float) -> Network:
    """Return a motor whose resistance makes the ride's mean loss warm its hot place by about
    ``rise`` K in the end, a share ``iron`` of the loss being iron's."""
    square = float(np.mean(duty.current**2))
    wind = float(np.mean(np.abs(duty.speed) ** part.wind))
    size = len(part.capacity)
    matrix = np.zeros((size, size))
    turning = float(np.mean(np.abs(duty.speed) ** part.wind))
    for (one, other), join in zip(part.links, part.joins + turning * part.stirred, strict=True):
        matrix[one, one] += join
        matrix[other, other] += join
        matrix[one, other] -= join
        matrix[other, one] -= join
    matrix += np.diag(part.natural * 2.4 + part.forced * wind + part.area * 6.0)
    warm = np.linalg.solve(matrix, part.current * (1 - iron) + part.motion * iron)
    watts = rise / float(part.hot @ warm)
    moved = float(np.mean(np.abs(duty.speed) ** part.power))
    return replace(
        part, ohms=(1 - iron) * watts / square / 1.15, drag=iron * watts / max(moved, 1e-9)
    )
