"""The ride in figures: each with its unit and how it was computed, or what it needs."""

from collections.abc import Iterator
from dataclasses import asdict, dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from sagline_logger.format import BoardFile, Channel, vocabulary

from ...load.ride import Ride
from .coverage import ALL, ENOUGH, Coverage, coverage
from .electric import Quantity, cells_together, present
from .gathered import Gathered
from .series import (
    Series,
    clean,
    integral,
    integral_above_zero,
    interpolate,
    product,
    reading_at,
    size,
    time_where,
)
from .unknown import NotKnown

if TYPE_CHECKING:
    import pandas as pd

MOVING = 0.3
"""Speed in m/s from which the vehicle counts as moving (our choice: a slow walk is 1 m/s)."""

IDLE = 1.0
"""Battery current in A up to which the pack counts as idle (our choice)."""


@dataclass(frozen=True)
class Finding:
    """One figure of the ride.

    ``value`` is in ``unit``, or None where it could not be computed and ``how`` says what it
    needs.  ``at`` is the time in s from the start of the capture at which it happened, if it
    happened at one instant, and ``note`` adds what belongs to it (which cell, the load then).
    ``covered`` is what share of the ride (0 to 1) a sum knows; None where that has no meaning.
    """

    key: str
    label: str
    value: float | None
    unit: str
    how: str
    at: float | None = None
    note: str = ""
    covered: float | None = None


@dataclass(frozen=True)
class LoadBand:
    """Share of the time (0 to 1) that the battery current spent from ``low`` to ``high`` A."""

    label: str
    low: float | None
    high: float | None
    share: float


@dataclass(frozen=True)
class Summary:
    """All figures of one ride, in reading order, and the battery current's bands."""

    findings: tuple[Finding, ...]
    bands: tuple[LoadBand, ...]

    def __iter__(self) -> Iterator[Finding]:
        return iter(self.findings)

    def __getitem__(self, key: str) -> Finding:
        for finding in self.findings:
            if finding.key == key:
                return finding
        raise KeyError(f"no figure {key!r}; there are: {', '.join(f.key for f in self.findings)}")

    def get(self, key: str) -> float | None:
        """Return the value of one figure, None when it is absent or could not be computed."""
        return next((f.value for f in self.findings if f.key == key), None)

    def frame(self) -> "pd.DataFrame":
        """Return a DataFrame with one row a figure."""
        import pandas as pd

        return pd.DataFrame([asdict(finding) for finding in self.findings])


def summarise(ride: Ride, board: BoardFile | None = None) -> Summary:
    """Compute every figure of ``ride``.

    With a ``board`` speed can be derived from motor speed, and the current's bands refer to the
    nearest continuous limit on the battery current; otherwise they refer to the peak.
    """
    return figures_of(Gathered(ride, board))


def figures_of(it: Gathered) -> Summary:
    """Compute every figure, as :func:`summarise`."""
    ride, current, voltage, speed = it.ride, it.current, it.voltage, it.speed
    enough = current is not None and coverage(ride, current.series).share >= ENOUGH
    rated = it.rated("battery_current")
    most = rated.value if rated else None
    bands = _bands(current.series, most) if current and enough else ()
    quality = {finding.key: finding for finding in _quality(ride)}
    # What is missing stands before what was made of the rest.
    missing = [quality.pop("lost_samples")] if quality["lost_samples"].value else []
    return Summary(
        (
            Finding("duration", "Duration", ride.duration, "s", "last sample minus first"),
            *missing,
            *_motion(ride, speed),
            *_charge(ride, current),
            *_energy(ride, current, voltage),
            *_per_distance(ride, current, voltage, speed),
            *_peaks(ride, current, voltage),
            *_lowest_cell(ride, current),
            *_hottest(ride),
            *quality.values(),
        ),
        bands,
    )


def _absent(key: str, label: str, unit: str, needs: str) -> Finding:
    return Finding(key, label, None, unit, needs)


