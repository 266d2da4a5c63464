"""One motor's drive as columns on one time axis: what was asked, what flowed, what bounds it."""

from collections.abc import Callable
from dataclasses import dataclass, field
from functools import partial

import numpy as np

from ...load.ride import Ride
from ..readings.around import BLOCK
from ..readings.electric import pack_voltage, present
from ..readings.gathered import Gathered
from ..readings.once import once
from ..readings.quantiles import median, quantile
from ..readings.series import Array, Flags, Series, column, interpolate, numbered, steps
from ..readings.unknown import NotKnown
from .plateau import HELD, Axis, Plateau, find_plateau

STANDING = 0.3
"""m/s below which the vehicle counts as standing (our choice)."""

LAUNCH_LONGEST = 10.0
"""s after which a launch is over (our choice)."""

PULL_SHORTEST = 1.0
"""s of hard demand that make a pull (our choice)."""

AGREES = 0.03
"""Share within which a level seen is the setting's own: sensors and controllers differ by as much
(common practice, no source)."""

BIN = 0.02
"""Share of the throttle's travel over which its curve is taken as level (our choice)."""

CLAMPED = 0.0025
"""Share of its level by which a duty cycle at its ceiling spreads at most (standard deviation; our
choice): one that stays about a level while the current is limited spreads more."""

FULL = 0.97
"""Share of the ride's widest throttle from which it counts as full (our choice)."""

VOLTAGE_WINDOW = 0.5
"""s over which pack voltage is averaged before it is held against a cutback (our choice)."""


@dataclass(frozen=True)
class LimitLine:
    """A limit along the drive's time axis: ``value`` (n,), the noise ``tolerance`` within which a
    reading touches it, both in the quantity's unit, and where it came from.

    ``stated`` is what the settings say, ``held`` how the quantity was held at a level, if it was,
    and ``reported`` the most that the board said was in force.
    """

    value: Array
    tolerance: float
    source: str
    stated: float | None = None
    held: Plateau | None = None
    reported: float = 0.0


@dataclass(frozen=True)
class Pull:
    """A "launch" (from standstill) or "pull" (hard demand while moving), times in s."""

    kind: str
    start: float
    end: float


@dataclass(frozen=True)
class MotorDemand:
    """One motor; arrays of shape (n,) on ``time`` (s), NaN where unknown.

    ``step`` is the s each sample stands for.  ``current`` is the motor current and ``battery``
    this controller's battery current, both in A; ``voltage`` is the smoothed pack voltage in V.
    ``request`` in A is what this throttle asks for, where the ride shows a fixed rule for it;
    ``curve`` is the same as read off at some throttles only, NaN at the others.
    ``cutback`` holds the pack voltages (V) at which a cut begins and ends, if stated.  ``full``
    tells where the throttle was as wide as it ever got.
    """

    motor: int
    time: Array
    gap: Flags
    step: Array
    current: Array
    throttle: Array | None
    braking: Flags
    duty: Array | None
    battery: Array | None
    voltage: Array | None
    speed: Array | None
    temperatures: tuple[tuple[str, Array], ...]
    motor_limit: LimitLine | None
    battery_limit: LimitLine | None
    duty_limit: LimitLine | None
    request: Array | None
    curve: Array | None
    request_tolerance: Array
    cutback: tuple[float, float] | None
    standing: float
    full: Flags
    axis: Axis
    brake: Array | None = None
    """The brake, from 0 to 1; None where it is not recorded."""
    pulls: dict[float, list[Pull]] = field(default_factory=dict, init=False, repr=False)
    """Those found already, by the share of the throttle that counts as hard demand."""

    def hard(self, share: float) -> Flags:
        """Return where demand is hard: throttle at ``share`` of its travel or more, or a launch.

        Without a throttle channel, where a known limit is nearly reached.
        """
        if self.throttle is not None:
            hard = (self.throttle >= share) & ~self.braking
            for pull in find_pulls(self, share):
                if pull.kind == "launch":
                    inside = samples_of(self.time, pull)
                    hard[inside] |= ~self.braking[inside]
            return hard
        hard = np.zeros(len(self.time), bool)
        for value, limit in (
            (self.current, self.motor_limit),
            (self.battery, self.battery_limit),
            (self.duty, self.duty_limit),
        ):
            if value is not None and limit is not None:
                hard |= value >= share * limit.value
        return hard

    def ramping(self, seconds: float) -> Flags:
        """Return where, up to ``seconds`` ago, the throttle moved by 2 % or the brake was held."""
        if self.throttle is None:
            return np.zeros(len(self.time), bool)
        stirred = self.braking.copy()
        stirred[1:] |= np.abs(np.diff(self.throttle)) >= 0.02
        last = np.maximum.accumulate(np.where(stirred, self.time, -np.inf))
        return np.asarray(self.time - last <= seconds)


