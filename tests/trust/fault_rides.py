"""Rides that end in a fault whose cause is known, from laws that our simulator does not use.

One machine and its road: a brushed motor (back-EMF, torque, Coulomb friction), cells with a
Shepherd discharge law (C. M. Shepherd, J. Electrochem. Soc. 112, 1965), a lead between pack and
controller, a bus capacitor that the controller empties once the lead is open, and a controller that
stops for a reading past a level of its own: the hidden cause acts in these equations, and the log
shows what sensors of a cheap board would.  A dry run finds a moment of hard work at which the level
is first passed, so that levels fit the machine and not the other way round.
"""

from collections.abc import Callable
from dataclasses import dataclass, field, replace
from functools import lru_cache

import numpy as np

from sagline_analyser.load.ride import LinkGap, Ride, RideEvent, RideSegment, StreamColumns
from sagline_logger.format import BoardFile, Channel, EventKind, read_board_file
from support.rides import channel, make_ride

STEP = 0.01
"""s of integration."""

LENGTH = 90.0
"""s of a ride; causes strike in its last third."""

Array = np.ndarray


@dataclass(frozen=True)
class Machine:
    """One vehicle, SI units; ``levels`` are those at which its controller stops."""

    mass: float
    cells: int
    motors: int
    ratio: float
    constant: float
    winding: float
    limit: float
    ohms: Array
    capacity: float
    charge: Array
    lead: float
    idle: float
    air: float
    warm: float
    heat_mass: float
    stage_mass: float
    bus: float
    fast: float
    cell_every: float
    heat_every: float
    noise: float


@dataclass
class Strike:
    """What happens: at ``at`` s the controller's output ends (``cut``), the lead opens in the
    spans ``open_``, and its resistance is ``extra`` (n,) Ω more."""

    at: float = np.inf
    cut: bool = False
    open_: list[tuple[float, float]] = field(default_factory=list)
    extra: Array | None = None
    kick: float = 1.0
    """Motor current in the last samples before the cut, as a multiple of the limit's."""
    spin: bool = False
    """The drive to the wheels is lost: the motor runs alone."""
    release: bool = False
    """The rider lets go."""
    brake: float = 0.0
    """Braking current as a share of the limit, in the 2 s before ``at``."""


def machine(seed: int) -> Machine:
    """Return a machine by chance."""
    luck = np.random.default_rng([seed, 41])
    u = luck.uniform
    cells = int(luck.integers(10, 17))
    top, ratio = u(7, 15), u(9, 60)
    constant = 3.7 * cells / (top * ratio)
    return Machine(
        u(70, 180),
        cells,
        1 + int(luck.random() < 0.5),
        ratio,
        constant,
        u(0.04, 0.12),
        u(25, 75),
        u(1.5e-3, 6e-3) * np.exp(luck.normal(0, 0.08, cells)),
        u(4, 12),
        np.clip(u(0.45, 0.9) + luck.normal(0, 0.005, cells), 0.1, 0.98),
        u(3e-3, 12e-3),
        u(0.1, 0.6),
        u(0, 32),
        u(5, 30),
        u(120, 350),
        u(90, 300),
        u(1e-3, 5e-3),
        float(luck.choice([0.01, 0.02, 0.05])),
        float(luck.choice([0.1, 0.2, 0.5, 1.0])),
        float(luck.choice([0.25, 0.5, 1.0])),
        u(0.5, 2.5),
    )


def _hand(seed: int, count: int) -> Array:
    """Return the throttle: pushes of some seconds with a hand's drift, and coasting."""
    luck = np.random.default_rng([seed, 42])
    throttle, at = np.zeros(count), round(luck.uniform(3, 6) / STEP)
    while at < count:
        push = round(luck.uniform(5, 14) / STEP)
        level = luck.uniform(0.45, 1.0)
        ramp = np.minimum(np.arange(push) * STEP / luck.uniform(0.2, 0.8), 1.0)
        drift = np.cumsum(luck.normal(0, 0.002, push))
        part = throttle[at : at + push]
        part[:] = np.clip(level * ramp + drift, 0, 1)[: len(part)]
        at += push + round(luck.uniform(1, 4) / STEP)
    return throttle


