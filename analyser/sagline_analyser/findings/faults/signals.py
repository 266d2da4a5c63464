"""Signals that move as no hand, wheel or rotor can: the throttle's and the speeds'."""

from dataclasses import dataclass, field

import numpy as np

from ..readings.around import highest_before
from ..readings.series import Array, Series, interpolate
from ..readings.summary import words
from .scene import Scene
from .story import quantity, relative, span_text

Evidence = list[tuple[float, str]]
"""(points, text); positive speaks for the cause."""

HAND = 0.2
"""s within which no hand opens and closes a throttle (common practice, no source: a voluntary
movement there and back takes a person longer)."""

JUMP = 0.25
"""Share of the full range that counts as a jump (our choice)."""

DROPPED, DROP_STEP = 0.05, 0.1
"""Share of a speed that may be left, and s that may lie between the two readings, for a speed that
dropped to nothing at once (our choice: no brake stops a wheel within one reading)."""

SOON = 0.3
"""s after the moment up to which a sensor that fails may be its reason: two streams' readings."""

FAILS = {
    "drops out": "dropped out",
    "frozen": "froze",
    "jumps as no machine can": "jumped",
    "jumps as no vehicle can": "jumped",
    "repeats itself": "repeated itself",
}
"""How a doubt reads in a sentence, where its own words do not fit one."""

SLIPPED = 1.25
"""Turning this many times as fast as the road speed asks for counts as slip (our choice)."""

STANDS = 1.0
"""r/min below which what the road speed asks for is a standstill (our choice)."""


def failed_sensors(scene: Scene, before: float, *names: str) -> Evidence:
    """Return the sensors of these channels that began to fail from ``before`` s before the moment
    up to it, as the pass over all sensors doubts them.

    One that was doubted all along, or long before, is no reason to stop now.
    """
    found: Evidence = []
    for doubt in scene.sensors:
        stream = scene.ride.find(doubt.key)
        if stream is None or not doubt.set_aside or stream.channels[doubt.key].name not in names:
            continue
        # The spans of a slow sensor are wider than its trouble by a reading or two.
        late = max(SOON, stream.period)
        begun = [
            start
            for start, _ in doubt.spans
            if -before - 2 * stream.period <= start - scene.at <= late
        ]
        if begun and begun[0] > scene.ride_start + 1.0:
            found.append(
                (
                    3.0,
                    f"{words(scene.ride, doubt.key)} {FAILS.get(doubt.doubt, doubt.doubt)} from "
                    f"{relative(begun[0] - scene.at)}: {doubt.evidence[0].lower()}"
                    f"{doubt.evidence[1:].removesuffix('.')}",
                )
            )
    return found


def throttle_evidence(scene: Scene) -> Evidence:
    """Weigh whether the throttle signal did what no hand can do near the moment."""
    if failed := failed_sensors(scene, 1.0, "throttle"):
        return failed
    stream = scene.ride.find("throttle")
    if stream is None:
        return []
    inside = (stream.time >= scene.at - 1.0) & (stream.time <= scene.at + 1.0)
    values, times = stream.values["throttle"][inside], stream.time[inside]
    if not len(values):
        return []
    found: Evidence = []
    missing = np.flatnonzero(~np.isfinite(values))
    if len(missing) and np.isfinite(values[: missing[0]]).any():
        found.append(
            (
                3.0,
                "the throttle reading went missing "
                f"{relative(float(times[missing[0]]) - scene.at)}",
            )
        )
    known = np.isfinite(values)
    values, times = values[known], times[known]
    if not len(values):
        return found
    wild = np.flatnonzero((values < -0.02) | (values > 1.02))
    if len(wild):
        found.append(
            (
                2.5,
                f"the throttle read {quantity(float(values[wild[0]]), '1')}, outside "
                f"its range, {relative(float(times[wild[0]]) - scene.at)}",
            )
        )
    if (turn := _there_and_back(times, values, JUMP, HAND)) is not None:
        a, b, c = (quantity(float(values[n]), "1") for n in turn)
        long = span_text(float(times[turn[2]] - times[turn[0]]))
        found.append(
            (
                3.0,
                f"the throttle read {a}, {b} and {c} within {long} "
                f"{relative(float(times[turn[1]]) - scene.at)}: "
                "faster than a hand",
            )
        )
    if not found:
        low, high = quantity(float(values.min()), "1"), quantity(float(values.max()), "1")
        found.append((-2.0, f"the throttle moved as a hand moves it ({low} to {high})"))
    return found


