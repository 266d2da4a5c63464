"""Launches and pulls of a ride, each cut out and put on one time axis that begins alike."""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from sagline_logger.format import BoardFile, SaglineError
from sagline_logger.format.counting import several

from ..findings.drive.demand import MotorDemand, drives, find_pulls
from ..findings.drive.held_back import HARD
from ..findings.readings.course import Heights, find_heights, slope_at, travelled
from ..findings.readings.electric import battery_current, pack_voltage, present
from ..findings.readings.gathered import Gathered
from ..findings.readings.series import Array, Flags, Series, interpolate
from ..findings.readings.unknown import NotKnown
from ..load.ride import Ride

GRID = 0.01
"""s between the points of a run's traces."""

BEFORE = 1.0
"""s of a run's traces before the throttle opens."""

AFTER = 1.0
"""s of a run's traces after it ends, for drawing only."""

MOVING = 0.5
"""m/s at which a launch's clock starts (our choice: clear of a speed sensor's noise)."""

GENTLE = 0.8
"""Share of the widest throttle opening below which a launch is left out as gentle (our choice)."""

BROKEN_OFF = 0.5
"""Share of the launches' median top speed below which one is left out as broken off (ours)."""


@dataclass(frozen=True)
class Run:
    """One launch or pull.

    ``start`` and ``end`` are s of the ride; ``time`` (n,) is s from where its clock starts, GRID
    apart, and ``inside`` flags what lies between start and end.  ``currents`` and ``duties`` are
    (motors, n); every trace is NaN where unknown.  Units: m/s, A, V, and 0 to 1.
    """

    kind: str
    side: str
    part: int
    start: float
    end: float
    zero: float
    time: Array
    speed: Array
    currents: Array
    battery: Array
    voltage: Array
    throttle: Array
    duties: Array
    before: dict[str, float]
    """What it began with: rest voltage (V), winding and air temperature (°C), and the mean slope of
    its road by the altitude, where known."""

    @property
    def inside(self) -> Flags:
        """Where the run itself is, of its traces; shape (n,), True from start to end."""
        return np.asarray(
            (self.time >= self.start - self.zero) & (self.time <= self.end - self.zero)
        )

    @property
    def top(self) -> float:
        """Highest speed reached in it, m/s."""
        return float(np.nanmax(np.where(self.inside, self.speed, -np.inf)))


def find_runs(
    ride: Ride, board: BoardFile | None, side: str, part: int, span: tuple[float, float]
) -> tuple[list[Run], list[MotorDemand]]:
    """Return the launches and pulls that begin in ``span`` (s), and the ride's motors.

    Raises:
        SaglineError: the ride lacks a channel without which nothing can be compared.
    """
    it = Gathered(ride, board)
    found, speed = drives(it), it.speed
    if isinstance(found, NotKnown):
        raise SaglineError(f"launches cannot be compared: {found.reason}", where=ride.path)
    if isinstance(speed, NotKnown):
        raise SaglineError(
            f"launches cannot be compared: it {speed.reason}",
            where=ride.path,
            remedy="give the board file with --board",
        )
    first = found[0]
    if first.throttle is None:  # the current shows what the hand asked for
        top = float(np.nanquantile(np.abs(first.current), 0.99)) or 1.0
        first = replace(first, throttle=np.clip(first.current / top, 0.0, 1.0))
    cutter = _Cutter(
        ride,
        found,
        first,
        speed.series,
        side,
        part,
        find_heights(it),
        travelled(it),
    )
    pulls = [p for p in find_pulls(first, HARD) if span[0] <= p.start < span[1]]
    return [run for p in pulls if (run := cutter.cut(p.kind, p.start, p.end))], found


