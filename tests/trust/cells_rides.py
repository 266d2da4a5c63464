"""Rides on packs of modelled cells: what the board reads, and what is true."""

import random
from dataclasses import dataclass, replace

import numpy as np

from sagline_analyser.findings.readings.series import Array
from sagline_analyser.load.ride import Ride
from sagline_logger.format import BoardFile, read_board_file
from support.rides import channel, make_ride, make_stream
from trust.cells_model import (
    MAKES,
    SAMPLE,
    CannotSolve,
    Make,
    Solution,
    curve_of,
    pulse,
    rated_of,
    solve,
)
from trust.cells_vehicle import STEP, Vehicle, draw_vehicle, knots, schedule

DRIVING = 1.0
"""A from which the pack counts as loaded, for the mean driving load."""


@dataclass(frozen=True)
class Odd:
    """What is wrong with one cell, numbered from 1: the share of capacity and of charge (of its
    own capacity) that it lacks, and Ω in front of it."""

    cell: int
    smaller: float = 0.0
    behind: float = 0.0
    contact: float = 0.0


@dataclass(frozen=True)
class Pack:
    """A pack: ``series`` groups of ``parallel`` cells of ``stated`` Ah each by their data sheet;
    ``health`` is the share of it that a cell truly has, ``spread`` each group's further share of
    capacity and ``level`` its share of charge against the mean."""

    make: Make
    series: int
    parallel: int
    stated: float
    health: float
    spread: tuple[float, ...]
    level: tuple[float, ...]
    odd: Odd | None
    joint: float
    reserve: float

    @property
    def group(self) -> float:
        """Ah of one group between its voltages at rest, before its own spread."""
        return self.stated / rated_of(self.make) * self.health * self.parallel


@dataclass(frozen=True)
class CellTruth:
    """One group: states of charge (0 to 1), Ah, V at rest after the ride, and what it is."""

    number: int
    start: float
    end: float
    capacity: float
    rest_start: float
    rest_end: float
    behind: float
    contact: float
    smaller: float


@dataclass(frozen=True)
class Truth:
    """What is true of one ride.  ``load`` is the mean driving current in A, ``per_km`` Wh/km."""

    seed: int
    pack: Pack
    cells: tuple[CellTruth, ...]
    celsius: float
    load: float
    per_km: float
    late: float
    warmth: float

    def pulses(self, number: int, current: float) -> tuple[float, float]:
        """Return the Ω of cell ``number`` at once (0.1 s) and after 10 s of a load of ``current``
        A from rest, at the charge halfway through the ride and the ride's mean temperature."""
        cell = self.cells[number - 1]
        rate = current / cell.capacity  # in C of the group itself, as the model counts it
        middle = (cell.start + cell.end) / 2
        once, late = pulse(self.pack.make, round(middle, 3), round(self.warmth, 1), round(rate, 3))
        extra = self.pack.joint + cell.contact
        return once / current + extra, late / current + extra

    def distance(self, other: float | None = None) -> float:
        """Return the km that are left until the first cell is down to the reserve under the mean
        driving load, ridden at the ride's consumption; with ``other`` for a full pack of so many
        Ah (by the data sheet) of like sound cells instead."""
        return _distance(self, other)


@dataclass(frozen=True)
class Made:
    """One ride as the analyser gets it, its board file, and the truth."""

    ride: Ride
    board: BoardFile
    truth: Truth


@dataclass(frozen=True)
class Read:
    """How a board reads: Hz, V of one step and of noise of a cell, s late, shares and A."""

    rate: float
    quantum: float
    noise: float
    late: float
    gain: float
    offset: float


def draw_pack(chance: random.Random, make: Make | None = None, odd: str | None = None) -> Pack:
    """Draw a pack.  ``odd`` of "small", "behind", "contact" and "none" says what one cell is."""
    make = make or chance.choice(MAKES)
    series = chance.randint(8, 20)
    kind = odd or chance.choice(("none", "small", "behind", "contact"))
    stated = chance.choice((2.5, 3.0, 3.5, 5.0))
    parallel = chance.randint(2, 12)
    step, _ = pulse(make, 0.5, 25.0, 1.0)
    ohms = step / (stated * parallel)
    wrong = {
        "none": None,
        "small": Odd(chance.randint(1, series), smaller=chance.uniform(0.10, 0.20)),
        "behind": Odd(chance.randint(1, series), behind=chance.uniform(0.04, 0.12)),
        "contact": Odd(chance.randint(1, series), contact=ohms * chance.uniform(0.4, 1.0)),
    }[kind]
    return Pack(
        make,
        series,
        parallel,
        stated,
        chance.uniform(0.90, 1.02),
        tuple(chance.gauss(0.0, 0.008) for _ in range(series)),
        tuple(chance.gauss(0.0, 0.004) for _ in range(series)),
        wrong,
        ohms * chance.uniform(0.02, 0.1),
        chance.choice(make.reserve),
    )


