"""What another setting should show, from side A's own launches.

Nothing is known of the machine but the textbook: Newton's law, a motor's voltage as resistance
times current plus back-EMF, its power as back-EMF and copper loss, a pack as a voltage behind a
resistance.  Their coefficients are fitted to A's launches; then each launch is driven again with
the rider's own throttle and the new limit.  What the model makes of A's own setting, against what
A measured, corrects it.
"""

import math
from argparse import ArgumentTypeError
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, fields, replace

import numpy as np

from sagline_logger.format import SaglineError, UsageError
from sagline_logger.format.arguments import setting

from ..findings.drive.demand import MotorDemand, drives
from ..findings.readings.chance import student
from ..findings.readings.gathered import Gathered
from ..findings.readings.series import Array
from ..findings.readings.unknown import NotKnown
from .comparison import Comparison
from .like_load import WINDOW, windows
from .measures import Goal, Measure, figures
from .runs import GRID, MOVING, Run
from .sides import settings_of
from .statistics import NORMAL

STEP = 0.02
"""s of integration of the predicted launch."""

LONGEST = 20.0
"""s after which a predicted launch that has not reached its speed counts as never reaching it."""

RESAMPLES = 40
"""Times that the launches are drawn anew to see how far the fit depends on which there were."""

STRUCTURE = 0.10
"""Share of the predicted change that the model's own simplicity may be wrong by (our choice)."""

LEAST = 0.01
"""Share of a figure below which no prediction's half-width goes (our choice)."""

PREDICTABLE = ("motor_current_limit", "battery_current_limit", "duty_limit")
"""Settings whose effect follows from A's launches; each for one controller."""


@dataclass(frozen=True)
class Forecast:
    """One predicted measure: A's mean, B's expected mean and its 90 % interval.

    ``measured`` and ``inside`` are B's mean and whether the interval held it, None without B.
    """

    measure: Measure
    a: float
    value: float
    low: float
    high: float
    measured: float | None
    inside: bool | None


@dataclass(frozen=True)
class Prediction:
    """What B should show with ``name`` at ``value``; ``notes`` say what it rests on."""

    name: str
    value: float
    old: float | None
    figures: tuple[Forecast, ...]
    notes: tuple[str, ...]


@dataclass(frozen=True)
class Bounds:
    """What a controller allows one motor: A, A, and a ratio; infinite where no limit is known.

    ``gain`` (motors,) is the current in A that full throttle asks for.
    """

    motor_current_limit: Array
    battery_current_limit: Array
    duty_limit: Array
    gain: Array


@dataclass(frozen=True)
class LaunchMachine:
    """The fitted coefficients.

    dv/dt = ``push``·ΣI − ``roll`` − ``drag``·v²; for each motor duty·V = ``ohms``·I + ``emf``·v and
    its controller's power = ``idle`` + ``force``·I·v + ``loss``·I²; V = rest − ``sag``·I_b −
    ``sink``·∫I_b dt.  SI units.  Each has a row for every launch driven: shape (rows,), and
    for what belongs to a motor (rows, motors) or (rows, 1).
    """

    push: Array
    roll: Array
    drag: Array
    ohms: Array
    emf: Array
    idle: Array
    force: Array
    loss: Array
    sag: Array
    sink: Array


def parse_setting(text: str) -> tuple[str, float]:
    """Read ``NAME=VALUE``.

    Raises:
        SaglineError: it is not a setting whose effect can be predicted, or not a number above 0.
    """
    try:
        name, number = setting(text)
        value = float(number)
    except (ArgumentTypeError, ValueError):
        name, value = "", math.nan
    if not (math.isfinite(value) and value > 0):
        raise UsageError(
            f'"{text}" is not NAME=VALUE with a number above 0',
            where="--predict",
            remedy="such as motor_current_limit=45",
        )
    if name not in PREDICTABLE:
        raise UsageError(
            f'the effect of "{name}" does not follow from a launch',
            where="--predict",
            remedy=f"one of: {', '.join(PREDICTABLE)}",
        )
    return name, value