def _over(covered: Coverage, finding: Finding) -> Finding:
    """Return a sum over the ride with what share of it is known; without value where too little."""
    finding = replace(finding, covered=covered.share)
    if covered.share >= ALL:
        return finding
    if covered.share < ENOUGH:
        needs = (
            f"{covered.words} ({covered.known:.0f} s of {covered.whole:.0f} s); below "
            f"{100 * ENOUGH:.0f} % no sum is told"
        )
        return replace(finding, value=None, how=needs)
    return replace(finding, note=", ".join(filter(None, (finding.note, covered.words))))


def _motion(ride: Ride, speed: Quantity | NotKnown) -> list[Finding]:
    if isinstance(speed, NotKnown):
        return [
            _absent("distance", "Distance", "m", speed.reason),
            _absent("moving_time", "Time moving", "s", speed.reason),
            _absent("top_speed", "Top speed", "m/s", speed.reason),
        ]
    magnitude = size(speed.series)
    moving = time_where(magnitude, magnitude.value >= MOVING)
    covered = coverage(ride, magnitude)
    return [
        _over(
            covered,
            Finding(
                "distance",
                "Distance",
                integral(magnitude),
                "m",
                f"∫ |speed| dt by trapezoids, gaps left out; {speed.how}",
            ),
        ),
        _over(
            covered,
            Finding(
                "moving_time",
                "Time moving",
                moving,
                "s",
                f"time at {MOVING} m/s or more; {speed.how}",
            ),
        ),
        _extreme(
            "top_speed", "Top speed", magnitude, "m/s", True, f"largest |speed| sample; {speed.how}"
        ),
    ]


def _flow(ride: Ride, key: str, label: str, unit: str, series: Series, how: str) -> list[Finding]:
    """Return net, drawn and returned amounts of a current (A) or a power (W)."""
    net = integral(series) / 3600
    drawn = integral_above_zero(series) / 3600
    found = [
        Finding(f"{key}_net", f"{label}, net", net, unit, f"∫ {how} dt by trapezoids, no gaps"),
        Finding(f"{key}_drawn", f"{label} drawn", drawn, unit, f"∫ {how} dt while positive"),
        Finding(
            f"{key}_regenerated",
            f"{label} regenerated",
            drawn - net,
            unit,
            f"−∫ {how} dt while negative",
        ),
    ]
    covered = coverage(ride, series)
    return [_over(covered, finding) for finding in found]


def _none_of(key: str, label: str, unit: str, needs: str) -> list[Finding]:
    return [
        _absent(f"{key}_{part}", f"{label}{text}", unit, needs)
        for part, text in (("net", ", net"), ("drawn", " drawn"), ("regenerated", " regenerated"))
    ]


def _charge(ride: Ride, current: Quantity | None) -> list[Finding]:
    if current is None:
        return _none_of("charge", "Charge", "Ah", "needs the channel battery_current")
    return _flow(ride, "charge", "Charge", "Ah", current.series, current.how)


def _energy(ride: Ride, current: Quantity | None, voltage: Quantity | None) -> list[Finding]:
    if current is None or voltage is None:
        lacking = [
            name
            for name, have in (("battery_current", current), ("pack_voltage", voltage))
            if have is None
        ]
        return _none_of("energy", "Energy", "Wh", f"needs the channel {' and '.join(lacking)}")
    power = product(current.series, voltage.series)
    return _flow(ride, "energy", "Energy", "Wh", power, f"({current.how}) × ({voltage.how})")


def _per_distance(
    ride: Ride, current: Quantity | None, voltage: Quantity | None, speed: Quantity | NotKnown
) -> list[Finding]:
    label = ("energy_per_distance", "Energy per distance")
    if current is None or voltage is None:
        return [_absent(*label, "Wh/km", "needs the channels battery_current and pack_voltage")]
    if isinstance(speed, NotKnown):
        return [_absent(*label, "Wh/km", speed.reason)]
    power, travelled = product(current.series, voltage.series), size(speed.series)
    covered = min((coverage(ride, one) for one in (power, travelled)), key=lambda c: c.share)
    if covered.share < ALL:  # both over the same instants, or the one is told of another ride
        moved = interpolate(travelled, power.time)
        travelled = clean(power.time, moved, power.gap)
        power = clean(power.time, np.where(np.isnan(moved), np.nan, power.value), power.gap)
        covered = coverage(ride, power)
    energy = integral(power) / 3600
    distance = integral(travelled) / 1000
    if distance < 0.1 and covered.share >= ENOUGH:
        return [_absent(*label, "Wh/km", "needs a ride of at least 100 m")]
    per_km = energy / distance if distance else None
    return [_over(covered, Finding(*label, per_km, "Wh/km", "net energy over distance"))]


