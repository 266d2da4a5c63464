"""Currents below every fixed limit: whether they follow a temperature or the pack voltage.

Whatever a controller's derating looks like in detail, the motor current it allows falls as a
temperature rises, and the battery current it allows falls as the pack voltage falls.  Both are
taken as straight lines over the short range a ride covers and fitted to the currents in question.
"""

from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from ..readings.quantiles import median, quantiles
from ..readings.series import Array, Flags
from .demand import LimitLine, MotorDemand
from .plateau import HELD

PIECE = 0.5
"""s of the pieces of which each is given to one cause (our choice)."""

STRETCH = 6.0
"""s of the stretches from which candidate lines are drawn (our choice)."""

MOST = 24
"""Candidate lines of one kind."""

ENOUGH = 3000
"""Samples that are enough to fit lines to."""

WORST = 9.0
"""Largest cost of one sample: three times the tolerance off the line, squared."""

LINE_TOLERANCE = 0.04
"""Share of the limit within which a current lies on its line (our choice)."""

SHOWS = 0.06
"""Share of a cut-back over which the readings must go to show it (our choice)."""

LONG, APART, MOSTLY, BEYOND = 2.0, 10.0, 0.9, 1.0
"""s of samples that make a pattern, s that they must lie apart, the share of them that must follow
it, and K beyond the beginning of a cut from which a limit touched is the cut one (our choice)."""

BEGINS_WITHIN = 0.02
"""Share of the voltage at which a cut begins within which its beginning is known (our choice)."""

WIDEST_HEAT, WIDEST_CUT = 90.0, 0.4
"""K, and the share of the voltage without any current, over which cut-backs reach at most
(common practice, no source)."""

COLDEST_CUT = 40.0
"""°C from which a cut-back with a temperature can begin at all: controllers set out with it at 60
°C and above (common practice, no source)."""

Numbers = npt.NDArray[np.intp]


@dataclass(frozen=True)
class _Candidate:
    """A line ``y`` = ``level`` + ``slope`` · ``x``, its cost on each sample in question, and the
    cost of the samples of the whole ride that lie above it, which a bound does not allow."""

    level: float
    slope: float
    x: Array
    y: Array
    width: float
    cost: Array
    over: float

    def begins(self, limit: LimitLine) -> float:
        """Return the temperature or voltage from which on the line lies below ``limit``."""
        return float((np.nanmax(limit.value) - self.level) / self.slope)

    def beyond(self, limit: LimitLine) -> Flags:
        """Return where the line lies below ``limit``."""
        return np.asarray((self.x - self.begins(limit)) * np.sign(self.slope) < 0)

    def costs(self, at: Numbers) -> Array:
        """Return how far the samples ``at`` lie off the line, in squared tolerances; none of those
        that are too cold for a cut-back lies on it."""
        return _costs(self.level, self.slope, self.x[at], self.y[at], self.width)


def _costs(level: float, slope: float, x: Array, y: Array, width: float) -> Array:
    off = (y - level - slope * x) / width
    cost = np.minimum(np.nan_to_num(off**2, nan=WORST), WORST)
    return np.where(x < COLDEST_CUT, WORST, cost) if slope < 0 else cost


@dataclass(frozen=True)
class HeatCut:
    """A cut-back with the temperature called ``name``: it begins at ``begins`` °C, and no current
    is left at ``ends`` °C."""

    name: str
    begins: float
    ends: float


@dataclass(frozen=True)
class Cuts:
    """What one motor showed and its fellows share: ``low`` is the voltage in V at which a cut of
    the battery current begins, ``heat`` the cut-back with a temperature; None where not seen."""

    low: float | None = None
    heat: HeatCut | None = None

    def with_those_of(self, others: "Cuts") -> "Cuts":
        """Return these cuts, and of ``others`` those that are missing."""
        low = others.low if self.low is None else self.low
        return Cuts(low, self.heat or others.heat)


