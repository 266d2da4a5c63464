"""The two lumps fitted to a ride: the best set of rates, and many as probable as the data leave."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from ..readings.copper import COPPER
from ..readings.series import Array
from .drive import IRON, HeatDrive
from .lumps import STREAM, Rates, warm

STRETCH = 12.0
"""s for which misfits are alike at least: all readings of a stretch count as one (our choice).  A
longer likeness is measured."""

LEANS = 0.6
"""Share of the width believed before from which the cooling counts as not shown (our choice)."""

SETTLED = 0.02
"""Gain at which a descent ends, in squares of standard deviations: the data cannot tell so small a
difference (our choice)."""

ALIKE = 0.01
"""Share of the misfit by which two descents that found the same may differ (our choice)."""

SMALL = 1e-4
"""Change of a parameter for its derivatives."""

DRAWS = 400
"""Parameter sets drawn for an interval."""

ROUNDS, EACH = 4, 280
"""Rounds of sampling, and the sets tried in each."""

TAILS = 8.0
"""Degrees of freedom of the t distributions drawn from (our choice)."""

ENOUGH = 80
"""Draws that an interval has to rest on (our choice)."""

LAG = 4.0, 0.8
"""Time constant of a sensor glued to what it measures in s, and the width of its natural logarithm
(common practice, no source)."""

FORGOTTEN = 1e-4
"""Weight from which on a sensor's past no longer counts (our choice)."""

TAKEN = 3.0
"""Times the variance left over by which misfits that are alike count, for the greater part of them
went into the rates that were fitted to them (our choice, checked by tests/trust/heat_bench.py: a
closed motor's are small, an open one's not)."""

BLOCKS = 8
"""Fewest blocks of readings from whose means it is told how far misfits are alike (our choice)."""

READING = 0.5
"""K to which one reading of a whole-degree sensor is good."""

ROUNDED = 0.29
"""K (1 standard deviation) by which rounding to whole degrees errs: 1/√12."""


@dataclass(frozen=True)
class Plausible:
    """What is plausible of a kind of part before any data: centre and width (of the natural
    logarithm) of each rate that it has, and which lump is read (0 the part, 1 the case).
    ``missed`` is the share of the temperature span seen by which two lumps may miss a part of more
    masses and other laws, ``other`` the share (1 standard deviation) by which the part's rise may
    then be another one (our choice, checked by tests/trust/heat_bench.py on networks of four and
    five masses), and ``beyond`` the share for each factor e by which it goes beyond what the ride
    showed.
    ``freer`` is the greatest power of the case's rise with which the air takes more from it: of
    still air 0.25, for convection goes with ΔT^1.25 (any heat transfer text), and less the more of
    it is the wind's, of which a riding machine has most.  ``soaks`` is the s of riding from cold
    after which heat has come to all of the part's masses, infinite where no ride shows it (a heat
    sink's goes on into what it is screwed to).  ``early`` are the shares of the draws that reach
    the limit before the told time, from cold and from the ride's end: they lie wider apart than
    parts, of which it is one in twenty or less (ours, on tests/trust/heat_bench.py).  ``late`` are
    the shares of those that reach it after the interval's late end, likewise.  ``longer`` is the
    share (1 standard deviation, one way) by which a rise may be larger for each factor e by which
    it lasts longer than the ride did: a mass that warms more slowly than the ride lasted, such as
    what a motor is screwed to, does not show in it.

    Wide on purpose: a decently long ride overrules them.  They only keep what a ride did not show,
    such as cooling in a ride without a pause, from taking absurd values.  (Common practice, no
    source.)
    """

    rates: dict[str, tuple[float, float]]
    missed: float
    other: float
    beyond: float
    freer: float
    soaks: float
    place: int = 0
    early: tuple[float, float] = (0.10, 0.05)
    late: tuple[float, float] = (0.07, 0.08)
    longer: float = 0.14


