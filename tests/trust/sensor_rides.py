"""Rides with sound sensors, from laws that our simulator does not use, and faults put into them.

The vehicle is its own: a brushed-motor law (back-EMF, torque and Coulomb friction), a road of
sines, a rider who pushes and lets go at random, cells with a Shepherd discharge law (C. M.
Shepherd, J. Electrochem. Soc. 112, 1965) and one diffusion lag each, parts with one heat capacity
that cool with the speed.  Every reading gets the noise, the quantum and the rate of a cheap board.
"""

from collections.abc import Callable
from dataclasses import dataclass, replace
from functools import cache

import numpy as np

from sagline_analyser.load.ride import Ride, StreamColumns
from support.rides import channel, make_ride, make_stream

STEP = 0.02
"""s of the integration, and of the fast stream."""


@dataclass(frozen=True)
class Vehicle:
    """One vehicle and its ride, drawn at random by :func:`own_ride`."""

    mass: float
    wheel: float
    gearing: float
    cells: int
    motors: int
    speed_constant: float
    winding: float
    motor_limit: float


def own_ride(seed: int, seconds: float = 240.0) -> Ride:
    """Return a sound ride of the vehicle of ``seed``."""
    luck = np.random.default_rng(seed)
    motors = 1 + int(luck.random() < 0.7)
    cells = int(luck.integers(10, 17))
    volts = 3.7 * cells
    car = Vehicle(
        mass=luck.uniform(70, 190),
        wheel=luck.uniform(0.12, 0.55),
        gearing=luck.uniform(1.0, 6.0),
        cells=cells,
        motors=motors,
        speed_constant=0.0,
        winding=luck.uniform(0.03, 0.12),
        motor_limit=luck.uniform(25, 80),
    )
    top = luck.uniform(7, 16)
    shaft = top * car.gearing / (car.wheel / 2)
    car = replace(car, speed_constant=volts / shaft)
    states = _integrate(car, luck, seconds, top)
    return _logged(car, states, luck)


UNEQUAL = 3
"""Seed of a ride with two motors that do unequal work, so that each fault can be put into it."""


@cache
def unequal_ride() -> Ride:
    return own_ride(UNEQUAL)


def unequal_values(key: str) -> np.ndarray:
    """Return a column of that ride."""
    stream = unequal_ride().find(key)
    assert stream is not None
    return stream.values[key]


def _rider(luck: np.random.Generator, count: int) -> tuple[np.ndarray, np.ndarray]:
    """Return throttle and brake: pushes with a hand's tremor, coasting, stops, standing."""
    throttle, brake = np.zeros(count), np.zeros(count)
    at = round(luck.uniform(3, 8) / STEP)
    while at < count:
        push = round(luck.uniform(4, 25) / STEP)
        level = luck.uniform(0.25, 1.1)
        ramp = np.minimum(np.arange(push) * STEP / luck.uniform(0.1, 0.8), 1.0)
        drift = np.cumsum(luck.normal(0, 0.004, push))
        wanted = np.clip(level * ramp + drift * (level < 1), 0, 1)
        throttle[at : at + push] = wanted[: max(0, count - at)]
        at += push
        coast = round(luck.uniform(1, 6) / STEP)
        at += coast
        if luck.random() < 0.6:
            stop = round(luck.uniform(4, 8) / STEP)
            brake[at : at + stop] = luck.uniform(0.4, 0.9)
            at += stop + round(luck.uniform(2, 8) / STEP)
    return throttle, brake


