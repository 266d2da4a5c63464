"""Vehicles whose controllers record which of their limits decided each instant.

Laws of their own, none of the simulator's: force and back-EMF by one machine constant with
saturation, a regulator that integrates for the battery current, a first-order current loop with
ripple, throttles of any curve behind a slew limit, two unequal motors, a thermal cut-back with a
straight slope on the motor-current limit and a low-voltage cut-back on either limit.  The equations
are those of any electrical machines and vehicle dynamics textbook; sizes are of small vehicles
(common practice, no source).  All cases of one call are stepped together as arrays.
"""

from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from sagline_analyser.findings.drive.held_back import Cause
from sagline_analyser.load.ride import Ride
from sagline_logger.format import Channel, SampleType
from support.rides import channel, make_ride, make_stream

Array = npt.NDArray[np.float64]

STEP = 0.005
"""s of integration."""

ORDER = (
    Cause.RIDER,
    Cause.MOTOR_CURRENT,
    Cause.HEAT,
    Cause.LOW_VOLTAGE,
    Cause.BATTERY_CURRENT,
    Cause.DUTY,
)


@dataclass(frozen=True)
class Vehicle:
    """One case's parameters; pairs are for the two motors, the second absent where ``motors`` is 1.

    ``cut_on_motor`` says that the low-voltage cut-back lowers the motor-current limit, else it
    lowers the battery-current limit.  ``gains`` are the current sensors' (motor, motor,
    battery); a ``bare`` board sends no duty cycle and no controller's own battery current.
    """

    seed: int
    motors: int
    mass: float
    constant: tuple[float, float]
    resistance: tuple[float, float]
    motor_limit: tuple[float, float]
    battery_limit: tuple[float, float]
    duty_limit: float
    full_voltage: float
    sag: float
    fall: float
    heat_start: float
    heat_stop: float
    heat_part: str
    warm: float
    cut_start: float
    cut_end: float
    cut_on_motor: bool
    curve: float
    asks: float
    slew: float
    loop: float
    regulator: float
    ripple: float
    ripple_hz: float
    noise: float
    gains: tuple[float, float, float]
    period: float
    slow_period: float
    split: bool
    knows: str
    off: tuple[float, float, float]
    bare: bool = False


@dataclass(frozen=True)
class LimitsRide:
    """A ride, with the active limit as an index into :data:`ORDER` at each ``time`` (n,) for each
    motor (n, motors)."""

    vehicle: Vehicle
    ride: Ride
    time: Array
    active: npt.NDArray[np.int8]


def vehicle(seed: int) -> Vehicle:
    """Return a vehicle by chance."""
    chance = np.random.default_rng([seed, 11])

    def u(low: float, high: float) -> float:
        return float(chance.uniform(low, high))

    motors = 2 if chance.random() < 0.75 else 1
    full = u(28, 60)
    top = u(9, 17)
    constant = full / top * u(0.8, 1.1)
    motor = u(28, 65)
    unequal = u(0.8, 1.25)
    share = u(0.3, 0.85) if chance.random() < 0.8 else 2.0
    hot, cut = chance.random() < 0.45, chance.random() < 0.4
    start = u(55, 95)
    cut_start = full * u(0.84, 0.93) if cut else full * 0.3
    side = float(chance.choice([-1, 1]))
    spread = [
        1 + side * u(0.01, 0.10),
        1 + float(chance.choice([-1, 1])) * u(0.01, 0.10),
        u(0.99, 1.01),
    ]
    exact = chance.random() < 0.3
    return Vehicle(
        seed,
        motors,
        u(80, 170) * (1 if motors == 2 else 0.55),
        (constant, constant * u(0.95, 1.05)),
        (u(0.04, 0.14), u(0.04, 0.14)),
        (motor, motor * unequal),
        (share * motor, share * motor * unequal * u(0.9, 1.1)),
        u(0.88, 0.97),
        full,
        full * u(0.04, 0.10) / (2 * motor * min(share, 0.9)),
        full * u(0.02, 0.10),
        start if hot else 400.0,
        (start if hot else 400.0) + u(15, 40),
        str(chance.choice(["motor", "controller"])),
        start + u(-15, 5) if hot else u(25, 60),
        cut_start,
        cut_start - full * u(0.04, 0.12),
        bool(chance.random() < 0.4),
        u(-1.5, 3.0) if chance.random() < 0.7 else 0.0,
        float(chance.choice([1.0, 1.0, 1.2])),
        float(chance.choice([1.5, 4.0, 50.0])),
        u(0.02, 0.06),
        u(8, 30),
        u(0.0, 0.015),
        u(4, 40),
        u(0.002, 0.01),
        (u(0.99, 1.01), u(0.99, 1.01), u(0.99, 1.01)),
        float(chance.choice([0.01, 0.02, 0.04, 0.05, 0.1])),
        float(chance.choice([0.5, 1.0])),
        bool(chance.random() < 0.5),
        str(chance.choice(["settings", "settings", "settings", "nothing", "in force"])),
        (1.0, 1.0, 1.0) if exact else (spread[0], spread[1], spread[2]),
    )


