"""Thermal models with one lump or two, fitted to a ride by least squares.

One lump: ``dT/dt = h(i) · r(T) + w·v + q - g·(1 + s·v)·(T - T_air)``, with the heating by current
``h(i) = a·i² (+ b·|i|)`` and, for a winding, copper's resistance ``r(T) = 1 + 0.00393·(T - 20)``.
Two lumps put a second one (the case) between winding and air: the winding loses
``c·(T - T_case)``, of which the case, lighter by the ratio d of heat capacities, warms by
``d·c·(T - T_case)``; it takes ``w·v`` and loses ``g·(1 + s·v)·(T_case - T_air)``.

Sources: lumped-capacity heating and cooling in any heat transfer textbook; copper 0.00393 /K at
20 °C, IEC 60028; conduction loss ∝ i² and switching loss ∝ |i| in any power electronics textbook.
"""

from collections.abc import Callable
from dataclasses import dataclass, fields

import numpy as np

from .series import Array, Flags, Series, interpolate, steps

COPPER = 0.00393
"""1/K at 20 °C: temperature coefficient of copper's resistance, IEC 60028."""

LONG_GAP = 2.0
"""s of missing current samples from which the model starts anew at the measured temperature; a
shorter gap is too short to warm anything and takes the mean around it (our choice)."""

FINEST = 400
"""Grid steps at most, of 1 s at least: what warms here takes a minute or more."""

LEFT_OUT = 1.5
"""Factor on the variance for what lumps leave out (our choice)."""

CLOSEST = 0.03
"""Half-width below which no interval goes, as a share: lumps are no better (our choice)."""

CLOSEST_STAGE = 0.08
"""The same for a power stage, the division of whose losses a ride hardly shows (our choice)."""

SOONEST = 1.0
"""s of half-width below which no interval goes: sensors tell temperatures a step late."""

SETTLED = 0.01
"""Gain at which a descent ends, in units of the mean squared misfit: the data cannot tell so small
a difference (our choice)."""

ALIKE = 0.01
"""Share of the misfit by which two descents that found the same may differ (our choice)."""

SMALL = 1e-4
"""Change of a parameter for its derivatives."""

DRAWS = 200
"""Parameter sets drawn for an interval."""

HORIZON = 3600.0
"""s beyond which a time to the limit is not computed: "more than an hour"."""

# Centre and width (natural logarithm; K for the offset) of what is plausible before any data.  Wide
# on purpose: a decently long ride overrules them.  They only keep what a ride did not show, such as
# cooling in a ride without a pause, from taking absurd values.  (Common practice, no source.)
_PLAUSIBLE = {
    "square": (1e-4, 3.0),
    # The current at which switching loss equals conduction loss, A: half of 50 V x 200 ns x 20 kHz
    # against 3.5 mOhm is about 30 A; stages differ by a few times either way.
    "linear": (30.0, 1.4),
    "air": (1 / 900, 0.8),
    "stream": (0.1, 0.8),
    "rolling": (3e-3, 1.2),
    "idle": (3e-3, 1.2),
    "inner": (1 / 120, 0.7),
    "ratio": (0.25, 0.7),
}
_OFFSET = 2.0
_START = 0.5  # of the first reading, of whole degrees


_Misfit = Callable[[Array], Array]


@dataclass(frozen=True)
class Rates:
    """Parameters of a model; the arrays hold one set or many, shape (m,).

    ``square`` a in K/s/A², ``linear`` b in K/s/A, ``air`` g in 1/s, ``stream`` s in s/m,
    ``rolling`` w in K/m, ``idle`` q in K/s, ``inner`` c in 1/s, ``ratio`` d; ``offset`` in K is
    what the part reads above the air when cold (a sensor's error).
    """

    square: Array
    linear: Array
    air: Array
    stream: Array
    rolling: Array
    idle: Array
    inner: Array
    ratio: Array
    offset: Array


@dataclass(frozen=True)
class Drive:
    """Inputs along a grid of ``step`` s, each of shape (n,): mean squared current (A²), mean
    |current| (A), mean speed (m/s), air temperature (°C), and whether the current is known."""

    step: float
    square: Array
    linear: Array
    speed: Array
    air: Array
    known: Flags


