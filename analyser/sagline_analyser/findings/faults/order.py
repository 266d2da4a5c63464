"""After a fault: what left its bounds first in the seconds before, in order, and what did not.

Bounds are the board file's limits and the ride's own normal, the range of nearly all readings in
the minutes before.  A step is known only to lie between two readings, so the order of two steps
is stated only where these spans do not overlap; all streams of a board share its clock, and what
another clock timed (a lost link, another start of the board) is apart by the clock error as well.
"""

from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from sagline_logger.format import BoardFile, EventKind, vocabulary

from ...load.ride import Ride, StreamColumns
from ..limits.crossings import HYSTERESIS, Threshold, thresholds
from ..readings.electric import battery_current, pack_voltage
from ..readings.gathered import Gathered
from ..readings.quantiles import quantile, quantiles
from ..readings.series import Array, Flags, Series, clean
from ..readings.summary import channel_words
from ..readings.unknown import NotKnown
from ..readings.window import between
from ..sensors.doubt import SensorDoubt
from ..telling.certainty import TOLD
from ..telling.moment import moment_text
from .causes import rank_causes
from .cells import CellBelief
from .moments import COLLAPSE, GONE, HARD, drops, fault_moments
from .scene import MEMORY
from .story import (
    LOGGER,
    FaultStory,
    Inside,
    Moment,
    Step,
    StepKind,
    in_order,
    quantity,
    relative,
    span_text,
)

__all__ = [
    "AFTER",
    "BEFORE",
    "MEMORY",
    "Around",
    "FaultStory",
    "Inside",
    "Moment",
    "Step",
    "fault_moments",
    "story_of",
    "what_came_first",
]

BEFORE, AFTER = 10.0, 3.0
"""s looked at around a moment unless the caller says otherwise."""

ENOUGH = 20.0
"""s of readings without which there is no normal to compare with."""

EDGE = 0.005
"""Share of readings on either side that is not counted as normal (our choice)."""

ROOM = 0.25
"""Share of the normal range by which a reading must be outside it (our choice)."""


LEAST = {"°C": 5.0, "V": 0.02, "A": 0.5, "1": 0.05, "m/s": 0.2, "r/min": 20.0}
"""The same at the least, by unit, above what sensors flicker (our choice)."""


@dataclass(frozen=True)
class Track:
    """A channel (or all cells at once) around a moment: ``lag`` (n,) is the s since the reading
    before each, ``clock`` (n,) the number of the board's start."""

    key: str
    channel: str
    """Its channel's name; empty for the lowest and the highest of several."""
    name: str
    unit: str
    series: Series
    lag: Array
    clock: Array


@dataclass(frozen=True)
class Around:
    """How a moment is looked at: from ``before`` s before it to ``after`` s after it, cut to the
    ride; ``belief`` is what the ride says of its cells, None to work it out, and ``sensors`` what
    is doubted of its sensors."""

    before: float = BEFORE
    after: float = AFTER
    belief: CellBelief | None = None
    sensors: tuple[SensorDoubt, ...] = ()


def what_came_first(
    ride: Ride,
    board: BoardFile | None,
    at: float | Moment,
    *,
    before_s: float = BEFORE,
    after_s: float = AFTER,
) -> FaultStory:
    """Tell what happened around ``at``, a moment or a time in s from the start of the capture.

    The window is ``before_s`` before it to ``after_s`` after it, cut to the ride.  Never raises
    for lack of data: what is missing stands in ``unknown`` and in ``text``.
    """
    return story_of(Gathered(ride, board), at, Around(before_s, after_s))