def follow_moved_limits(
    drive: MotorDemand,
    unknown: Flags,
    ramping: Flags,
    nearly: Flags,
    on_motor: Flags,
    on_battery: Flags,
    elsewhere: Cuts,
) -> tuple[Flags, Flags, Cuts]:
    """Return (heat, low voltage) flags among the samples that no fixed limit explains, and the
    cuts that are stated or seen.

    A cut-back is looked for at full throttle, not ``nearly`` so, where no hand can be the reason;
    what lies on the lines found there follows them at any throttle, but where the hand is just
    moving (``ramping``) only at full throttle and sample by sample.  ``on_motor`` and
    ``on_battery`` samples touch the full limit; those beyond the temperature or voltage at which
    its cut begins count as cut back as well.  ``elsewhere`` is what other motors showed: they share
    the pack, and controllers of one vehicle are mostly of one make.
    """
    asked = unknown & ~ramping & (drive.current > 0)
    if drive.throttle is not None:
        asked &= drive.throttle >= 0.3
    low = np.zeros(len(unknown), bool)
    heat = np.zeros(len(unknown), bool)
    begins, hot_cut = None, None
    if drive.cutback is not None and drive.voltage is not None and drive.battery_limit is not None:
        begins, ends = drive.cutback
        left = np.clip((drive.voltage - ends) / (begins - ends), 0.0, 1.0)
        allowed = drive.battery_limit.value * left
        assert drive.battery is not None
        width = LINE_TOLERANCE * np.nanmax(drive.battery_limit.value)
        low = asked & (drive.voltage < begins) & (np.abs(drive.battery - allowed) < width)
        asked &= ~low
    full = _runs(asked & drive.full & ~nearly, drive)
    if full:
        hot, cut, pair = _fit(drive, full, _runs(asked, drive))
        heat |= hot
        low |= cut
        for flags, line, other in ((heat, pair[0], pair[1]), (low, pair[1], pair[0])):
            if line is None:
                continue
            hand = np.flatnonzero(unknown & ramping & drive.full & (drive.current > 0))
            cost = line.costs(hand)
            flags[hand] = (cost < 1.0) & ((other is None) or (cost <= other.costs(hand)))
            if line.y is drive.current and drive.motor_limit is not None:
                flags |= on_motor & line.beyond(drive.motor_limit)
        if drive.duty is None and pair[0] is not None and _rather_speed(drive, heat, pair[0].x):
            heat, pair = np.zeros(len(unknown), bool), (None, pair[1])
        own = pair[1] if drive.duty is None else None
        if own is not None and own.y is drive.current and _rather_speed(drive, low, own.x):
            low, pair = np.zeros(len(unknown), bool), (pair[0], None)
        begins = _begins(pair[1], drive) if begins is None else begins
        hot_cut = _heat_cut(pair[0], drive)
        if hot_cut is None and elsewhere.heat is not None:
            heat |= _like_another(drive, elsewhere.heat, asked & ~low, full, on_motor)
        if drive.duty is not None:
            heat |= _hotter_than_at_limit(drive, asked & ~low & ~heat, full, on_motor)
    limit, begins = drive.battery_limit, elsewhere.low if begins is None else begins
    if begins is not None and limit is not None and limit.source != "in force":
        assert drive.voltage is not None
        # The full current well below that voltage shows that it was not cut there.
        deep = on_battery & (drive.voltage < (1 - BEGINS_WITHIN) * begins)
        if np.sum(drive.step[deep]) <= HELD:
            low |= on_battery & (drive.voltage < begins)
    return heat, low, Cuts(begins, hot_cut)


def _rather_speed(drive: MotorDemand, flags: Flags, x: Array) -> bool:
    """Return whether the currents of ``flags`` follow the speed more than they follow ``x``.

    Where no duty cycle is logged, its ceiling is not seen: there the current falls as speed rises
    (back-EMF), and warmth and charge go their ways along with it.
    """
    if drive.speed is None:
        return True
    at = np.flatnonzero(flags & drive.full & np.isfinite(x) & np.isfinite(drive.speed))
    if len(at) < 5:
        return True
    with np.errstate(divide="ignore", invalid="ignore"):  # of what stands still: NaN
        alike = np.corrcoef(np.array([drive.current[at], drive.speed[at], x[at]]))[0]
    return bool(not abs(alike[2]) > abs(alike[1]))


def cold(drive: MotorDemand) -> bool:
    """Return whether what was measured of the motor's warmth was too cold to cut anything back."""
    known = [values[np.isfinite(values)] for _, values in drive.temperatures]
    return any(len(one) for one in known) and all((one < COLDEST_CUT).all() for one in known)


def _heat_cut(line: _Candidate | None, drive: MotorDemand) -> HeatCut | None:
    """Return the cut-back that a line over a temperature shows; from its setting on, if higher."""
    limit = drive.motor_limit
    if line is None or limit is None or line.y is not drive.current:
        return None
    name = next((name for name, values in drive.temperatures if values is line.x), None)
    top = max(float(np.nanmax(limit.value)), limit.stated or 0.0)
    if name is None or not np.isfinite(top):
        return None
    return HeatCut(name, (top - line.level) / line.slope, -line.level / line.slope)