@dataclass(frozen=True)
class ThermalFit:
    """A fitted model.

    ``order`` is 1 or 2 lumps; ``copper`` whether the resistance rises with temperature.  ``rates``
    are the best values, ``draws`` many sets as probable as the data leave them.  ``now`` holds the
    temperatures of part and case at the end of the ride in °C, for the best set and for the draws.
    ``residual`` is the root mean square misfit in K, ``rise`` the span of temperatures seen in K.
    """

    order: int
    copper: bool
    rates: Rates
    draws: Rates
    now: tuple[Array, Array]
    draws_now: tuple[Array, Array]
    residual: float
    rise: float


@dataclass(frozen=True)
class TimeToLimit:
    """``seconds`` to the limit (infinite when it is not reached within :data:`HORIZON`) with the
    90 % interval ``low`` to ``high``."""

    seconds: float
    low: float
    high: float


def grid(
    current: Series, speed: Series | None, air: Series | None, temperature: Series, air_guess: float
) -> tuple[Drive, Array, Array]:
    """Return the inputs on a grid, the mean temperature around each grid point (shape n + 1, NaN
    where none was read), and how many readings each holds."""
    start, end = float(temperature.time[0]), float(temperature.time[-1])
    count = max(int(min(end - start, FINEST)), 1)
    edges = np.linspace(start, end, count + 1)
    step = float(edges[1] - edges[0])
    covered = _amount(Series(current.time, np.ones(len(current)), current.gap), edges)
    square = _amount(Series(current.time, current.value**2, current.gap), edges)
    linear = _amount(Series(current.time, np.abs(current.value), current.gap), edges)
    known = covered > 0.3 * step
    if not known.all():  # short gaps take the mean around them
        at = np.arange(count, dtype=float)
        reach = np.abs(at[:, None] - at[known][None, :]).min(axis=1) if known.any() else at + 1e9
        short = reach * step <= LONG_GAP / 2 + step
    else:
        short = known
    weight = np.where(known, covered, 1.0)
    means = [np.where(known, part / weight, np.nan) for part in (square, linear)]
    middle = (edges[1:] + edges[:-1]) / 2
    for mean in means:
        if known.any():
            mean[~known] = np.interp(middle[~known], middle[known], mean[known])
        mean[~short] = 0.0
    moving = np.zeros(count)
    if speed is not None:
        moving = np.abs(np.nan_to_num(interpolate(speed, middle)))
    around = np.full(count, air_guess)
    if air is not None:
        around = _steady(air, middle)
    number = np.clip(np.round((temperature.time - start) / step).astype(int), 0, count)
    readings = np.bincount(number, None, count + 1)
    total = np.bincount(number, temperature.value, count + 1)
    with np.errstate(invalid="ignore"):
        seen = np.where(readings > 0, total / np.maximum(readings, 1), np.nan)
    return Drive(step, means[0], means[1], moving, around, short), seen, readings.astype(float)


def _steady(series: Series, at: Array) -> Array:
    """Return air readings averaged over the minute around ``at``, because air has no business to
    jump; where that holds none, between the readings around it."""
    low, high = (np.searchsorted(series.time, at + half) for half in (-30.0, 30.0))
    sums = np.r_[0.0, np.cumsum(series.value)]
    mean = (sums[high] - sums[low]) / np.maximum(high - low, 1)
    return np.where(high > low, mean, np.interp(at, series.time, series.value))


def _amount(series: Series, edges: Array) -> Array:
    """Return the integral of a series between neighbouring edges, nothing across gaps."""
    step = steps(series)
    whole = np.r_[0.0, np.cumsum(step * (series.value[1:] + series.value[:-1]) / 2)]
    return np.diff(np.interp(edges, series.time, whole))