def _program(case: Vehicle, count: int) -> tuple[Array, Array, Array]:
    """Return throttle, brake and slope of the road at each step."""
    chance = np.random.default_rng([case.seed, 12])
    throttle, brake, slope = np.zeros((3, count))
    at = 0.0
    while at < count * STEP:
        legs = [("stand", chance.uniform(1, 3)), ("full", chance.uniform(5, 12))]
        for _ in range(chance.integers(1, 4)):
            legs.append(
                (str(chance.choice(["part", "full", "high", "coast"])), chance.uniform(3, 8))
            )
        legs.append(("brake", chance.uniform(3, 5)))
        for what, seconds in legs:
            part = slice(round(at / STEP), round((at + seconds) / STEP))
            throttle[part] = {
                "full": 1.0,
                "part": chance.uniform(0.25, 0.8),
                "high": chance.uniform(0.9, 0.99),
            }.get(what, 0.0)
            brake[part] = 0.8 if what == "brake" else 0.3 if what == "stand" else 0.0
            at += seconds
    at = 0.0
    while at < count * STEP:
        seconds = chance.uniform(8, 25)
        slope[round(at / STEP) : round((at + seconds) / STEP)] = chance.choice(
            [0.0, 0.0, chance.uniform(-0.04, 0.14)]
        )
        at += seconds
    return throttle, brake, slope