def integrate(car: Machine, seed: int, strike: Strike) -> dict[str, Array]:
    """Return every quantity at each step; motors' have the shape (n, motors)."""
    count = round(LENGTH / STEP)
    time = np.arange(count) * STEP
    throttle, brake = _hand(seed, count), np.zeros(count)
    struck = time >= strike.at - 1e-9
    if strike.release:
        close = np.clip((strike.at - time) / 0.25, 0, 1)
        throttle = np.where(time > strike.at - 0.25, throttle * close, throttle)
    if strike.brake:
        pressed = (time >= strike.at - 2.0) & (time < strike.at + 1.5)
        throttle, brake = np.where(time > strike.at - 3.0, 0.0, throttle), pressed * 0.7
    extra = np.zeros(count) if strike.extra is None else strike.extra
    apart = np.zeros(count, bool)
    for start, end in strike.open_:
        apart |= (time >= start - 1e-9) & (time < end - 1e-9)
    road = 0.015 * np.sin(np.arange(count) * STEP / 9.0 + seed)
    kicked = (time >= strike.at - 0.03) & ~struck
    v = 0.0
    alone = None
    stack = 3.7 * car.cells
    lag, charge = np.zeros(car.cells), car.charge.copy()
    motor, stage = np.full(car.motors, car.air + car.warm), car.air + 0.6 * car.warm
    shares = np.array([0.52, 0.48])[: car.motors] * (
        2 / car.motors if car.motors == 2 else 1 / 0.52
    )
    amps, bus = np.zeros(car.motors), 0.0
    names = ("speed", "current", "volts", "battery", "duty", "cells", "motor", "stage", "turn")
    keep: dict[str, list[object]] = {name: [] for name in names}
    for i in range(count):
        spins = strike.spin and struck[i]
        if spins:
            alone = v if alone is None else alone
            free = 0.93 * stack / (car.constant * car.ratio)
            alone = float(np.clip(alone + (90 * (throttle[i] > 0.1) - 8) * STEP, 0.0, free))
        wheel = v if alone is None else alone
        emf = car.constant * car.ratio * wheel
        rest = 3.42 + 0.62 * charge + 0.12 * charge**6 - 0.018 / (charge + 0.02)
        stack = float(np.sum(rest - lag))
        wanted = shares * car.limit * throttle[i]
        if strike.brake and brake[i] > 0 and not struck[i]:
            wanted = -strike.brake * car.limit * np.ones(car.motors)
        if spins:
            wanted = wanted * 0.12
        seen = bus if apart[i] else stack
        if (strike.cut and struck[i]) or apart[i]:
            wanted = np.zeros(car.motors)
        room = (0.95 * seen - emf) / car.winding
        wanted = np.minimum(wanted, max(room, 0.0))
        amps = amps + (wanted - amps) * min(1.0, STEP / 0.012)
        if kicked[i] and strike.kick > 1:
            amps = shares * car.limit * strike.kick * np.linspace(1.0, 0.8, car.motors)
        duty = np.clip((emf + amps * car.winding) / max(seen, 1.0), 0, 0.98)
        duty = np.where(np.abs(amps) < 0.05 * car.limit, 0.0, duty) if wanted.any() == 0 else duty
        drawn = float(np.sum(duty * amps)) * 1.03 + car.idle
        battery = 0.0 if apart[i] else drawn
        cell = rest - lag - battery * car.ohms
        if apart[i]:
            # Work still asked for empties the capacitor at once, down to where the controller gives
            # up; its idle current empties the rest.
            level = 0.6 * stack if throttle[i] > 0.05 else bus
            bus = max(min(bus, max(level, bus - 600 * STEP)) - car.idle / car.bus * STEP * 0.1, 0.3)
        else:
            bus = float(cell.sum()) - battery * (car.lead + extra[i])
        force = 0.0 if alone is not None else float(np.sum(amps)) * car.constant * car.ratio * 0.95
        drag = 0.3 * v * v + car.mass * 9.81 * (0.014 * (v > 0.01) + road[i])
        drag += car.mass * 1.5 * (brake[i] > 0) * (v > 0.01)
        v = max(0.0, v + (force - drag) / car.mass * STEP)
        charge = charge - battery * STEP / 3600 / car.capacity
        lag = lag + (battery * car.ohms * 0.6 - lag) * STEP / 20.0
        motor = (
            motor + (amps**2 * car.winding * 1.5 - 0.8 * (motor - car.air)) * STEP / car.heat_mass
        )
        stage = (
            stage
            + ((0.6 * float(np.abs(amps).sum()) + 3) * 2 - 1.0 * (stage - car.air))
            * STEP
            / car.stage_mass
        )
        for name, value in zip(
            keep, (v, amps, bus, battery, duty, cell, motor, stage, wheel), strict=True
        ):
            keep[name].append(value)
    return {
        **{k: np.array(x) for k, x in keep.items()},
        "throttle": throttle,
        "brake": brake,
        "time": time,
    }