def warm(
    rates: Rates, order: int, copper: bool, drive: Drive, start: tuple[Array, Array],
    anchors: Array | None = None,
) -> tuple[Array, Array, Array]:  # fmt: skip
    """Return temperatures of the part, shape (n + 1, m), and part and case at the end, °C.

    Each step is exact for constant losses and surroundings.  Where the current was unknown before
    a step and is known again, the part starts anew at ``anchors`` (n + 1,).
    """
    step, count = drive.step, len(drive.square)
    speed = drive.speed[:, None]
    heating = rates.square * drive.square[:, None] + rates.linear * drive.linear[:, None]
    loss = rates.air * (1 + rates.stream * speed)
    decay = np.exp(-loss * step)
    gain = 1 - decay
    # What the outer lump would settle at without what comes from the inner one.
    resting = drive.air[:, None] + rates.offset + (rates.rolling * speed + rates.idle) / loss
    # The warmth is cool + more·part, so a step is a linear map of (part, 1) or (part, case, 1).
    cool, more = (heating * (1 - 20 * COPPER), heating * COPPER) if copper else (heating, 0.0)
    maps = np.empty((count, order, order + 1, len(start[0])))
    if order == 1:
        maps[:, 0, 0] = decay + gain * more / loss
        maps[:, 0, 1] = gain * (resting + cool / loss)
    else:
        inner = -np.expm1(-rates.inner * step)
        maps[:, 0, 0] = 1 - inner + inner * more / rates.inner
        maps[:, 0, 1] = inner
        maps[:, 0, 2] = inner * cool / rates.inner
        # What left the part is what the case gets: its warmth less what warmed itself.
        taken = gain * rates.ratio / loss
        maps[:, 1, 0] = taken * (more - (maps[:, 0, 0] - 1) / step)
        maps[:, 1, 1] = decay - taken * inner / step
        maps[:, 1, 2] = taken * (cool - maps[:, 0, 2] / step) + gain * resting
    if anchors is not None:
        # The last reading before the step stands for the part, whatever the model says.
        anew = np.r_[False, drive.known[1:] & ~drive.known[:-1] & np.isfinite(anchors[1:-1])]
        maps[anew, :, -1] += maps[anew, :, 0] * anchors[:-1][anew, None, None]
        maps[anew, :, 0] = 0.0
    path, end = _follow(maps, np.array(start[:order]))
    return path, end[0], end[1] if order == 2 else start[1]