_MOTOR = {
    "square": (1e-4, 3.0),
    "air": (1 / 900, 0.8),
    "stream": (0.3, 0.9),
    "rolling": (1e-3, 1.2),
    # 60 to 400 J/K of copper through 1 to 10 W/K; copper is a tenth to a third of a motor.
    "inner": (1 / 70, 0.8),
    "ratio": (0.2, 0.6),
}
WINDING = Plausible(_MOTOR, 0.01, 0.03, 0.06, 0.12, 900.0)
CASE = Plausible(_MOTOR, 0.01, 0.07, 0.10, 0.25, np.inf, 1, longer=0.12)
STAGE = Plausible(
    {
        "square": (1e-4, 3.0),
        # The current at which switching loss equals conduction loss, A: half of 50 V x 200 ns x
        # 20 kHz against 3.5 mOhm is about 30 A; stages differ by a few times either way.
        "linear": (30.0, 1.4),
        # A transistor's resistance doubles in 120 to 180 K (data sheets), less what is not it.
        "rise": (0.004, 0.5),
        "air": (1 / 900, 0.8),
        "stream": (0.3, 0.9),
        "idle": (1e-2, 1.5),
        "inner": (1 / 40, 1.0),
        "ratio": (0.15, 0.8),
    },
    0.05,
    0.08,
    0.08,
    # A stage's case is its heat sink: what it loses passes the enclosure first, as through a joint.
    0.12,
    np.inf,
    early=(0.09, 0.06),
    late=(0.08, 0.10),
    longer=0.06,
)


@dataclass(frozen=True)
class AirDoubt:
    """What the air may be: ``offset`` ± ``width`` K from what the grid was given, with this
    probability (``share``).  Of what was ``measured`` the offset is the part's own, in any air."""

    offset: float
    width: float
    share: float = 1.0
    measured: bool = False


@dataclass(frozen=True)
class ThermalFit:
    """A fitted model.

    ``plausible`` is what was believed before.  ``rates`` are the best values, ``draws`` many sets
    as probable as the data leave them.  ``now`` holds the temperatures of part and case at the end
    of the ride in °C, for the draws.  ``seconds`` is the length of what was fitted, ``residual``
    the root mean square misfit in K; ``lowest`` and ``hottest`` are the readings' ends in °C,
    ``usual`` is the mean rise of the case above the air in K, for the draws.  ``leans`` says that
    the cooling rests on what was believed before.  ``measured`` says whether the air was: the
    offset is the part's own then, in any air; else it says how far off the air was taken to be.
    """

    plausible: Plausible
    rates: Rates
    draws: Rates
    now: tuple[Array, Array]
    seconds: float
    residual: float
    lowest: float
    hottest: float
    usual: Array
    leans: bool
    measured: bool = True

    def rest(self, air: float) -> Array:
        """Return what the part settles at unheated in this air, in °C, for the draws."""
        return np.asarray(air + self.draws.offset * self.measured)


_Misfit = Callable[[Array], Array]
Numbers = npt.NDArray[np.intp]


def usable(drive: HeatDrive, seen: Array, readings: Array) -> npt.NDArray[np.bool_]:
    """Return at which steps a reading can be held against the model: while the current is unknown,
    and until the model starts anew, there is nothing to hold."""
    good = (readings > 0) & np.isfinite(seen) & np.r_[drive.known[:1], drive.known]
    return np.asarray(good)


# A trial step may land on rates that overflow; its misfit is then not finite and it is refused.
@np.errstate(over="ignore", invalid="ignore", divide="ignore")
def fit(
    drive: HeatDrive,
    seen: Array,
    readings: Array,
    plausible: Plausible,
    airs: Sequence[AirDoubt],
) -> ThermalFit:
    """Fit by least squares with wide plausible ranges (Gauss-Newton), then draw.

    Part and case start apart: the one that is read at its first readings, the other between there
    and the air, or beyond where the part is the hidden one.

    Each of ``airs`` is fitted for itself and keeps its share of the draws: which of them fits best
    tells little, for a mass that warms slowly looks like another air.
    """
    place = plausible.place
    good = usable(drive, seen, readings)
    first = float(np.mean(seen[good][:3]))
    at_good = np.flatnonzero(good)
    read, heavy = seen[at_good], np.sqrt(readings[at_good])

    def run(sets: Array, few: int = DRAWS) -> tuple[Array, Array, Array]:
        begin = first + sets[:, -3]
        starts = (begin, begin + sets[:, -2])
        path, part, case = warm(
            _rates(plausible, sets), drive, starts if place == 0 else starts[::-1], place, seen
        )
        lags = np.exp(sets[:, -1]) / drive.step
        parts = [slice(k, k + few) for k in range(0, len(sets), few)]
        return np.hstack([_late(path[:, k], lags[k], at_good) for k in parts]), part, case

    def misfit(sets: Array, few: int = DRAWS) -> Array:
        """Weighted residuals, one row a set."""
        path, _, _ = run(sets, few)
        return np.asarray(((path - read[:, None]) * heavy[:, None]).T)

    # Variance of one reading, of which so many tell no more than one of a stretch does: at least
    # what rounding makes and what lumps miss, which have nothing to do with each other.
    whole = float(np.sum(readings[good]))
    each = max(STRETCH * whole / (drive.step * len(drive.square)), 1.0)
    noise = each * (ROUNDED**2 + (plausible.missed * float(np.ptp(seen[good]))) ** 2)

    best: list[Array] = []
    drawn: list[Array] = []
    for air in airs:
        before = _before(plausible, air, first - float(drive.air[0]))
        at = _best(before, misfit, noise, whole / each, best)
        drawn.append(_drawn(at, before, misfit, heavy, noise, each, air.share))
        best.append(at)
    sets = np.vstack(drawn)
    if place == 1:
        sets = _hidden(plausible, sets)
    path, _, _ = run(np.array(best))
    late, part, case = run(sets)
    # What was read last is nearer to the truth than a model, which may be off by then; the hidden
    # part moves with its case, a hidden case is too heavy to.
    last = np.mean(read[-2:, None] - late[-2:], axis=0)
    draws = _rates(plausible, sets)
    misses = np.sqrt(np.mean((path - read[:, None]) ** 2, axis=0))
    least = int(misses.argmin())
    return ThermalFit(
        plausible,
        _rates(plausible, best[least][None, :]),
        draws,
        (part + last, case + last * place),
        drive.step * len(drive.square),
        float(misses[least]),
        float(seen[good].min()),
        float(seen[good].max()),
        _usual_rise(draws, drive),
        bool(np.std(np.log(draws.air)) > LEANS * plausible.rates["air"][1]),
        all(air.measured for air in airs),
    )