@dataclass(frozen=True)
class FaultRide:
    """A ride, its board file (None in some), and what would be right to say of it.

    ``right`` are the keys of causes of which one is the truth, or stands for what a log cannot tell
    from it; ``broken`` is the column whose sensor is broken, "" if none is.
    """

    kind: str
    ride: Ride
    board: BoardFile | None
    at: float
    right: frozenset[str]
    broken: str = ""
    silent: bool = False
    """To tell nothing at all is right as well."""


def moment(s: dict[str, Array], value: Array, seed: int) -> int | None:
    """Return a step of hard work in the last third at which ``value`` is higher than ever before;
    None where there is none."""
    hard = (s["throttle"] > 0.35) & (
        np.abs(s["current"]).sum(axis=1) > 0.25 * np.abs(s["current"]).sum(axis=1).max()
    )
    # Work for a second before, and a second after.
    long = np.convolve(hard, np.ones(200), "same") >= 199
    before = np.r_[-np.inf, np.maximum.accumulate(value)[:-1]]
    late = (s["time"] > 0.6 * LENGTH) & (s["time"] < LENGTH - 6)
    found = np.flatnonzero(late & long & (value >= before))
    return int(np.random.default_rng([seed, 43]).choice(found)) if len(found) else None


def _stream(name: str, time: Array, columns: dict[Channel, Array], period: float) -> StreamColumns:
    """Return readings rounded to their channels' quanta, all at once."""
    raw = {c.key: np.round(v * 10.0**-c.exponent).astype("<i4") for c, v in columns.items()}
    values = {c.key: raw[c.key] * 10.0**c.exponent for c in columns}
    return StreamColumns(
        name,
        period,
        {c.key: c for c in columns},
        time,
        raw,
        values,
        np.zeros(len(time), np.int32),
        np.zeros(len(time), bool),
    )


@lru_cache(maxsize=64)
def _dry(seed: int) -> dict[str, Array]:
    """Return the machine's ride on which nothing happens."""
    return integrate(machine(seed), seed, Strike())


def _log(car: Machine, s: dict[str, Array], seed: int, cells: bool, **more: object) -> Ride:
    luck = np.random.default_rng([seed, 44])

    def every(period: float) -> Array:
        return np.arange(0, len(s["time"]), round(period / STEP))

    def noisy(value: Array, size: float) -> Array:
        return value + luck.normal(0, car.noise * size, len(value))

    pick = every(car.fast)
    fast = {
        channel("pack_voltage", "V", exponent=-2): noisy(s["volts"][pick], 0.02),
        channel("battery_current", "A", exponent=-1): noisy(s["battery"][pick], 0.1),
        channel("speed", "m/s", exponent=-2): np.maximum(0, noisy(s["speed"][pick], 0.02)),
        channel("throttle", "1", exponent=-2): s["throttle"][pick],
        channel("brake", "1", exponent=-2): s["brake"][pick],
    }
    for m in range(car.motors):
        fast |= {
            channel("motor_current", "A", m + 1, -1): noisy(s["current"][pick, m], 0.2),
            channel("duty_cycle", "1", m + 1, -3): s["duty"][pick, m],
            channel("motor_speed", "r/min", m + 1, 0): np.rint(
                noisy(s["turn"][pick] * car.ratio * 60 / (2 * np.pi), 1.0)
            ),
        }
    warm = every(car.heat_every)
    heat = {channel("controller_temperature", "°C", 1, -1): noisy(s["stage"][warm], 0.2)}
    for m in range(car.motors):
        heat[channel("motor_temperature", "°C", m + 1, -1)] = noisy(s["motor"][warm, m], 0.2)
    streams = [
        _stream("fast", s["time"][pick], fast, car.fast),
        _stream("heat", s["time"][warm], heat, car.heat_every),
    ]
    if cells:
        slow = every(car.cell_every)
        own = {
            channel("cell_voltage", "V", k + 1, -3): noisy(s["cells"][slow, k], 0.001)
            for k in range(car.cells)
        }
        streams.append(_stream("cells", s["time"][slow], own, car.cell_every))
    return make_ride(*streams, **more)