def _follow(maps: Array, state: Array) -> tuple[Array, Array]:
    """Apply ``maps``, shape (n, d, d + 1, m), one after the other to ``state``, shape (d, m), and
    a 1; return the first value all along, shape (n + 1, m), and the last state.

    Maps are chained within blocks, all blocks side by side: n steps take 2√n rounds of numpy.
    """
    count, size, _, sets = maps.shape
    length = int(np.ceil(np.sqrt(count)))
    blocks = -(-count // length)
    chained = np.empty((blocks * length, size, size + 1, sets))
    chained[:count] = maps
    chained[count:] = np.eye(size, size + 1)[:, :, None]
    chained = chained.reshape(blocks, length, size, size + 1, sets)
    for k in range(1, length):
        own, before = chained[:, k], chained[:, k - 1]
        product = own[:, :, :1] * before[:, None, 0]
        for j in range(1, size):
            product += own[:, :, j : j + 1] * before[:, None, j]
        product[:, :, -1] += own[:, :, -1]
        chained[:, k] = product
    starts = np.empty((blocks + 1, size, sets))
    starts[0] = state
    for k in range(blocks):
        last = chained[k, -1]
        starts[k + 1] = sum(last[:, j] * starts[k, j] for j in range(size)) + last[:, -1]
    first = chained[:, :, 0]
    path = sum(first[:, :, j] * starts[:-1, None, j] for j in range(size)) + first[:, :, -1]
    return np.concatenate([state[:1], path.reshape(-1, sets)[:count]]), starts[-1]


# A trial step may land on rates that overflow; its misfit is then not finite and it is refused.
@np.errstate(over="ignore", invalid="ignore", divide="ignore")
def fit(
    drive: Drive, seen: Array, readings: Array, *, copper: bool, stage: bool, order: int
) -> ThermalFit:
    """Fit a model of ``order`` lumps by least squares with wide plausible ranges (Gauss-Newton).

    ``copper`` lets the resistance rise; a power ``stage`` has losses proportional to |current| and
    at rest, where a motor has iron loss that grows with speed.
    """
    names = ["square", "air", "stream"]
    names += ["linear", "idle"] if stage else ["rolling"]
    names += ["inner", "ratio"] if order == 2 else []
    good = (readings > 0) & np.isfinite(seen)
    first = float(np.mean(seen[good][:3]))
    centre = np.array([np.log(_PLAUSIBLE[name][0]) for name in names] + [0.0, 0.0])
    width = np.array([_PLAUSIBLE[name][1] for name in names] + [_START, _OFFSET])
    weight = np.sqrt(np.where(good, readings, 0.0))

    def run(sets: Array) -> tuple[Array, Array, Array]:
        rates = _rates(names, sets)
        begin = first + sets[:, -2]
        return warm(rates, order, copper, drive, (begin, begin), seen)

    def misfit(sets: Array) -> Array:
        """Weighted residuals, one row a set."""
        path, _, _ = run(sets)
        return np.asarray(((path[good] - seen[good, None]) * weight[good, None]).T)

    # One reading of a whole-degree sensor is good to about 0.5 K.
    noise = 0.5
    best: tuple[float, Array] | None = None
    for factor in (0.0, 2.0, -2.0):
        at = centre.copy()
        at[0] += factor
        here = _descend(at, centre, width, misfit, noise)
        close = best is not None and abs(here[0] - best[0]) < ALIKE * best[0]
        if best is None or here[0] < best[0]:
            best = here
        if close or best[0] < 2 * np.sum(good):
            break  # it fits, or it has been found twice: another start would end here as well
    at = best[1] if best is not None else centre
    bases, slopes = _slopes(at[None, :], misfit)
    base, slope = bases[0], slopes[0]
    count = int(np.sum(good))
    noise = max(float(np.sqrt(np.sum(base**2) / max(count - len(at), 1))), 0.1)
    # Neighbouring misfits are alike (rounding, a model too simple): fewer facts than readings.
    alike = float(np.clip(np.corrcoef(base[:-1], base[1:])[0, 1], 0, 0.98)) if count > 3 else 0.0
    wider = LEFT_OUT * (1 + alike) / (1 - alike)
    curve = slope.T @ slope / (noise**2 * wider) + np.diag(1 / width**2)

    def odds(sets: Array) -> Array:
        """Logarithm of how probable each set is, up to a constant."""
        # A few sets at a time stay in the processor's cache.
        some = [np.sum(misfit(sets[k : k + 40]) ** 2, axis=1) for k in range(0, len(sets), 40)]
        data = np.concatenate(some) / (noise**2 * wider)
        return np.asarray(-0.5 * (data + np.sum(((sets - centre) / width) ** 2, axis=1)))

    sets = _draw(at, np.asarray(np.linalg.inv(curve), np.float64), odds)
    path, part, case = run(at[None, :])
    _, parts, cases = run(sets)
    return ThermalFit(
        order, copper, _rates(names, at[None, :]), _rates(names, sets), (part, case),
        (parts, cases), float(np.sqrt(np.mean((path[good, 0] - seen[good]) ** 2))),
        float(np.ptp(seen[good])),
    )  # fmt: skip


def time_to_limit(
    model: ThermalFit, current: float, limit: float, air: float, speed: float, *, cold: bool
) -> TimeToLimit:
    """Return how long ``current`` (A) may flow before the part is at ``limit`` (°C), in ``air`` °C
    at ``speed`` m/s, from ``cold`` (all at air temperature) or from the end of the ride."""
    best = _reach(model, model.rates, model.now, current, limit, air, speed, cold)
    all_of_them = _reach(model, model.draws, model.draws_now, current, limit, air, speed, cold)
    low, high = np.quantile(all_of_them, [0.05, 0.95], method="nearest")
    seconds = float(best[0])
    if seconds > 0:
        least = CLOSEST if model.copper else CLOSEST_STAGE
        half = max(least * seconds, SOONEST) if np.isfinite(seconds) else 0.0
        low, high = max(min(low, seconds - half), 0.0), max(high, seconds + half)
    return TimeToLimit(seconds, float(low), float(high))


def _reach(
    model: ThermalFit, rates: Rates, now: tuple[Array, Array], current: float, limit: float,
    air: float, speed: float, cold: bool,
) -> Array:  # fmt: skip
    start = (air + rates.offset, air + rates.offset) if cold else now
    # Fine steps first, because short times matter most; then coarser ones out to the horizon.
    part, case = start
    found = np.where(part >= limit, 0.0, np.inf)
    passed = 0.0
    for step, count in ((0.5, 240), (2.0, 240), (10.0, 300)):
        ones = np.ones(count)
        drive = Drive(
            step, current**2 * ones, abs(current) * ones, speed * ones, air * ones, ones > 0
        )
        path, part, case = warm(rates, model.order, model.copper, drive, (part, case))
        over = path >= limit
        reached = over.any(axis=0) & np.isinf(found)
        at = np.maximum(over.argmax(axis=0), 1)
        column = np.arange(path.shape[1])
        before, after = path[at - 1, column], path[at, column]
        share = np.clip((limit - before) / np.where(after > before, after - before, 1.0), 0, 1)
        found = np.where(reached, passed + step * (at - 1 + share), found)
        passed += step * count
        if np.isfinite(found).all():
            break
    return np.where(found <= HORIZON, found, np.inf)


def settles_at(model: ThermalFit, current: float, air: float, speed: float) -> float:
    """Return the temperature in °C after :data:`HORIZON` s at ``current`` from cold."""
    ones = np.ones(int(HORIZON / 5))
    drive = Drive(5.0, current**2 * ones, abs(current) * ones, speed * ones, air * ones, ones > 0)
    start = air + model.rates.offset
    path, _, _ = warm(model.rates, model.order, model.copper, drive, (start, start))
    return float(path[-1, 0])


def _rates(names: list[str], sets: Array) -> Rates:
    values = {one.name: np.zeros(len(sets)) for one in fields(Rates)}
    for at, name in enumerate(names):
        centre, width = _PLAUSIBLE[name]
        values[name] = centre * np.exp(np.clip(sets[:, at] - np.log(centre), -4 * width, 4 * width))
    values["linear"] = values["linear"] * values["square"]
    values["offset"] = sets[:, -1].copy()
    return Rates(**values)


def _draw(centre: Array, cover: Array, odds: Callable[[Array], Array]) -> Array:
    """Return :data:`DRAWS` sets in proportion to ``odds``, starting from a normal approximation.

    Importance sampling in three rounds from Student's t with 5 degrees of freedom, whose place and
    shape each round takes from the weighted draws of the one before (any text on Monte Carlo).
    """
    chance = np.random.default_rng(0)
    size = len(centre)
    for many in (2 * DRAWS, 2 * DRAWS, 4 * DRAWS):
        root = np.linalg.cholesky(cover + 1e-9 * np.diag(np.diag(cover)))
        normal = chance.standard_normal((many, size))
        tried = normal / np.sqrt(chance.chisquare(5, (many, 1)) / 5)
        sets = centre + tried @ root.T
        weight = odds(sets) + 0.5 * (5 + size) * np.log1p(np.sum(tried**2, axis=1) / 5)
        weight = np.where(np.isfinite(weight), weight, -np.inf)
        share = np.exp(weight - weight.max())
        share /= share.sum()
        # A few heavy draws must not make the shape collapse on them.
        softer = share**0.5 / np.sum(share**0.5)
        centre = softer @ sets
        cover = (softer[:, None] * (sets - centre)).T @ (sets - centre)
    picked = np.searchsorted(np.cumsum(share), (np.arange(DRAWS) + 0.5) / DRAWS)
    return np.asarray(sets[np.minimum(picked, len(sets) - 1)])


def _slopes(at: Array, misfit: _Misfit) -> tuple[Array, Array]:
    """Return the misfits at some places, shape (k, n), and their derivatives, shape (k, n, p), all
    in one run, which costs little more for many sets than for one; ``at`` is of shape (k, p)."""
    steps = np.vstack([np.zeros(at.shape[1]), SMALL * np.eye(at.shape[1])])
    rows = misfit((at[:, None] + steps).reshape(-1, at.shape[1]))
    rows = rows.reshape(len(at), len(steps), -1)
    return rows[:, 0], np.swapaxes(rows[:, 1:] - rows[:, :1], 1, 2) / SMALL


def _descend(
    at: Array, centre: Array, width: Array, misfit: _Misfit, noise: float
) -> tuple[float, Array]:
    """Levenberg-Marquardt descent (any text on least squares); return (cost, parameters)."""

    def cost_of(rows: Array, sets: Array) -> Array:
        prior = np.sum(((sets - centre) / width) ** 2, axis=1)
        costs = np.sum(rows**2, axis=1) / noise**2 + prior
        return np.where(np.isfinite(costs), costs, np.inf)

    damping = 1e-2
    bases, slopes = _slopes(at[None, :], misfit)
    base, slope = bases[0], slopes[0]
    cost = float(cost_of(bases, at[None, :])[0])
    for _ in range(40):
        pull = slope.T @ base / noise**2 + (at - centre) / width**2
        curve = slope.T @ slope / noise**2 + np.diag(1 / width**2)
        # Three dampings at once.
        tries = damping * np.array([0.1, 1.0, 10.0])
        sets = np.array(
            [at - np.linalg.solve(curve + d * np.diag(np.diag(curve)), pull) for d in tries]
        )
        sets = np.clip(sets, centre - 6 * width, centre + 6 * width)
        bases, slopes = _slopes(sets, misfit)
        costs = cost_of(bases, sets)
        pick = int(np.argmin(costs))
        if costs[pick] >= cost:
            damping *= 100
            if damping > 1e8:
                break
            continue
        gain, cost, damping = cost - float(costs[pick]), float(costs[pick]), tries[pick]
        at, base, slope = sets[pick], bases[pick], slopes[pick]
        if gain < SETTLED * cost / len(base):
            break
    return cost, at