def _peaks(ride: Ride, current: Quantity | None, voltage: Quantity | None) -> list[Finding]:
    found = []
    if current is None:
        needs = "needs the channel battery_current"
        found.append(_absent("peak_battery_current", "Peak battery current", "A", needs))
    else:
        found.append(
            _extreme(
                "peak_battery_current",
                "Peak battery current",
                current.series,
                "A",
                True,
                f"largest sample of {current.how}",
            )
        )
        if current.series.value.min() < 0:
            found.append(
                _extreme(
                    "peak_regeneration",
                    "Peak regenerated current",
                    current.series,
                    "A",
                    False,
                    f"most negative sample of {current.how}",
                )
            )
    for name, unit in (("motor_current", "A"), ("duty_cycle", "1")):
        for key, series in present(ride, name):
            found.append(
                _extreme(
                    f"peak_{key}",
                    f"Peak {words(ride, key)}",
                    size(series),
                    unit,
                    True,
                    f"largest |sample| of {key}",
                )
            )
        known = {key for key, _ in present(ride, name)}
        found += [
            _absent(f"peak_{key}", f"Peak {words(ride, key)}", unit, f"needs readings of {key}")
            for key in ride.keys(name)
            if key not in known
        ]
    if voltage is None:
        needs = "needs the channel pack_voltage"
        found.append(_absent("lowest_pack_voltage", "Lowest pack voltage", "V", needs))
    else:
        found.append(
            _extreme(
                "lowest_pack_voltage",
                "Lowest pack voltage",
                voltage.series,
                "V",
                False,
                f"lowest sample of {voltage.how}",
                current,
            )
        )
    return found


def _extreme(
    key: str,
    label: str,
    series: Series,
    unit: str,
    highest: bool,
    how: str,
    load: Quantity | None = None,
) -> Finding:
    if not len(series.value):
        return Finding(key, label, None, unit, "needs samples of it", None)
    at = int(np.argmax(series.value) if highest else np.argmin(series.value))
    time = float(series.time[at])
    return Finding(key, label, float(series.value[at]), unit, how, time, _load_at(load, time))


def _load_at(current: Quantity | None, time: float) -> str:
    if current is None:
        return ""
    load = reading_at(current.series, time)
    return "" if load is None else f"at {load:.1f} A"


def _lowest_cell(ride: Ride, current: Quantity | None) -> list[Finding]:
    cells = present(ride, "cell_voltage")
    if not cells:
        needs = "needs the channels cell_voltage_1, cell_voltage_2, …"
        return [_absent("lowest_cell", "Lowest cell", "V", needs)]
    key, series = min(cells, key=lambda cell: float(cell[1].value.min()))
    low = _extreme("lowest_cell", "Lowest cell", series, "V", False, "lowest sample of any cell")
    load = _load_at(current, low.at or 0.0)
    note = f"{words(ride, key)} {load}".strip()
    found = [Finding(low.key, low.label, low.value, "V", low.how, low.at, note)]
    if len({len(part) for _, part in cells}) > 1:
        needs = "needs readings of all cells at one time"
        found.append(_absent("widest_spread", "Widest cell spread", "V", needs))
    elif len(cells) > 1:
        high, lowest = cells_together(ride, "max"), cells_together(ride, "min")
        if not len(high):  # no two cells were read at one time
            return found
        width = high.value - lowest.value
        at = int(np.argmax(width))
        found.append(
            Finding(
                "widest_spread",
                "Widest cell spread",
                float(width[at]),
                "V",
                "highest cell minus lowest cell, sample by sample",
                float(high.time[at]),
                _load_at(current, float(high.time[at])),
            )
        )
    return found


