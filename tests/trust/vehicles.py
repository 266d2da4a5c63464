"""Launches of vehicles that share no equation with our simulator or with the analyser's fit.

Three families, each random within itself: a scooter whose tyre slips on a curve and whose motor
saturates, a cargo bike with a chain that loses torque by its own map and a tyre that rolls harder
with speed, and a light board on a battery-current limit in a gusty place.  Riders, loads, winds,
places, warmth and charge differ from ride to ride, hands and gusts from launch to launch.  All
launches of a set are integrated at once, each a lane.  The shapes of the laws are the textbooks'
(H. B. Pacejka's sine of an arc tangent for slip; a hyperbolic sine for the activation loss of a
cell); the figures in them are of a plausible size, from memory.
"""

import math
from dataclasses import dataclass, fields, replace

import numpy as np
import numpy.typing as npt

from sagline_analyser.load.ride import Ride, StreamColumns
from sagline_logger.format import Channel
from support.rides import channel, make_ride

Array = npt.NDArray[np.float64]
FAMILIES = ("scooter", "cargo", "board")
STEP = 0.005
"""s of integration."""
RATE = 4
"""Steps between two samples: 50 Hz."""
STAND, AFTER = 3.0, 3.0
"""s that the rider stands before a launch, and takes to stop after it."""
LONGEST = 9.0
GRAVITY = 9.80665


@dataclass(frozen=True)
class Vehicle:
    """One vehicle at one place: SI units; ``limits`` are A (each motor), A and a ratio."""

    family: str
    mass: float
    motors: int
    radius: float
    gear: float
    torque: float
    saturation: float
    winding: float
    limits: dict[str, float]
    gain: float
    lag: float
    rolling: tuple[float, float]
    area: float
    slope: float
    volts: float
    ohms: float
    activation: float
    slow: float
    capacity: float
    end: float
    style: float
    noise: tuple[float, float, float, float]


@dataclass(frozen=True)
class Hands:
    """What differs between launches, each (lanes,): load as a share, wind in m/s (positive from
    ahead), rise of the road, throttle level, s of roll-on, its shape, charge 0 to 1, warmth in °C,
    and voltage not yet recovered."""

    load: Array
    wind: Array
    rise: Array
    level: Array
    roll_on: Array
    shape: Array
    charge: Array
    warmth: Array
    lag_volts: Array


@dataclass(frozen=True)
class Shift:
    """What side B has that is not the setting: load as a share, wind in m/s, rise, throttle as a
    share, s of roll-on."""

    load: float = 0.0
    wind: float = 0.0
    rise: float = 0.0
    level: float = 0.0
    roll_on: float = 0.0


@dataclass(frozen=True)
class Trace:
    """Lanes sampled: ``time`` (n,), all others (n, lanes); ``end`` (lanes,) is where throttle
    closes."""

    time: Array
    speed: Array
    current: Array
    battery: Array
    volts: Array
    duty: Array
    throttle: Array
    end: Array

    def lanes(self, first: int, last: int | None) -> "Trace":
        """Return some of the lanes alone."""
        some = slice(first, last)
        rest = [getattr(self, f.name) for f in fields(self)[1:-1]]
        return Trace(self.time, *(column[:, some] for column in rest), self.end[some])