def board_of(
    car: Machine,
    alarm: float = 3.1,
    stop: float = 2.8,
    motor: float = 140.0,
    controller: float = 100.0,
) -> BoardFile:
    """Return the machine's board file."""
    text = (
        f'name = "m"\n[battery]\ncell_full = 4.2\ncell_alarm = {alarm:.3f}\n'
        f'cell_stop = {stop:.3f}\n[[battery.units]]\nname = "box"\nseries = {car.cells}\n'
        f"parallel = 3\n[[motors]]\ncount = {car.motors}\ntemperature_limit = {motor:.1f}\n"
        f"[[controllers]]\ncount = {car.motors}\ntemperature_limit = {controller:.1f}\n"
        f"[settings]\nmotor_current_limit = {car.limit:.1f}\n"
    )
    return read_board_file(text, "faults")


def _event(at: float, luck: np.random.Generator, always: bool = False) -> tuple[RideEvent, ...]:
    if not always and luck.random() < 0.4:
        return ()
    return (RideEvent(at, EventKind.FAULT, int(luck.integers(1, 40)), 0, "drive cut"),)


def _changed(ride: Ride, key: str, change: Callable[[Array, Array], Array]) -> Ride:
    streams: dict[str, StreamColumns] = {}
    for name, stream in ride.streams.items():
        values = dict(stream.values)
        if key in values:
            values[key] = change(stream.time, values[key].copy())
        streams[name] = replace(stream, values=values)
    return replace(ride, streams=streams)


def _kept(ride: Ride, keep: Callable[[Array], Array]) -> Ride:
    streams = {}
    for name, stream in ride.streams.items():
        flags = keep(stream.time)
        gap = np.r_[False, np.diff(np.flatnonzero(flags)) > 1]
        streams[name] = replace(
            stream,
            time=stream.time[flags],
            segment=stream.segment[flags],
            gap=gap,
            raw={k: v[flags] for k, v in stream.raw.items()},
            values={k: v[flags] for k, v in stream.values.items()},
        )
    return replace(ride, streams=streams)


Made = FaultRide | None


def _heated(which: str) -> Callable[[str, int], Made]:
    def make(kind: str, seed: int) -> Made:
        car = machine(seed)
        car = replace(car, warm=np.random.default_rng([seed, 46]).uniform(25, 60))
        s = integrate(car, seed, Strike())
        value = s["motor"].max(axis=1) if which == "motor" else s["stage"]
        at = moment(s, value, seed)
        if at is None:
            return None
        limit = float(value[at])
        s = integrate(car, seed, Strike(at * STEP, cut=True))
        luck = np.random.default_rng([seed, 45])
        board = board_of(car, **{which: limit})
        ride = _log(car, s, seed, luck.random() < 0.7, events=_event(at * STEP, luck))
        return FaultRide(kind, ride, board, at * STEP, frozenset({f"{which}_hot"}))

    return make


def _drained(car: Machine, seed: int) -> Machine:
    luck = np.random.default_rng([seed, 47])
    charge = luck.uniform(0.10, 0.2) + luck.normal(0, 0.01, car.cells)
    ohms = car.ohms.copy()
    if luck.random() < 0.5:
        ohms[luck.integers(car.cells)] *= luck.uniform(2, 4)
    return replace(car, charge=np.clip(charge, 0.06, 1), ohms=ohms, capacity=luck.uniform(4, 8))


def _low(protection: bool) -> Callable[[str, int], Made]:
    def make(kind: str, seed: int) -> Made:
        car = _drained(machine(seed), seed)
        s = integrate(car, seed, Strike())
        at = moment(s, -s["cells"].min(axis=1), seed)
        if at is None:
            return None
        stop = float(s["cells"][at].min())
        strike = (
            Strike(at * STEP, open_=[(at * STEP, np.inf)])
            if protection
            else Strike(at * STEP, cut=True)
        )
        s = integrate(car, seed, strike)
        luck = np.random.default_rng([seed, 45])
        right = {"empty", "sag"} | ({"supply", "management"} if protection else set())
        ride = _log(car, s, seed, True, events=_event(at * STEP, luck))
        return FaultRide(kind, ride, board_of(car, stop + 0.15, stop), at * STEP, frozenset(right))

    return make