def _like_another(
    drive: MotorDemand, cut: HeatCut, asked: Flags, full: list[Numbers], on_motor: Flags
) -> Flags:
    """Return where this motor's current falls with its own temperature to nothing at the same
    temperature as another motor's: its readings went over too little to show that by themselves."""
    flags = np.zeros(len(asked), bool)
    own = next((values for name, values in drive.temperatures if name == cut.name), None)
    at = np.concatenate(full)
    if own is None or np.sum(drive.step[at]) < LONG:
        return flags
    left = cut.ends - own
    known = at[(own[at] > cut.begins) & (left[at] > 0)]
    if len(known) < 0.5 * len(at):
        return flags
    slope = float(np.median(drive.current[known] / left[known]))
    width = LINE_TOLERANCE * float(np.nanmax(drive.current))
    off = drive.current - slope * left
    near = (np.abs(off) < width) & (own > cut.begins)
    driving = np.flatnonzero((drive.current > 0) & np.isfinite(off))
    if np.mean(near[at]) < MOSTLY or np.mean(off[driving] > width) > 1 - MOSTLY:
        return flags
    return near & (asked | (on_motor & (off <= width) & (own > cut.begins + BEYOND)))


def _hotter_than_at_limit(
    drive: MotorDemand, asked: Flags, full: list[Numbers], on_motor: Flags
) -> Flags:
    """Return the samples at full throttle below the motor-current limit that were all hotter, by
    one temperature, than those at the limit: too short a way to show a line, but a threshold."""
    flags = np.zeros(len(asked), bool)
    at = np.concatenate(full)
    at = at[asked[at]]
    there = np.flatnonzero(on_motor & drive.full)
    if min(np.sum(drive.step[at]), np.sum(drive.step[there])) < LONG:
        return flags
    if drive.time[at[-1]] - drive.time[at[0]] < APART:
        return flags
    for _, own in drive.temperatures:
        below, beyond = own[there], own[at]
        below, beyond = below[np.isfinite(below)], beyond[np.isfinite(beyond)]
        if len(below) < 5 or len(beyond) < 5:
            continue
        edge = float(np.quantile(below, MOSTLY))
        if edge < COLDEST_CUT:
            continue
        if np.mean(beyond > edge) >= MOSTLY and np.median(beyond) > edge:
            flags[at[own[at] > edge]] = True
            return flags
    return flags


def why_lowered(drive: MotorDemand, limit: Array, lowered: Flags) -> Flags:
    """Return which of the ``lowered`` samples of a reported ``limit`` (A) follow the voltage; the
    others follow a temperature or nothing that was measured."""
    runs = _runs(lowered, drive)
    if not runs:
        return np.zeros(len(lowered), bool)
    return _fit(replace(drive, current=limit, battery=None), runs, runs)[1]


def _begins(line: _Candidate | None, drive: MotorDemand) -> float | None:
    """Return the voltage in V at which a cut of the battery current begins, if it is one."""
    if line is None or drive.battery_limit is None or line.y is not drive.battery:
        return None
    return line.begins(drive.battery_limit)


def _runs(flags: Flags, drive: MotorDemand) -> list[Numbers]:
    """Return the sample numbers of each unbroken run of ``flags`` that lasts 0.1 s or more."""
    at = np.flatnonzero(flags)
    if not len(at):
        return []
    split = np.flatnonzero((np.diff(at) != 1) | drive.gap[at[1:]]) + 1
    return [run for run in np.split(at, split) if drive.time[run[-1]] - drive.time[run[0]] >= 0.1]


def _pieces(runs: list[Numbers], drive: MotorDemand, length: float) -> list[Numbers]:
    """Cut every run into pieces of ``length`` s, the last of each run shorter."""
    found = []
    for run in runs:
        number = ((drive.time[run] - drive.time[run[0]]) / length).astype(int)
        found += np.split(run, np.flatnonzero(np.diff(number)) + 1)
    return found


