"""How hard each rated part was used: peak and sliding RMS of its current against its rating.

What warms a lead, a fuse, a connector or a winding is the mean of the squared current, so a current
that comes and goes is compared with a continuous rating by its root mean square (RMS) over a
window.  How long a window a part averages over depends on its mass and is seldom in a data sheet;
the windows here are our choice (common practice, no source).
"""

from collections.abc import Callable
from dataclasses import dataclass
from functools import cache, lru_cache, partial

import numpy as np
import numpy.typing as npt

from sagline_logger.format import Limit

from ...load.ride import Ride
from ..readings.gathered import Gathered
from ..readings.series import Array, Series, column, integral_of_square, same_times, size
from ..readings.unknown import NotKnown
from ..telling.answer import Answer, Figure, Urgency
from ..telling.picture import Bar, Bars
from .crossings import thresholds
from .part_names import short_part

WINDOWS = (1.0, 10.0, 60.0, 300.0)
"""s of the sliding windows."""

LASTING = 60.0
"""s of the window whose RMS is taken as the continuous equivalent (common practice, no source)."""

NEAR = 0.8
"""Share of a rating from which its use is worth watching (common practice, no source)."""

BLOCK = 1 << 16
"""Samples looked at together."""

STRETCH, SHORT = 64, 8
"""Samples whose windows are bounded together, first and once more."""

ROUNDING = 1e-6
"""s by which rounded times may miss the edge of a recording, and more."""

Numbers = npt.NDArray[np.intp]
Sides = tuple[Numbers, Numbers]
"""Samples before and behind windows."""

KEY, QUESTION = "parts", "Which part works nearest to its rating?"


@dataclass(frozen=True)
class WindowUse:
    """The hardest ``window`` s of a part: RMS current in A, its share of the rating, and when."""

    window: float
    rms: float
    share: float
    span: tuple[float, float]


@dataclass(frozen=True)
class NoWindow:
    """No unbroken recording is ``window`` s long; ``why`` says what its pieces prove at least."""

    window: float
    why: NotKnown


@dataclass(frozen=True)
class PartUse:
    """The use of one rated part, seen in one column (``key``) of the ride.

    ``rating`` in A is ``limit.value`` without its sign.  ``peak`` is the largest sample in A at
    ``peak_time`` s.  ``windows`` follow :data:`WINDOWS`, or the one window of a short-time rating.
    ``way`` says "discharging" or "charging" where the rating holds in one direction only.
    ``rounding`` is the half-width in A of the 90 % interval that rounding to the channel's step
    leaves on one sample; the sensor's own scale error cannot be seen in a log.
    """

    limit: Limit
    key: str
    peak: float
    peak_time: float
    windows: tuple[WindowUse | NoWindow, ...]
    rounding: float
    way: str = ""

    @property
    def name(self) -> str:
        """The part in words, with the direction its rating is for."""
        return f"{self.limit.part}, {self.way}" if self.way else self.limit.part

    @property
    def rating(self) -> float:
        """The rating in A."""
        return abs(self.limit.value)

    @property
    def lasting(self) -> WindowUse | None:
        """The window to compare with the rating: :data:`LASTING`, else the longest computed."""
        known = [use for use in self.windows if isinstance(use, WindowUse)]
        return next((use for use in reversed(known) if use.window <= LASTING), None)