@dataclass(frozen=True)
class _Before:
    """What is believed of the parameters before the ride: centres and widths, shape (p,) each."""

    centre: Array
    width: Array

    def off(self, sets: Array) -> Array:
        """Return the sum of squares by which sets (m, p) are off it, in widths, shape (m,)."""
        return np.asarray(np.sum(((sets - self.centre) / self.width) ** 2, axis=1))


def _before(plausible: Plausible, air: AirDoubt, first: float) -> _Before:
    """Return what is believed where the first reading lies ``first`` K above the grid's air."""
    above = max(first - air.offset, 0.0)
    # The other lump's start: a share of the way from the first reading to the air, or as much
    # above it (our choice); a machine that starts cold has both at the air.
    other, doubt = (
        (-0.25 * above, 0.35 * above) if plausible.place == 0 else (0.15 * above, 0.3 * above)
    )
    names = list(plausible.rates)
    return _Before(
        np.array(
            [np.log(plausible.rates[n][0]) for n in names]
            + [air.offset, 0.0, other, np.log(LAG[0])]
        ),
        np.array(
            [plausible.rates[n][1] for n in names]
            + [air.width, READING, np.hypot(doubt, 0.7), LAG[1]]
        ),
    )


def _best(
    before: _Before, misfit: _Misfit, noise: float, many: float, others: Sequence[Array]
) -> Array:
    """Return the most probable parameters; ``many`` readings are worth one each.  The descent
    starts where it ended for another air, else at what was believed, from several places."""
    if others:
        at = others[-1].copy()
        at[-4:] = before.centre[-4:]
        return _descend(at, before, misfit, noise)[1]
    best: tuple[float, Array] | None = None
    for factor in (0.0, 2.0, -2.0):
        at = before.centre.copy()
        at[0] += factor
        here = _descend(at, before, misfit, noise)
        close = best is not None and abs(here[0] - best[0]) < ALIKE * best[0]
        if best is None or here[0] < best[0]:
            best = here
        if close or best[0] < 2 * many:
            break  # it fits, or it has been found twice: another start would end here as well
    return best[1] if best is not None else before.centre


def _drawn(
    at: Array,
    before: _Before,
    misfit: Callable[..., Array],
    heavy: Array,
    noise: float,
    each: float,
    share: float,
) -> Array:
    """Return a ``share`` of :data:`DRAWS` sets as probable as the data leave them around the most
    probable one, ``at``."""
    base, slope = _slope(misfit(_around(at)))
    alike = TAKEN * _alike(base, heavy)
    noise = max(noise, each * float(np.sum(base**2)) / float(np.sum(heavy**2)), alike)
    curve = slope.T @ slope / noise + np.diag(1 / before.width**2)

    def odds(sets: Array) -> Array:
        """Logarithm of how probable each set is, up to a constant."""
        # A few sets at a time lag in the processor's cache.
        data = np.sum(misfit(sets, 40) ** 2, axis=1) / noise
        return np.asarray(-0.5 * (data + before.off(sets)))

    return _draw(at, np.asarray(np.linalg.inv(curve), np.float64), odds, share)


