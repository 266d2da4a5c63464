"""The readings around a fault, and the few comparisons that its candidate causes need."""

import re
from collections.abc import Iterator
from dataclasses import dataclass
from functools import cached_property

import numpy as np

from sagline_logger.format import EventKind, Limit

from ...load.ride import Ride
from ..readings.electric import battery_current, present
from ..readings.gathered import Gathered
from ..readings.series import Array, Series, column, combine, interpolate, reading_at
from ..readings.window import between
from ..sensors.doubt import SensorDoubt
from .cells import CellBelief
from .story import Candidate, FaultStory

MEMORY = 180.0
"""s before the window whose readings are the ride's own normal."""

NEAR = 2.0
"""s before the moment in which a cause must have shown itself, unless it is a slow one."""

LOW = r"\blow|under.?volt|below stop|empty"
"""What boards call a low cell or pack in the text of a fault."""

STEP = 0.3
"""s between the readings whose differences give a resistance: longer than streams are skewed."""


@dataclass(frozen=True)
class Jump:
    """The voltage stepped by ``size`` V at ``time`` s, of which the current explains ``due`` V."""

    time: float
    size: float
    due: float


class Scene:
    """What the ride recorded from some minutes before a moment to the end of its window."""

    def __init__(
        self,
        it: Gathered,
        story: FaultStory,
        belief: CellBelief,
        sensors: tuple[SensorDoubt, ...] = (),
    ) -> None:
        self.belief: CellBelief = belief
        self.sensors: tuple[SensorDoubt, ...] = sensors
        self.weighed: list[Candidate] = []  # so far; the last one asks for the others
        self.at: float = story.moment.time
        self.start: float
        self.end: float
        self.start, self.end = story.window
        self.story: FaultStory = story
        self.ride_start: float = min(
            (float(s.time[0]) for s in it.ride.streams.values() if len(s.time)), default=0.0
        )
        self.ride: Ride = between(it.ride, self.start - MEMORY, self.end)
        self.limits: tuple[Limit, ...] = it.limits

    @cached_property
    def voltage(self) -> Series | None:
        """Voltage at the controller, measured there."""
        return column(self.ride, "pack_voltage")

    @cached_property
    def current(self) -> Series | None:
        """Battery current."""
        found = battery_current(self.ride)
        return found.series if found and len(found.series) else None

    @cached_property
    def cells(self) -> list[tuple[str, Series]]:
        """Every cell voltage."""
        return present(self.ride, "cell_voltage")

    @cached_property
    def cell_sum(self) -> Series | None:
        """Sum of the cells."""
        return combine([s for _, s in self.cells], "sum") if len(self.cells) > 1 else None

    def level(self, *kinds: str, channel: str, above: bool, index: int = 0) -> Limit | None:
        """Return the nearest limit of these kinds on a channel."""
        way = "above" if above else "below"
        found = [
            x
            for x in self.limits
            if (x.channel, x.direction) == (channel, way)
            and x.kind in kinds
            and (not index or x.index in (0, index))
        ]
        return (min if above else max)(found, key=lambda x: x.value, default=None)

    def readings(self, series: Series, start: float, end: float) -> Series:
        """Return the readings from ``start`` to ``end`` s relative to the moment."""
        a, b = np.searchsorted(series.time, (self.at + start - 1e-9, self.at + end + 1e-9))
        return Series(series.time[a:b], series.value[a:b], series.gap[a:b])

    def before(self, series: Series, seconds: float = NEAR) -> Series:
        """Return the readings of the last ``seconds`` before the moment, at least the last one."""
        found = self.readings(series, -seconds, 0.0)
        if not len(found):
            n = int(np.searchsorted(series.time, self.at, "right"))
            found = Series(series.time[n - 1 : n], series.value[n - 1 : n], series.gap[n - 1 : n])
        return found

    def upto_next(self, series: Series) -> Series:
        """Return the readings of :meth:`before`, and the first after the moment."""
        after = int(np.searchsorted(series.time, self.at, "right"))
        last = float(series.time[after]) if after < len(series) else self.at
        return self.readings(series, -NEAR, min(last - self.at, NEAR))

    def past(self, series: Series) -> Series:
        """Return the readings of the minutes up to :data:`NEAR` s before the moment."""
        return self.readings(series, -1e9, -NEAR)

    @cached_property
    def strongest(self) -> float:
        """Strongest battery current of the minutes before, A; 0 where unknown."""
        if self.current is None:
            return 0.0
        past = self.readings(self.current, -1e9, 0.0)
        return float(np.quantile(past.value, 0.995)) if len(past) else 0.0

    def slope(self, series: Series) -> tuple[float, float] | None:
        """Return (Ω, V): the resistance that ``series`` showed in the minutes before, as the median
        of −ΔU/ΔI over steps of :data:`STEP` s with a marked change of current (Ohm's law), and the
        spread of ΔU about it (1.48 median absolute deviations).  None with fewer than 8 steps.
        """
        if self.current is None:
            return None
        past = self.past(series)
        if len(past) < 20:
            return None
        lag = max(1, round(STEP / float(np.median(np.diff(past.time)) or STEP)))
        load = interpolate(self.current, past.time)
        rise, change = past.value[lag:] - past.value[:-lag], load[lag:] - load[:-lag]
        known = np.isfinite(change)
        rise, change = rise[known], change[known]
        marked = np.abs(change) > max(1.0, 0.15 * self.strongest)
        if np.count_nonzero(marked) < 8:
            return None
        ohms = float(np.median(-rise[marked] / change[marked]))
        rest = rise + ohms * change
        return ohms, 1.48 * float(np.median(np.abs(rest - np.median(rest))))

    @cached_property
    def usual_voltage(self) -> float:
        """Median voltage at the controller in the seconds before the moment, V."""
        if self.voltage is None:
            return np.nan
        near = self.readings(self.voltage, -NEAR - 3.0, -0.3)
        return float(np.median(near.value)) if len(near) else float(self.voltage.value[0])

    @cached_property
    def jumps(self) -> list[Jump]:
        """Steps of the voltage between two readings that the change of current does not explain.

        A step counts when it leaves more than 4 % of the voltage, and more than eight times the
        usual scatter, unexplained by the largest change of current near it (our choice).
        """
        if self.voltage is None:
            return []
        fit = self.slope(self.voltage)
        # Without a fit: a pack that sags 15 % at its strongest (common practice, no source).
        ohms, noise = fit or (0.15 * self.usual_voltage / max(self.strongest, 1.0), 0.0)
        near = self.readings(self.voltage, -NEAR - 3.0, self.end - self.at)
        found = []
        for n in range(1, len(near)):
            size = float(near.value[n] - near.value[n - 1])
            least = max(0.04 * self.usual_voltage, 8 * noise)
            if near.gap[n] or abs(size) < least:
                continue
            due = self._due(ohms, float(near.time[n - 1]), float(near.time[n]), size)
            if abs(size) - max(0.0, due) > least:
                found.append(Jump(float(near.time[n]), size, due))
        return found

    def _due(self, ohms: float, start: float, end: float, size: float) -> float:
        """Return how much of a step the load explains at most, by its change around it."""
        if self.current is None:
            return abs(size)
        width = max(end - start, 0.03)
        inside = (self.current.time >= start - width) & (self.current.time <= end + width)
        load = self.current.value[inside]
        if len(load) < 2:
            return 0.0
        # Only a load that grows lets the voltage fall, and only one that shrinks lets it rise.
        way = load if size < 0 else -load
        grown = float(np.max(way - np.minimum.accumulate(way)))
        return grown * max(ohms, 0.0)

    @cached_property
    def vanished(self) -> float | None:
        """When the voltage at the controller fell below half and stayed there, s; else None."""
        if self.voltage is None:
            return None
        near = self.readings(self.voltage, -NEAR, self.end - self.at)
        low = near.value < 0.5 * self.usual_voltage
        if not len(near) or not low[-1]:
            return None
        first = int(len(low) - np.argmin(low[::-1])) if not low.all() else 0
        return float(near.time[first])

    @cached_property
    def says_low(self) -> bool:
        """Whether the board itself reported a low cell or pack."""
        return any(
            event.kind == EventKind.FAULT
            and abs(event.time - self.at) < 1.0
            and re.search(LOW, event.text, re.IGNORECASE)
            for event in self.ride.events
        )

    @cached_property
    def lowest(self) -> tuple[str, Series, float, float] | None:
        """The cell that was lowest just before the moment: (column, series, V, when).

        What a board reports it has read: where it reported a low cell the next reading that it sent
        may be the one, for between two readings no order can be told."""
        best = None
        for key, series in self.cells:
            near = self.upto_next(series) if self.says_low else self.before(series)
            if len(near) and (best is None or float(near.value.min()) < best[2]):
                n = int(np.argmin(near.value))
                best = (key, series, float(near.value[n]), float(near.time[n]))
        return best

    def load_at(self, time: float) -> float | None:
        """Return the battery current at ``time`` s, A; None where it was not recorded."""
        if self.current is None:
            return None
        value = reading_at(self.current, time)
        if value is None:  # nothing later: the last reading, if it is fresh
            n = int(np.searchsorted(self.current.time, time, "right")) - 1
            if n >= 0 and time - float(self.current.time[n]) < 0.5:
                return float(self.current.value[n])
        return value

    def rest(self, key: str, series: Series) -> tuple[float, str] | None:
        """Return the V a cell shows without load and how that is known; None if it is not.

        The median without load after the moment, else its reading there plus resistance times
        load, else its last reading without load in the minutes before.
        """
        if self.current is None:
            return None
        idle = max(1.0, 0.04 * self.strongest)

        def unloaded(part: Series) -> Array:
            load = interpolate(self.current, part.time) if self.current else part.value
            return part.value[np.abs(load) <= idle]

        after = unloaded(self.readings(series, 0.3, self.end - self.at))
        if len(after) >= 3:
            return float(np.median(after[1:])), "once the load was gone"
        near = self.before(series, 0.5)
        n = int(np.argmin(near.value)) if len(near) else 0
        load = self.load_at(float(near.time[n])) if len(near) else None
        if (fit := self.slope(series)) is not None and load is not None:
            return float(near.value[n]) + fit[0] * load, "reckoned from its earlier sag"
        earlier = unloaded(self.past(series))
        return (float(np.median(earlier[-5:])), "at its last rest") if len(earlier) else None

    def columns(self, name: str) -> Iterator[tuple[str, int, Series]]:
        """Yield (column, index, series) of a channel."""
        for key, series in present(self.ride, name):
            stream = self.ride.find(key)
            yield key, stream.channels[key].index if stream else 0, series