def predict(comparison: Comparison, name: str, value: float) -> Prediction:
    """Return what side B should show with setting ``name`` at ``value``, from side A alone.

    Raises:
        SaglineError: side A has fewer than three launches, or lacks a channel the fit needs.
    """
    group = comparison.launches
    runs = [run for run in group.runs if run.side == "A"] if group else []
    where = ", ".join(dict.fromkeys(p.ride.path for p in comparison.parts if p.side == "A"))
    if group is None or len(runs) < 3:
        raise SaglineError(
            f"{len(runs)} launch(es) on side A are too few to predict from",
            where=where,
            remedy="ride at least three launches from standstill",
        )
    # The goal may have been set by the slower side; from A alone nothing of B is used otherwise.
    goal = group.goal
    bounds, old, notes = _bounds(comparison, runs, name)
    new = replace(bounds, **{name: np.full(len(bounds.gain), value)})
    measured = [figures(run, goal) for run in runs]
    chance = np.random.default_rng(1)
    draws = [np.arange(len(runs))]  # the launches as they were, then drawn anew
    draws += [chance.integers(len(runs), size=len(runs)) for _ in range(RESAMPLES)]
    chosen = [[runs[i] for i in draw] for draw in draws]
    machine = _rows([_machine(own, goal, where) for own in chosen], len(runs))
    driven = [run for own in chosen for run in own]
    before, after = (_drive(machine, driven, goal, limits) for limits in (bounds, new))
    given = group.side("B")
    found = []
    for row in group.rows:
        key = row.measure.key
        seen = np.array([figure[key] for figure in measured])
        old_ones, new_ones = (drive[key].reshape(len(draws), -1) for drive in (before, after))
        ratios = seen[np.array(draws)].mean(axis=1) / old_ones.mean(axis=1)
        if not (np.isfinite(new_ones[0]).all() and np.isfinite(ratios[0])):
            notes.append(f"{row.measure.label}: the model does not reach it with this setting.")
            continue
        expected = new_ones.mean(axis=1) * ratios
        spread = float((new_ones[0] * seen / old_ones[0]).std(ddof=1))
        value_b = float(expected[0])
        change = value_b - float(seen.mean())
        quantile = student(0.95, len(runs) - 1)
        half = math.hypot(
            quantile
            * math.hypot(
                spread / math.sqrt(len(given) or len(runs)), float(np.nanstd(expected[1:]))
            ),
            NORMAL * STRUCTURE * change,
        )
        half = max(half, LEAST * abs(value_b))
        low, high = value_b - half, value_b + half
        mean_b = float(np.mean(row.b)) if row.b else None
        inside = None if mean_b is None else bool(low <= mean_b <= high)
        found.append(Forecast(row.measure, float(seen.mean()), value_b, low, high, mean_b, inside))
    notes.append(
        f"For the mean of {len(given) or len(runs)} launches ridden as A's were. The interval "
        "holds the launches' own scatter, how far the fit depends on which launches there were "
        f"({RESAMPLES} bootstrap resamples), and {STRUCTURE:.0%} of the change predicted for what "
        f"the model leaves out; never less than {LEAST:.0%} either way."
    )
    notes.append(
        "Heat and low voltage are taken to limit no sooner than they did on A. A prediction does "
        "not say that a part can bear the setting."
    )
    for part in comparison.parts:
        stated = settings_of(part.ride, part.board).get(name)
        if part.side == "B" and stated is not None and stated != f"{value:.6g}":
            notes.append(f"{part.name} states {name} = {stated}, not the {value:g} predicted for.")
    return Prediction(name, value, old, tuple(found), tuple(dict.fromkeys(notes)))


# ------------------------------------------------------------------------ what A allows itself


def _bounds(
    comparison: Comparison, runs: Sequence[Run], name: str
) -> tuple[Bounds, float | None, list[str]]:
    """Return A's limits as its ride shows or states them, the old value of ``name``, and notes."""
    part = next(p for p in comparison.parts if p.side == "A")
    motors = drives(Gathered(part.ride, part.board))
    assert not isinstance(motors, NotKnown)  # the comparison has used them
    notes: list[str] = []

    def levels(get: Callable[[MotorDemand], object]) -> Array:
        values = []
        for motor in motors:
            limit = get(motor)
            values.append(math.inf if limit is None else float(np.nanmax(limit.value)))  # type: ignore[attr-defined]
        return np.array(values)

    most = np.array(
        [max(float(np.nanmax(run.currents[at])) for run in runs) for at in range(len(motors))]
    )
    gains = []
    for motor in motors:
        gain = math.inf
        if motor.request is not None and motor.throttle is not None:
            open_ = motor.throttle > 0.1
            gain = float(np.nanmedian(motor.request[open_] / motor.throttle[open_]))
        gains.append(gain)
    if not np.isfinite(gains).all():
        notes.append(
            "The ride does not show what current full throttle asks for; it is taken to be more "
            "than any limit."
        )
    known = {
        "motor_current_limit": levels(lambda m: m.motor_limit),
        "battery_current_limit": levels(lambda m: m.battery_limit),
        "duty_limit": levels(lambda m: m.duty_limit),
    }
    stated = settings_of(part.ride, part.board).get(name)
    old = float(known[name].mean()) if np.isfinite(known[name]).all() else None
    if old is None and stated is None:
        notes.append(f"A neither states {name} nor reached it.")
    if not np.isfinite(known["motor_current_limit"]).all() and name != "motor_current_limit":
        known["motor_current_limit"] = most  # whatever held it there goes on doing so
    return Bounds(**known, gain=np.array(gains)), old, notes