def _late(path: Array, steps: Array, at: Numbers) -> Array:
    """Return paths (n, m) as a sensor tells them that lags by ``steps`` (m,), at rows ``at``.

    A glued sensor is one mass behind a joint, a lag of the first order: it rounds what it tells.
    Taken for a mere delay, the rounding is laid to the part's mass, which then warms too slowly.
    Exact for paths that are straight between the rows; the sum over the past is built by doubling.
    """
    keep = np.exp(-1 / steps)
    own = 1 - (1 - keep) * steps
    past = (1 - keep) - own
    first = path[:1]
    told = own * (path - first)
    told[1:] += past * (path[:-1] - first)
    reach, power = 1, keep
    while reach < len(path):
        # Each column goes as far back as its own lag does, whatever it stands beside.
        power = np.where(power > FORGOTTEN, power, 0.0)
        if not power.any():
            break
        told[reach:] += power * told[:-reach]
        reach, power = 2 * reach, power * power
    return np.asarray((told + first)[at])


def _alike(misfits: Array, heavy: Array) -> float:
    """Return the variance of a reading, times how many of them err alike, in K²: the largest that
    the means of blocks of any length show (any text on the analysis of simulations).

    ``misfits`` are weighted by ``heavy``, the root of how many readings each stands for.
    """
    most = 0.0
    length = 1
    while BLOCKS * length <= len(misfits):
        starts = np.arange(0, len(misfits), length)
        sums = np.add.reduceat(misfits * heavy, starts)
        most = max(most, float(np.sum(sums**2) / np.sum(heavy**2)))
        length *= 2
    return most


def _hidden(plausible: Plausible, sets: Array) -> Array:
    """Return the sets with the doubt of the part that no sensor touches.

    What reaches the case is known from its readings, and stays.  How late it comes would tell the
    rest if there were nothing between the two, and the case one mass; with iron and the sensor's
    own place between, it may tell nothing.  Each set goes another way from the one to the other:
    from what was fitted to what was believed before.
    """
    chance = np.random.default_rng(2)
    names = list(plausible.rates)
    square, inner, ratio = (names.index(name) for name in ("square", "inner", "ratio"))
    way = chance.uniform(0, 1, len(sets))
    sets = sets.copy()
    for at in (inner, ratio):
        centre, width = plausible.rates[names[at]]
        before = np.log(centre) + width * chance.standard_normal(len(sets))
        change = way * (before - sets[:, at])
        sets[:, at] += change
        sets[:, square] -= change * (at == ratio)
    return sets


def _usual_rise(rates: Rates, drive: HeatDrive) -> Array:
    """Return the mean rise of the case above its rest over the ride in K, roughly: what comes in
    on the average over what the mean loss takes away."""
    heat = rates.square * np.mean(drive.square) + rates.linear * np.mean(drive.linear) + rates.idle
    heat = rates.ratio * heat + rates.rolling * np.mean(drive.speed**IRON)
    loss = rates.air * (1 + rates.stream * np.mean(drive.speed**STREAM))
    # A short ride does not get there.
    share = -np.expm1(-loss * drive.step * len(drive.square) / 2)
    return np.asarray(heat / loss * share)


def _rates(plausible: Plausible, sets: Array) -> Rates:
    """Return the rates of sets of logarithms and the offset, shape (m, p)."""
    values = dict.fromkeys(Rates.__dataclass_fields__, np.zeros(len(sets)))
    if "rise" not in plausible.rates:
        values["rise"] = np.full(len(sets), COPPER)
    for at, (name, (centre, width)) in enumerate(plausible.rates.items()):
        values[name] = centre * np.exp(np.clip(sets[:, at] - np.log(centre), -4 * width, 4 * width))
    values["linear"] = values["linear"] * values["square"]
    values["offset"] = sets[:, len(plausible.rates)].copy()
    return Rates(**values)


