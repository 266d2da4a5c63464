"""Rides of the heat models as the analyser reads them, each with the true times to its limit."""

import math
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np

from sagline_analyser.findings.heat import PartHeat, part_heat
from sagline_analyser.findings.readings.gathered import Gathered
from sagline_analyser.load.ride import Ride
from sagline_logger.format import BoardFile, read_board_file
from support.rides import channel, make_ride, make_stream
from trust import heat_models, heat_mounted
from trust.heat_models import STEP, Array, Duty, Network

HOUR = 3600.0


@dataclass(frozen=True)
class Kind:
    """A row of the bench: ``makers`` of parts, the ride's minutes, where the sensor sits, what the
    board file says of it, and how many minutes were ridden just before (a warm start), how many
    were rested after that at most, by which riders, and whether the air is measured.  Where there
    is a ``beside``, the part is not alone: a thermometer of this other part is in the log."""

    name: str
    makers: tuple[Callable[[np.random.Generator, str], Network], ...]
    minutes: tuple[float, float]
    places: tuple[str, ...] = ("winding",)
    stated: str = ""
    before: tuple[float, float] | None = None
    motor: bool = True
    rest: float = 10.0
    duty: Callable[[np.random.Generator, float, float, float], Duty] = heat_models.ride_duty
    measured: bool = True
    beside: Callable[[np.random.Generator, str], Network] | None = None


@dataclass(frozen=True)
class HeatCase:
    """One part's ride and what is true of it: s to the limit of what is hot, from cold and from
    the end of the ride, infinite where not within an hour; ``hottest`` °C of the hour from cold,
    ``sensed`` °C that the sensor's place has at its end; ``inside`` says that the sensor touches
    what is hot."""

    kind: str
    seed: int
    found: PartHeat
    cold: float
    now: float
    hottest: float
    sensed: float
    inside: bool


@dataclass(frozen=True)
class _Plan:
    part: Network
    earlier: Duty
    duty: Duty
    rated: float
    beside: Network | None


@dataclass(frozen=True)
class _Made:
    kind: str
    seed: int
    part: Network
    duty: Duty
    ride: Ride
    board: BoardFile
    key: str
    end: Array


MOTORS = (heat_models.hub, heat_models.inrunner)
KINDS = (
    Kind("winding, cold, 5–30 min", MOTORS, (5, 30), stated="winding"),
    Kind("winding, warm, 5–30 min", MOTORS, (5, 30), stated="winding", before=(5, 40)),
    Kind("winding, 45–120 min", MOTORS, (45, 120), stated="winding"),
    Kind("winding, unstated", MOTORS, (5, 60)),
    Kind("case or tooth, stated", MOTORS, (8, 60), ("case", "tooth"), "case"),
    Kind("case or tooth, warm, stated", MOTORS, (8, 60), ("case", "tooth"), "case", (5, 40)),
    Kind("case or tooth, unstated", MOTORS, (8, 60), ("case", "tooth")),
    Kind("controller", (heat_models.stage,), (5, 60), motor=False),
    Kind("controller, warm", (heat_models.stage,), (5, 60), before=(5, 40), motor=False),
)
FRESH = (
    Kind("open motor, winding", (heat_models.open_outrunner,), (5, 120), stated="winding"),
    Kind(
        "open motor, winding, warm",
        (heat_models.open_outrunner,),
        (5, 120),
        stated="winding",
        before=(5, 40),
    ),
    Kind(
        "open motor, case, stated",
        (heat_models.open_outrunner,),
        (8, 90),
        ("case", "tooth"),
        "case",
    ),
    Kind(
        "open motor, unstated",
        (heat_models.open_outrunner,),
        (8, 90),
        ("winding", "winding", "case", "tooth"),
    ),
)
"""Machines of another build.  Their models took no part in the first choice of the constants; since
then the doubts were chosen on them, too, from other seeds than the documents report."""

_MOUNTED = Kind(
    "mounted motor",
    (heat_mounted.mounted_motor,),
    (5, 60),
    stated="winding",
    duty=heat_mounted.outing,
    rest=25.0,
    beside=heat_mounted.mounted_stage,
)
_UNDER = replace(
    _MOUNTED,
    name="mounted controller",
    makers=(heat_mounted.mounted_stage,),
    stated="",
    motor=False,
    beside=heat_mounted.mounted_motor,
)
_AIR = ("", ", air unmeasured")
MOUNTED = (
    *(
        replace(one, name=f"{one.name}, {start}{air}", before=before, measured=not air)
        for one in (_MOUNTED, _UNDER)
        for start, before in (("cold", None), ("warm", (5.0, 60.0)))
        for air in _AIR
    ),
    replace(_MOUNTED, name="mounted motor, unstated", places=("winding",), stated=""),
    replace(_MOUNTED, name="mounted motor, case, stated", places=("case", "tooth"), stated="case"),
)
"""Parts that are screwed to what warms for hours, of riders of another kind, with and without a
thermometer for the air."""