def samples_of(time: Array, pull: Pull) -> slice:
    """Return the samples at ``time`` s that fall into a pull, both ends included."""
    first = int(np.searchsorted(time, pull.start, "left"))
    return slice(first, int(np.searchsorted(time, pull.end, "right")))


def drives(it: Gathered) -> list[MotorDemand] | NotKnown:
    """Return every motor of the ride."""
    found = one_by_one(it)
    return found if isinstance(found, NotKnown) else [build() for build in found]


def one_by_one(it: Gathered) -> list[Callable[[], MotorDemand]] | NotKnown:
    """Return what builds each motor of the ride: a long ride's take much memory together."""
    motors = present(it.ride, "motor_current")
    if not motors:
        return NotKnown("it needs the channel motor_current")
    axes: list[Axis] = []  # motors of one stream share theirs
    return [partial(_drive, it, key, series, _axis(series, axes)) for key, series in motors]


def _axis(series: Series, known: list[Axis]) -> Axis:
    for axis in known:
        if axis.time is series.time and axis.gap is series.gap:
            return axis
    known.append(Axis(series.time, series.gap))
    return known[-1]


def find_pulls(drive: MotorDemand, share: float) -> list[Pull]:
    """Return launches and pulls in time order; none without a throttle channel."""
    if share not in drive.pulls:
        drive.pulls[share] = _find_pulls(drive, share)
    return drive.pulls[share]


def _find_pulls(drive: MotorDemand, share: float) -> list[Pull]:
    throttle, time = drive.throttle, drive.time
    if throttle is None:
        return []
    pulls: list[Pull] = []
    at, count = 0, len(time)
    standing = (
        np.zeros(count, bool) if drive.speed is None else np.abs(drive.speed) < drive.standing
    )
    begins = np.flatnonzero((throttle >= 0.15) & ~drive.braking & (standing | (throttle >= share)))
    broken = drive.braking | drive.gap
    ends = np.flatnonzero(broken | (throttle < share))
    while True:
        place = int(np.searchsorted(begins, at))
        if place == len(begins):
            return pulls
        first = int(begins[place])
        if standing[first]:
            stop = int(np.searchsorted(time, time[first] + LAUNCH_LONGEST, "right"))
            peak = np.fmax.accumulate(throttle[first:stop])
            over = np.flatnonzero(
                broken[first + 1 : stop] | (throttle[first:stop] < 0.5 * peak)[1:]
            )
            at = first + int(over[0]) if len(over) else stop - 1
            moved = drive.speed is not None and np.nanmax(np.abs(drive.speed[first : at + 1]))
            kind, real = "launch", bool(moved > 3 * drive.standing)
        else:
            after = int(np.searchsorted(ends, first, "right"))
            at = int(ends[after]) - 1 if after < len(ends) else count - 1
            kind, real = "pull", bool(time[at] - time[first] >= PULL_SHORTEST)
        if real:
            pulls.append(Pull(kind, float(time[first]), float(time[at])))
        at += 1


# -------------------------------------------------------------------- building one drive