def _draw(centre: Array, cover: Array, odds: Callable[[Array], Array], part: float = 1.0) -> Array:
    """Return a ``part`` of :data:`DRAWS` sets in proportion to ``odds``, starting from a normal
    approximation.

    Adaptive importance sampling (any text on Monte Carlo): each round draws from a Student's t
    whose place and shape come from the weighted draws of all rounds before, and every draw is
    weighted against the mixture of all rounds.  Where few draws would carry all the weight, the
    weights are flattened until this part of :data:`ENOUGH` does.
    """
    chance = np.random.default_rng(0)
    size, each, wanted = len(centre), round(part * EACH), round(part * DRAWS)
    sets, logs = np.empty((0, size)), np.empty(0)
    shapes: list[tuple[Array, Array, float]] = []
    for _ in range(ROUNDS):
        root = np.linalg.cholesky(cover + 1e-9 * np.diag(np.diag(cover)))
        normal = chance.standard_normal((each, size))
        tried = centre + normal / np.sqrt(chance.chisquare(TAILS, (each, 1)) / TAILS) @ root.T
        shapes.append((centre, np.linalg.inv(root), -float(np.sum(np.log(np.diag(root))))))
        sets, logs = np.vstack([sets, tried]), np.r_[logs, odds(tried)]
        heights = np.array(
            [
                height
                - 0.5
                * (TAILS + size)
                * np.log1p(np.sum(((sets - middle) @ back.T) ** 2, axis=1) / TAILS)
                for middle, back, height in shapes
            ]
        )
        top = heights.max(axis=0)
        drawn = top + np.log(np.sum(np.exp(heights - top), axis=0))
        share = _flattened(logs - drawn, part * ENOUGH)
        centre = share @ sets
        cover = (share[:, None] * (sets - centre)).T @ (sets - centre)
    picked = np.searchsorted(np.cumsum(share), (np.arange(wanted) + 0.5) / wanted)
    return np.asarray(sets[np.minimum(picked, len(sets) - 1)])


def _flattened(weight: Array, least: float) -> Array:
    """Return shares in proportion to exp(``weight``), or to the largest power of it of which
    ``least`` draws count (1 / Σ share²)."""
    weight = np.where(np.isfinite(weight), weight, -np.inf)
    weight = weight - weight.max()
    low, high = 0.0, 1.0

    def shares(power: float) -> Array:
        share = np.exp(power * weight)
        return np.asarray(share / share.sum())

    def enough(power: float) -> bool:
        return bool(np.sum(shares(power) ** 2) * least <= 1)

    if enough(high):
        return shares(high)
    for _ in range(10):
        middle = (low + high) / 2
        low, high = (middle, high) if enough(middle) else (low, middle)
    return shares(low)


def _around(at: Array) -> Array:
    """Return the place (p,) and those a little further in each direction, shape (1 + p, p)."""
    return np.asarray(at + np.vstack([np.zeros(len(at)), SMALL * np.eye(len(at))]))


def _slope(rows: Array) -> tuple[Array, Array]:
    """Return the misfits at a place, shape (n,), and their derivatives, shape (n, p), from those
    :func:`_around` it."""
    return rows[0], np.asarray((rows[1:] - rows[0]).T / SMALL)


def _descend(at: Array, before: _Before, misfit: _Misfit, noise: float) -> tuple[float, Array]:
    """Levenberg-Marquardt descent (any text on least squares); return (cost, parameters)."""

    def cost_of(rows: Array, sets: Array) -> Array:
        costs = np.sum(rows**2, axis=1) / noise + before.off(sets)
        return np.where(np.isfinite(costs), costs, np.inf)

    centre, width = before.centre, before.width
    damping = 1e-2
    base, slope = _slope(misfit(_around(at)))
    cost = float(cost_of(base[None, :], at[None, :])[0])
    expected = 0
    for _ in range(30):
        pull = slope.T @ base / noise + (at - centre) / width**2
        curve = slope.T @ slope / noise + np.diag(1 / width**2)
        # Three dampings at once.
        tries = damping * np.array([0.1, 1.0, 10.0])
        sets = np.array(
            [at - np.linalg.solve(curve + d * np.diag(np.diag(curve)), pull) for d in tries]
        )
        sets = np.clip(sets, centre - 6 * width, centre + 6 * width)
        # A run costs little more for many sets than for one: the slopes come with it, where the
        # step before makes one of the three likely.
        rows = misfit(np.vstack([sets, _around(sets[expected])[1:]]))
        costs = cost_of(rows[: len(sets)], sets)
        pick = int(np.argmin(costs))
        if costs[pick] >= cost:
            damping *= 100
            if damping > 1e8:
                break
            continue
        gain, cost, damping = cost - float(costs[pick]), float(costs[pick]), tries[pick]
        at = sets[pick]
        if gain < SETTLED:
            break
        known = np.vstack([rows[pick : pick + 1], rows[len(sets) :]])
        base, slope = _slope(known if pick == expected else misfit(_around(at)))
        expected = pick
    return cost, at