# ------------------------------------------------------------------------ the machine, fitted


def _machine(runs: Sequence[Run], goal: Goal, where: str) -> LaunchMachine:
    """Fit the coefficients to the runs by least squares.

    Raises:
        SaglineError: battery current, pack voltage or enough samples are missing.
    """
    changes, pushes = [], []
    for run in runs:
        for first, last in windows(run, goal):
            part = slice(first, last)
            changes.append(run.speed[last] - run.speed[first])
            pushes.append(
                (GRID * run.currents[:, part].sum(), -WINDOW, -GRID * np.sum(run.speed[part] ** 2))
            )
    if len(changes) < 8:
        raise SaglineError("the launches on side A are too short to predict from", where=where)
    push, roll, drag = _not_negative(np.array(pushes), np.array(changes))
    columns = [_driven(run) for run in runs]
    speed = np.concatenate([c["speed"] for c in columns])
    currents = np.concatenate([c["currents"] for c in columns], axis=1)
    battery, voltage = (np.concatenate([c[k] for c in columns]) for k in ("battery", "voltage"))
    duties = np.concatenate([c["duties"] for c in columns], axis=1)
    dropped, drawn = (np.concatenate([c[k] for c in columns]) for k in ("dropped", "drawn"))
    if not len(battery):
        raise SaglineError(
            "battery current and pack voltage are not measured in the launches",
            where=where,
            remedy="predict from a log that has both",
        )
    ohms, emf = [], []
    for duty, current in zip(duties, currents, strict=True):
        if np.isfinite(duty).all():
            r, e = _not_negative(np.column_stack([current, speed]), duty * voltage)
        else:
            r, e = 0.0, 0.0
        ohms.append(r)
        emf.append(e)
    power = np.column_stack(
        [np.ones(len(speed)), (currents * speed).sum(axis=0), (currents**2).sum(axis=0)]
    )
    idle, force, loss = _not_negative(power, battery * voltage)
    sag, sink = _not_negative(np.column_stack([battery, drawn]), dropped)
    return LaunchMachine(
        np.array([push]),
        np.array([roll]),
        np.array([drag]),
        np.array([ohms]),
        np.array([emf]),
        np.array([[idle / len(currents)]]),
        np.array([[force]]),
        np.array([[loss]]),
        np.array([sag]),
        np.array([sink]),
    )


def _rows(machines: Sequence[LaunchMachine], launches: int) -> LaunchMachine:
    """Return the machines as one, each with a row for every one of its ``launches``."""
    return LaunchMachine(
        *(
            np.repeat(np.concatenate([getattr(m, field.name) for m in machines]), launches, axis=0)
            for field in fields(LaunchMachine)
        )
    )


def _driven(run: Run) -> Mapping[str, Array]:
    """Return a run's samples while it drives, where everything needed is known."""
    known = (
        run.inside
        & np.isfinite(run.speed)
        & np.isfinite(run.battery)
        & np.isfinite(run.voltage)
        & (run.currents > 1).all(axis=0)
    )
    rest = run.before.get("rest_voltage", float(np.nanmax(run.voltage)))
    drawn = np.cumsum(np.where(run.inside, np.nan_to_num(run.battery), 0.0)) * GRID
    return {
        "speed": run.speed[known],
        "currents": run.currents[:, known],
        "battery": run.battery[known],
        "voltage": run.voltage[known],
        "duties": run.duties[:, known],
        "dropped": rest - run.voltage[known],
        "drawn": drawn[known],
    }


def _not_negative(matrix: Array, wanted: Array) -> list[float]:
    """Return least-squares coefficients, leaving out one by one those that come out negative."""
    kept = list(range(matrix.shape[1]))
    result = np.zeros(matrix.shape[1])
    while kept:
        fitted = np.linalg.lstsq(matrix[:, kept], wanted, rcond=None)[0]
        if fitted.min() >= 0:
            result[kept] = fitted
            break
        kept.pop(int(np.argmin(fitted)))
    return [float(x) for x in result]


# ------------------------------------------------------------------------ the launch, driven again