def story_of(it: Gathered, at: float | Moment, around: Around) -> FaultStory:
    """Tell what happened around ``at``, as :func:`what_came_first`."""
    ride, board = it.ride, it.board
    moment = at if isinstance(at, Moment) else Moment(float(at), "chosen", "the chosen moment")
    start = max(0.0, moment.time - around.before)
    end = min(ride.duration, moment.time + around.after)
    window = (start, max(start, end))
    tracks = _tracks(between(ride, start - MEMORY, window[1]))
    steps: list[Step] = _events(ride, window)
    for threshold in thresholds(ride, it.limits):
        steps += _beyond_limit(tracks, threshold, window)
    for track in tracks:
        steps += _beyond_normal(track, window)
        steps += _falls(track, window)
    crossed = in_order(_one_a_channel(steps), ride.quality.clock_error or 0.0)
    left = {step.channel for step in crossed}
    normal = tuple(
        Inside(track.key, track.name, float(inside.min()), float(inside.max()), track.unit)
        for track in tracks
        if track.key not in left and len(inside := _inside(track, window))
    )
    blind = _blind(ride, moment.time)
    story = FaultStory(
        moment,
        "",
        window,
        crossed,
        normal,
        (),
        _lacking(ride, board, blind),
        ride.quality.clock_error,
        blind,
    )
    story = replace(story, causes=rank_causes(it, story, around.belief, around.sensors))
    return replace(story, text=_words(story))


_NO_CAUSE = ("place", "charge")
"""Groups that leave their range on every ride, and cut nothing out."""


def _tracks(ride: Ride) -> list[Track]:
    """Return every standard channel that holds a reading, the cells as two."""
    found: list[Track] = []
    for stream in ride.streams.values():
        cells = [key for key, c in stream.channels.items() if c.name == "cell_voltage"]
        for key, channel in stream.channels.items():
            term = vocabulary().get(channel.name)
            if term is not None and term.group not in _NO_CAUSE and key not in cells:
                found += _track(stream, key, channel.name, channel_words(channel), channel.unit)
        if cells and len(stream.time):
            table = np.stack([stream.values[key] for key in cells])
            for name, pick in (("lowest cell", np.fmin), ("highest cell", np.fmax)):
                found += _track(stream, name, "", name, "V", pick.reduce(table))
    for name, stand_in in (("battery_current", battery_current), ("pack_voltage", pack_voltage)):
        if not ride.keys(name) and (quantity := stand_in(ride)) and len(quantity.series):
            series = quantity.series
            start = np.searchsorted([s.start for s in ride.segments[1:]], series.time, "right")
            lag = np.diff(series.time, prepend=series.time[0])
            words = f"{name.replace('_', ' ')} ({quantity.how})"
            found.append(Track(name, name, words, quantity.unit, series, lag, start.astype(float)))
    return found


def _track(
    stream: StreamColumns,
    key: str,
    channel: str,
    name: str,
    unit: str,
    values: Array | None = None,
) -> list[Track]:
    values = stream.values[key] if values is None else values
    known = np.isfinite(values)
    if not known.any():
        return []
    series = clean(stream.time, values, stream.gap)
    # The first reading may follow whatever was before it: only the period says how closely.
    lag = np.diff(series.time, prepend=series.time[0] - stream.period)
    return [Track(key, channel, name, unit, series, lag, stream.segment[known].astype(float))]


def _inside(track: Track, window: tuple[float, float]) -> Array:
    time = track.series.time
    return track.series.value[(time >= window[0]) & (time <= window[1])]


def _entries(beyond: Flags, back: Flags) -> npt.NDArray[np.int64]:
    """Return the indices at which a stretch beyond begins, ended only once ``back`` held."""
    told = np.flatnonzero(beyond | back)
    out = beyond[told]
    fresh: npt.NDArray[np.int64] = told[out & ~np.r_[False, out[:-1]]]
    return fresh


def _beyond_limit(
    tracks: list[Track], threshold: Threshold, window: tuple[float, float]
) -> list[Step]:
    key = threshold.key or ("highest cell" if threshold.above else "lowest cell")
    setting = threshold.limit.kind == "setting"
    # A controller holds its current at a setting with some ripple: that is keeping it.
    ripple = HYSTERESIS * abs(threshold.level) if setting and threshold.limit.unit != "V" else 0.0
    found = []
    for track in tracks:
        if track.key == key:
            found += _first_entry(
                track,
                window,
                threshold.level,
                threshold.above,
                ripple,
                HYSTERESIS * abs(threshold.level),
                _bracketed(threshold.words),
                "setting" if setting else "limit",
            )
    return found


