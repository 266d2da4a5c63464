"""Channels that hold still while what they measure moves, and channels that repeat themselves.

A steady reading alone is no fault: a board stands, a duty cycle is at its ceiling, a quantum is
coarse.  What is held against a steady stretch is what *another* sensor says this one should have
read meanwhile.
"""

import numpy as np

from sagline_logger.format import vocabulary

from ..readings.quantiles import median, quantiles
from ..readings.series import Array, Flags
from .doubt import how_long, marked, runs, seconds, spans_of, spans_seen
from .look import Look, calm, peak_of, spread
from .partners import partners_of
from .speeds import grown

HELD, EXACT = 6.0, 3.0
"""s for which a channel must stay in place, and hold the very same value, to be looked at."""

MOVED = 0.2
"""Share of a channel's whole range that it should have moved by meanwhile."""

FITS = 0.7
"""Share of a channel's variance that the others must explain before they are believed."""

TURNING = ("motor_speed", "motor_electrical_speed")
"""Channels that tell how fast a motor turns."""

WARMED = 15.0
"""K that a like part has warmed by meanwhile."""


def amount(look: Look, key: str, value: float) -> str:
    """Return a value of a column in words, with its unit: never ``1.94e+03``."""
    stream = look.ride.find(key)
    unit = stream.channels[key].unit if stream is not None else ""
    if unit == "1":
        return f"{100 * value:.0f} %"
    number = f"{value:.0f}" if abs(value) >= 1000 else f"{value:.3g}"
    return f"{number} {unit}".strip()


def check_frozen(look: Look) -> None:
    """Note every channel that holds still while its like shows that it moved."""
    for key, partners in partners_of(look):
        _held(look, key, partners)
    for key in look.keys("throttle"):
        _throttle(look, key)
    _temperatures(look)


