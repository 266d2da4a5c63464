"""A ride as the pass over its sensors sees it: all columns side by side on one coarse time axis."""

import re
from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt

from sagline_logger.format import BoardFile, SaglineError, speed_per_rpm

from ...load.ride import Ride, StreamColumns
from ..readings.quantiles import median, quantile
from ..readings.series import Array, Flags, Series, column
from .doubt import SensorDoubt, Spans, within

FINEST = 0.05
"""s between the points of the time axis of a short ride."""

POINTS = 20_000
"""Most points of the time axis; a longer ride has coarser ones."""

NEARLY = 1.0
"""s by which a doubt may reach beyond that of its whole stream and still be the same."""

LOOKED = 1 << 16
"""Readings, from the first on, that tell how often a column changes."""

SLOW = 1.5
"""s up to which a column that changes so seldom is one of a slow sensor: satellite receivers and
battery monitors send each second (common practice, no source)."""

STALE = 2.5
"""A reading stands for the time after it for this many periods of its stream."""


LEVELS = 4
"""Different readings from which a column's steps are told (our choice)."""


@dataclass
class Look:
    """One ride under examination.

    ``time`` (n,) is the common axis in s, ``step`` apart.  ``doubts`` collects what was found, so
    that a later check does not rest on a sensor that an earlier one doubted.
    """

    ride: Ride
    board: BoardFile | None
    doubts: list[SensorDoubt] = field(default_factory=list)
    _columns: dict[str, Array] = field(default_factory=dict)
    _places: dict[str, npt.NDArray[np.intp]] = field(default_factory=dict)
    _series: dict[str, Series | None] = field(default_factory=dict)

    def __post_init__(self) -> None:
        ends = [s.time[[0, -1]] for s in self.ride.streams.values() if len(s.time)]
        self.start: float = min((float(e[0]) for e in ends), default=0.0)
        self.end: float = max((float(e[1]) for e in ends), default=0.0)
        start, end = self.start, self.end
        self.step: float = max(FINEST, (end - start) / POINTS)
        self.time: Array = np.arange(start, end + self.step / 2, self.step)

    def add(self, key: str, doubt: str, evidence: str, spans: Spans, aside: bool = True) -> None:
        """Note a doubt; nothing where ``spans`` is empty, or the whole stream is set aside then."""
        if spans and not self._within_its_stream(key, spans):
            found = tuple(self._held(a, b) for a, b in spans)
            told = re.sub(r"(?<![\w−-])-(?=\d)", "−", evidence)
            self.doubts.append(SensorDoubt(key, doubt, told, found, aside))
            self._columns.pop(key, None)
            if key in self.ride.streams:
                self._columns.clear()

    def _within_its_stream(self, key: str, spans: Spans) -> bool:
        stream = self.ride.find(key)
        whole = [
            span
            for doubt in self.doubts
            if stream is not None and doubt.key == stream.name and doubt.set_aside
            for span in doubt.spans
        ]
        return all(
            any(start - NEARLY <= a and b <= end + NEARLY for start, end in whole) for a, b in spans
        )

    def _held(self, start: float, end: float) -> tuple[float, float]:
        """Return a span kept within the samples, and up to the last where the axis ends."""
        if end > start:
            start = self.start if start <= self.start + self.step else start
            end = self.end if end >= self.end - self.step else end
        return start, end

    def native(self, key: str) -> Series | None:
        """Return a column as it was logged, without missing readings."""
        if key not in self._series:
            self._series[key] = column(self.ride, key)
        return self._series[key]

    def step_of(self, key: str) -> float:
        """Return the quantum of a column in its unit; 0 where it is a floating-point number."""
        stream = self.ride.find(key)
        if stream is None:
            return 0.0
        channel = stream.channels[key]
        if np.asarray(stream.raw[key]).dtype.kind == "f":
            return 0.0
        return float(abs(channel.multiplier) * 10.0**channel.exponent)

    def steps_of(self, key: str) -> float:
        """Return the least step between two readings of a column, no less than its quantum: what is
        sent finely may have been read coarsely.  The quantum where there are too few readings to
        tell."""
        series = self.native(key)
        # Some of a long ride's readings tell it as well as all of them.
        few = series.value[:: 1 + len(series) // POINTS] if series is not None else np.empty(0)
        levels = np.unique(few)
        least = float(np.diff(levels).min()) if len(levels) >= LEVELS else 0.0
        return max(self.step_of(key), least)

    def refresh_of(self, key: str) -> float:
        """Return the s between two changes of a column, in the middle, as far as they are below
        :data:`SLOW`: what is sent often may be read seldom.  0 where it hardly ever changes."""
        series = self.native(key)
        if series is None:
            return 0.0
        value = series.value[:LOOKED]
        changed = series.time[np.flatnonzero(np.diff(value, prepend=np.nan) != 0)]
        gaps = np.diff(changed)
        gaps = gaps[gaps < SLOW]
        return float(np.median(gaps)) if len(gaps) >= LEVELS else 0.0

    def name_of(self, key: str) -> str:
        """Return the channel name of a column, empty where there is none."""
        stream = self.ride.find(key)
        return stream.channels[key].name if stream is not None else ""

    def beside(self, key: str, name: str) -> str | None:
        """Return the column of channel ``name`` that has the index of ``key`` and holds a reading
        not doubted all along, or None."""
        found = self.ride.key(name, self.ride.index(key))
        return found if found in self.keys(name) else None

    def keys(self, name: str) -> list[str]:
        """Return the columns of a channel name that hold a reading not doubted all along."""
        return [key for key in self.ride.keys(name) if np.isfinite(self.at(key)).any()]

    def at(self, key: str) -> Array:
        """Return a column's last reading at each point of the axis (n,); NaN where there is none,
        or only a doubted one."""
        if key not in self._columns:
            self._columns[key] = self._sampled(key)
        return self._columns[key]

    def _sampled(self, key: str) -> Array:
        stream = self.ride.find(key)
        if stream is None or not len(stream.time):
            return np.full(len(self.time), np.nan)
        places = self._places_in(stream)
        found = np.where(places >= 0, stream.values[key][places], np.nan)
        read = stream.time[places]  # a doubted reading is none for as long as it would stand
        for doubt in self.doubts:
            if doubt.set_aside and doubt.key in (key, stream.name):
                found[within(read, doubt.spans)] = np.nan
        return found

    def _places_in(self, stream: StreamColumns) -> npt.NDArray[np.intp]:
        """Return the number of the last sample of a stream at each point, -1 where it is stale."""
        if stream.name not in self._places:
            places = np.searchsorted(stream.time, self.time, "right") - 1
            usual = median(np.diff(stream.time[:1000])) if len(stream.time) > 1 else 0.0
            most = STALE * max(stream.period, usual, self.step)
            places[self.time - stream.time[places] > most] = -1
            self._places[stream.name] = places
        return self._places[stream.name]

    def all_of(self, name: str) -> Array:
        """Return every column of a channel name on the axis, shape (columns, n)."""
        found = [self.at(key) for key in self.keys(name)]
        return np.array(found) if found else np.empty((0, len(self.time)))

    def turning(self) -> tuple[list[str], Array]:
        """Return the columns of motor speed, and their values (motors, n) in r/min."""
        name = "motor_speed" if self.keys("motor_speed") else "motor_electrical_speed"
        return self.keys(name), self.all_of(name)

    def per_turn(self) -> float | None:
        """Return m/s for 1 r/min of the motors: the ride's own ratio of speed to motor speed
        while both move, or what the board file makes of it."""
        keys, turning = self.turning()
        if not keys:
            return None
        n = np.fmin.reduce(np.abs(turning), axis=0)
        v = np.abs(self.at("speed"))
        with np.errstate(invalid="ignore"):
            moving = (v > 1.0) & (n > 0.05 * np.nanmax(n))
        if np.count_nonzero(moving) * self.step > 5:
            return float(np.median(v[moving] / n[moving]))
        if self.board is None:
            return None
        try:
            return speed_per_rpm(
                self.board, electrical=self.name_of(keys[0]) == "motor_electrical_speed"
            )
        except SaglineError:
            return None

    def standing(self, least: float = 2.0) -> Flags:
        """Return where nothing moves and nobody asks it to, and has not for ``least`` s around."""
        known = np.zeros(len(self.time), bool)
        still = np.ones(len(self.time), bool)
        keys, turning = self.turning()
        with np.errstate(invalid="ignore"):
            v = np.abs(self.at("speed"))
            known |= np.isfinite(v)
            still &= ~(v > 0.2)
            for n in turning:
                known |= np.isfinite(n)
                still &= ~(np.abs(n) > max(0.01 * np.nanmax(np.abs(n)), 5.0))
            asked = self.at("throttle")
            still &= ~(asked > 0.03)
            if not keys and not np.isfinite(v).any():
                duty = self.all_of("duty_cycle")
                known |= np.isfinite(duty).any(axis=0) | np.isfinite(asked)
                still &= ~(np.abs(duty) > 0.03).any(axis=0)
        return calm(still & known, round(least / self.step))


def calm(flags: Flags, width: int) -> Flags:
    """Return the flags that have only flags for half of ``width`` samples on both sides."""
    if width < 2:
        return flags
    count = np.cumsum(np.r_[0, flags])
    half = width // 2
    at = np.arange(len(flags))
    low, high = np.maximum(at - half, 0), np.minimum(at + half + 1, len(flags))
    return np.asarray(count[high] - count[low] == high - low)


def spread(values: Array) -> float:
    """Return a standard deviation that stray values do not move: 1.4826 × the median distance from
    the median (the normal distribution's ratio)."""
    known = values[np.isfinite(values)]
    if not len(known):
        return 0.0
    return 1.4826 * median(np.abs(known - median(known)))


def peak_of(values: Array) -> float:
    """Return the size that a few samples only pass: the 99.5th percentile of the magnitude."""
    known = np.abs(values[np.isfinite(values)])
    return quantile(known, 0.995) if len(known) else 0.0