def _drive(
    machine: LaunchMachine, runs: Sequence[Run], goal: Goal, bounds: Bounds
) -> dict[str, Array]:
    """Drive every run's throttle again under ``bounds``; return the measures, each (runs,)."""
    count, steps = len(runs), round(LONGEST / STEP)
    throttle = np.stack([_hand(run, steps) for run in runs])
    rest = np.array([r.before.get("rest_voltage", float(np.nanmax(r.voltage))) for r in runs])
    speed, drawn, battery = np.zeros(count), np.zeros(count), np.zeros(count)
    voltage = rest.copy()
    trace: dict[str, list[Array]] = {
        k: [] for k in ("speed", "battery", "voltage", "heat", "motor")
    }
    column = np.newaxis
    for step in range(steps):
        hand = throttle[:, step, column]
        asked = np.where(hand > 0, hand, 0.0) * np.where(np.isfinite(bounds.gain), bounds.gain, 1e6)
        current = np.minimum(asked, bounds.motor_current_limit)
        allowed = voltage[:, column] * bounds.battery_current_limit - machine.idle
        current = np.minimum(current, _at_power(machine, speed[:, column], allowed))
        with np.errstate(divide="ignore", invalid="ignore"):
            room = bounds.duty_limit * voltage[:, column] - machine.emf * speed[:, column]
            highest = np.where(machine.ohms > 0, room / machine.ohms, np.inf)
        current = np.maximum(np.minimum(current, highest), 0.0)
        power = (
            machine.idle + machine.force * current * speed[:, column] + machine.loss * current**2
        ).sum(axis=1)
        battery = power / voltage
        drawn = drawn + battery * STEP
        voltage = np.maximum(rest - machine.sag * battery - machine.sink * drawn, 0.3 * rest)
        net = machine.push * current.sum(axis=1) - machine.drag * speed**2
        change = np.where((speed > 0) | (net > machine.roll), net - machine.roll, 0.0)
        speed = np.maximum(speed + change * STEP, 0.0)
        for key, now in (
            ("speed", speed),
            ("battery", battery),
            ("voltage", voltage),
            ("heat", (current**2).mean(axis=1)),
            ("motor", current.mean(axis=1)),
        ):
            trace[key].append(now)
        if step > 4.0 / STEP and (speed >= goal.high).all():
            break
    columns: dict[str, Array] = {key: np.stack(values, axis=1) for key, values in trace.items()}
    return _measured(columns, rest, goal)


def _at_power(machine: LaunchMachine, speed: Array, power: Array) -> Array:
    """Return the motor current at which ``force``·I·v + ``loss``·I² is ``power``."""
    slope = machine.force * speed
    loss = np.maximum(machine.loss, 1e-9)
    root = np.sqrt(np.maximum(slope**2 + 4 * loss * power, 0.0))
    return np.asarray((root - slope) / (2 * loss), np.float64)


def _hand(run: Run, steps: int) -> Array:
    """Return the run's throttle from its start on, held where the run ended before the model's."""
    inside = run.inside & np.isfinite(run.throttle)
    at = run.time[inside] - (run.start - run.zero)
    return np.asarray(np.interp(STEP * np.arange(steps), at, run.throttle[inside]))


def _measured(trace: Mapping[str, Array], rest: Array, goal: Goal) -> dict[str, Array]:
    count, steps = trace["speed"].shape
    time = STEP * np.arange(1, steps + 1)

    def reach(level: float) -> Array:
        past = trace["speed"] >= level
        at = np.argmax(past, axis=1)
        row = np.arange(count)
        now, then = trace["speed"][row, at], trace["speed"][row, np.maximum(at - 1, 0)]
        share = (level - then) / np.where(now > then, now - then, 1.0)
        found = time[at] - STEP + STEP * np.clip(share, 0.0, 1.0)
        return np.asarray(np.where(past.any(axis=1), found, np.nan))

    zero = reach(MOVING)
    end = reach(goal.high)
    during = (time >= zero[:, None]) & (time <= end[:, None])
    three = (time >= zero[:, None]) & (time <= zero[:, None] + 3.0)

    def most(values: Array) -> Array:
        return np.asarray(np.where(during, values, -np.inf).max(axis=1))

    def mean(values: Array) -> Array:
        return np.asarray(np.where(during, values, 0.0).sum(axis=1) / during.sum(axis=1).clip(1))

    found = {
        "time_to_speed": end - zero,
        "time_to_half": reach(goal.high / 2) - zero,
        "distance": np.where(three, trace["speed"], 0.0).sum(axis=1) * STEP,
        "peak_battery": most(trace["battery"]),
        "mean_battery": mean(trace["battery"]),
        "peak_motor": most(trace["motor"]),
        "mean_motor": mean(trace["motor"]),
        "heat": np.where(during, trace["heat"], 0.0).sum(axis=1) * STEP,
        "sag": rest - np.where(during, trace["voltage"], np.inf).min(axis=1),
        "energy": np.where(during, trace["battery"] * trace["voltage"], 0.0).sum(axis=1)
        * STEP
        / 3600,
    }
    return {key: np.where(np.isnan(end), np.nan, values) for key, values in found.items()}