def _held(look: Look, key: str, partners: list[Array]) -> None:
    value = look.at(key)
    known = np.isfinite(value)
    if np.count_nonzero(known) * look.step < 2 * HELD:
        return
    top = peak_of(value)
    own = value[known]
    least, most = quantiles(own, (0.02, 0.98))
    whole = most - least
    quantum = look.steps_of(key)
    usable, idle = known, np.zeros(len(value), bool)
    name = look.name_of(key)
    if name == "duty_cycle":
        # At its ceiling it holds still, and at zero where the power stage is off.
        idle = _switched_off(look, key, value)
        usable = (np.abs(value) < 0.85 * top) & ~idle
    elif name in ("motor_current", *TURNING):
        idle = _runs_free(look, key)
        usable = known & ~idle
        if name == "motor_current" and look.beside(key, "duty_cycle") is None:
            # At its limit a current holds still while speed and power go on rising.
            usable &= np.abs(value) < 0.85 * top
    holds = _holds(value, usable, 0.004 * whole, look.step)
    if not holds:
        return
    held = marked(holds, len(value))
    table = np.column_stack([np.ones(len(value)), *partners])
    sound = known & ~idle & np.isfinite(table).all(axis=1)
    outside = sound & ~held
    if np.count_nonzero(outside) * look.step >= 10.0:
        few = np.flatnonzero(outside)[:: max(1, int(outside.sum()) // 5000)]
        fit = np.linalg.lstsq(table[few], value[few], rcond=None)[0]
        left = value[few] - table[few] @ fit
        within = float(np.var(value[few]))
        if within <= 0 or 1 - float(np.var(left)) / within < FITS:
            return
        scatter = spread(left)
    elif whole <= 2 * quantum:  # held all along: the like tells by itself what it should have been
        fit, scatter = _plain(look, key, partners), 0.0
        whole = _usual(name, value)
    else:
        return
    told = table @ fit
    least = max(MOVED * whole, 6 * scatter, 10 * quantum)
    gone = np.zeros(len(value), bool)
    most = 0.0
    late, stale = _latest(look), round(look.refresh_of(key) / look.step)
    for first, last in holds:
        # A slower sensor still says for a while what was before, be it a like or this one.
        since = first + min(late, (last - first) // 3)
        until = last + 1 - min(stale, (last - first) // 3)
        part = told[since:until][sound[since:until]]
        if len(part) * look.step < EXACT / 2:
            continue
        stayed = max(round(EXACT / look.step), _longest(value[first : last + 1]) + 1)
        if name in ("speed", *TURNING) and _longest(part) >= stayed:
            continue  # it is the other speed that reads the very same while this one goes on
        low, high = quantiles(part, (0.02, 0.98))
        moved, middle = high - low, median(value[first:last])
        off = max(abs(low - middle), abs(high - middle))
        exact = float(np.ptp(value[first : last + 1])) == 0
        quiet = name in ("pack_voltage", "cell_voltage") and exact and scatter >= 2 * quantum > 0
        if (moved > least and off > least) or (quiet and moved > max(0.05 * whole, 4 * scatter)):
            gone[first : last + 1] = True
            most = max(most, moved)
    # What goes on to read the very same is frozen too, whatever the others do meanwhile.
    gone |= grown(np.diff(value, prepend=np.nan) == 0, gone)
    spans = spans_of(look.time, gone, look.step, 2.0)
    if not spans:
        return
    at = float(np.median(value[gone]))
    seen = spans_seen(look.time, gone, look.step, 2.0)
    look.add(
        key,
        "frozen",
        f"It held still at {amount(look, key, at)} {how_long(seen)}, from "
        f"{seen[0][0]:.0f} s on, while the sensors it goes with say that it moved by "
        f"{amount(look, key, most)}.",
        spans,
    )


def _longest(value: Array) -> int:
    """Return for how many samples in a row a channel reads the very same at the most."""
    rows = runs(np.diff(value) == 0)
    return max((last - first + 1 for first, last in rows), default=0)


def _latest(look: Look) -> int:
    """Return by how many points of the axis the slowest of the sensors compared here lags."""
    names = (
        "cell_voltage",
        "pack_voltage",
        "battery_current",
        "motor_current",
        "speed",
        "motor_speed",
        "motor_electrical_speed",
        "duty_cycle",
    )
    streams = [look.ride.find(key) for name in names for key in look.ride.keys(name)[:1]]
    periods = [
        max(s.period, median(np.diff(s.time[:1000])))
        for s in streams
        if s is not None and len(s.time) > 1
    ]
    return round(max(periods, default=0.0) / look.step)


AS_DRIVEN = 0.06
"""Share by which a motor without load may turn other than its duty cycle says (our choice)."""


def _runs_free(look: Look, key: str) -> Flags:
    """Return where a motor turns by its duty cycle with hardly any current: one that has lost its
    wheel holds its speed, whatever the vehicle does."""
    duty, current = look.beside(key, "duty_cycle"), look.beside(key, "motor_current")
    if look.name_of(key) not in TURNING or duty is None or current is None:
        return np.zeros(len(look.time), bool)
    amps, driven = np.abs(look.at(current)), np.abs(look.at(duty))
    packs = look.all_of("pack_voltage")
    free = (driven > 0.3) & (amps < 0.2 * peak_of(amps))
    if len(packs):
        driven = driven * packs[0]
    with np.errstate(divide="ignore", invalid="ignore"):
        ratio = np.abs(look.at(key)) / driven
    known = ratio[free & np.isfinite(ratio)]
    if not len(known):
        return np.zeros(len(look.time), bool)
    # A sensor that froze does not follow the duty cycle; a motor without load does.
    usual = float(np.median(known[: max(1, len(known) // 2)]))
    return np.asarray(free & (np.abs(ratio - usual) < AS_DRIVEN * usual))


def _switched_off(look: Look, key: str, value: Array) -> Flags:
    """Return where a duty cycle of nothing goes with no current in its motor: a power stage that is
    off, whatever the motor does."""
    own = look.beside(key, "motor_current")
    if own is None:
        return np.zeros(len(value), bool)
    current = np.abs(look.at(own))
    off = (np.abs(value) <= look.step_of(key)) & (current <= 0.03 * peak_of(current))
    # A stray reading of current does not switch it on.
    width = max(1, round(1.0 / look.step))
    share = np.convolve(off, np.ones(width), "same") / width
    return np.asarray(off & (share > 0.8))


def _holds(value: Array, usable: Flags, band: float, period: float) -> list[tuple[int, int]]:
    """Return the rows of samples that hold one value, or stay within ``band`` of it."""
    step = np.abs(np.diff(value, prepend=np.nan))
    least = round(HELD / period)
    exact = [(a - 1, b) for a, b in runs((step == 0) & usable, round(EXACT / period))]
    rows = list(exact)
    for first, last in runs((step <= band) & usable, least):
        if any(a <= last and b >= first for a, b in exact):
            continue
        if float(np.ptp(value[first : last + 1])) <= 2 * band:
            rows.append((first, last))
    return rows


def _plain(look: Look, key: str, partners: list[Array]) -> Array:
    """Return the factors by which the partners tell a channel that never moved."""
    fit = np.zeros(1 + len(partners))
    name = look.name_of(key)
    if name in ("speed", *TURNING):
        factor = look.per_turn()
        peak = max(peak_of(partners[0]), 1e-9)
        if name == "speed":
            fit[1] = factor or 10.0 / peak
        else:
            fit[1] = 1 / factor if factor else 1.0
    else:
        fit[1:] = 1.0
    return fit


def _usual(name: str, value: Array) -> float:
    """Return a range that such a channel moves over in any ride, in its unit."""
    if name in ("pack_voltage", "cell_voltage"):
        return 0.2 * abs(float(np.nanmedian(value)))
    if name in TURNING:
        return 2000.0
    return {"speed": 8.0, "battery_current": 40.0, "motor_current": 60.0}.get(name, 1.0)


def _throttle(look: Look, key: str) -> None:
    """Note a throttle that stays where it is while motors start and stop."""
    throttle = look.at(key)
    currents = look.all_of("motor_current")
    drive = np.fmax.reduce(currents, axis=0) if len(currents) else look.at("battery_current")
    if not np.isfinite(drive).any() or not np.isfinite(throttle).any():
        return
    peak = peak_of(drive)
    turning = look.turning()[1]
    speed = np.abs(look.at("speed"))
    if not np.isfinite(speed).any() and len(turning):
        speed = np.abs(turning).mean(axis=0)
    top = peak_of(speed)
    if peak <= 5:
        return
    with np.errstate(invalid="ignore"):
        hard, none = drive > 0.25 * peak, np.abs(drive) < 0.04 * peak + 0.5
        slow = speed < 0.4 * top if top > 0 else np.ones(len(drive), bool)
        stands = calm(speed <= max(0.02 * top, 0.1), round(1.0 / look.step))
    same = np.zeros(len(throttle), bool)
    same[1:] = np.abs(np.diff(throttle)) <= 0.015
    gone = np.zeros(len(throttle), bool)
    second = max(1, round(1.0 / look.step))
    for first, last in runs(same, round(HELD / look.step)):
        part = slice(first, last + 1)
        at = float(np.median(throttle[part]))
        if float(np.ptp(throttle[part])) > 0.06:
            continue
        driving = calm(hard[part], second)
        idle = calm(none[part] & slow[part], second)
        starts = len(runs(driving))
        stops = len(runs(idle))
        closed = at < 0.05 and np.count_nonzero(driving) * look.step >= 3.0
        rests = np.count_nonzero(idle & stands[part]) * look.step
        # Motors that stop once under a hand that then lets go were cut off.
        let_go = last + second < len(throttle)
        held_open = (starts >= 2 and stops >= 2) or (starts >= 1 and rests >= 8.0 and not let_go)
        if closed or (at >= 0.05 and held_open):
            gone[part] = True
    spans = spans_of(look.time, gone, 0.0, 5.0)
    if not spans:
        return
    at = float(np.median(throttle[gone]))
    inside = gone & np.isfinite(drive)
    seen = spans_seen(look.time, gone, join=5.0)
    look.add(
        key,
        "stuck",
        f"It stayed at {100 * at:.0f} % {how_long(seen)}, while the motors went from "
        f"{np.min(drive[inside]):.0f} to {np.max(drive[inside]):.0f} A and back.",
        spans,
    )


def _temperatures(look: Look) -> None:
    """Note a temperature that has not moved at all while its like, no less used, warmed."""
    for name in ("motor_temperature", "controller_temperature"):
        keys = look.keys(name)
        for key in keys:
            value = look.at(key)
            known = value[np.isfinite(value)]
            if len(known) * look.step < 60.0:
                continue
            _still(look, key, [k for k in keys if k != key])
    names = (
        "motor_temperature",
        "controller_temperature",
        "battery_temperature",
        "ambient_temperature",
    )
    for key in [key for name in names for key in look.keys(name)]:
        _noise_stops(look, key)


def _noise_stops(look: Look, key: str) -> None:
    """Note where a temperature holds one reading although its last digit moves all the time else.

    Up and down alike are counted, so that warming alone is no noise.  With ``rate`` such moves a
    sample in the quietest tenth of the rest, a hold of n samples has a chance of exp(-n · rate).
    """
    series = look.native(key)
    if series is None or len(series) < 5 * QUIET or any(d.key == key for d in look.doubts):
        return
    step = np.diff(series.value)
    still = [(a, b + 1) for a, b in runs(step == 0, QUIET)]
    if not still:
        return
    first, last = max(still, key=lambda row: row[1] - row[0])
    kept = np.delete(step, np.s_[first:last])
    # A short rest is looked at in two halves, none below half of QUIET.
    size = min(QUIET, len(kept) // 2)
    if size < QUIET // 2:
        return
    count = len(kept) // size
    parts = kept[: count * size].reshape(count, size)
    # Noise over three steps and more: then no place between two steps is without it.
    levels = np.ptp(np.cumsum(parts, axis=1), axis=1)
    if float(np.quantile(levels, 0.1, method="lower")) < 1.9 * max(look.step_of(key), _step(step)):
        return
    moves = 2 * np.minimum((parts > 0).sum(axis=1), (parts < 0).sum(axis=1)) / size
    rate = float(np.quantile(moves, 0.1, method="lower"))
    if (last - first) * rate < CHANCE:
        return
    spans = ((float(series.time[first]), float(series.time[last])),)
    look.add(
        key,
        "frozen",
        f"It held {series.value[first]:.1f} °C for {last - first + 1} samples "
        f"({seconds(spans):.0f} s), while else at least {100 * rate:.0f} % of its samples moved "
        "up or down.",
        spans,
    )


def _step(changes: Array) -> float:
    """Return the step in which a column moves, from the changes of its readings, in its unit.

    A thermometer of whole degrees may be sent in tenths: then the quantum of the column is not its
    own.  A few stray readings between do not make its steps finer.
    """
    moved = np.abs(changes[changes != 0])
    return float(np.quantile(moved, 0.05)) if len(moved) else 0.0


def _still(look: Look, key: str, likes: list[str]) -> None:
    """Note where a temperature holds one reading longer than its own noise and its like allow."""
    value = look.at(key)
    quantum = look.step_of(key)
    same = np.zeros(len(value), bool)
    same[1:] = np.abs(np.diff(value)) <= 1e-9
    for first, last in runs(same, round(60.0 / look.step)):
        length = (last - first) * look.step
        warmed = 0.0
        for like in likes:
            part = look.at(like)[first : last + 1]
            part = part[np.isfinite(part)]
            if len(part):
                warmed = max(warmed, float(np.quantile(part, 0.95) - np.quantile(part, 0.05)))
        if warmed > max(WARMED, 6 * quantum) and _used_alike(look, key, likes, first, last):
            spans = ((float(look.time[first]), float(look.time[last])),)
            look.add(
                key,
                "frozen",
                f"It held {value[last]:.1f} °C for {length:.0f} s without the least change, while "
                f"its like moved by {warmed:.0f} K on no more current.",
                spans,
            )


def _used_alike(look: Look, key: str, likes: list[str], first: int, last: int) -> bool:
    def heat(one: str) -> float:
        column = look.ride.key("motor_current", look.ride.index(one))
        if column is None:
            return 1.0
        part = look.at(column)[first : last + 1]
        part = part[np.isfinite(part)]
        return float(np.mean(part**2)) if len(part) else 1.0

    return heat(key) > 0.5 * max(heat(like) for like in likes)


QUIET = 20
"""Samples in a row that are looked at together for a sensor's own noise."""

CHANCE = 20.0
"""Expected moves of the last digit in a hold that had none: a chance of e⁻²⁰."""

PROBE = 12
"""Samples of a probe whose exact repetition is looked for."""

VARIED = 4
"""Different values that a probe has at least, lest a standing vehicle be said to repeat."""

PROBES = 60
"""Probes in a column."""

BACK = 60.0
"""s before a probe that are looked through."""

SMOOTH, BENDS = 2, 3
"""Steps of the quantum by which a smooth curve may bend from one sample to the next, and how many
sharper bends a stretch must have to be no smooth curve (our choice)."""

ALIKE = 1.0
"""s for which every sample must repeat."""

_MEASURED = {
    name
    for name, term in vocabulary().items()
    if term.group in ("voltage", "current", "cell", "speed", "temperature", "air")
    and not term.limit_of
}
"""What a converter reads, with its noise; a hand or a program may well do the same thing twice."""


def check_repeats(look: Look) -> None:
    """Note columns that play a stretch of their own past again, sample for sample."""
    for stream in look.ride.streams.values():
        count = len(stream.time)
        if count < 6 * PROBE:
            continue
        period = float(stream.time[-1] - stream.time[0]) / count
        back = min(round(BACK / max(period, 1e-3)), 6000, count)
        gone: dict[str, Flags] = {}
        for key in stream.channels:
            if stream.channels[key].name not in _MEASURED:
                continue
            values = np.asarray(stream.raw[key])
            flags = _repeated(values, back, max(round(ALIKE / max(period, 1e-3)), 3 * PROBE))
            if flags is not None:
                gone[key] = flags
        moving = sum(_lively(np.asarray(stream.raw[key])) for key in stream.channels)
        if len(gone) > max(1, moving // 3):
            continue  # all of it repeats: a test of the bench, not a sensor
        for key, flags in gone.items():
            for first, last in runs(flags):
                flags[first : last + 1] = _odd(np.asarray(stream.raw[key])[first : last + 1])
            known = look.ride.streams[stream.name].values[key]
            spans = spans_of(stream.time, flags & np.isfinite(known), period, 2.0)
            if spans and seconds(spans) > ALIKE:
                look.add(
                    key,
                    "repeats",
                    f"It played a stretch of its own past again, sample for sample, "
                    f"{how_long(spans)}, while others of its stream went on.",
                    spans,
                )


def _lively(values: "np.typing.NDArray[np.generic]") -> bool:
    few = values[: 1 << 12]
    return len(np.unique(few)) > PROBE


def _repeated(values: "np.typing.NDArray[np.generic]", back: int, least: int) -> Flags | None:
    """Return which samples repeat earlier ones, None where no probe finds any."""
    count = len(values)
    found: Flags | None = None
    for start in np.linspace(PROBE, count - PROBE - 1, PROBES).astype(int).tolist():
        probe = values[start : start + PROBE]
        if len(set(probe.tolist())) < VARIED:
            continue
        if found is not None and found[start]:
            continue
        low = max(0, start - back)
        at = np.flatnonzero(values[low:start] == probe[0]) + low
        for i in range(1, PROBE):
            if not len(at):
                break
            at = at[values[at + i] == probe[i]]
        for place in at[::-1][:3].tolist():
            lag = start - place
            first, last = _extent(values, start, lag)
            part = values[first:last]
            if len(part) >= least and len(set(part.tolist())) >= VARIED:
                found = np.zeros(count, bool) if found is None else found
                found[first:last] = True
                break
    return found


def _odd(part: "np.typing.NDArray[np.generic]") -> bool:
    """Return whether a stretch is more than a smooth curve in steps, which comes again by itself:
    a filtered speed that rises and falls evenly says the same over and over."""
    if part.dtype.kind == "f":
        return True
    bends = np.abs(np.diff(part.astype(np.int64), 2))
    return int(np.count_nonzero(bends > SMOOTH)) >= BENDS


def _extent(values: "np.typing.NDArray[np.generic]", start: int, lag: int) -> tuple[int, int]:
    """Return the row of samples around ``start`` that equal those ``lag`` before."""
    low = max(lag, start - 200_000)
    same = (
        values[low : start + 200_000]
        == values[low - lag : start + 200_000 - lag][: len(values[low : start + 200_000])]
    )
    breaks = np.flatnonzero(~same) + low
    before, after = breaks[breaks < start], breaks[breaks > start]
    first = int(before[-1]) + 1 if len(before) else low
    last = int(after[0]) if len(after) else low + len(same)
    return first, last