def draw_read(chance: random.Random) -> Read:
    """Draw how the board reads."""
    quantum = chance.choice((0.001, 0.005))
    return Read(
        chance.choice((1.0, 2.0, 5.0, 10.0)),
        quantum,
        chance.uniform(0.0004, 0.0025),
        chance.choice((0.0, chance.uniform(0.0, 0.3))),
        chance.gauss(1.0, 0.005),
        chance.gauss(0.0, 0.04),
    )


def make_ride_of(
    seed: int,
    make: Make | None = None,
    odd: str | None = None,
    pack: Pack | None = None,
    start: float | None = None,
    vehicle: Vehicle | None = None,
) -> Made:
    """Make one ride.  ``pack`` and ``vehicle`` are drawn unless given, ``start`` is the state of
    charge that the pack sets out with."""
    chance = random.Random(f"cells {seed}")
    pack = pack or draw_pack(chance, make, odd)
    vehicle = vehicle or draw_vehicle(chance)
    if start is None:
        start = chance.choice((1.0, chance.uniform(0.5, 0.95), chance.uniform(0.22, 0.45)))
    celsius = chance.choice((25.0, chance.uniform(10.0, 32.0), chance.uniform(-3.0, 8.0)))
    read = draw_read(chance)
    before, after = (chance.choice((0.0, chance.uniform(5.0, 600.0))) for _ in range(2))
    hidden = chance.choice((0.0, 0.0, chance.uniform(60.0, 400.0)))
    seconds = chance.uniform(400.0, 2400.0)
    pace, watts = schedule(vehicle, hidden + seconds, chance)
    volts = pack.series * float(np.interp(start - 0.15, *curve_of(pack.make)))
    hardest = pack.make.hardest * pack.group
    # Vehicle and pack belong together: the mean driving load is so many C.
    wanted = chance.uniform(0.15, 0.45) * hardest
    watts *= wanted * volts / float(watts[watts > 0].mean())
    current = np.clip(watts / volts, -0.4 * hardest, hardest)
    if start > 0.97:  # a full pack takes no charge: the board lets none in at first
        current[: int(120 / STEP)] = np.maximum(current[: int(120 / STEP)], 0.0)
    # No more than leaves the weakest cell some charge; the rest of the ride is not made.
    lack = (pack.odd.smaller + pack.odd.behind) if pack.odd else 0.0
    most = (start - lack - 0.07) * pack.group * 3600
    drawn = np.cumsum(current) * STEP
    if drawn.max() > most:
        keep = max(int(np.argmax(drawn > most)), int(200 / STEP))
        current, pace = current[:keep], pace[:keep]
    hidden = min(hidden, len(current) * STEP - 150)
    still = vehicle.idle / volts
    first = int((before if hidden <= 0 else 0.0) / STEP)
    current = np.r_[np.full(first, still), current, np.full(int(after / STEP), still)]
    pace = np.r_[np.zeros(first), pace, np.zeros(int(after / STEP))]
    if drawn.max() > most * 1.2:
        current = current * most / drawn.max()
    return _measure(seed, pack, start, celsius, current, pace, max(hidden, 0.0), read, chance)


