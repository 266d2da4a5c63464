"""Every time a limit of the board file was crossed, and what was going on then."""

from collections.abc import Iterator, Sequence
from dataclasses import asdict, dataclass
from typing import TYPE_CHECKING

import numpy as np

from sagline_logger.format import Limit

from ...load.ride import Ride
from ..readings.electric import battery_current, cells_together, pack_voltage, present
from ..readings.series import Array, Series, column, interpolate, reading_at
from ..readings.spans import Rules, Span, find_spans
from ..readings.summary import words

if TYPE_CHECKING:
    import pandas as pd

HYSTERESIS = 0.02
"""Share of a limit's size by which a value must come back (our choice; no published source)."""

RULES_TEXT = (
    f"A crossing ends once the value has come back by {HYSTERESIS:.0%} of the limit; crossings "
    f"less than {Rules(0).merge:g} s apart count as one; those shorter than "
    f"{Rules(0).minimum * 1000:g} ms are left out."
)


@dataclass(frozen=True)
class Threshold:
    """One limit on one column of the ride (``key``), or on all cells at once (key None).

    ``level`` is in the channel's unit; crossed above it, or below it when ``above`` is False.
    """

    limit: Limit
    key: str | None

    @property
    def level(self) -> float:
        """The limit's value."""
        return self.limit.value

    @property
    def above(self) -> bool:
        """Whether the limit is crossed upwards."""
        return self.limit.direction == "above"

    @property
    def words(self) -> str:
        """The threshold in words: ``above 60 A: rating of connector 'main connector'``."""
        number = f"{self.level:g} {self.limit.unit}".removesuffix(" 1").replace("-", "−")
        bare = f"{abs(self.level):g}"
        reason = self.reason
        for start in (f"{bare} {self.limit.unit}: ", f"{bare}: "):
            reason = reason.removeprefix(start)
        return f"{self.limit.direction} {number}: {reason}"

    @property
    def reason(self) -> str:
        """One line: the figure, the part, the arithmetic."""
        return self.limit.arithmetic


@dataclass(frozen=True)
class Crossing:
    """One crossing of one threshold.

    ``where`` is the column at the peak (the very cell, when the threshold is on all cells).
    ``ampere_squared_seconds`` is ∫ i² dt from start to end for currents, otherwise None.
    ``doing`` is what rider and controller were doing at the peak, in words.
    """

    threshold: Threshold
    span: Span
    where: str
    ampere_squared_seconds: float | None
    doing: str


def thresholds(ride: Ride, limits: Sequence[Limit]) -> list[Threshold]:
    """Return the limits that this ride has channels for, one for each column."""
    found = []
    for limit in limits:
        if limit.channel == "cell_voltage" and limit.index == 0:
            if present(ride, "cell_voltage"):
                found.append(Threshold(limit, None))
            continue
        for key in ride.keys(limit.channel):
            stream = ride.find(key)
            if stream and limit.index in (0, stream.channels[key].index):
                found.append(Threshold(limit, key))
    if not ride.keys("battery_current") and battery_current(ride):
        found += [Threshold(x, "battery_current") for x in limits if x.channel == "battery_current"]
    if not ride.keys("pack_voltage") and pack_voltage(ride):
        found += [Threshold(x, "pack_voltage") for x in limits if x.channel == "pack_voltage"]
    return found