def steady_or_not(scene: Scene) -> Evidence:
    """Weigh whether the rider closed the throttle, or braked, just before the moment."""
    throttle = next((series for _, _, series in scene.columns("throttle")), None)
    if throttle is None:
        return []
    near = scene.readings(throttle, -1.0, 0.0)
    if not len(near):
        return []
    found: Evidence = []
    most, last = float(near.value.max()), float(near.value[-1])
    moved = f"the throttle went from {quantity(most, '1')} to {quantity(last, '1')} in the last 1 s"
    if most >= 0.1 and last <= 0.1 * most:
        found.append((2.5, moved))
    elif last < 0.1:
        found.append((0.5, f"the throttle was closed ({quantity(last, '1')})"))
    else:
        found.append((-3.0, f"the throttle stayed open ({quantity(last, '1')})"))
    for _, _, brake in scene.columns("brake"):
        pressed = scene.readings(brake, -1.0, 0.0)
        if len(pressed) and float(pressed.value[-1]) > 0.1:
            found.append((1.0, f"the brake was at {quantity(float(pressed.value[-1]), '1')}"))
    return found


@dataclass
class Turning:
    """Evidence on the sensors of speed, and on slip."""

    sensor: Evidence = field(default_factory=list)
    slip: Evidence = field(default_factory=list)


def turning_evidence(scene: Scene) -> Turning:
    """Weigh the speeds near the moment: jumps that no mass can do, and wheels that ran away.

    A reading that jumps and comes back within 0.3 s is a sensor's; one that runs ahead of the road
    speed (or of the other motors) for longer, while its motor's current falls, is slip.
    """
    found = Turning()
    turning = [
        entry for name in ("motor_speed", "motor_electrical_speed") for entry in scene.columns(name)
    ]
    speeds = [*turning, *scene.columns("speed")]
    found.sensor += failed_sensors(scene, 1.0, "motor_speed", "motor_electrical_speed", "speed")
    dropped = {
        key: evidence
        for key, _, series in speeds
        if (evidence := _dropped(scene, key, series, speeds)) is not None
    }
    found.sensor += dropped.values()
    speeds = [entry for entry in speeds if entry[0] not in dropped]
    for key, index, series in speeds:
        near = scene.readings(series, -1.0, 1.0)
        top = float(np.quantile(np.abs(series.value), 0.99)) if len(series) else 0.0
        if len(near) < 3 or top <= 0:
            continue
        unit = "m/s" if key == "speed" else "r/min"
        turn = _there_and_back(near.time, near.value, max(JUMP * top, _least(unit)), 0.3)
        if turn is not None:
            a, b, c = (quantity(float(near.value[n]), unit) for n in turn)
            found.sensor.append(
                (
                    3.0,
                    f"{words(scene.ride, key)} read {a}, {b} and {c} within "
                    f"{span_text(float(near.time[turn[2]] - near.time[turn[0]]))} "
                    f"{relative(float(near.time[turn[1]]) - scene.at)}: no turning mass does that",
                )
            )
        elif key != "speed":
            found.slip += _slip(scene, key, index, series, speeds)
    if speeds and not found.sensor:
        found.sensor.append((-2.0, "no speed reading jumped beyond what the masses allow"))
    if turning and not found.slip:
        found.slip.append((-2.0, "no motor ran ahead of the road or of the others"))
    return found


def _least(unit: str) -> float:
    return 2.0 if unit == "m/s" else 60.0


def _dropped(
    scene: Scene, key: str, series: Series, speeds: list[tuple[str, int, Series]]
) -> tuple[float, str] | None:
    """Return what speaks for a dead speed sensor: one reading turns, the next one does not, and
    another speed runs on."""
    near = scene.readings(series, -1.0, 1.0)
    top = float(np.quantile(np.abs(series.value), 0.99)) if len(series) else 0.0
    unit = "m/s" if key == "speed" else "r/min"
    size = np.abs(near.value)
    fell = (size[:-1] >= max(0.3 * top, _least(unit))) & (size[1:] <= DROPPED * size[:-1])
    fell &= (np.diff(near.time) <= DROP_STEP) & ~near.gap[1:]
    for n in np.flatnonzero(fell).tolist():
        times = near.time[[n, n + 1]]
        for other, _, reference in speeds:
            was, then = np.abs(interpolate(reference, times + np.array([0.0, 0.1]))).tolist()
            turns = was >= _least("m/s" if other == "speed" else "r/min") / 2 and then > 0.5 * was
            if other != key and turns:
                a, b = (quantity(float(near.value[k]), unit) for k in (n, n + 1))
                return 3.0, (
                    f"{words(scene.ride, key)} went from {a} to {b} within "
                    f"{span_text(float(times[1] - times[0]))} "
                    f"{relative(float(times[1]) - scene.at)}, while {words(scene.ride, other)} ran "
                    "on: the sensor or its lead is in doubt"
                )
    return None