def limits_rides(vehicles: list[Vehicle], seconds: float = 150.0) -> list[LimitsRide]:
    """Ride all ``vehicles`` for ``seconds`` and return what their boards would send."""
    count, n = round(seconds / STEP), len(vehicles)
    throttles, brakes, slopes = (
        np.stack(x, axis=1) for x in zip(*(_program(v, count) for v in vehicles), strict=True)
    )

    def pair(name: str) -> Array:
        return np.array([getattr(v, name) for v in vehicles])

    def one(name: str) -> Array:
        return np.array([getattr(v, name) for v in vehicles])[:, None].astype(float)

    here = np.array([[1.0, float(v.motors == 2)] for v in vehicles])
    constant, ohms, motor_limit = pair("constant"), pair("resistance"), pair("motor_limit")
    battery_limit, duty_limit = pair("battery_limit"), one("duty_limit")
    on_motor = one("cut_on_motor") > 0.5
    curve, asks = one("curve"), one("asks")
    on_winding = np.array([[v.heat_part == "motor"] for v in vehicles])
    full, sag, fall = (one(x)[:, 0] for x in ("full_voltage", "sag", "fall"))
    mass = one("mass")[:, 0]
    speed, hand, slow_sag = np.zeros((3, n))
    filtered, volts = full.copy(), full.copy()
    current, regulated = np.zeros((n, 2)), np.full((n, 2), 1e3)
    winding = np.where(on_winding, one("warm"), 40.0) + np.zeros((n, 2))
    stage = np.where(on_winding, 35.0, one("warm")) + np.zeros((n, 2))
    told_winding, told_stage = winding.copy(), stage.copy()
    heat_size, stage_size = 120 + 180 * here[:, :1], 60 + 60 * here[:, :1]
    kept = {
        k: np.zeros((count, n, 2)) for k in ("current", "battery", "duty", "motor_c", "stage_c")
    }
    flat = {k: np.zeros((count, n)) for k in ("hand", "volts", "speed")}
    active = np.zeros((count, n, 2), np.int8)
    in_force = np.zeros((count, n, 2, 2))
    slew = one("slew")[:, 0] * STEP
    straight = np.abs(curve) < 1e-6
    one_stop, one_span = one("heat_stop"), one("heat_stop") - one("heat_start")
    cut_end, cut_span = one("cut_end"), one("cut_start") - one("cut_end")
    regulator, loop = one("regulator") * STEP, STEP / one("loop")
    ripple, turn = one("ripple"), 2 * np.pi * one("ripple_hz") * STEP
    for k in range(count):
        hand += np.clip(throttles[k] - hand, -50 * STEP, slew)
        flow = np.where(
            straight,
            hand[:, None],
            np.expm1(curve * hand[:, None]) / np.expm1(np.where(straight, 1.0, curve)),
        )
        braking = brakes[k][:, None] > 0
        request = np.where(braking, 0.0, asks * flow * motor_limit)
        hot = np.where(on_winding, told_winding, told_stage)
        cool = np.clip((one_stop - hot) / one_span, 0, 1)
        left = np.clip((filtered[:, None] - cut_end) / cut_span, 0, 1)
        on_m = np.where(on_motor, left, 1.0)
        on_b = np.where(on_motor, 1.0, left)
        by_motor = motor_limit * np.minimum(cool, on_m)
        emf = constant * speed[:, None]
        by_duty = np.maximum((duty_limit * volts[:, None] - emf - 0.3) / ohms, 0.0)
        duty = np.clip((emf + ohms * current + 0.3) / volts[:, None], 0.0, duty_limit) * (
            request > 0
        )
        battery = (duty * current * 1.02 + 0.15) * here
        allowed = battery_limit * on_b
        regulated += regulator * (allowed - battery) / np.maximum(duty, 0.1)
        rest = np.minimum(np.minimum(request, by_motor), by_duty)
        regulated = np.clip(regulated, 0.0, rest + 0.03 * motor_limit)
        which = np.stack([request, by_motor, regulated, by_duty])
        first = np.where(request <= by_motor * (1 - 1e-9), 0, 1)
        least = np.where(first == 0, request, by_motor)
        code = np.where(
            first == 0, 0, np.where(np.minimum(cool, on_m) >= 1, 1, np.where(cool <= on_m, 2, 3))
        )
        code = np.where(regulated < least, np.where(on_b < 1, 3, 4), code)
        least = np.minimum(least, regulated)
        code = np.where(by_duty < least, 5, code)
        active[k] = code
        target = which.min(axis=0) * (1 + ripple * np.sin(turn * k)) * here
        current += (target - current) * loop
        total = battery.sum(axis=1)
        slow_sag += (0.4 * sag * total - slow_sag) * STEP / 8
        volts = full - fall * k / count - sag * total - slow_sag
        filtered += (volts - filtered) * STEP / 0.15
        force = (constant * current * (1 - 0.15 * current / motor_limit.clip(1)) * here).sum(axis=1)
        drag = 0.02 * mass * 9.81 + 0.35 * speed**2
        pull = force - (drag + 0.45 * 9.81 * mass * (brakes[k] > 0)) * (speed > 0)
        speed = np.maximum(speed + (pull / mass - 9.81 * slopes[k]) * STEP, 0.0)
        copper = 1.5 * ohms * current**2
        winding += (copper - 1.2 * (winding - 25)) / heat_size * STEP
        stage += (0.9 * current + 4 - 0.9 * (stage - 25)) / stage_size * STEP
        told_winding += (winding - told_winding) * STEP / 2
        told_stage += (stage - told_stage) * STEP / 1
        kept["current"][k], kept["battery"][k], kept["duty"][k] = current, battery, duty
        kept["motor_c"][k], kept["stage_c"][k] = told_winding, told_stage
        flat["hand"][k], flat["volts"][k], flat["speed"][k] = hand, volts, speed
        in_force[k, :, :, 0], in_force[k, :, :, 1] = by_motor, allowed
    return [_send(v, j, kept, flat, brakes[:, j], active, in_force) for j, v in enumerate(vehicles)]