def _fit(
    drive: MotorDemand, runs: list[Numbers], every_run: list[Numbers]
) -> tuple[Flags, Flags, tuple[_Candidate | None, _Candidate | None]]:
    """Return flags of the samples of ``every_run`` that follow a temperature and of those that
    follow the voltage, and the lines of the two, where there are any.

    Candidate lines come from stretches of every length of ``runs``; the pair is chosen that
    explains most of their samples, of which none may lie above the lowest bound.
    """
    every = max(1, sum(len(run) for run in runs) // ENOUGH)
    runs = [run[::every] for run in runs]
    driving = np.flatnonzero(drive.current > 0)
    driving = driving[:: max(1, len(driving) // ENOUGH)]
    at = np.concatenate(runs)
    heat = [
        line
        for _, x in drive.temperatures
        for line in _candidates(drive, runs, driving, at, x, drive.current, -1)
    ]
    volt: list[_Candidate] = []
    if drive.voltage is not None:
        for flow in (drive.battery, drive.current):
            if flow is not None:
                volt += _candidates(drive, runs, driving, at, drive.voltage, flow, 1)
    nothing = np.full(len(at), WORST)
    best = float(nothing.sum())
    pair: tuple[_Candidate | None, _Candidate | None] = (None, None)
    for one in [None, *heat]:
        for other in [None, *volt]:
            hot = nothing if one is None else one.cost
            low = nothing if other is None else other.cost
            lines = (one is not None) + (other is not None)
            if other is not None and other.y is drive.current:
                lines += 1  # of the battery current is the usual one
            extra = sum(c.over for c in (one, other) if c is not None)
            # A second line has to earn its place, or it would only fit the noise.
            total = float(np.minimum(hot, low).sum()) + extra + 0.02 * WORST * lines * len(at)
            if total < best:
                best, pair = total, (one, other)
    flags = np.zeros((2, len(drive.time)), bool)
    pieces = _pieces(every_run, drive, PIECE)
    for piece, *costs in zip(pieces, *(_mean_costs(c, pieces) for c in pair), strict=True):
        if min(costs) < 0.7 * WORST:
            flags[0 if costs[0] <= costs[1] else 1, piece] = True
    return flags[0], flags[1], pair


def _mean_costs(line: _Candidate | None, pieces: list[Numbers]) -> list[float]:
    """Return the mean cost of each piece, the worst where there is no line."""
    if line is None or not pieces:
        return [WORST] * len(pieces)
    sizes = np.array([len(piece) for piece in pieces])
    costs = line.costs(np.concatenate(pieces))
    means: list[float] = (np.add.reduceat(costs, np.r_[0, np.cumsum(sizes)[:-1]]) / sizes).tolist()
    return means


def _candidates(
    drive: MotorDemand,
    runs: list[Numbers],
    driving: Numbers,
    at: Numbers,
    x: Array,
    y: Array,
    way: int,
) -> list[_Candidate]:
    """Return the lines of ``y`` over ``x`` that lean the right ``way``, from stretches of the
    samples in question, each with its cost on all of them (``at``)."""
    if not np.isfinite(y).any():
        return []
    full, own, read = float(np.nanmax(y)), x[at], y[at]
    width = LINE_TOLERANCE * full
    known = own[~np.isnan(own)]
    low, high = quantiles(known, (0.02, 0.98))
    found = []
    stretches = [s for s in (*runs, *_pieces(runs, drive, STRETCH)) if len(s) >= 5]
    stretches = [*sorted(stretches, key=len)[-MOST:], at]
    looked: set[tuple[int, int]] = set()
    for stretch in stretches:
        ends = (int(stretch[0]), int(stretch[-1]))
        if ends in looked and stretch is not at:  # a short run is a stretch of its own
            continue
        looked.add(ends)
        line = _line(stretch, x, y, way)
        for _ in range(2):  # again with all the samples that lie on it
            if line is None:
                break
            near = at[np.abs(read - line[0] - line[1] * own) < width]
            line = _line(near, x, y, way) or line
        if line is None:
            continue
        if not _is_cut_back(*line, full, high - low):
            continue
        cost = _costs(*line, own, read, width)
        above = (y[driving] - line[0] - line[1] * x[driving]) / width - 1.0
        over = np.clip(np.nan_to_num(above), 0.0, 3.0) ** 2
        found.append(_Candidate(*line, x, y, width, cost, float(over.sum())))
    return found


def _is_cut_back(level: float, slope: float, full: float, swept: float) -> bool:
    """Return whether a line is one that controllers have, and whether it shows in the readings, of
    which the largest is ``full`` and which went over ``swept`` of what they are held against.

    A cut-back takes a few to some tens of K, or a small part of the pack's voltage, from the full
    current to none; and a line is seen only where its samples went over a part of it.
    """
    width = full / abs(slope)
    if swept < SHOWS * width:
        return False
    if slope < 0:
        return 3.0 <= width <= WIDEST_HEAT
    none = -level / slope
    return none > 0 and 0.005 * none <= width <= WIDEST_CUT * none


def _line(at: Numbers, x: Array, y: Array, way: int) -> tuple[float, float] | None:
    """Return (level, slope) of the straight line, None when it leans the wrong ``way``."""
    good = at[np.isfinite(x[at]) & np.isfinite(y[at])]
    if len(good) < 5 or np.ptp(x[good]) < 1e-9:
        return None
    own, read = x[good], y[good]
    own = own - float(centre := np.mean(own))
    slope, level = _straight(own, read, np.ones(len(own)))
    for _ in range(3):  # deaf to outliers: the least sum of absolute deviations, by reweighting
        off = np.abs(read - level - slope * own)
        slope, level = _straight(own, read, 1 / np.maximum(off, median(off) + 1e-6))
    return (float(level - slope * centre), float(slope)) if slope * way > 0 else None


def _straight(x: Array, y: Array, weight: Array) -> tuple[float, float]:
    """Return slope and level at 0 of the line of least weighted squares."""
    whole = float(np.sum(weight))
    middle, height = float(weight @ x) / whole, float(weight @ y) / whole
    apart = weight * (x - middle)
    width = float(apart @ x)
    slope = float(apart @ y) / width if width > 0 else 0.0
    return slope, height - slope * middle