class Squares:
    """The integral of the squared current along a series, for means over windows of any length.

    The square of the straight line through the samples is integrated exactly.  ``sides`` is what
    several series of the same times share (:meth:`_sides`), by the windows looked for.
    """

    def __init__(self, series: Series, sides: dict[float, Sides] | None = None) -> None:
        self.sides: dict[float, Sides] = {} if sides is None else sides
        self.time: Array = series.time
        self.value: Array = series.value
        self.count: int = len(series)
        count = self.count
        breaks = series.gap.copy()
        breaks[:1] = True
        self.first: npt.NDArray[np.intp] = np.flatnonzero(breaks)
        self.last: npt.NDArray[np.intp] = np.r_[self.first[1:], count] - 1
        self.whole: Array = np.zeros(count)
        # Some thousand samples at a time: a ride of many hours needs no table of its own length
        # for every step of the arithmetic.
        for start in range(0, count - 1, BLOCK):
            part = slice(start, start + BLOCK + 1)
            here, there = self.value[part][:-1], self.value[part][1:]
            step = np.where(breaks[part][1:], 0.0, np.diff(self.time[part]))
            squares = step * (here**2 + here * there + there**2) / 3
            self.whole[start + 1 : start + 1 + len(step)] = squares
        np.cumsum(self.whole, out=self.whole)

    def windows(self, samples: Numbers, window: float) -> tuple[Array, Array]:
        """Return (end, rms) of the windows of ``window`` s that begin or end at some samples.

        A window lies wholly inside one unbroken recording; others are left out.
        """
        # The sum time ± window is rounded: a window may miss the run's edge by that much.
        slack = 4 * np.spacing(np.abs(self.time).max() + window)
        moments = self.time[samples]
        run = np.searchsorted(self.first, samples, "right") - 1
        ends, results = [], []
        for sign in (-1.0, 1.0):
            other = moments + sign * window
            low, high = self.time[self.first[run]], self.time[self.last[run]]
            fits = (other >= low - slack) & (other <= high + slack)
            far = np.clip(other[fits], low[fits], high[fits])
            square = -sign * (self.whole[samples[fits]] - self._total(far, run[fits]))
            ends.append(np.maximum(moments[fits], far))
            results.append(np.sqrt(np.maximum(square, 0.0) / window))
        return np.concatenate(ends), np.concatenate(results)

    def hardest(self, window: float) -> tuple[float, float] | None:
        """Return (end in s, RMS in A) of the hardest window, None where none is unbroken.

        A stretch of samples is looked through only where the integral from before all its windows
        to behind them, found from its ends alone, is larger than the hardest window known; and of
        such a stretch only the short ones of which the same is true.
        """
        best: tuple[float, float] | None = None
        if not self.count:
            return best
        begin = np.arange(0, self.count, STRETCH)
        if window not in self.sides:
            self.sides[window] = self._sides(begin, STRETCH, window)
        most = self._most(begin, STRETCH, window, self.sides[window])
        order = np.argsort(-most, kind="stable")
        some = 16
        while len(order):
            now, order = order[:some], order[some:]
            first, size = begin[now], STRETCH
            if best is not None:
                # Sums are rounded: what is as hard to the last digits is looked at as well.
                least = best[1] ** 2 * window * (1 - 1e-9)
                first = first[most[now] > least]
                if not len(first):
                    break
                first, size = (first[:, None] + np.arange(0, STRETCH, SHORT)).ravel(), SHORT
                first = first[first < self.count]
                sides = self._sides(first, size, window)
                first = first[self._most(first, size, window, sides) > least]
            samples = (first[:, None] + np.arange(size)).ravel()
            ends, rms = self.windows(samples[samples < self.count], window)
            if len(rms):
                at = int(np.argmax(rms))
                if best is None or rms[at] > best[1]:
                    best = float(ends[at]), float(rms[at])
            some = min(2 * some, BLOCK // STRETCH)
        return best

    def _sides(self, begin: Numbers, size: int, window: float) -> Sides:
        """Return the samples before and behind all windows that begin or end at one of the ``size``
        samples from each of ``begin`` on."""
        end = np.minimum(begin + size, self.count) - 1
        before = np.searchsorted(self.time, self.time[begin] - window, "left") - 1
        return before, np.searchsorted(self.time, self.time[end] + window, "right")

    def _most(self, begin: Numbers, size: int, window: float, sides: Sides) -> Array:
        """Return the integral between the ``sides`` of each of ``begin``: none of the windows
        there holds more."""
        time, whole = self.time, self.whole
        end = np.minimum(begin + size, self.count) - 1
        before, behind = sides
        ending = whole[end] - whole[np.maximum(before, 0)]
        starting = whole[np.minimum(behind, self.count - 1)] - whole[begin]
        # Of one unbroken recording none may end before it has lasted that long, or begin so late.
        run = np.searchsorted(self.first, begin, "right") - 1
        one = self.last[run] >= end
        ending[one & (time[end] - window < time[self.first[run]] - ROUNDING)] = 0.0
        starting[one & (time[begin] + window > time[self.last[run]] + ROUNDING)] = 0.0
        return np.asarray(np.maximum(ending, starting), np.float64)

    def _total(self, at: Array, run: Numbers) -> Array:
        """Return the integral up to the times ``at``, each in its run."""
        time, value, last = self.time, self.value, self.last[run]
        before = np.clip(np.searchsorted(time, at, "right") - 1, self.first[run], last)
        after = np.minimum(before + 1, last)
        gone, width = at - time[before], time[after] - time[before]
        share = np.where(width > 0, gone / np.where(width > 0, width, 1.0), 0.0)
        here = value[before]
        there = here + share * (value[after] - here)
        return np.asarray(self.whole[before] + gone * (here**2 + here * there + there**2) / 3)


def part_uses(it: Gathered) -> tuple[PartUse, ...]:
    """Return the use of every part with a rated current that the ride has a column for."""
    ride = it.ride
    rated = [x for x in it.limits if x.unit == "A" and x.kind in ("limit", "burst")]
    seen = [t for t in thresholds(ride, rated) if t.key is not None]
    own_share = {t.limit.part for t in seen if t.limit.channel == "controller_battery_current"}
    ways: dict[tuple[str, str, str, float], set[str]] = {}
    for t in seen:
        ways.setdefault(_identity(t.limit, str(t.key)), set()).add(t.limit.direction)

    # Currents of one stream have the same times, so their windows have the same sides.
    shared: list[tuple[Array, dict[float, Sides]]] = []

    def sides_of(time: Array) -> dict[float, Sides]:
        for other, sides in shared:
            if same_times(other, time):
                return sides
        shared.append((time, {}))
        return shared[-1][1]

    # Several parts carry the same current: each way of it is looked through once.  The samples
    # themselves are kept for one at a time only, since a long ride's fill much memory.
    @lru_cache(maxsize=1)
    def squares(key: str, way: str) -> Squares | None:
        series = one_way(key, way)
        return None if series is None else Squares(series, sides_of(series.time))

    @lru_cache(maxsize=1)
    def one_way(key: str, way: str) -> Series | None:
        series = column(ride, key)
        if series is None:
            if it.current is None:
                return None
            series = it.current.series
        if not way:
            return size(series)
        sign = 1.0 if way == "discharging" else -1.0
        return Series(series.time, np.maximum(sign * series.value, 0.0), series.gap)

    @cache
    def hardest(key: str, way: str, window: float) -> tuple[float, float] | None:
        known = squares(key, way)
        return None if known is None else known.hardest(window)

    uses, done = [], set()
    for t in seen:
        limit, key = t.limit, str(t.key)
        identity = _identity(limit, key)
        # A part on one controller's share is judged by that share where it is measured.
        if identity in done or (limit.channel == "battery_current" and limit.part in own_share):
            continue
        done.add(identity)
        way = "discharging" if limit.direction == "above" else "charging"
        if len(ways[identity]) == 2:
            way = ""
        series = one_way(key, way)
        if series is not None:
            found = partial(hardest, key, way)
            uses.append(_use(limit, key, series, _rounding(ride, key), way, found))
    return tuple(uses)


def _identity(limit: Limit, key: str) -> tuple[str, str, str, float]:
    return (limit.part, limit.kind, key, abs(limit.value))


def _rounding(ride: Ride, key: str) -> float:
    stream = ride.find(key)
    if stream is None:
        return 0.0
    channel = stream.channels[key]
    return float(0.45 * abs(channel.multiplier) * 10.0**channel.exponent)


def _use(
    limit: Limit,
    key: str,
    series: Series,
    rounding: float,
    way: str,
    hardest: Callable[[float], tuple[float, float] | None],
) -> PartUse:
    rating = abs(limit.value)
    windows = (limit.seconds,) if limit.kind == "burst" and limit.seconds else WINDOWS
    at = int(np.argmax(series.value))
    uses = tuple(_window_use(series, window, rating, hardest(window)) for window in windows)
    return PartUse(limit, key, float(series.value[at]), float(series.time[at]), uses, rounding, way)


def _window_use(
    series: Series, window: float, rating: float, hardest: tuple[float, float] | None
) -> WindowUse | NoWindow:
    if hardest is None:
        # The recorded pieces inside the densest window are not found here; the whole ride's
        # integral bounds it only when the ride is shorter than the window.
        length = float(series.time[-1] - series.time[0])
        least = ""
        if length <= window:
            floor = float(np.sqrt(integral_of_square(series) / window))
            least = f"; what was recorded makes at least {floor:.3g} A"
        return NoWindow(window, NotKnown(f"no unbroken {window:g} s recorded{least}"))
    end, most = hardest
    return WindowUse(window, most, most / rating, (end - window, end))


def part_answer(it: Gathered) -> Answer:
    """Answer which rated part works nearest to its rating."""
    if it.board is None:
        return Answer.unanswered(
            KEY, QUESTION, NotKnown("it needs a board file that rates the parts")
        )
    uses = part_uses(it)
    ranked = sorted(
        ((use, use.lasting) for use in uses if use.limit.kind == "limit"),
        key=lambda pair: -(pair[1].share if pair[1] else 0.0),
    )
    known = [(use, most) for use, most in ranked if most is not None]
    if not known:
        lacks = (
            "the board file rates no part for a current that this ride measured"
            if not uses
            else f"no unbroken recording is even {WINDOWS[0]:g} s long"
        )
        return Answer.unanswered(KEY, QUESTION, NotKnown(lacks))
    weakest, most = known[0]
    return Answer(
        KEY,
        QUESTION,
        _verdict(weakest, most),
        figures=tuple(_figure(use, use_of) for use, use_of in known),
        evidence=tuple(dict.fromkeys(use.span for _, use in known)),
        details=tuple(_detail(use) for use in [u for u, _ in ranked] + _bursts(uses)),
    ).in_short(*_in_short(known))


def _in_short(known: list[tuple[PartUse, WindowUse]]) -> tuple[str, Urgency, Bars]:
    """Return the card's line, its urgency, and every part's use as a share of its rating."""
    weakest, most = known[0]
    share = most.share
    urgency = Urgency.ACT if share > 1 else Urgency.LOOK if share > NEAR else Urgency.FINE
    bars = tuple(
        Bar(short_part(use.name), 100 * of.share, odd=of.share > 1) for use, of in known[:6]
    )
    name = short_part(weakest.name)
    line = f"{name[:1].upper()}{name[1:]} works at {share:.0%} of its rating"
    return line, urgency, Bars("%", bars, 100.0, "rating")


def _bursts(uses: tuple[PartUse, ...]) -> list[PartUse]:
    return [use for use in uses if use.limit.kind == "burst"]


def _verdict(use: PartUse, most: WindowUse) -> str:
    share, rms = most.share, most.rms
    start = (
        f"Nearest to its rating is {_the(use.name)}: {rms:.3g} A RMS over its hardest "
        f"{most.window:g} s, {share:.0%} of {use.rating:g} A."
    )
    if share > 1:
        return f"{start} That is more than it is rated for: ease off, or fit a part with more room."
    if share >= NEAR:
        return f"{start} That leaves little room for a hotter day or a longer hill."
    return f"{start} Nothing measured here worked nearer to its rating for that long."


def _the(name: str) -> str:
    return name if name.startswith("each ") else f"the {name}"


def _figure(use: PartUse, most: WindowUse) -> Figure:
    what = f"{use.name}, hardest {most.window:g} s of {use.key} against {use.rating:g} A"
    return Figure(
        what,
        100 * most.share,
        "%",
        100 * use.rounding / use.rating,
        f"RMS of {use.key} over its rating ({use.limit.arithmetic}); the uncertainty is rounding "
        "alone, the sensor's own error comes on top",
    )


def _detail(use: PartUse) -> str:
    parts = [f"peak {use.peak:.3g} A"]
    for window in use.windows:
        if isinstance(window, WindowUse):
            parts.append(f"{window.rms:.3g} A over {window.window:g} s ({window.share:.0%})")
        else:
            parts.append(f"{window.window:g} s: {window.why.reason}")
    time = f" for {use.limit.seconds:g} s" if use.limit.seconds else ""
    return f"{use.name} ({use.key}, rated {use.rating:g} A{time}): {', '.join(parts)}."