def _strike(
    right: set[str],
    build: Callable[[float, Machine, np.random.Generator], Strike],
    peak: Callable[[dict[str, Array]], Array] = lambda s: np.zeros(len(s["time"])),
    cells: float = 0.7,
    always: bool = False,
    late: tuple[float, float] = (0.0, 0.0),
) -> Callable[[str, int], Made]:
    """Return the maker of rides with what ``build`` makes of a moment at which ``peak`` is highest;
    an event is reported ``late`` s after it."""

    def make(kind: str, seed: int) -> Made:
        car = machine(seed)
        at = moment(s := _dry(seed), peak(s), seed)
        if at is None:
            return None
        luck = np.random.default_rng([seed, 45])
        s = integrate(car, seed, build(at * STEP, car, luck))
        ride = _log(
            car,
            s,
            seed,
            luck.random() < cells,
            events=_event(at * STEP + luck.uniform(*late), luck, always),
        )
        board = board_of(car) if luck.random() < 0.7 else None
        return FaultRide(kind, ride, board, at * STEP, frozenset(right))

    return make


def _worn(kind: str, seed: int) -> Made:
    """A contact whose resistance rises over half a minute, until the controller's own supply is too
    low to go on."""
    car = machine(seed)
    luck = np.random.default_rng([seed, 48])
    time = np.arange(round(LENGTH / STEP)) * STEP
    begin, long = luck.uniform(25, 45), luck.uniform(12, 35)
    end = luck.uniform(0.1, 0.3)
    extra = end * np.clip((time - begin) / long, 0, 1) ** luck.uniform(1, 2)
    extra = extra * (
        1 + 0.1 * np.interp(time, np.arange(0, LENGTH, 0.1), luck.normal(0, 1, round(LENGTH / 0.1)))
    )
    s = integrate(car, seed, Strike(extra=extra))
    at = moment(s, -s["volts"], seed)
    if at is None:
        return None
    s = integrate(car, seed, Strike(at * STEP, cut=True, extra=extra))
    seen = luck.random() < 0.7
    ride = _log(car, s, seed, seen, events=_event(at * STEP, luck))
    board = board_of(car) if luck.random() < 0.7 else None
    right = {"connector"} if seen else {"connector", "sag"}
    return FaultRide(kind, ride, board, at * STEP, frozenset(right))


def _with_sensor(
    name: str,
    change: Callable[[Array, Array, float, np.random.Generator], Array],
    right: set[str],
    cut: bool,
    silent: bool,
) -> Callable[[str, int], Made]:
    plain = _strike(right, lambda at, car, luck: Strike(at, cut=cut), always=not cut)

    def make(kind: str, seed: int) -> Made:
        made = plain(kind, seed)
        if made is None:
            return None
        luck = np.random.default_rng([seed, 49])
        key = str(luck.choice(made.ride.keys(name)))
        ride = _changed(made.ride, key, lambda t, v: change(t, v, made.at, luck))
        return replace(made, ride=ride, broken=key, silent=silent)

    return make


def _leaps(t: Array, v: Array, at: float, luck: np.random.Generator) -> Array:
    top = luck.uniform(150, 220)
    rise = np.clip((t - (at - luck.uniform(0.6, 1.5))) / 0.5, 0, 1)
    back = t < at + luck.uniform(2, 40)
    return v + rise * back * (top - v)


def _dies(t: Array, v: Array, at: float, luck: np.random.Generator) -> Array:
    since = at - luck.uniform(0.02, 0.1)
    return np.where((t >= since) & (t < since + luck.uniform(1, 30)), 0.0, v)


def _glitch(t: Array, v: Array, at: float, luck: np.random.Generator) -> Array:
    first = int(np.searchsorted(t, at)) - int(luck.integers(1, 3))
    v[first : first + int(luck.integers(1, 3))] = luck.choice([0.0, 1.6, np.nan])
    return v


def _silence(kind: str, seed: int) -> Made:
    made = _strike({"link"}, lambda at, car, luck: Strike())(kind, seed)
    if made is None:
        return None
    luck = np.random.default_rng([seed, 50])
    at = made.at
    back = at + luck.uniform(1.5, 4) if luck.random() < 0.6 else np.inf
    ride = _kept(made.ride, lambda t: (t < at) | (t > back))
    gap = LinkGap(at + luck.uniform(0.5, 1.2), back if back < np.inf else None, "no frame for 1 s")
    return replace(made, ride=replace(ride, link_gaps=(gap,), events=()))