BURNT = 250.0
"""°C above which no part lives to be logged (thermal classes, IEC 60085, end there; from memory): a
ride that passed it, by a resistance that ran away, is left out."""

CLIMBS = 6.0
"""K that the hour from the ride's end must warm by for a limit to be chosen from it."""

BATCH = 100
"""Cases that are integrated side by side."""


def heat_cases(kind: Kind, cases: int, seed: int) -> Iterator[HeatCase]:
    """Make rides of one kind and let the analyser judge them."""
    return cases_of([(kind, number) for number in range(seed, seed + cases)])


def cases_of(wanted: Sequence[tuple[Kind, int]]) -> Iterator[HeatCase]:
    """Make the rides of these kinds and seeds and let the analyser judge them, in this order.

    Many are integrated in hardly more time than one, whatever their kinds.
    """
    for first in range(0, len(wanted), BATCH):
        made = _make(wanted[first : first + BATCH])
        found = [part_heat(Gathered(one.ride, one.board), one.key) for one in made]
        yield from _true(made, found)


def _make(wanted: Sequence[tuple[Kind, int]]) -> list[_Made]:
    chances = [
        np.random.default_rng([seed, len(kind.name), ord(kind.name[-1])]) for kind, seed in wanted
    ]
    plans = [_plan(kind, chance) for (kind, _), chance in zip(wanted, chances, strict=True)]
    # Behind the parts that are asked about come those beside them.
    others = {at: len(plans) + n for n, at in enumerate(k for k, p in enumerate(plans) if p.beside)}
    parts = [p.part for p in plans] + [p.beside for p in plans if p.beside is not None]
    whole = plans + [plans[at] for at in others]
    _, _, ends = heat_models.simulate(
        parts, [p.earlier for p in whole], _at_rest(parts, [p.duty for p in whole])
    )
    seen, ridden, ends = heat_models.simulate(parts, [p.duty for p in whole], ends)
    parts = [p.part for p in plans]
    # The hour at the rated current tells which limits there are to choose from.
    hours = [
        _steady(p.rated, p.duty, float(np.mean(p.duty.speed[p.duty.speed > 0.3]))) for p in plans
    ]
    _, hot, _ = heat_models.simulate(parts, hours, _at_rest(parts, [p.duty for p in plans]))
    _, then, _ = heat_models.simulate(parts, hours, ends[: len(plans)])
    made = []
    for at, ((kind, seed), chance, plan) in enumerate(zip(wanted, chances, plans, strict=True)):
        if ridden[at].max() > BURNT:
            continue
        limit = _limit(chance, hot[at], then[at], plan.duty.air)
        beside = None if plan.beside is None else (plan.beside, seen[others[at]])
        made.append(
            _Made(
                kind.name,
                seed,
                plan.part,
                plan.duty,
                _ride(kind, plan, seen[at], beside, chance),
                _board(kind, plan.rated, limit),
                f"{_name(kind.motor)}_temperature_1",
                ends[at],
            )
        )
    return made


def _at_rest(parts: Sequence[Network], duties: Sequence[Duty]) -> list[Array]:
    """Return the nodes of parts that have long been where their duties are."""
    return [np.full(len(part.capacity), duty.air) for part, duty in zip(parts, duties, strict=True)]


def _name(motor: bool) -> str:
    return "motor" if motor else "controller"


def _plan(kind: Kind, chance: np.random.Generator) -> _Plan:
    air = float(chance.uniform(2, 36))
    hard = heat_models.log_uniform(chance, 8, 40)
    minutes = heat_models.log_uniform(chance, *kind.minutes)
    duty = kind.duty(chance, 60 * minutes, air, hard)
    before = 60 * chance.uniform(*kind.before) if kind.before else 2 * STEP
    earlier = kind.duty(chance, before, air, hard * chance.uniform(0.8, 1.3))
    if kind.before:  # and a stop of some minutes between the two
        rest = np.zeros(int(chance.uniform(0, 60 * kind.rest) / STEP))
        earlier = Duty(np.r_[earlier.current, rest], np.r_[earlier.speed, rest], air)
    part = kind.makers[int(chance.integers(len(kind.makers)))](
        chance, kind.places[int(chance.integers(len(kind.places)))]
    )
    rise, iron = chance.uniform(20, 65), chance.uniform(0.05, 0.35) if kind.motor else 0.0
    part = heat_models.scaled(part, duty, rise if kind.motor else 0.6 * rise, iron)
    rms = float(np.sqrt(np.mean(duty.current**2)))
    rated = float(np.round(rms * heat_models.log_uniform(chance, 0.8, 1.9), 1))
    if kind.beside is None:
        return _Plan(part, earlier, duty, rated, None)
    beside = kind.beside(chance, "winding")
    rise, iron = chance.uniform(20, 65), 0.0 if kind.motor else chance.uniform(0.05, 0.35)
    beside = heat_models.scaled(beside, duty, 0.6 * rise if kind.motor else rise, iron)
    return _Plan(part, earlier, duty, rated, beside)