def _bracketed(words: str) -> str:
    """``above 60 A: rating of fuse 'main'`` becomes ``above 60 A (rating of fuse 'main')``."""
    bound, _, reason = words.partition(": ")
    return f"{bound} ({reason})" if reason else bound


def _step(
    track: Track, n: int, words: str, kind: StepKind, earlier: int = 0, standing: bool = False
) -> Step:
    """Return what the track's reading ``n`` showed first."""
    return Step(
        float(track.series.time[n]),
        float(track.lag[n]),
        track.key,
        track.name,
        words,
        float(track.series.value[n]),
        track.unit,
        kind,
        earlier,
        int(track.clock[n]),
        standing=standing,
    )


def _first_entry(
    track: Track,
    window: tuple[float, float],
    level: float,
    above: bool,
    margin: float,
    hysteresis: float,
    words: str,
    kind: StepKind,
) -> list[Step]:
    excess = (track.series.value - level) * (1 if above else -1)
    entries = _entries(excess > margin, excess <= margin - hysteresis)
    if not len(entries):
        return []
    times = track.series.time[entries]
    within = entries[(times >= window[0]) & (times <= window[1])]
    # One that began before the window may still stand when it opens.
    standing = entries[times < window[0]][-1:]
    for n in standing.tolist():
        later = np.arange(n, len(excess))
        until = later[(excess[later] <= margin - hysteresis)][:1]
        if len(until) and track.series.time[until[0]] < window[0]:
            standing = standing[:0]
    chosen = standing if len(standing) else within[:1]
    return [
        _step(track, n, words, kind, int(np.count_nonzero(entries < n)), bool(len(standing)))
        for n in chosen.tolist()
    ]


def _beyond_normal(track: Track, window: tuple[float, float]) -> list[Step]:
    past = track.series.time < window[0]
    if not past.any() or window[0] - float(track.series.time[0]) < ENOUGH or past.sum() < 40:
        return []
    low, high = quantiles(track.series.value[past], (EDGE, 1 - EDGE))
    margin = max(ROOM * (high - low), LEAST.get(track.unit, 0.0), 1e-9)
    found = []
    for level, above in ((low - margin, False), (high + margin, True)):
        words = (
            f"{'above' if above else 'below'} its normal "
            f"({_from_to(low, high, track.unit)} in the minutes before)"
        )
        found += [
            step
            for step in _first_entry(track, window, level, above, 0.0, margin / 2, words, "normal")
            if not step.standing
        ]
    return found


def _from_to(low: float, high: float, unit: str) -> str:
    a, b = quantity(low, unit), quantity(high, unit)
    return a if a == b else f"{a} to {b}"


def _falls(track: Track, window: tuple[float, float]) -> list[Step]:
    """Return where a current was cut, the throttle closed or the voltage collapsed at once."""
    shares = {
        "battery_current": 1 - GONE,
        "motor_current": 1 - GONE,
        "throttle": 0.9,
        "pack_voltage": COLLAPSE,
    }
    share = shares.get(track.channel)
    if share is None:
        return []
    found = []
    hard = HARD * quantile(track.series.value, 0.995)
    for before, after in drops(track.series, share, hard):
        time, high = float(track.series.time[after]), float(track.series.value[before])
        if window[0] <= time <= window[1]:
            within = span_text(time - float(track.series.time[before]))
            words = f"fell from {quantity(high, track.unit)} within {within}"
            found.append(_step(track, after, words, "jump"))
    return found


def _events(ride: Ride, window: tuple[float, float]) -> list[Step]:
    start, end = window
    error = ride.quality.clock_error or 0.0
    found = []
    for event in ride.events:
        if start <= event.time <= end and event.kind in (EventKind.FAULT, EventKind.FAULT_CLEARED):
            what = "fault" if event.kind == EventKind.FAULT else "fault cleared"
            words = f"the board reported {what} {event.number}"
            words += f" “{event.text}”" if event.text else ""
            clock = sum(event.time >= s.start - error for s in ride.segments[1:])
            found.append(_event(event.time, words, clock))
    for gap in ride.link_gaps:
        if start <= gap.start <= end:
            words = f"the logger noted the link down ({gap.evidence or 'no reason given'})"
            found.append(_event(gap.start, words, LOGGER))
    for before, segment in zip(ride.segments, ride.segments[1:], strict=False):
        if start <= segment.start <= end:
            lag = max(0.0, segment.start - before.end)
            found.append(_event(segment.start, "the board started anew", segment.number, lag))
    return found