def _reset(kind: str, seed: int) -> Made:
    made = _strike({"reset", "connector"}, lambda at, car, luck: Strike())(kind, seed)
    if made is None:
        return None
    back = made.at + np.random.default_rng([seed, 51]).uniform(0.5, 2)
    ride = _kept(made.ride, lambda t: (t < made.at) | (t > back))
    parts = (RideSegment(0, 1, 0.0, made.at), RideSegment(1, 2, back, ride.duration, 0.2))
    return replace(made, ride=replace(ride, segments=parts, events=()))


def _full(kind: str, seed: int) -> Made:
    """Braking into a full pack, until its voltage is too high for the controller."""
    base = machine(seed)
    car = replace(base, charge=np.full(base.cells, 0.995), capacity=30.0)
    at = moment(s := integrate(car, seed, Strike()), np.zeros(len(s["time"])), seed)
    if at is None:
        return None
    luck = np.random.default_rng([seed, 45])
    when = at * STEP
    s = integrate(car, seed, Strike(when, cut=True, brake=0.8))
    high = float(np.median(s["cells"][at - 50]))
    ride = _log(car, s, seed, True, events=_event(when, luck, always=True))
    board = read_board_file(
        f'name = "m"\n[battery]\ncell_full = {high:.3f}\n[[battery.units]]\nname = "box"\n'
        f"series = {car.cells}\nparallel = 3\n",
        "faults",
    )
    return FaultRide(kind, ride, board, when, frozenset({"over_voltage"}))


def _battery(s: dict[str, Array]) -> Array:
    return np.asarray(s["battery"])


KINDS: dict[str, Callable[[str, int], Made]] = {
    "motor over-temperature": _heated("motor"),
    "controller over-temperature": _heated("controller"),
    "low voltage, controller stops": _low(protection=False),
    "low voltage, protection opens": _low(protection=True),
    "battery over-current, protection opens": _strike(
        {"management", "supply"}, lambda at, car, luck: Strike(at, open_=[(at, np.inf)]), _battery
    ),
    "power lead pulled": _strike(
        {"management", "connector", "supply"},
        lambda at, car, luck: Strike(at, open_=[(at, np.inf)]),
    ),
    "loose contact, then a cut": _strike(
        {"connector"},
        lambda at, car, luck: Strike(
            at,
            cut=True,
            open_=[
                (at - d, at - d + luck.uniform(0.04, 0.15))
                for d in (1.2, 0.6, 0.2)[: int(luck.integers(2, 4))]
            ],
        ),
    ),
    "contact resistance rises": _worn,
    "over-current in a motor": _strike(
        {"over_current"}, lambda at, car, luck: Strike(at, cut=True, kick=luck.uniform(1.7, 3))
    ),
    "over-voltage by braking": _full,
    "controller stops by itself": _strike(
        {"by_itself"}, lambda at, car, luck: Strike(at, cut=True)
    ),
    "drive to the wheel lost": _strike(
        {"slip"},
        lambda at, car, luck: Strike(at, spin=True),
        lambda s: -1.0 * (s["duty"].max(axis=1) > 0.8),
        always=True,
        late=(0.4, 0.9),
    ),
    "temperature sensor jumps, controller stops": _with_sensor(
        "motor_temperature", _leaps, {"heat_signal", "by_itself"}, cut=True, silent=True
    ),
    "temperature sensor jumps, a fault is reported": _with_sensor(
        "motor_temperature", _leaps, {"heat_signal"}, cut=False, silent=True
    ),
    "motor speed drops to zero, controller stops": _with_sensor(
        "motor_speed", _dies, {"speed_signal"}, cut=True, silent=False
    ),
    "throttle signal fails, controller stops": _with_sensor(
        "throttle", _glitch, {"throttle_signal"}, cut=True, silent=False
    ),
    "link lost": _silence,
    "board resets": _reset,
    "rider lets go": _strike({"rider"}, lambda at, car, luck: Strike(at, release=True)),
    "nothing": _strike(set(), lambda at, car, luck: Strike()),
}
"""Name → maker of (name, seed); None where the machine of this seed never works hard enough."""


def fault_ride(kind: str, seed: int) -> FaultRide | None:
    """Return the ride of ``kind`` and ``seed``; those that let nothing happen report no fault."""
    made = KINDS[kind](kind, seed)
    if made is not None and kind in ("rider lets go", "nothing"):
        made = replace(made, ride=replace(made.ride, events=()), silent=True)
    return made