@dataclass(frozen=True)
class _Cutter:
    ride: Ride
    motors: Sequence[MotorDemand]
    first: MotorDemand
    speed: Series
    side: str
    part: int
    heights: Heights | None
    way: Series | None

    def cut(self, kind: str, start: float, end: float) -> Run | None:
        zero = start
        if kind == "launch":
            inside = (self.speed.time >= start) & (self.speed.time <= end)
            crossed = crossing(self.speed.time[inside], self.speed.value[inside], MOVING)
            if crossed is None:
                return None
            zero = crossed
        count = round((end + AFTER - start + BEFORE) / GRID)
        time = start - BEFORE - zero + GRID * np.arange(count, dtype=np.float64)
        at = time + zero

        def on(series: Series | None) -> Array:
            return np.full(count, np.nan) if series is None else interpolate(series, at)

        def of(drive: MotorDemand, value: Array | None) -> Array:
            return on(None if value is None else Series(drive.time, value, drive.gap))

        battery, voltage = battery_current(self.ride), pack_voltage(self.ride)
        volts = on(voltage.series if voltage else None)
        quiet = (at >= start - 0.9) & (at <= start - 0.1) & np.isfinite(volts)
        before = {"rest_voltage": float(np.mean(volts[quiet]))} if quiet.any() else {}
        for name in ("motor_temperature", "ambient_temperature"):
            values = [_last(series, start) for _, series in present(self.ride, name)]
            known = [value for value in values if value is not None]
            if known:
                before[name] = float(np.mean(known))
        if self.heights is not None and self.way is not None:
            slope = slope_at(self.heights, interpolate(self.way, np.linspace(start, end, 50)))
            if np.isfinite(slope).any():
                before["grade"] = float(np.nanmean(slope))
        return Run(
            kind,
            self.side,
            self.part,
            start,
            end,
            zero,
            time,
            smooth(on(self.speed)),
            np.stack([of(d, d.current) for d in self.motors]),
            on(battery.series if battery else None),
            volts,
            of(self.first, self.first.throttle),
            np.stack([of(d, d.duty) for d in self.motors]),
            before,
        )


def _last(series: Series, time: float) -> float | None:
    """Return the mean of the readings in the 2 s up to ``time``, the last one if there are none."""
    recent = (series.time <= time) & (series.time > time - 2.0)
    if recent.any():
        return float(np.mean(series.value[recent]))
    at = int(np.searchsorted(series.time, time, "right")) - 1
    return float(series.value[at]) if at >= 0 else None


def smooth(values: Array) -> Array:
    """Return the mean of the 0.1 s around each point, lest noise crosses a speed early."""
    width = 2 * round(0.05 / GRID) + 1
    if len(values) < width:
        return values
    padded = np.pad(values, width // 2, mode="edge")
    return np.convolve(padded, np.ones(width) / width, "valid")


def crossing(time: Array, value: Array, level: float) -> float | None:
    """Return when the line through the samples first reaches ``level``, None if it never does."""
    past = np.flatnonzero(value >= level)
    if not len(past):
        return None
    at = int(past[0])
    if at == 0 or not value[at - 1] < level:
        return float(time[at])
    share = (level - value[at - 1]) / (value[at] - value[at - 1])
    return float(time[at - 1] + share * (time[at] - time[at - 1]))


def align(run: Run, level: float) -> Run | None:
    """Return ``run`` with its clock started where its speed passes ``level`` m/s upwards."""
    inside = run.inside
    passed = crossing(run.time[inside], run.speed[inside], level)
    if passed is None or run.speed[inside][0] > level:
        return None
    return replace(run, time=run.time - passed, zero=run.zero + passed)


def choose_launches(runs: Sequence[Run]) -> tuple[list[Run], list[str]]:
    """Return the launches that can be held against each other, and why others are left out."""
    launches = [run for run in runs if run.kind == "launch"]
    if not launches:
        return [], []
    peaks = np.array([np.nanmax(np.where(run.inside, run.throttle, 0.0)) for run in launches])
    strong = [run for run, peak in zip(launches, peaks, strict=True) if peak >= GENTLE * max(peaks)]
    middle = float(np.median([run.top for run in strong]))
    kept = [run for run in strong if run.top >= BROKEN_OFF * middle]
    notes = []
    if gentle := len(launches) - len(strong):
        notes.append(
            f"{several(gentle, 'gentler launch')} left out: throttle below "
            f"{GENTLE:.0%} of the most."
        )
    if broken := len(strong) - len(kept):
        notes.append(
            f"{several(broken, 'launch')} left out: broken off below half the usual speed."
        )
    return kept, notes


def choose_pulls(runs: Sequence[Run]) -> tuple[list[Run], tuple[float, float] | None, list[str]]:
    """Return the pulls that pass through one span of speeds, the span (m/s), and why others are
    left out.

    They are aligned at its lower end.  It runs from a speed that most had not yet passed when
    they began to one that most reached; the same rule for both sides together.
    """
    every = [run for run in runs if run.kind == "pull"]
    pulls = [run for run in every if np.isfinite(run.speed[run.inside]).all()]
    notes = []
    if lost := len(every) - len(pulls):
        notes.append(f"{several(lost, 'pull')} left out, for the speed is not known all along.")
    if len(pulls) < 2:
        return [], None, notes
    low = float(np.quantile([run.speed[run.inside][0] for run in pulls], 0.6)) + 0.1
    high = float(np.quantile([run.top for run in pulls], 0.4)) - 0.1
    if not high - low >= 1.0:
        return [], None, notes
    fit = [placed for run in pulls if run.top >= high and (placed := align(run, low))]
    return fit, (low, high), notes