def _drive(it: Gathered, key: str, series: Series, axis: Axis) -> MotorDemand:
    ride = it.ride
    stream = ride.find(key)
    motor = (stream.channels[key].index if stream else 0) or 1
    time, current = series.time, series.value
    step = axis.step

    def on(name: str) -> Array | None:
        found = numbered(ride, name, motor) or (numbered(ride, name, 0) if motor == 1 else None)
        return None if found is None else interpolate(found, time)

    throttle_series = column(ride, "throttle")
    throttle = None if throttle_series is None else interpolate(throttle_series, time)
    brake = column(ride, "brake")
    pressed = None if brake is None else interpolate(brake, time)
    braking = np.zeros(len(time), bool) if pressed is None else pressed > 0.02
    duty = on("duty_cycle")
    battery = _battery_share(it, motor, time)
    volts = _steady_voltage(ride)
    voltage = None if volts is None else interpolate(volts, time)
    speed, standing = _speed(it, motor, axis)
    hot = tuple(
        (name.replace("_", " "), values)
        for name in ("motor_temperature", "controller_temperature")
        if (values := on(name)) is not None
    )
    full = full_throttle(throttle, current) & ~braking
    setting = stated_settings(it)
    # Without current, as downhill, nothing holds the duty cycle.
    asked = full & (current > 0.05 * np.max(current, initial=0.0))
    line = _Lines(series, axis, step, asked, throttle is not None)
    duty_limit = line.find(duty, current, None, setting("duty_limit"), 0.003, 0.85)
    # At a held motor current the duty cycle rises with speed, which stands in where it lacks.
    motor_limit = line.find(
        current,
        speed if duty is None else duty,
        on("motor_current_limit"),
        setting("motor_current_limit"),
        0.01,
    )
    battery_limit = line.find(
        battery, current, on("battery_current_limit"), setting("battery_current_limit"), 0.02
    )
    bound = np.zeros(len(time), bool)
    for value, limit in (
        (current, motor_limit),
        (battery, battery_limit),
        (duty, duty_limit),
    ):
        if value is not None and limit is not None:
            bound |= _touches(value, limit)
    widest = 1.0 if throttle is None else _widest(throttle)
    free = ~bound & ~braking
    request, curve, request_tolerance = _request(throttle, current, free, widest, axis)
    start, end = setting("voltage_cutback_start"), setting("voltage_cutback_end")
    return MotorDemand(
        motor,
        time,
        series.gap,
        step,
        current,
        throttle,
        braking,
        duty,
        battery,
        voltage,
        speed,
        hot,
        motor_limit,
        battery_limit,
        duty_limit,
        request,
        curve,
        request_tolerance,
        (start, end) if start is not None and end is not None and start > end else None,
        standing,
        full,
        axis,
        pressed,
    )


def full_throttle(throttle: Array | None, current: Array) -> Flags:
    """Return where the throttle is as wide as it ever gets; where current flows without one."""
    if throttle is None:
        return np.asarray(current > 0)
    return np.asarray(throttle >= max(FULL * _widest(throttle), 0.5))


def _widest(throttle: Array) -> float:
    """Return how wide the throttle gets, 0 where nothing is known: streams may lie apart."""
    known = throttle[np.isfinite(throttle)]
    return quantile(known, 0.999) if len(known) else 0.0


def stated_settings(it: Gathered) -> Callable[[str], float | None]:
    """Return a function from a setting's name to its stated value, None where it is no number
    above 0; what the log states comes before the board file."""

    def value_of(name: str) -> float | None:
        stated = it.ride.settings.get(name)
        if stated is None and it.board is not None:
            stated = str(it.board.settings.get(name, ""))
        try:
            value = float(stated or "")
        except ValueError:
            return None
        return value if np.isfinite(value) and value > 0 else None

    return value_of