def _steady(current: float, like: Duty, speed: float, air: float | None = None) -> Duty:
    ones = np.ones(int(HOUR / STEP))
    return Duty(current * ones, speed * ones, like.air if air is None else air)


def _limit(chance: np.random.Generator, path: Array, later: Array, air: float) -> float:
    """Choose a limit that is reached at some time of the hour from cold (``path``) or of the hour
    from the ride's end (``later``), or never by some kelvins; mostly one that the ride did not end
    above."""
    end = float(later[0])
    if chance.random() < 0.2:
        limit = float(path.max()) + heat_models.log_uniform(chance, 2, 40)
    elif chance.random() < 0.5 and later.max() > end + CLIMBS:
        limit = max(float(later[int(heat_models.log_uniform(chance, 15, 3000) / STEP)]), end + 3)
    else:
        limit = float(path[int(heat_models.log_uniform(chance, 60, 3000) / STEP)])
    if limit < end + 3 and chance.random() < 0.7:
        limit = end + chance.uniform(4, 40)
    return float(np.round(min(max(limit, air + 15), 300)))


def _board(kind: Kind, rated: float, limit: float) -> BoardFile:
    sensor = f'temperature_sensor = "{kind.stated}"\n' if kind.stated else ""
    own = f"rated_current = {rated}\n{sensor}" if kind.motor else f"continuous_current = {rated}\n"
    return read_board_file(
        f'name = "bench"\n[[{_name(kind.motor)}s]]\ntemperature_limit = {limit:g}\n{own}',
        "board.toml",
    )


def _ride(
    kind: Kind,
    plan: _Plan,
    seen: Array,
    beside: tuple[Network, Array] | None,
    chance: np.random.Generator,
) -> Ride:
    duty, time = plan.duty, np.arange(len(seen)) * STEP
    count = len(time)
    own = heat_models.sensor(plan.part, seen, chance, 1.0)
    fast = {
        channel("motor_current", "A", 1, exponent=-2): duty.current + chance.normal(0, 0.3, count),
        channel("speed", "m/s"): np.maximum(duty.speed + chance.normal(0, 0.05, count), 0),
    }
    read = {channel(f"{_name(kind.motor)}_temperature", "°C", 1, exponent=0): own[::2]}
    air = duty.air + chance.normal(0, 0.2) + chance.normal(0, 0.1, count)[::2]
    if kind.measured:
        read[channel("ambient_temperature", "°C", exponent=-1)] = air
    if beside is not None:
        other = heat_models.sensor(*beside, chance, 1.0)
        read[channel(f"{_name(not kind.motor)}_temperature", "°C", 1, exponent=0)] = other[::2]
    return make_ride(make_stream("fast", time, fast), make_stream("slow", time[::2], read))


def _true(made: Sequence[_Made], found: Sequence[PartHeat]) -> Iterator[HeatCase]:
    judged = [(one, own) for one, own in zip(made, found, strict=True) if own.limit is not None]
    if not judged:
        return
    duties = [_steady(own.current or 0.0, one.duty, own.speed, own.air) for one, own in judged]
    parts = [one.part for one, _ in judged]
    sensed, cold, _ = heat_models.simulate(parts, duties, _at_rest(parts, duties))
    now = heat_models.simulate(parts, duties, [one.end for one, _ in judged])[1]
    for (one, own), first, then, seen in zip(judged, cold, now, sensed, strict=True):
        assert own.limit is not None
        yield HeatCase(
            one.kind,
            one.seed,
            own,
            _reached(first, own.limit),
            _reached(then, own.limit),
            float(first.max()),
            float(seen[-1]),
            bool(np.array_equal(one.part.sensor, one.part.hot)),
        )


def _reached(path: Array, limit: float) -> float:
    over = np.flatnonzero(path >= limit)
    return float(over[0] * STEP) if len(over) else math.inf
