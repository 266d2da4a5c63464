"""Speeds that no vehicle has: jumps, a zero while the motors turn, a motor that stops at once."""

import numpy as np

from ..readings.series import Array, Flags, Series
from .doubt import how_long, spans_of, spans_seen
from .levels import ReadingPace, blocks_of, unreachable
from .look import Look, calm, spread

PACE = ReadingPace(0.2, 1.0, 15.0, 6.0, 1e3)
"""A tyre holds about its own load: 12 m/s² at a friction of 1.2 (handbooks of vehicle dynamics)
for moments, half of it over seconds."""

STUCK = 3.0
"""s for which a zero while the motors turn is no wheel that spins (our choice)."""

ROLLING = 1.2
"""m/s from which the vehicle is said to roll: a satellite receiver shows less as none."""


def check_speeds(look: Look) -> None:
    """Note speeds and motor speeds that contradict physics or each other."""
    for key in look.ride.keys("speed"):
        series = look.native(key)
        if series is not None and len(series) > 3:
            _stuck_at_zero(look, key)
            _jumps(look, key, series)
    names = ["motor_speed", "motor_electrical_speed"]
    for key in [key for name in names for key in look.ride.keys(name)]:
        series = look.native(key)
        if series is not None and len(series) > 3:
            _drops(look, key, series)


def _stuck_at_zero(look: Look, key: str) -> None:
    keys, turning = look.turning()
    speed = np.abs(look.at(key))
    factor = look.per_turn()
    with np.errstate(invalid="ignore"):
        if keys:
            least = np.abs(turning).min(axis=0)  # one motor may spin, all of them drive
            if not np.isfinite(least).any():
                return
            going = least * factor > ROLLING if factor else least > 0.2 * np.nanmax(least)
            # A motor speed that holds still may itself be what is stuck.
            still = (np.diff(turning, axis=1, prepend=np.nan) == 0).any(axis=0)
            going &= ~grown(still, calm(still, round(1.0 / look.step)))
            witness = keys[0].replace("_", " ") + (" and its like" if len(keys) > 1 else "")
        else:
            duty = look.all_of("duty_cycle")
            if not len(duty):
                return
            going = np.abs(duty).min(axis=0) > 0.3
            witness = "the duty cycle"
        zero = speed <= max(0.1, 2 * look.step_of(key))
        both = zero & going
    width = round(STUCK / look.step)
    core = calm(both, width)
    if not core.any():
        return
    gone = grown(zero, core)  # as long as it stays at zero, standing still included
    if np.count_nonzero(gone & going) > 0.5 * np.count_nonzero(going & np.isfinite(speed)):
        gone = np.ones(len(both), bool)
    spans = spans_of(look.time, gone, 0.5, 2.0)
    look.add(
        key,
        "stuck at zero",
        f"It read zero while {witness} showed that the motors turned, "
        f"{np.count_nonzero(both) * look.step:.0f} s in all: the sensor, or wheels that were "
        "lifted.",
        spans,
    )


def grown(flags: Flags, core: Flags) -> Flags:
    """Return the unbroken rows of ``flags`` that hold a flag of ``core``."""
    number = np.cumsum(np.diff(flags, prepend=False)) * flags
    return flags & np.isin(number, np.unique(number[core & flags]))