def _event(time: float, words: str, clock: int, lag: float = 0.0) -> Step:
    """Return what was reported at ``time`` s, or happened up to ``lag`` s earlier."""
    return Step(time, lag, "", "", words, None, "", "event", clock=clock)


def _one_a_channel(steps: list[Step]) -> list[Step]:
    """Leave out "outside its normal" where the same reading crossed a limit that says more."""
    told = {(step.channel, step.time) for step in steps if step.kind in ("limit", "setting")}
    return [s for s in steps if s.kind != "normal" or (s.channel, s.time) not in told]


def _blind(ride: Ride, at: float) -> float:
    """Return the s before ``at`` without any reading, 0 when no longer than readings are apart."""
    last, period = -np.inf, np.inf
    for stream in ride.streams.values():
        n = int(np.searchsorted(stream.time, at, "right"))
        if n:
            last = max(last, float(stream.time[n - 1]))
            usual = float(np.median(np.diff(stream.time[max(0, n - 200) : n]))) if n > 2 else 0.0
            period = min(period, max(stream.period, usual))
    if last == -np.inf:
        return at
    return at - last if at - last > max(0.25, 3 * period) else 0.0


_TELLS = {
    "pack_voltage": "whether the supply sagged, jumped or vanished at the controller",
    "battery_current": "how hard the pack was worked, and whether a voltage dip fits the load",
    "motor_current": "whether a motor was asked for more than its controller bears",
    "cell_voltage": "whether one cell fell below the rest, and whether the cells were fine when "
    "the controller lost its supply",
    "motor_temperature": "whether a winding was near its limit",
    "controller_temperature": "whether the power stage was near its limit",
    "throttle": "whether the rider let go or the throttle signal failed",
    "motor_speed": "whether a wheel slipped or a rotor sensor failed",
}


def _lacking(ride: Ride, board: BoardFile | None, blind: float) -> tuple[NotKnown, ...]:
    found = []
    if blind:
        found.append(
            (
                f"the last {span_text(blind)} before the moment",
                "what happened in them; the order of all that changed there cannot be told",
            )
        )
    substitutes = {
        "battery_current": ("controller_battery_current",),
        "motor_speed": ("motor_electrical_speed", "speed"),
    }
    for name, tells in _TELLS.items():
        if not any(ride.keys(key) for key in (name, *substitutes.get(name, ()))):
            found.append((name.replace("_", " "), tells))
    if board is None:
        found.append(("a board file", "which limits were crossed"))
    return tuple(NotKnown(f"{what}, which would tell {told}") for what, told in found)


def _words(story: FaultStory) -> str:
    """Return the story in a few sentences that claim no more than the data show."""
    at = story.moment.time
    text = f"At {moment_text(at)}, {story.moment.text}."
    if story.blind:
        text += f" There is no reading in the {span_text(story.blind)} before."
    standing = [step for step in story.crossed if step.standing and step.kind == "limit"]
    if standing:
        text += f" Already for {span_text(at - standing[-1].time)}: {standing[-1].short}."
    first = [step for step in story.first if step.time < at and step.kind != "event"]
    if len(first) == 1:
        text += f" First in the window, {relative(first[0].time - at)}: {first[0].short}."
    elif first:
        text += " First in the window, in an order that cannot be told: "
        text += "; ".join(f"{step.short} ({relative(step.time - at)})" for step in first[:4]) + "."
    elif not story.blind:
        text += f" Nothing else left its bounds in the {span_text(at - story.window[0])} before."
    best = [cause for cause in story.causes if cause.likelihood in TOLD]
    if not best:
        return text + " No candidate cause fits what was recorded."
    text += f" What fits best: {best[0].name} ({best[0].likelihood})"
    if len(best) > 1:
        text += f", then {best[1].name} ({best[1].likelihood})"
    return text + "; a log alone does not prove it."