def _measure(
    seed: int,
    pack: Pack,
    start: float,
    celsius: float,
    current: Array,
    pace: Array,
    hidden: float,
    read: Read,
    chance: random.Random,
) -> Made:
    places = knots(current, 0.01 * pack.group)
    times, loads = places * STEP, current[places]
    usual, cells, rests = _solve_cells(pack, start, celsius, times, loads)
    if cells.min() < 0.9 * pack.make.empty or usual.end < times[-1] - 1.0:
        raise CannotSolve("a cell fell where any controller would have stopped")
    grid = usual.time
    true = np.interp(grid, times, loads)
    rng = np.random.default_rng(seed)
    begin, end = hidden, float(grid[-1])
    speed = np.interp(grid, np.arange(len(pace)) * STEP, pace)
    # The board's streams, on its own clock from where the capture begins.
    fast = np.arange(begin, end - 0.5, 0.05)
    amperes = np.interp(fast, grid, true) * read.gain + read.offset + rng.normal(0, 0.06, len(fast))
    volts = np.interp(fast, grid, cells.sum(axis=0)) + rng.normal(0, 0.01, len(fast))
    drive = make_stream(
        "drive",
        fast - begin,
        {
            channel("battery_current", "A", exponent=-2): amperes,
            channel("pack_voltage", "V", exponent=-2): volts,
            channel("speed", "m/s", exponent=-2): np.interp(fast, grid, speed),
        },
        period=0.05,
    )
    seen = np.arange(begin + 0.35, end - 0.5, 1 / read.rate)
    columns = {}
    for at in range(pack.series):
        value = np.interp(seen - read.late, grid, cells[at]) + rng.normal(0, read.noise, len(seen))
        columns[channel("cell_voltage", "V", at + 1)] = (
            np.round(value / read.quantum) * read.quantum
        )
    streams = [drive, make_stream("cells", seen - begin, columns, period=1 / read.rate)]
    warm = np.interp(fast, grid, usual.temperature)
    if chance.random() < 0.5:
        slow = np.arange(begin, end - 0.5, 1.0)
        gauge = channel("battery_temperature", "degC", 1, -1)
        streams.append(
            make_stream(
                "warmth",
                slow - begin,
                {gauge: np.interp(slow, grid, usual.temperature)},
                period=1.0,
            )
        )
    part = (grid >= begin) & (grid <= end - 0.5)
    energy = float(np.sum(true[part] * cells.sum(axis=0)[part])) * SAMPLE / 3600
    distance = float(np.sum(speed[part])) * SAMPLE / 1000
    driving = true[part][true[part] > DRIVING]
    truth = Truth(
        seed,
        pack,
        _truths(pack, start, grid, true, rests, begin, end),
        celsius,
        float(driving.mean()) if len(driving) else 0.0,
        energy / max(distance, 1e-6),
        read.late,
        float(warm.mean()),
    )
    ride = make_ride(*streams, started_wall=1_780_000_000.0 + 86_400.0 * seed)
    return Made(ride, board_of(pack), truth)


def _own(pack: Pack, at: int) -> Odd:
    odd = pack.odd
    return odd if odd is not None and odd.cell == at + 1 else Odd(at + 1)


def _size(pack: Pack, at: int) -> float:
    """Ah of one group."""
    return pack.group * (1 + pack.spread[at]) * (1 - _own(pack, at).smaller)


def _level(pack: Pack, at: int, start: float) -> float:
    """State of charge of one group at the beginning; full packs were balanced at the top."""
    share = pack.level[at] - abs(max(pack.level)) if start > 0.97 else pack.level[at]
    return min(start + share, 1.0) - _own(pack, at).behind


def _solve_cells(
    pack: Pack, start: float, celsius: float, times: Array, loads: Array
) -> tuple[Solution, Array, Array]:
    """Return the usual cell's solution and all groups' V, loaded and rested, (groups, samples).

    A group that differs by its small spread alone is the usual one with its rest voltage moved
    along the curve and its overvoltage scaled, exact to the first order; an odd cell is solved.
    """
    make = pack.make
    usual = solve(make, times, loads / pack.group, start, celsius)
    drawn = np.interp(usual.time, times, _charge(times, loads)) / 3600
    states, curve = curve_of(make)
    cells, rests = [], []
    for at in range(pack.series):
        own, size, level = _own(pack, at), _size(pack, at), _level(pack, at, start)
        extra = (pack.joint + own.contact) * np.interp(usual.time, times, loads)
        if own.smaller or own.behind:
            found = solve(make, times, loads / size, round(level, 4), celsius)
            if found.end < usual.end or len(found.time) < len(usual.time):
                raise CannotSolve("the odd cell came to its end on the way")
            cells.append(found.voltage - extra)
            rests.append(found.rest)
            continue
        state, base = level - drawn / size, start - drawn / pack.group
        moved = np.interp(state, states, curve) - np.interp(base, states, curve)
        over = usual.voltage - usual.rest
        cells.append(usual.rest + moved + over * pack.group / size - extra)
        rests.append(usual.rest + moved)
    return usual, np.array(cells), np.array(rests)


def _charge(times: Array, loads: Array) -> Array:
    """Return the A·s drawn up to each of ``times``."""
    return np.r_[0.0, np.cumsum(np.diff(times) * (loads[1:] + loads[:-1]) / 2)]