def _send(
    case: Vehicle,
    j: int,
    kept: dict[str, Array],
    flat: dict[str, Array],
    brake: Array,
    active: npt.NDArray[np.int8],
    in_force: Array,
) -> LimitsRide:
    chance = np.random.default_rng([case.seed, 13])
    every, seldom = round(case.period / STEP), round(case.slow_period / STEP)
    pick = np.arange(0, len(brake), every)
    time = pick * STEP
    numbers = range(case.motors)

    def noisy(value: Array, size: float, quantum: float) -> Array:
        return np.round((value + chance.normal(0, size, len(value))) / quantum) * quantum

    columns: dict[Channel, Array] = {
        channel("throttle", "1"): noisy(flat["hand"][pick, j], 0, 0.005),
        channel("brake", "1"): brake[pick],
        channel("pack_voltage", "V"): noisy(flat["volts"][pick, j], 0.02, 0.01),
    }
    for m in numbers:
        flow = kept["current"][pick, j, m] * case.gains[m]
        columns[channel("motor_current", "A", m + 1)] = noisy(
            flow, case.noise * case.motor_limit[m], 0.1
        )
        if not case.bare:
            columns[channel("duty_cycle", "1", m + 1)] = noisy(
                kept["duty"][pick, j, m], 0.001, 0.001
            )
    parts = kept["battery"][pick, j] * case.gains[2]
    wide = case.noise * min(case.battery_limit[0], case.motor_limit[0])
    if case.split and not case.bare:
        for m in numbers:
            columns[channel("controller_battery_current", "A", m + 1)] = noisy(
                parts[:, m], wide, 0.05
            )
    else:
        columns[channel("battery_current", "A")] = noisy(parts.sum(axis=1), wide, 0.05)
    off_m, off_b, off_d = case.off
    settings = {}
    if case.knows == "settings":
        settings = {
            "motor_current_limit": f"{case.motor_limit[0] * off_m:.1f}",
            "battery_current_limit": f"{case.battery_limit[0] * off_b:.1f}",
            "duty_limit": f"{min(case.duty_limit * off_d, 1.0):.3f}",
        }
        if case.cut_start > 0.5 * case.full_voltage and chance.random() < 0.5:
            settings["voltage_cutback_start"] = f"{case.cut_start:.1f}"
            settings["voltage_cutback_end"] = f"{case.cut_end:.1f}"
    elif case.knows == "in force":
        for m in numbers:
            for which, name, off in (
                (0, "motor_current_limit", off_m),
                (1, "battery_current_limit", off_b),
            ):
                force = Channel(name, "A", SampleType.F32, index=m + 1)
                columns[force] = in_force[pick, j, m, which] * off
    rare = np.arange(0, len(brake), seldom)
    heat = {}
    for m in numbers:
        for name, key in (("motor", "motor_c"), ("controller", "stage_c")):
            heat[channel(f"{name}_temperature", "°C", m + 1, exponent=-1)] = noisy(
                kept[key][rare, j, m], 0.15, 0.5
            )
    middle = np.arange(0, len(brake), max(every, 20))
    rolling = {channel("speed", "m/s"): noisy(flat["speed"][middle, j], 0.02, 0.01)}
    ride = make_ride(
        make_stream("fast", time, columns, period=case.period),
        make_stream("heat", rare * STEP, heat, period=case.slow_period),
        make_stream("rolling", middle * STEP, rolling),
        settings=settings,
    )
    return LimitsRide(case, ride, time, active[pick, j, : case.motors])


def without(case: Vehicle, *what: str) -> Vehicle:
    """Return ``case`` with no "heat" or no "voltage" cut-back."""
    if "heat" in what:
        case = replace(case, heat_start=400.0, heat_stop=420.0)
    if "voltage" in what:
        case = replace(case, cut_start=0.3 * case.full_voltage, cut_end=0.2 * case.full_voltage)
    return case