def vehicle(family: str, seed: int, motor_limited: bool = False) -> Vehicle:
    """Return a random vehicle; with ``motor_limited`` no other limit comes near in a launch."""
    chance = np.random.default_rng([seed, FAMILIES.index(family)])

    def between(low: float, high: float) -> float:
        return float(chance.uniform(low, high))

    if family == "scooter":
        own = Vehicle(
            family,
            between(130, 190),
            1,
            between(0.2, 0.27),
            1.0,
            between(1.2, 1.7),
            between(110, 220),
            between(0.03, 0.06),
            {"motor": between(55, 85), "battery": between(45, 70), "duty": 0.95},
            between(95, 130),
            between(0.03, 0.08),
            (between(0.009, 0.014), between(0.0, 6e-4)),
            between(0.45, 0.65),
            between(-0.012, 0.012),
            between(50, 74),
            between(0.06, 0.12),
            between(0.15, 0.4),
            between(0.02, 0.05),
            between(20, 40),
            10.5,
            between(0.2, 0.6),
            (0.03, 0.4, 0.25, 0.03),
        )
    elif family == "cargo":
        own = Vehicle(
            family,
            between(150, 260),
            1,
            between(0.25, 0.33),
            between(4.0, 6.5),
            between(0.35, 0.5),
            between(60, 130),
            between(0.05, 0.1),
            {"motor": between(35, 60), "battery": between(22, 40), "duty": 0.97},
            between(60, 90),
            between(0.05, 0.12),
            (between(0.006, 0.010), between(5e-4, 1.2e-3)),
            between(0.6, 0.9),
            between(-0.015, 0.015),
            between(45, 55),
            between(0.08, 0.16),
            between(0.2, 0.5),
            between(0.03, 0.08),
            between(15, 30),
            7.0,
            between(0.3, 0.9),
            (0.02, 0.25, 0.15, 0.02),
        )
    else:
        own = Vehicle(
            family,
            between(75, 105),
            2,
            between(0.045, 0.055),
            between(2.2, 3.0),
            between(0.05, 0.06),
            between(90, 200),
            between(0.03, 0.07),
            {"motor": between(32, 50), "battery": between(14, 24), "duty": 0.95},
            between(50, 75),
            between(0.02, 0.06),
            (between(0.014, 0.022), between(0.0, 8e-4)),
            between(0.4, 0.55),
            between(-0.008, 0.008),
            between(36, 50),
            between(0.05, 0.1),
            between(0.1, 0.3),
            between(0.02, 0.04),
            between(8, 14),
            8.5,
            between(0.3, 0.8),
            (0.03, 0.3, 0.2, 0.03),
        )
    if motor_limited:
        own = replace(own, limits={**own.limits, "battery": 1e3}, end=0.62 * own.end)
    return own


def changed(own: Vehicle, name: str, factor: float) -> Vehicle:
    """Return the vehicle with one of its limits multiplied."""
    return replace(own, limits={**own.limits, name: own.limits[name] * factor})


@dataclass(frozen=True)
class Day:
    """How the rides of a set differ: standard deviations, and the charge each ride takes."""

    load: float = 0.012
    wind: float = 0.8
    rise: float = 0.0006
    level: float = 0.012
    roll_on: float = 0.12
    charge: float = 0.03
    taken: float = 0.05


def hands(
    own: Vehicle,
    rides: int,
    launches: int,
    chance: np.random.Generator,
    day: Day,
    start: float,
    shift: Shift,
    shifted: Array,
) -> Hands:
    """Draw rides one after another; ``shifted`` (rides,) is 1 where a ride has the shift."""

    def ride(mean: float, spread: float) -> Array:
        return np.repeat(mean + spread * chance.normal(size=rides), launches)

    def launch(spread: float) -> Array:
        return np.asarray(spread * chance.normal(size=rides * launches))

    moved = np.repeat(shifted, launches)
    turn = np.tile(np.arange(launches) / launches, rides)
    drained = np.repeat(np.arange(rides), launches) + turn
    load = np.clip(ride(0.0, day.load), -0.02, 0.02) + launch(0.001)
    return Hands(
        load + shift.load * moved,
        ride(0.0, day.wind) + launch(0.5 * day.wind) + shift.wind * moved,
        own.slope + ride(0.0, day.rise) + launch(0.0004) + shift.rise * moved,
        np.clip(ride(0.97, day.level) + launch(0.008), 0.8, 1.0) + shift.level * moved,
        np.clip(ride(own.style, day.roll_on) + launch(0.06) + shift.roll_on * moved, 0.08, 3.0),
        np.clip(ride(1.2, 0.15) + launch(0.08), 0.7, 2.0),
        np.clip(start - day.taken * drained + ride(0.0, day.charge), 0.15, 0.99),
        ride(28.0, 4.0) + 10.0 * turn,
        np.abs(launch(0.05)),
    )