def _integrate(
    car: Vehicle, luck: np.random.Generator, seconds: float, top: float
) -> dict[str, np.ndarray]:
    count = round(seconds / STEP)
    throttle, brake = _rider(luck, count)
    # Two motors share as the rider steers: now one has more, now the other.
    middle, sway = luck.uniform(0.45, 0.55), luck.uniform(0.05, 0.2)
    marks = np.arange(0, count + 250, 250)
    share = middle + np.interp(np.arange(count), marks, luck.normal(0, sway, len(marks)))
    share = np.clip(share, 0.2, 0.8)
    both = np.stack([share, 1 - share], axis=1) * 2
    swing = luck.uniform(0.0, 0.03)
    length = luck.uniform(80, 300)
    resistance = luck.uniform(1.5e-3, 6e-3) * np.exp(luck.normal(0, 0.08, car.cells))
    if luck.random() < 0.3:
        resistance[luck.integers(car.cells)] *= luck.uniform(1.5, 3.0)
    capacity = luck.uniform(4, 15) * np.exp(luck.normal(0, 0.01, car.cells))
    charge = np.clip(luck.uniform(0.35, 0.97) + luck.normal(0, 0.006, car.cells), 0.05, 0.99)
    lag = np.zeros(car.cells)
    idle = luck.uniform(0.05, 0.6)
    area, rolling = luck.uniform(0.3, 0.6), luck.uniform(0.01, 0.02)
    to_shaft = car.gearing / (car.wheel / 2)
    air = luck.uniform(-5, 34)
    heat_motor = np.full(car.motors, air + luck.uniform(0, 15))
    heat_stage = np.full(car.motors, air + luck.uniform(0, 10))
    cool_motor = luck.uniform(0.4, 2.0, car.motors)
    motor_mass, stage_mass = luck.uniform(20, 80), luck.uniform(80, 300)
    pack_heat = air + luck.uniform(0, 8)
    names = ("speed", "current", "volts", "battery", "duty", "cells", "motor", "stage", "pack")
    told: dict[str, list[object]] = {name: [] for name in names}
    v = distance = 0.0
    # Wheels of the two sides turn with the road's bends, up to a few per cent apart.
    bend = 0.03 * np.interp(
        np.arange(count), np.arange(0, count, 200), luck.normal(0, 1, len(range(0, count, 200)))
    )
    for i in range(count):
        spread = np.array([1 + bend[i], 1 - bend[i]]) if car.motors == 2 else np.array([1.0])
        omega = v * to_shaft * spread
        emf = car.speed_constant * omega
        open_volts = 3.42 + 0.62 * charge + 0.12 * charge**6 - 0.018 / (charge + 0.02)
        stack = float(np.sum(open_volts - lag))
        shares = both[i] if car.motors == 2 else np.ones(1)
        wanted = np.minimum(shares * car.motor_limit, car.motor_limit) * throttle[i]
        regen = -0.3 * car.motor_limit * (brake[i] > 0.1) * min(v / 3.0, 1.0)
        wanted = wanted + regen
        duty = np.clip((emf + wanted * car.winding) / stack, -0.95, 0.95)
        current = (duty * stack - emf) / car.winding
        current = np.clip(current, -car.motor_limit, car.motor_limit)
        if v < 0.3 and throttle[i] == 0:
            current, duty = current * 0, duty * 0
        battery = float(np.sum(duty * current)) * 1.03 + idle
        cell = open_volts - lag - battery * resistance
        force = float(np.sum(car.speed_constant * current)) * to_shaft * 0.95
        slope = swing * np.sin(distance / length)
        drag = 0.6 * area * v * v + car.mass * 9.81 * (rolling * (v > 0.01) + slope)
        pull = force - drag - brake[i] * car.mass * 3.0 * (v > 0.01)
        v = max(0.0, v + pull / car.mass * STEP)
        distance += v * STEP
        charge = charge - battery * STEP / 3600 / capacity
        lag += (battery * resistance * 0.6 - lag) * STEP / 25.0
        loss = current**2 * car.winding
        heat_motor += (loss - cool_motor * (1 + 0.2 * v) * (heat_motor - air)) * STEP / motor_mass
        heat_stage += (
            (0.02 * np.abs(current) * 12 + 3 - 1.2 * (heat_stage - air)) * STEP / stage_mass
        )
        pack_heat += (battery**2 * float(resistance.sum()) * 0.3 - 0.5 * (pack_heat - air)) * (
            STEP / 9000
        )
        for name, value in zip(
            names,
            (
                v,
                current.copy(),
                float(cell.sum()) - battery * 0.004,
                battery,
                duty.copy(),
                cell,
                heat_motor.copy(),
                heat_stage.copy(),
                pack_heat,
            ),
            strict=True,
        ):
            told[name].append(value)
    found = {name: np.array(value) for name, value in told.items()}
    rpm = found["speed"][:, None] * to_shaft * 60 / (2 * np.pi)
    turns = np.stack([1 + bend, 1 - bend], axis=1)[:count] if car.motors == 2 else 1.0
    return {
        **found,
        "rpm": rpm * turns,
        "throttle": throttle,
        "brake": brake,
        "air": np.full(count, air),
    }