def _slip(
    scene: Scene, key: str, index: int, series: Series, speeds: list[tuple[str, int, Series]]
) -> Evidence:
    """Return what speaks for slip of one motor: it runs ahead of a reference, its current falls."""
    others = [entry for entry in speeds if entry[0] != key]
    reference = next((e for e in others if e[0] == "speed"), others[0] if others else None)
    if reference is None:
        return []
    past = scene.past(series)
    ratio = _ratio(past.value, interpolate(reference[2], past.time))
    near = scene.readings(series, -1.0, 1.0)
    if ratio is None or not len(near):
        return []
    beside = ratio * interpolate(reference[2], near.time)
    ahead = np.isfinite(beside) & (np.abs(near.value) > SLIPPED * np.abs(beside) + 60.0)
    first, last = _longest(ahead)
    if last < first or float(near.time[last] - near.time[first]) < 0.15:
        return []
    start = float(near.time[first])
    name, beside_it = words(scene.ride, key), words(scene.ride, reference[0])
    asked = float(beside[last])
    than = (
        f"{beside_it} asks for {quantity(asked, 'r/min')}"
        if abs(asked) >= STANDS
        else f"{beside_it} shows a standstill: it slips, or turns free of the ground"
    )
    ran = f"{name} ran to {quantity(float(near.value[last]), 'r/min')} while {than}"
    found: Evidence = [(2.0, f"{ran}, from {relative(start - scene.at)}")]
    for flow, number, current in scene.columns("motor_current"):
        if number == index:
            held = scene.readings(current, start - scene.at - 1.0, start - scene.at)
            if len(held) and abs(held.value[-1]) < 0.1 * np.abs(held.value).max():
                return [(-1.0, f"{name} ran ahead only after its current had ended")]
            then = scene.readings(current, start - scene.at, float(near.time[last]) - scene.at)
            if len(held) and len(then):
                was, fell = float(np.median(held.value)), float(then.value[-1])
                points = 1.5 if fell < 0.5 * was else -1.0
                found.append(
                    (
                        points,
                        f"its current went from {quantity(was, 'A')} to "
                        f"{quantity(fell, 'A')} ({words(scene.ride, flow)})",
                    )
                )
    return found


def _ratio(one: Array, other: Array) -> float | None:
    moving = np.isfinite(other) & (np.abs(other) > 0.2 * np.nanmax(np.abs(other), initial=0.0))
    moving &= np.abs(other) > 0
    return float(np.median(one[moving] / other[moving])) if np.count_nonzero(moving) >= 20 else None


def _longest(flags: np.ndarray) -> tuple[int, int]:
    """Return the first and last index of the longest run of True, (0, -1) when there is none."""
    edges = np.flatnonzero(np.diff(np.r_[0, flags.astype(int), 0]))
    if not len(edges):
        return 0, -1
    starts, ends = edges[::2], edges[1::2]
    n = int(np.argmax(ends - starts))
    return int(starts[n]), int(ends[n]) - 1


def _there_and_back(
    time: Array, value: Array, size: float, within: float
) -> tuple[int, int, int] | None:
    """Return indices of a reading, one at least ``size`` away, and one back near the first, all
    within ``within`` s; None when there is no such turn."""
    if len(value) < 3 or np.fmax.reduce(value) - np.fmin.reduce(value) < size:
        return None
    first = np.searchsorted(time, time - within, "left")
    end = np.searchsorted(time, time + within, "right")
    # Most readings are near all those before them, and need no look at each.
    rise = value + highest_before(time, -value, within + 1e-6)
    fall = highest_before(time, value, within + 1e-6) - value
    far = np.flatnonzero(np.fmax(rise, fall)[1:-1] >= size) + 1
    for middle in far.tolist():
        away = np.abs(value[first[middle] : middle] - value[middle])
        for a in (np.flatnonzero(away >= size) + first[middle]).tolist():
            jump = value[middle] - value[a]
            for b in range(middle + 1, end[middle]):
                back = abs(value[b] - value[a]) <= 0.4 * abs(jump)
                if back and time[b] - time[a] <= within + 1e-9:
                    return a, middle, b
    return None