def drive(own: Vehicle, lanes: Hands, limits: dict[str, Array]) -> Trace:
    """Integrate every lane from rest until its throttle closes, and a little beyond.

    ``limits`` are those of :class:`Vehicle`, each (lanes,).
    """
    count = len(lanes.load)
    mass = own.mass * (1 + lanes.load)
    speed, current, slow = np.zeros(count), np.zeros(count), lanes.lag_volts.copy()
    drawn = np.zeros(count)
    rest = own.volts * (0.86 + 0.13 * lanes.charge + 0.02 * np.tanh((lanes.charge - 0.12) / 0.06))
    volts = rest - slow
    ohms = own.winding * (1 + 0.0039 * (lanes.warmth - 20))
    end = np.full(count, np.nan)
    keep: dict[str, list[Array]] = {
        k: [] for k in ("speed", "current", "battery", "volts", "duty", "throttle")
    }
    slip = np.zeros(count)
    per = own.gear / own.radius
    weight = mass * GRAVITY * (0.6 if own.family == "scooter" else 1.0)
    for step in range(round(LONGEST / STEP)):
        time = step * STEP
        open_ = lanes.level * np.clip(time / lanes.roll_on, 0, 1) ** lanes.shape
        asked = np.minimum(own.gain * open_**1.1, limits["motor"])
        turning = speed * (1 + slip) * per
        emf = 0.95 * own.torque * turning
        # The two other limits, as a controller with a fixed-point loop keeps them.
        room = np.maximum(limits["duty"] * volts - emf, 0.0) / ohms
        power = limits["battery"] / own.motors * volts
        held = (np.sqrt(emf**2 + 4 * ohms * power) - emf) / (2 * ohms)
        wanted = np.minimum(np.minimum(asked, room), held)
        current = current + (wanted - current) * STEP / own.lag
        if own.family == "scooter":
            turn = own.torque * current / np.sqrt(1 + (current / own.saturation) ** 2)
            turn = turn - 0.3 - 0.01 * turning
        elif own.family == "cargo":
            turn = own.torque * own.saturation * np.tanh(current / own.saturation)
            turn = turn * (0.95 - 0.12 * np.exp(-turn / 4.0)) - 0.002 * turning
        else:
            turn = own.torque * current * (1 - 0.12 * np.minimum(current / own.saturation, 1) ** 2)
            turn = 0.93 * turn - 0.02 - 2e-4 * turning
        force = own.motors * np.maximum(turn, 0.0) * per
        if own.family == "scooter":  # F = µ·N·sin(C·atan(B·s)), turned round for the slip
            share = np.minimum(force / (0.9 * weight), 0.97)
            slip = np.tan(np.arcsin(share) / 1.5) / 12.0
            force = share * 0.9 * weight
        air = speed + lanes.wind
        drag = 0.6 * own.area * np.abs(air) * air * (1 + 0.1 * np.tanh(np.abs(lanes.wind)))
        crr = own.rolling[0] + own.rolling[1] * speed
        back = mass * GRAVITY * (crr + lanes.rise) + drag
        grip = np.where((speed <= 0) & (force < back), 0.0, force - back)
        speed = np.maximum(speed + grip / (1.05 * mass) * STEP, 0.0)
        electric = own.motors * (ohms * current**2 + emf * current + 2.0 + 0.05 * current)
        battery = np.maximum(electric, 0) / volts
        drawn = drawn + battery * STEP
        slow = slow + (own.slow * battery - slow) * STEP / 6.0
        volts = (
            rest
            - 0.12 * own.volts * drawn / 3600 / own.capacity
            - own.ohms * battery
            - own.activation * np.arcsinh(battery / 8.0)
            - slow
        )
        done = np.isnan(end) & ((speed >= own.end) | (time >= 7.5))
        end = np.where(done, time, end)
        if step % RATE == 0:
            for key, value in (
                ("speed", speed),
                ("current", current),
                ("battery", battery),
                ("volts", volts),
                ("duty", np.clip((ohms * current + emf) / volts, 0, 1)),
                ("throttle", open_),
            ):
                keep[key].append(value)
        if not np.isnan(end).any() and time > max(3.6, float(end.max()) + 0.1):
            break
    columns = {k: np.stack(v) for k, v in keep.items()}
    time_axis = RATE * STEP * np.arange(len(columns["speed"]))
    return Trace(time_axis, end=np.where(np.isnan(end), LONGEST, end), **columns)