@dataclass
class _Lines:
    """Finds one motor's limits in turn; ``free`` is the full throttle that none explains yet.

    ``asked`` says whether the throttle is known: a hand, too, can hold a current."""

    series: Series
    axis: Axis
    step: Array
    full: Flags
    asked: bool

    def __post_init__(self) -> None:
        self.free = self.full

    def find(
        self,
        value: Array | None,
        other: Array | None,
        in_force: Array | None,
        setting: float | None,
        relative: float,
        least: float = 0.0,
    ) -> LimitLine | None:
        """Return the limit of ``value``, and take what touches it out of ``free``.

        The level is the one at which the ride shows it held while ``other`` moved; a setting, or a
        limit that the board reports, only says where to look, since sensors and controllers differ
        by some per cent.  A setting that was never reached is taken at its word, unless the ride
        passes it for longer than :data:`HELD`.
        """
        if value is None:
            return None
        line = self._line(value, other, in_force, setting, relative, least)
        if line is not None:
            self.free = self.free & ~_touches(value, line)
        return line

    def _line(
        self,
        value: Array,
        other: Array | None,
        in_force: Array | None,
        setting: float | None,
        relative: float,
        least: float,
    ) -> LimitLine | None:
        time, gap = self.series.time, self.series.gap
        read = self.axis.reading(value)
        even, grain = read.even, read.grain
        noisy = max(4 * read.noise, 0.75 * grain)

        # A duty cycle, the only one with a least level, is clamped; currents are regulated.
        sharp = max(CLAMPED * least, 1.5 * read.noise, 0.75 * grain) if least else np.inf

        def held(level: Array, near: float | None, grain: float) -> Plateau | None:
            return find_plateau(time, gap, self.step, level, other, self.full, near, grain, sharp)

        if in_force is not None and np.isfinite(in_force).any():
            top = float(np.nanmax(in_force))
            if top <= 0:  # a limit of nothing holds nothing back that could be told
                return None
            with np.errstate(divide="ignore", invalid="ignore"):
                share = np.where(in_force > 0.05 * top, even / in_force, np.nan)
            del even, read  # a long ride's are large
            at = held(share, None, grain / top)
            if at is None or abs(at.level - 1) > 0.12:
                at = held(share, 1.0, grain / top)
            scale, spread = (1.0, 0.0) if at is None else (at.level, at.spread * top)
            width = max(noisy, relative * top, 3 * spread)
            return LimitLine(in_force * scale, width, "in force", setting, at, top)
        at = held(even, None, grain) if self.asked or setting is None else None
        if at is not None and at.level < least:
            at = None
        if at is None and setting is not None:
            at = held(even, setting, grain)
        if at is not None:
            level = at.level
            agrees = setting is not None and abs(level - setting) <= max(AGREES * setting, grain)
            if agrees and setting is not None and abs(level - setting) <= grain:
                level = setting  # the readings are no finer
            width = max(min(max(3 * at.spread, relative * level), 0.05 * level), 0.75 * grain)
            return LimitLine(
                np.broadcast_to(level, len(value)),
                width,
                "setting" if agrees else "seen held",
                setting,
                at,
            )
        if setting is not None:
            width = max(noisy, relative * setting)
            over = np.where(value > setting + 2 * width, 1.0, 0.0)
            if np.sum(steps(self.series) * over[1:] * over[:-1]) < HELD:
                return LimitLine(np.broadcast_to(setting, len(value)), width, "setting", setting)
        top_held = _held_level(value, self.free, self.series, noisy, relative)
        if top_held is None or top_held < least:
            return None
        width = max(noisy, relative * top_held)
        return LimitLine(np.broadcast_to(top_held, len(value)), width, "seen held", setting)


def _held_level(
    value: Array, where: Flags, series: Series, spread: float, relative: float
) -> float | None:
    """Return the highest level at which ``value`` stays for :data:`HELD` s without a break."""
    inside = where & np.isfinite(value)
    if not inside.any():
        return None
    top = float(np.max(value[inside]))
    if top <= 0:
        return None
    width = max(spread, relative * top)
    if not width < np.inf:  # nothing tells how far the samples scatter
        return None
    for level in np.arange(top - width / 2, top / 2, -width / 2):
        flat = inside & (np.abs(value - level) <= width)
        if _longest(flat, series) >= HELD:
            return median(value[flat])
    return None


def _longest(flags: Flags, series: Series) -> float:
    """Return the s of the longest unbroken run of ``flags``."""
    broken = ~flags
    broken[1:] |= series.gap[1:] & flags[:-1]
    run = np.cumsum(broken)
    own = run[flags]
    if not len(own):
        return 0.0
    times = series.time[flags]
    first = np.flatnonzero(np.r_[True, np.diff(own) != 0])
    last = np.r_[first[1:], len(own)] - 1
    return float(np.max(times[last] - times[first]))


def _touches(value: Array, limit: LimitLine) -> Flags:
    return np.asarray(limit.value - value < limit.tolerance)


def _battery_share(it: Gathered, motor: int, time: Array) -> Array | None:
    """Return one controller's battery current in A.

    Where only the sum is measured it is split as duty × motor current, the power that each motor
    takes divided by the pack voltage they share; without duty cycles evenly: the sum comes to as
    many times one controller's limit as there are controllers only where all of them are at it.
    """
    ride = it.ride
    own = numbered(ride, "controller_battery_current", motor)
    if own is not None:
        return interpolate(own, time)
    if it.current is None:
        return None
    whole = interpolate(it.current.series, time)
    currents = present(ride, "motor_current")
    if len(currents) == 1:
        return whole
    powers, mine = np.zeros(len(time)), np.zeros(len(time))
    for key, series in currents:
        index = ride.index(key)
        duty = numbered(ride, "duty_cycle", index)
        if duty is None:
            return whole / len(currents)
        part = np.abs(interpolate(duty, time) * interpolate(series, time))
        powers += part
        mine = part if index == motor else mine
    return np.where(powers > 0, whole * mine / np.where(powers > 0, powers, 1.0), 0.0)