def _truths(
    pack: Pack, start: float, grid: Array, true: Array, rests: Array, begin: float, end: float
) -> tuple[CellTruth, ...]:
    drawn = np.r_[0.0, np.cumsum((true[1:] + true[:-1]) / 2) * SAMPLE] / 3600
    at_start, at_end = (float(np.interp(when, grid, drawn)) for when in (begin, end - 0.5))
    found = []
    for at in range(pack.series):
        own, size, level = _own(pack, at), _size(pack, at), _level(pack, at, start)
        first, last = level - at_start / size, level - at_end / size
        found.append(
            CellTruth(
                at + 1,
                first,
                last,
                size,
                float(np.interp(begin, grid, rests[at])),
                float(np.interp(end - 0.5, grid, rests[at])),
                own.behind,
                own.contact,
                own.smaller,
            )
        )
    return tuple(found)


def _distance(truth: Truth, other: float | None) -> float:
    """See :meth:`Truth.distance`; continued at the mean driving load's power, from rest."""
    pack, make = truth.pack, truth.pack.make
    if other is None:
        usual = float(np.mean([cell.end for cell in truth.cells]))
        size, warm = pack.group, truth.warmth
        weakest: tuple[CellTruth | None, ...] = truth.cells
    else:
        usual, size, warm = 1.0, other / rated_of(make), truth.warmth
        weakest = ()
    states, curve = curve_of(make)
    usual = round(usual, 3)
    volts = float(np.interp(usual, states, curve))
    rate = truth.load / size
    long = np.array([0.0, 3600 * 1.5 / rate])
    # The power of the mean driving load, held while the voltage falls: two rounds find the current.
    power = truth.load * pack.series * float(np.interp((usual + 0.1) / 2, states, curve))
    knots_at, loads = long, np.array([rate, rate])
    for _ in range(2):
        found = _until(pack, knots_at, loads, usual, warm, make.empty)
        if found is None:
            return 0.0
        step = np.linspace(0.0, found.end, 60)
        held = np.maximum(np.interp(step, found.time, found.voltage), 0.5 * volts)
        loads = power / (pack.series * held) / size
        knots_at = step
    first = found.end
    joint = pack.joint if other is None else pack.joint * pack.group / size
    for cell in weakest or (None,):
        ratio = 1.0 if cell is None else size / cell.capacity
        state = usual if cell is None else round(cell.end, 4)
        extra = joint + (0.0 if cell is None else cell.contact)
        if cell is not None and not _may_be_first(cell, truth.cells):
            continue
        reached = _reserve(pack, knots_at, loads * ratio, size / ratio, state, warm, extra)
        first = min(first, reached)
    return first * power / 3600 / truth.per_km if truth.per_km > 0 else float("nan")


def _may_be_first(cell: CellTruth, cells: tuple[CellTruth, ...]) -> bool:
    """Whether a cell can be the first at its end: odd, or with the least charge left of all."""
    least = min(cells, key=lambda one: one.end * one.capacity)
    return cell is least or bool(cell.behind or cell.smaller or cell.contact)


def _until(
    pack: Pack, times: Array, loads: Array, state: float, warm: float, lowest: float
) -> Solution | None:
    """Solve a load down to ``lowest`` V; None where the cell is below it at once."""
    try:
        return solve(pack.make, times, loads, state, round(warm, 1), lowest, every=times[-1] / 4000)
    except CannotSolve:
        return None


def _reserve(
    pack: Pack, times: Array, loads: Array, size: float, state: float, warm: float, extra: float
) -> float:
    """Return the s until a cell behind ``extra`` Ω is down to the reserve."""
    found = _until(pack, times, loads, state, warm, pack.reserve - 0.3)
    if found is None:
        return 0.0
    shown = found.voltage - extra * np.interp(found.time, times, loads) * size
    below = np.flatnonzero((shown < pack.reserve) & (found.time >= 5.0))
    return float(found.time[below[0]]) if len(below) else found.end


def board_of(pack: Pack) -> BoardFile:
    """Return the board file of a pack as its builder would write it."""
    text = (
        f'name = "Kestrel"\n[battery]\ncell_full = {pack.make.full}\ncell_alarm = {pack.reserve}\n'
        f'[[battery.units]]\nname = "box"\nseries = {pack.series}\nparallel = {pack.parallel}\n'
        f'cell_capacity = {pack.stated}\nchemistry = "{pack.make.chemistry}"\n'
    )
    return read_board_file(text, "trust bench")


def without(pack: Pack) -> Pack:
    """Return the pack with no odd cell."""
    return replace(pack, odd=None)