def log(
    own: Vehicle,
    trace: Trace,
    lanes: Hands,
    chosen: range,
    chance: np.random.Generator,
    settings: dict[str, str],
    name: str,
) -> Ride:
    """Return the lanes of one ride as its log would read: sampled, noisy, one after another."""
    rest = round(STAND / (RATE * STEP))
    stop = round(AFTER / (RATE * STEP))
    parts: dict[str, list[Array]] = {
        k: [] for k in ("speed", "current", "battery", "volts", "duty", "throttle")
    }
    warm: list[Array] = []
    for lane in chosen:
        last = int(np.searchsorted(trace.time, trace.end[lane]))
        last = min(last, len(trace.time) - 1)
        top, sunk = trace.speed[last, lane], trace.volts[last, lane]
        full = trace.volts[0, lane] + own.ohms * trace.battery[0, lane]
        back = np.linspace(top, 0.0, stop)
        calm = np.linspace(0, 1, stop)
        before = {
            "speed": np.zeros(rest),
            "current": np.zeros(rest),
            "duty": np.zeros(rest),
            "battery": np.full(rest, 2.0 * own.motors / full),
            "volts": np.full(rest, full),
            "throttle": np.zeros(rest),
        }
        after = {
            "speed": back,
            "current": np.zeros(stop),
            "duty": np.zeros(stop),
            "battery": np.full(stop, 2.0 * own.motors / full),
            "volts": full - (full - sunk) * 0.3 * (1 - calm),
            "throttle": np.zeros(stop),
        }
        for key, column in parts.items():
            column += [before[key], getattr(trace, key)[: last + 1, lane], after[key]]
        warm.append(np.full(rest + last + 1 + stop, lanes.warmth[lane]))
    whole = {k: np.concatenate(v) for k, v in parts.items()}
    count = len(whole["speed"])
    speed, amps, bus, volt = own.noise

    def noisy(key: str, size: float) -> Array:
        return np.asarray(whole[key] + size * chance.normal(size=count))

    columns = {
        channel("speed", "m/s"): np.maximum(noisy("speed", speed), 0.0),
        channel("throttle", "1"): whole["throttle"],
        channel("battery_current", "A", exponent=-2): noisy("battery", bus),
        channel("pack_voltage", "V", exponent=-2): noisy("volts", volt),
    }
    for motor in range(1, own.motors + 1):
        columns[channel("motor_current", "A", motor, exponent=-2)] = noisy("current", amps)
        columns[channel("duty_cycle", "1", motor)] = whole["duty"]
    time = RATE * STEP * np.arange(count)
    seldom = slice(None, None, 50)
    heat = np.concatenate(warm)[seldom]
    slow = {
        channel("motor_temperature", "degC", 1, exponent=-1): heat,
        channel("ambient_temperature", "degC", exponent=-1): np.full(len(heat), 18.0),
    }
    return make_ride(
        _stream("fast", time, columns),
        _stream("slow", time[seldom], slow),
        path=name,
        settings=settings,
        board_name=own.family,
    )


def _stream(name: str, time: Array, columns: dict[Channel, Array]) -> StreamColumns:
    """Return readings rounded to their channels' quanta, all at once."""
    raw = {c.key: np.round(v * 10.0**-c.exponent).astype("<i4") for c, v in columns.items()}
    values = {c.key: raw[c.key] * 10.0**c.exponent for c in columns}
    return StreamColumns(
        name,
        float(time[1]),
        {c.key: c for c in columns},
        time,
        raw,
        values,
        np.zeros(len(time), np.int32),
        np.zeros(len(time), bool),
    )


@dataclass(frozen=True)
class Set:
    """Rides of one vehicle in ``order``, and pairs of lanes that differ by the setting alone."""

    rides: list[Ride]
    order: str
    without: Trace
    with_it: Trace

    def truth(self, key: str, goal: float) -> float:
        """Return what the setting makes of a measure up to ``goal`` m/s, meant over the pairs that
        reach it."""
        lanes = (self.without, self.with_it)
        there = np.all([np.isfinite(measured(x, "time_to_speed", goal)) for x in lanes], axis=0)
        before, after = (measured(x, key, goal)[there] for x in lanes)
        return float(np.mean(after - before))


KEYS = {"motor": "motor_current_limit", "battery": "battery_current_limit"}
PAIRS = 48
"""Lanes with and without the setting from which the truth is taken."""