def _speed(it: Gathered, motor: int, axis: Axis) -> tuple[Array | None, float]:
    """Return a speed and the value below which it means standing; any unit will do for that."""
    if not isinstance(it.speed, NotKnown):
        return axis.read(it.speed.series), STANDING
    for name in ("motor_speed", "motor_electrical_speed"):
        turning = numbered(it.ride, name, motor) or numbered(it.ride, name, 0)
        if turning is not None:
            return interpolate(turning, axis.time), 0.03 * float(np.max(np.abs(turning.value)))
    return None, 0.0


@once
def _steady_voltage(ride: Ride) -> Series | None:
    volts = pack_voltage(ride)
    return None if volts is None else _smooth(volts.series, VOLTAGE_WINDOW)


def _smooth(series: Series, window: float) -> Series:
    """Return the mean over the ``window`` s before each sample, within unbroken recordings."""
    breaks = series.gap.copy()
    breaks[0] = True
    first = np.flatnonzero(breaks)[np.cumsum(breaks) - 1]
    start = np.maximum(np.searchsorted(series.time, series.time - window, "right"), first)
    sums = np.r_[0.0, np.cumsum(series.value)]
    here = np.arange(len(series))
    return Series(series.time, (sums[here + 1] - sums[start]) / (here + 1 - start), series.gap)


def _request(
    throttle: Array | None, current: Array, free: Flags, full: float, axis: Axis
) -> tuple[Array | None, Array | None, Array]:
    """Return the current in A that each throttle asks for, and its tolerance.

    ``free`` samples touch no limit.  The throttle's curve is read off in bins of :data:`BIN`, where
    the throttle stood still and the current with it.  Where all of it over a third of the travel is
    one ratio, that ratio holds for every throttle: the first array.  The second holds the curve as
    read, NaN where no bin was; another limit may have shaped it.
    """
    if throttle is None:
        return None, None, np.zeros(0)
    known = _bins(throttle, current, free, full, axis.time)
    if not known:
        return None, None, np.zeros(0)
    x, y = np.array(known).T
    ratio = y / x
    slope = median(ratio)
    tolerance = np.abs(np.diff(throttle, prepend=throttle[:1]))
    tolerance += np.abs(np.diff(throttle, append=throttle[-1:]))
    tolerance *= slope
    tolerance += max(4 * axis.reading(current).noise, 0.015 * slope)
    straight = None
    if np.ptp(x) > 0.3 and len(x) >= 4 and np.mean(np.abs(ratio / slope - 1) < 0.04) > 0.7:
        straight = slope * throttle
    curve = np.interp(throttle, x, y)
    for start in range(0, len(curve), BLOCK):  # no tables as long as the ride
        own = throttle[start : start + BLOCK]
        after = np.clip(np.searchsorted(x, own), 1, len(x) - 1) if len(x) > 1 else 0
        nearest = np.minimum(np.abs(own - x[after]), np.abs(own - x[after - 1]))
        curve[start : start + BLOCK][~(nearest <= BIN)] = np.nan
    return straight, curve, tolerance


def _bins(
    throttle: Array, current: Array, free: Flags, full: float, time: Array
) -> list[tuple[float, float]]:
    """Return (throttle, current in A) of each bin where both stood still."""
    stirred = np.abs(np.diff(throttle, prepend=throttle[:1])) > 0.005
    last = np.maximum.accumulate(np.where(stirred, time, -np.inf))
    usable = free & (throttle > 0.1) & (throttle < FULL * full) & (current > 1.0)
    usable &= time - last > HELD
    known: list[tuple[float, float]] = []
    number = np.where(np.isfinite(throttle), np.floor(throttle / BIN), -1.0).astype(int)
    inside = np.flatnonzero(usable)
    number = number[inside]
    for one in np.unique(number):
        at = inside[number == one]
        if len(at) >= 5 and time[at[-1]] - time[at[0]] >= HELD:
            middle = median(current[at])
            close = np.abs(current[at] / middle - 1) < 0.04
            if np.mean(close) > 0.6:
                known.append((median(throttle[at][close]), middle))
    return known