def _logged(car: Vehicle, s: dict[str, np.ndarray], luck: np.random.Generator) -> Ride:
    count = len(s["speed"])
    time = np.arange(count) * STEP
    noisy = luck.uniform(0.5, 3.0)

    def noise(size: float, n: int = count) -> np.ndarray:
        return luck.normal(0, noisy * size, n)

    fast = {
        channel("pack_voltage", "V", exponent=-2): s["volts"] + noise(0.02),
        channel("battery_current", "A", exponent=-1): s["battery"] + noise(0.1),
        channel("speed", "m/s", exponent=-2): np.maximum(0, s["speed"] + noise(0.02)),
        channel("throttle", "1", exponent=-2): s["throttle"],
        channel("brake", "1", exponent=-2): s["brake"],
    }
    for m in range(car.motors):
        fast |= {
            channel("motor_current", "A", m + 1, -1): s["current"][:, m] + noise(0.2),
            channel("duty_cycle", "1", m + 1, -3): s["duty"][:, m],
            channel("motor_speed", "r/min", m + 1, 0): np.rint(s["rpm"][:, m] + noise(1.0)),
        }
    cell_every = int(luck.choice([5, 10, 25, 50]))
    slow = slice(0, None, cell_every)
    cells = {
        channel("cell_voltage", "V", k + 1, -3): s["cells"][slow, k] + noise(0.001, len(time[slow]))
        for k in range(car.cells)
    }
    warm = slice(0, None, int(luck.choice([25, 50, 100])))
    coarse = int(luck.choice([0, -1]))
    heats = {
        channel("battery_temperature", "°C", 1, -1): s["pack"][warm] + noise(0.1, len(time[warm])),
        channel("ambient_temperature", "°C", 0, -1): s["air"][warm] + noise(0.1, len(time[warm])),
    }
    for m in range(car.motors):
        heats |= {
            channel("motor_temperature", "°C", m + 1, coarse): s["motor"][warm, m]
            + noise(0.2, len(time[warm])),
            channel("controller_temperature", "°C", m + 1, coarse): s["stage"][warm, m]
            + noise(0.2, len(time[warm])),
        }
    return make_ride(
        make_stream("fast", time, fast, period=STEP),
        make_stream("cells", time[slow], cells, period=STEP * cell_every),
        make_stream("temperatures", time[warm], heats, period=float(time[warm][1])),
    )


Change = Callable[[StreamColumns, str, np.random.Generator], np.ndarray]


@dataclass(frozen=True)
class Broken:
    """A ride with one fault: what was broken (``keys``), and the ride."""

    fault: str
    keys: tuple[str, ...]
    ride: Ride


def broken(ride: Ride, fault: str, seed: int) -> Broken | None:
    """Return ``ride`` with ``fault`` (of :data:`FAULTS`) in it; None where it cannot have it."""
    return FAULTS[fault](ride, np.random.default_rng(10_000 + seed))


def with_values(ride: Ride, changed: dict[str, np.ndarray]) -> Ride:
    """Return the ride with other values in some columns, raw samples and all."""
    streams = {}
    for name, stream in ride.streams.items():
        values, raw = dict(stream.values), dict(stream.raw)
        for key, new in changed.items():
            if key in values:
                ch = stream.channels[key]
                code = (new * 10.0**-ch.exponent - ch.offset) / ch.multiplier
                kind = np.asarray(raw[key]).dtype
                if kind.kind == "f":
                    raw[key], values[key] = code.astype(kind), new
                    continue
                edge = np.iinfo(kind)
                held = np.clip(np.rint(np.nan_to_num(code)), edge.min, edge.max)
                raw[key] = held.astype(kind)
                back = (held * ch.multiplier + ch.offset) * 10.0**ch.exponent
                values[key] = np.where(np.isfinite(new), back, np.nan)
        streams[name] = replace(stream, values=values, raw=raw)
    return replace(ride, streams=streams)