def find_crossings(
    ride: Ride, limits: Sequence[Limit], rules: Rules | None = None
) -> tuple[Crossing, ...]:
    """Return the crossings of all ``limits`` in time order.

    Without ``rules`` the hysteresis is :data:`HYSTERESIS` of each limit.
    """
    every = thresholds(ride, limits)
    places: dict[tuple[str | None, bool], list[Threshold]] = {}
    for threshold in every:
        places.setdefault((threshold.key, threshold.above), []).append(threshold)
    by_threshold: dict[int, list[Span]] = {}
    for place, own in places.items():  # one column at a time: a long ride's are large
        if (read := _furthest(_series(ride, *place), place[1])) is None:
            continue
        series, furthest = read
        for threshold in own:
            if furthest <= threshold.level if threshold.above else furthest >= threshold.level:
                continue  # most limits are never met, which one look at the furthest sample tells
            how = rules or Rules(HYSTERESIS * abs(threshold.level))
            found = find_spans(series, threshold.level, threshold.above, how)
            by_threshold[id(threshold)] = found
        del series, read
    spans = [(one, span) for one in every for span in by_threshold.get(id(one), ())]
    cells = present(ride, "cell_voltage") if spans else []
    told = _doing(ride, np.array([span.peak_time for _, span in spans])) if spans else []
    crossings = [
        Crossing(
            threshold,
            span,
            threshold.key or _cell_at(cells, span.peak_time, threshold.above),
            span.square if threshold.limit.unit == "A" else None,
            doing,
        )
        for (threshold, span), doing in zip(spans, told, strict=True)
    ]
    return tuple(sorted(crossings, key=lambda crossing: crossing.span.start))


def _furthest(series: Series | None, above: bool) -> tuple[Series, float] | None:
    """Return a series with its sample furthest to that side, None where it has no sample."""
    if series is None or not len(series):
        return None
    return series, float(series.value.max() if above else series.value.min())


def crossings_frame(crossings: Sequence[Crossing]) -> "pd.DataFrame":
    """Return a DataFrame with one row a crossing."""
    import pandas as pd

    return pd.DataFrame(list(crossing_rows(crossings)))


def crossing_rows(crossings: Sequence[Crossing]) -> Iterator[dict[str, object]]:
    """Yield each crossing as a flat dictionary of plain values."""
    for crossing in crossings:
        limit = crossing.threshold.limit
        yield {
            "channel": crossing.where,
            "limit": limit.value,
            "unit": limit.unit,
            "direction": limit.direction,
            "kind": limit.kind,
            "part": limit.part,
            "reason": limit.arithmetic,
            **asdict(crossing.span),
            "duration": crossing.span.duration,
            "ampere_squared_seconds": crossing.ampere_squared_seconds,
            "doing": crossing.doing,
        }


def _series(ride: Ride, key: str | None, above: bool) -> Series | None:
    if key is None:
        return cells_together(ride, "max" if above else "min")
    if (series := column(ride, key)) is not None:
        return series
    stand_in = {"battery_current": battery_current, "pack_voltage": pack_voltage}.get(key)
    quantity = stand_in(ride) if stand_in else None
    return quantity.series if quantity else None


def _cell_at(cells: Sequence[tuple[str, Series]], time: float, highest: bool) -> str:
    read = [(reading_at(series, time), key) for key, series in cells]
    known = [(value, key) for value, key in read if value is not None]
    return (max(known) if highest else min(known))[1] if known else "cell_voltage"


def _doing(ride: Ride, times: Array) -> list[str]:
    """Return in words what rider and controller were doing at some instants in s, shape (n,)."""
    said: list[list[str]] = [[] for _ in times]
    if (current := battery_current(ride)) is not None:
        for words_of, load in zip(said, interpolate(current.series, times).tolist(), strict=True):
            if load == load:
                words_of.append(
                    "regenerating" if load < -1 else "driving" if load > 1 else "coasting"
                )
    for name, unit in (("throttle", "%"), ("brake", "%"), ("speed", "km/h"), ("duty_cycle", "%")):
        for key, series in present(ride, name):
            label = words(ride, key).replace("duty cycle", "duty")
            for words_of, value in zip(said, interpolate(series, times).tolist(), strict=True):
                if value == value:
                    shown = value * (3.6 if unit == "km/h" else 100)
                    words_of.append(f"{label} {shown:.0f}\N{NO-BREAK SPACE}{unit}")
    return [", ".join(words_of) for words_of in said]