def _jumps(look: Look, key: str, series: Series) -> None:
    rough = 8 * spread(np.diff(series.value[: 1 << 14])) + 2 * look.step_of(key)
    # A receiver that is read each second says at once what came about in all of it.
    rough += PACE.slow * look.refresh_of(key)
    pace = ReadingPace(PACE.block, PACE.room + rough, PACE.fast, PACE.slow, PACE.most)
    blocks = blocks_of(series, pace.block)
    gone = unreachable(blocks, pace, np.ones(len(blocks.first), bool))
    keys, turning = look.turning()
    factor = look.per_turn()
    of_motors = float("nan")
    if keys and factor:
        fastest = np.fmax.reduce(np.abs(turning), axis=0) * factor
        of_motors = float(np.nanquantile(fastest, 0.999))
        middle = (blocks.start + blocks.end) / 2
        there = np.interp(middle, look.time, np.nan_to_num(fastest))
        gone |= (blocks.high > 1.3 * of_motors + 3.0) & (blocks.high > 1.5 * there + 3.0)
    known = np.zeros(len(gone), bool)
    for doubt in look.doubts:
        if doubt.key == key:
            known |= doubt.inside(blocks.start)
    gone &= ~known
    if not gone.any():
        return
    first = int(np.flatnonzero(gone)[0])
    sound = blocks.high[~gone & ~known]
    high, low = float(blocks.high[gone].max()), float(blocks.low[gone].min())
    top = float(sound.max()) if len(sound) else float("nan")
    where = f"went up to {high:.1f} m/s" if high > top else f"read {low:.1f} to {high:.1f} m/s"
    against = f"; the motors turned for {of_motors:.1f} m/s at most" if of_motors < high else ""
    flags = np.repeat(gone, np.diff(np.r_[blocks.first, len(series)]))
    spans = spans_of(series.time, flags, 0.0, 1.0)
    seen = spans_seen(series.time, flags, join=1.0)
    look.add(
        key,
        "jumps as no vehicle can",
        f"It {where} ({top:.1f} m/s at most elsewhere), {how_long(seen)}, the first time at "
        f"{blocks.start[first]:.1f} s: a change more sudden than a tyre can make{against}.",
        spans,
    )


def _drops(look: Look, key: str, series: Series) -> None:
    """Note where a motor's speed is gone from one sample to the next while the vehicle rolls on."""
    size = np.abs(series.value)
    top = float(np.quantile(size[:: max(1, len(size) // 20_000)], 0.99))
    if top <= 0:
        return
    low = size <= 0.02 * top
    fell = np.flatnonzero(low[1:] & (size[:-1] > 0.15 * top) & ~series.gap[1:]) + 1
    fell = fell[(series.time[fell] - series.time[fell - 1]) <= 0.25]
    gone = np.zeros(len(size), bool)
    rolls = _rolling(look, key)
    ends = np.flatnonzero(low[:-1] & ~low[1:])
    for i in fell.tolist():
        if gone[i]:
            continue
        after = int(np.searchsorted(ends, i))
        last = int(ends[after]) if after < len(ends) else len(size) - 1
        middle = (series.time[i] + series.time[last]) / 2
        step = float(series.time[i] - series.time[i - 1])
        at_once = last + 1 < len(size) and size[last + 1] > 0.5 * size[i - 1]
        brief = series.time[last] - series.time[i] < 1.0
        if (at_once and brief) or (rolls(series.time[i] + step) and (rolls(middle) or at_once)):
            gone[i : last + 1] = True
    if not gone.any():
        return
    spans = spans_of(series.time, gone, 2e-3, 0.5)
    seen = spans_seen(series.time, gone, join=0.5)
    look.add(
        key,
        "drops out",
        f"It fell from {size[fell[0] - 1]:.0f} to {size[fell[0]]:.0f} r/min within one sample while"
        f" the vehicle rolled on, {how_long(seen)}.",
        spans,
    )


def _rolling(look: Look, key: str):  # type: ignore[no-untyped-def]
    """Return a function that tells whether anything else shows that this motor turns at a time."""
    own = look.ride.key("duty_cycle", look.ride.index(key))
    duty = look.at(own) if own is not None else np.full(len(look.time), np.nan)
    others = [k for k in look.turning()[0] if k != key]
    witnesses: list[tuple[Array, float]] = [(np.abs(duty), 0.15)]
    if not np.isfinite(duty).any():
        witnesses = [(np.abs(look.at("speed")), ROLLING)]
        witnesses += [
            (np.abs(v), 0.15 * float(np.nanmax(np.abs(v))))
            for k in others
            if np.isfinite(v := look.at(k)).any()
        ]

    def rolls(time: float) -> bool:
        place = min(int((time - look.time[0]) / look.step), len(look.time) - 1)
        return any(bool(values[place] > least) for values, least in witnesses)

    return rolls