def ride_set(
    family: str,
    seed: int,
    name: str = "motor",
    factor: float = 1.0,
    launches: int = 7,
    order: str = "ABBA",
    motor_limited: bool = False,
    shift: Shift | None = None,
    day: Day | None = None,
    stated: bool = True,
    claimed: float = 1.0,
) -> Set:
    """Ride one random vehicle in ``order``, its setting ``name`` multiplied on side B.

    ``claimed`` is by how much more B's log states it than it was.
    """
    own = vehicle(family, seed, motor_limited)
    other = changed(own, name, factor)
    chance = np.random.default_rng([seed, 77, FAMILIES.index(family)])
    day, shift = day or Day(), shift or Shift()
    on_b = np.array([letter == "B" for letter in order], float)
    start = float(chance.uniform(0.6, 0.95))
    lanes = hands(own, len(order), launches, chance, day, start, shift, on_b)
    pairs = hands(
        own,
        PAIRS,
        1,
        chance,
        replace(day, taken=0.0),
        start - day.taken * len(order) / 2,
        Shift(),
        np.zeros(PAIRS),
    )
    changed_on = np.r_[np.repeat(on_b, launches), np.zeros(PAIRS), np.ones(PAIRS)] > 0
    whole = Hands(
        *(np.r_[getattr(lanes, f.name), np.tile(getattr(pairs, f.name), 2)] for f in fields(Hands))
    )
    trace = drive(
        own, whole, {k: np.where(changed_on, other.limits[k], own.limits[k]) for k in own.limits}
    )
    rides = []
    for number, letter in enumerate(order):
        machine = own if letter == "A" else other
        settings = (
            {KEYS[name]: f"{machine.limits[name] * (claimed if letter == 'B' else 1.0):.4g}"}
            if stated
            else {}
        )
        rides.append(
            log(
                machine,
                trace,
                lanes,
                range(number * launches, (number + 1) * launches),
                chance,
                settings,
                f"{letter}{number + 1}.sagline",
            )
        )
    ridden = len(order) * launches
    without, with_it = (
        _seen(trace.lanes(first, first + PAIRS), own, seed) for first in (ridden, ridden + PAIRS)
    )
    return Set(rides, order, without, with_it)


def _seen(trace: Trace, own: Vehicle, seed: int) -> Trace:
    """Return the traces with the sensors' noise, the same each time: a largest sample is defined by
    it, and the more samples at a level the larger."""
    chance = np.random.default_rng([seed, 5])
    _, amps, bus, volt = own.noise
    noise = chance.normal(size=(3, *trace.speed.shape))
    volts = trace.volts + volt * noise[2]
    volts[0] = trace.volts[0]  # the mean of a second of rest
    return replace(
        trace,
        current=trace.current + amps / math.sqrt(own.motors) * noise[0],
        battery=trace.battery + bus * noise[1],
        volts=volts,
    )


def measured(trace: Trace, key: str, goal: float) -> Array:
    """Return a measure of every lane straight from the model's own traces."""
    time, speed = trace.time, trace.speed
    zero, done = _reach(time, speed, 0.5), _reach(time, speed, goal)
    during = (time[:, None] >= zero) & (time[:, None] <= done)
    three = (time[:, None] >= zero) & (time[:, None] <= zero + 3.0)
    step = float(time[1])
    of = {
        "time_to_speed": lambda: done - zero,
        "time_to_half": lambda: _reach(time, speed, goal / 2) - zero,
        "distance": lambda: np.where(three, speed, 0).sum(axis=0) * step,
        "peak_battery": lambda: np.where(during, trace.battery, -np.inf).max(axis=0),
        "mean_battery": lambda: _mean(trace.battery, during),
        "peak_motor": lambda: np.where(during, trace.current, -np.inf).max(axis=0),
        "mean_motor": lambda: _mean(trace.current, during),
        "heat": lambda: np.where(during, trace.current**2, 0).sum(axis=0) * step,
        "sag": lambda: trace.volts[0] - np.where(during, trace.volts, np.inf).min(axis=0),
        "energy": lambda: (
            np.where(during, trace.volts * trace.battery, 0).sum(axis=0) * step / 3600
        ),
    }
    return np.asarray(of[key]())


def _mean(values: Array, where: npt.NDArray[np.bool_]) -> Array:
    return np.asarray(np.where(where, values, 0).sum(axis=0) / np.maximum(where.sum(axis=0), 1))


def _reach(time: Array, speed: Array, level: float) -> Array:
    past = speed >= level
    at = np.argmax(past, axis=0)
    lane = np.arange(speed.shape[1])
    now, then = speed[at, lane], speed[np.maximum(at - 1, 0), lane]
    share = (level - then) / np.where(now > then, now - then, 1.0)
    return np.asarray(
        np.where(past.any(axis=0), time[np.maximum(at - 1, 0)] + share * time[1], math.nan)
    )