def _bursts(time: np.ndarray, luck: np.random.Generator, share: float = 0.12) -> np.ndarray:
    flags = np.zeros(len(time), bool)
    while flags.mean() < share:
        start = luck.uniform(time[0], time[-1])
        flags |= (time >= start) & (time < start + luck.uniform(1.0, 6.0))
    return flags


def _pick(ride: Ride, name: str, luck: np.random.Generator) -> str | None:
    keys = ride.keys(name)
    return str(luck.choice(keys)) if keys else None


def _one(
    fault: str,
    name: str,
    change: Callable[[np.ndarray, np.ndarray, np.random.Generator], np.ndarray],
) -> Callable[[Ride, np.random.Generator], Broken | None]:
    def make(ride: Ride, luck: np.random.Generator) -> Broken | None:
        key = _pick(ride, name, luck)
        if key is None:
            return None
        stream = ride.find(key)
        assert stream is not None
        new = change(stream.time, stream.values[key].copy(), luck)
        return Broken(fault, (key,), with_values(ride, {key: new}))

    return make


def _open_all(t: np.ndarray, v: np.ndarray, luck: np.random.Generator) -> np.ndarray:
    return np.full(len(v), luck.choice([-60.0, -40.0])) + luck.normal(0, 0.4, len(v))


def _open_bursts(t: np.ndarray, v: np.ndarray, luck: np.random.Generator) -> np.ndarray:
    return np.where(_bursts(t, luck), -40.0 + luck.normal(0, 0.5, len(v)), v)


def _shorted_all(t: np.ndarray, v: np.ndarray, luck: np.random.Generator) -> np.ndarray:
    return np.full(len(v), luck.uniform(185, 240)) + luck.normal(0, 0.4, len(v))


def _shorted_bursts(t: np.ndarray, v: np.ndarray, luck: np.random.Generator) -> np.ndarray:
    return np.where(_bursts(t, luck), luck.uniform(150, 240) + luck.normal(0, 1, len(v)), v)


def _jump(t: np.ndarray, v: np.ndarray, luck: np.random.Generator) -> np.ndarray:
    start = luck.uniform(0.3, 0.8) * t[-1]
    rise = np.clip((t - start) / 0.5, 0, 1) * (t < start + luck.uniform(3, 20))
    return v + rise * (180.0 - v)


def _offset(t: np.ndarray, v: np.ndarray, luck: np.random.Generator) -> np.ndarray:
    return v + luck.choice([-1, 1]) * luck.uniform(3.0, 8.0)


def _negative(t: np.ndarray, v: np.ndarray, luck: np.random.Generator) -> np.ndarray:
    return -v


def _zero_all(t: np.ndarray, v: np.ndarray, luck: np.random.Generator) -> np.ndarray:
    return np.zeros(len(v))


def _zero_from(t: np.ndarray, v: np.ndarray, luck: np.random.Generator) -> np.ndarray:
    return np.where(t > luck.uniform(0.2, 0.6) * t[-1], 0.0, v)


def _spikes(t: np.ndarray, v: np.ndarray, luck: np.random.Generator) -> np.ndarray:
    at = luck.integers(0, len(v), int(luck.integers(1, 5)))
    for i in at.tolist():
        v[i : i + int(luck.integers(1, 4))] = 55.0
    return v


def _drop_out(t: np.ndarray, v: np.ndarray, luck: np.random.Generator) -> np.ndarray:
    fast = np.flatnonzero(v > 0.5 * v.max())
    for i in luck.choice(fast, 2).tolist():
        v[i : i + int(luck.integers(3, 60))] = 0.0
    return v


def _throttle_stuck(t: np.ndarray, v: np.ndarray, luck: np.random.Generator) -> np.ndarray:
    start = luck.uniform(0.15, 0.35) * t[-1]
    return np.where(t > start, luck.choice([0.0, 0.2, 0.45, 0.7, 1.0]), v)


def _freeze(t: np.ndarray, v: np.ndarray, luck: np.random.Generator) -> np.ndarray:
    start = int(np.searchsorted(t, luck.uniform(0.2, 0.5) * t[-1]))
    return np.where(np.arange(len(v)) >= start, v[start], v)