def _hottest(ride: Ride) -> list[Finding]:
    parts = [
        part
        for name, term in vocabulary().items()
        if term.group == "temperature"
        for part in present(ride, name)
    ]
    if not parts:
        needs = "needs a temperature channel (motor_temperature, controller_temperature, …)"
        return [_absent("hottest_part", "Hottest part", "°C", needs)]
    key, series = max(parts, key=lambda part: float(part[1].value.max()))
    hot = _extreme(
        "hottest_part",
        "Hottest part",
        series,
        "°C",
        True,
        "largest sample of any part's temperature",
    )
    return [Finding(hot.key, hot.label, hot.value, hot.unit, hot.how, hot.at, words(ride, key))]


def _quality(ride: Ride) -> list[Finding]:
    quality = ride.quality
    lost = sum(quality.lost_samples.values())
    kept = sum(len(stream.time) for stream in ride.streams.values())
    by_stream = ", ".join(f"{name} {n}" for name, n in quality.lost_samples.items() if n)
    gaps = sum(int(np.count_nonzero(stream.gap)) for stream in ride.streams.values())
    found = [
        Finding("samples", "Samples", kept, "", "samples kept, all streams"),
        Finding(
            "lost_samples",
            "Lost samples",
            lost,
            "",
            "from the device's own count of samples sent",
            None,
            by_stream,
        ),
        Finding("gaps", "Gaps", gaps, "", "places where samples are missing, all streams"),
        Finding(
            "link_losses",
            "Link losses",
            len(ride.link_gaps),
            "",
            "times the logger noted the link down",
        ),
        Finding(
            "damaged_frames",
            "Damaged stretches",
            quality.damaged_frames,
            "",
            "stretches of the log file that are no sound frame",
        ),
    ]
    if quality.dropped_frames:
        found.append(
            Finding(
                "dropped_frames",
                "Dropped frames",
                quality.dropped_frames,
                "",
                "frames the logger could not write (disk full)",
            )
        )
    if quality.clock_drift_ppm is not None:
        found.append(
            Finding(
                "clock_drift",
                "Clock drift",
                quality.clock_drift_ppm,
                "ppm",
                "device clock against the host's",
            )
        )
    if quality.clock_error is not None:
        found.append(
            Finding(
                "clock_error",
                "Clock error",
                abs(quality.clock_error),
                "s",
                "95 % of deliveries came within this of the fastest",
            )
        )
    return found


def _bands(current: Series, rated: float | None) -> tuple[LoadBand, ...]:
    top = rated or float(current.value.max())
    what = "rated" if rated else "peak"
    whole = float(np.sum(time_where(current, np.ones(len(current), bool))))
    if whole <= 0:
        return ()
    edges: list[tuple[str, float | None, float | None]] = [
        ("regenerating", None, -IDLE),
        ("idle", -IDLE, IDLE),
    ]
    if top > 4 * IDLE:
        quarter = [top * share for share in (0.25, 0.5, 0.75, 1.0)]
        lows = [IDLE, *quarter]
        names = [f"up to {share} % of {what}" for share in (25, 50, 75, 100)]
        edges += list(zip(names, lows[:-1], quarter, strict=True))
        if rated:
            edges.append(("over rated", top, None))
    else:
        edges.append(("driving", IDLE, None))
    value = current.value
    bands = []
    for label, low, high in edges:
        # The lower edge belongs to a band, the upper to the next; the peak itself to the last.
        last = high is not None and high == top and not rated
        inside = np.ones(len(value), bool)
        if low is not None:
            inside &= value >= low
        if high is not None:
            inside &= (value <= high) if last else (value < high)
        bands.append(LoadBand(label, low, high, time_where(current, inside) / whole))
    return tuple(bands)


def words(ride: Ride, key: str) -> str:
    """Return a column of the ride in plain words."""
    stream = ride.find(key)
    return channel_words(stream.channels[key]) if stream else key.replace("_", " ")


def channel_words(channel: Channel) -> str:
    """Return a channel in plain words: ``motor current left``, ``cell 7``."""
    name = "cell" if channel.name == "cell_voltage" else channel.name.replace("_", " ")
    if channel.label and name != "cell":
        return f"{name} {channel.label}"
    return " ".join(part for part in (name, str(channel.index or ""), channel.label) if part)