def _replay(t: np.ndarray, v: np.ndarray, luck: np.random.Generator) -> np.ndarray:
    length = int(np.searchsorted(t, luck.uniform(4, 12)))
    start = int(np.searchsorted(t, luck.uniform(0.3, 0.5) * t[-1]))
    block = v[start - length : start]
    n = len(v) - start
    v[start:] = np.tile(block, n // length + 1)[:n]
    return v


def _hold(t: np.ndarray, v: np.ndarray, luck: np.random.Generator) -> np.ndarray:
    """Say each reading for some seconds before the next one is taken, now longer, now shorter."""
    lasts = luck.uniform(1.5, 4.0)
    taken = np.cumsum(lasts * luck.uniform(0.9, 1.2, int(t[-1] / lasts) + 2)) - lasts
    at = np.searchsorted(t, taken[np.maximum(np.searchsorted(taken, t, "right") - 1, 0)])
    return v[np.minimum(at, len(v) - 1)]


def _missing(t: np.ndarray, v: np.ndarray, luck: np.random.Generator) -> np.ndarray:
    return np.where(luck.random(len(v)) < 0.2, np.nan, v)


def _scaled(factor: float) -> Callable[[np.ndarray, np.ndarray, np.random.Generator], np.ndarray]:
    return lambda t, v, luck: v * factor


def _loose_tap(ride: Ride, luck: np.random.Generator) -> Broken:
    keys = ride.keys("cell_voltage")
    k = int(luck.integers(0, len(keys) - 1))
    stream = ride.find(keys[k])
    assert stream is not None
    away = _bursts(stream.time, luck) * luck.uniform(0.15, 0.8) * luck.choice([-1, 1])
    away = away * np.clip(1 + luck.normal(0, 0.2, len(away)), 0.5, 1.5)
    new = {keys[k]: stream.values[keys[k]] + away, keys[k + 1]: stream.values[keys[k + 1]] - away}
    return Broken("loose tap", (keys[k], keys[k + 1]), with_values(ride, new))


def _dead_tap(ride: Ride, luck: np.random.Generator) -> Broken:
    keys = ride.keys("cell_voltage")
    k = int(luck.integers(0, len(keys) - 1))
    stream = ride.find(keys[k])
    assert stream is not None
    one, two = stream.values[keys[k]], stream.values[keys[k + 1]]
    since = stream.time > luck.choice([-1.0, 0.4]) * stream.time[-1]
    doubled = luck.random() < 0.7
    new = {keys[k]: np.where(since, 0.0, one)}
    if doubled:
        new[keys[k + 1]] = np.where(since, one + two, two)
    broken_keys = (keys[k], keys[k + 1]) if doubled else (keys[k],)
    return Broken("dead tap", broken_keys, with_values(ride, new))


def _all_cells(frozen: bool) -> Callable[[Ride, np.random.Generator], Broken | None]:
    def make(ride: Ride, luck: np.random.Generator) -> Broken | None:
        keys = ride.keys("cell_voltage")
        stream = ride.find(keys[0]) if keys else None
        if stream is None or any(key not in stream.values for key in keys):
            return None
        first = int(luck.choice([0.0, luck.uniform(0.2, 0.7)]) * len(stream.time))
        new = {}
        for key in keys:
            new[key] = stream.values[key].copy()
            new[key][first:] = new[key][first] if frozen else 0.0
        return Broken("all cells", (*keys, stream.name), with_values(ride, new))

    return make


def _swap(name: str) -> Callable[[Ride, np.random.Generator], Broken | None]:
    def make(ride: Ride, luck: np.random.Generator) -> Broken | None:
        keys = ride.keys(name)
        if len(keys) != 2:
            return None
        stream = ride.find(keys[0])
        assert stream is not None
        one, two = (stream.values[k] for k in keys)
        return Broken("swapped", tuple(keys), with_values(ride, {keys[0]: two, keys[1]: one}))

    return make


def _one_at_half(ride: Ride, luck: np.random.Generator) -> Broken | None:
    keys = ride.keys("motor_current")
    if len(keys) < 2:  # of one motor alone nothing tells which of two currents is wrong
        return None
    return _one("half", "motor_current", _scaled(0.5))(ride, luck)


def _same_time(ride: Ride, luck: np.random.Generator) -> Broken:
    name = str(luck.choice([n for n, s in ride.streams.items() if len(s.time) > 100]))
    stream = ride.streams[name]
    time = stream.time.copy()
    at = luck.integers(2, len(time) - 2, 5)
    time[at] = time[at - 1]
    return Broken(
        "one time",
        (name,),
        replace(ride, streams={**ride.streams, name: replace(stream, time=time)}),
    )


def _rows_missing(ride: Ride, luck: np.random.Generator) -> Broken:
    name = str(luck.choice([n for n, s in ride.streams.items() if len(s.time) > 100]))
    stream = ride.streams[name]
    kept = luck.random(len(stream.time)) >= 0.2
    gap = np.r_[False, np.diff(np.flatnonzero(kept)) > 1]
    part = replace(
        stream,
        time=stream.time[kept],
        segment=stream.segment[kept],
        gap=gap,
        raw={k: v[kept] for k, v in stream.raw.items()},
        values={k: v[kept] for k, v in stream.values.items()},
    )
    return Broken("rows missing", (name,), replace(ride, streams={**ride.streams, name: part}))


FAULTS: dict[str, Callable[[Ride, np.random.Generator], Broken | None]] = {
    "thermistor open": _one("thermistor open", "motor_temperature", _open_all),
    "thermistor open, bursts": _one("open", "controller_temperature", _open_bursts),
    "thermistor shorted": _one("shorted", "motor_temperature", _shorted_all),
    "thermistor shorted, bursts": _one("shorted", "motor_temperature", _shorted_bursts),
    "air at -60 or -40 °C": _one("air", "ambient_temperature", _open_all),
    "temperature jumps to 180 °C": _one("jump", "motor_temperature", _jump),
    "loose cell tap, bursts": _loose_tap,
    "dead cell tap": _dead_tap,
    "all cells read nothing": _all_cells(False),
    "all cells freeze": _all_cells(True),
    "battery current with an offset": _one("offset", "battery_current", _offset),
    "motor current with an offset": _one(
        "offset", "motor_current", lambda t, v, luck: v + luck.choice([-1, 1]) * luck.uniform(5, 9)
    ),
    "battery current of the wrong sign": _one("sign", "battery_current", _negative),
    "motor current of the wrong sign": _one("sign", "motor_current", _negative),
    "speed at zero all along": _one("zero", "speed", _zero_all),
    "speed at zero from a moment on": _one("zero", "speed", _zero_from),
    "speed of 198 km/h for a moment": _one("spike", "speed", _spikes),
    "motor speed drops to zero": _one("drop", "motor_speed", _drop_out),
    "throttle stuck": _one("stuck", "throttle", _throttle_stuck),
    "motor currents swapped": _swap("motor_current"),
    "motor temperatures swapped": _swap("motor_temperature"),
    "pack voltage freezes": _one("freeze", "pack_voltage", _freeze),
    "battery current freezes": _one("freeze", "battery_current", _freeze),
    "motor current freezes": _one("freeze", "motor_current", _freeze),
    "speed freezes": _one("freeze", "speed", _freeze),
    "motor speed freezes": _one("freeze", "motor_speed", _freeze),
    "a cell freezes": _one("freeze", "cell_voltage", _freeze),
    "battery temperature freezes": _one("freeze", "battery_temperature", _freeze),
    "battery current repeats": _one("repeat", "battery_current", _replay),
    "pack voltage repeats": _one("repeat", "pack_voltage", _replay),
    "motor current repeats": _one("repeat", "motor_current", _replay),
    "speed repeats": _one("repeat", "speed", _replay),
    "a cell repeats": _one("repeat", "cell_voltage", _replay),
    "battery current is held again and again": _one("hold", "battery_current", _hold),
    "motor current is held again and again": _one("hold", "motor_current", _hold),
    "speed is held again and again": _one("hold", "speed", _hold),
    "a cell is held again and again": _one("hold", "cell_voltage", _hold),
    "20 % of a channel missing": _one("missing", "battery_current", _missing),
    "20 % of a stream missing": _rows_missing,
    "two samples of one time": _same_time,
    "pack voltage 10 % low": _one("low", "pack_voltage", _scaled(0.9)),
    "battery current at half": _one("half", "battery_current", _scaled(0.5)),
    "one motor's current at half": _one_at_half,
}
