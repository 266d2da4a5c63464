"""Equivalent circuits of cells, fitted to ordinary riding.

Model (battery-management textbooks, for instance Plett, Battery Management Systems vol. 1, from
memory): v(t) = v_oc(q) − R₀·i − Σ R_k·f_k, where f_k is the current low-passed with the time
constant τ_k and the resting voltage v_oc is a smooth function of the charge q drawn.  For chosen
τ_k this is linear in its unknowns, so all cells are fitted by weighted least squares on common
columns.  Which τ_k and which degree of v_oc are used follows from the data (Bayesian information
criterion); Huber weights keep bad readings from counting; and standard errors come from what each
of some blocks of time contributes, which needs no assumption that neighbouring residuals are
independent (cluster-robust variance with Bell & McCaffrey's correction for leverage, "CR2", from
memory: leaving out whole blocks instead would overstate the error where one launch tells most).
"""

import itertools
import math
from collections.abc import Iterable, Sequence
from contextlib import suppress
from dataclasses import dataclass, field
from itertools import chain

import numpy as np
import numpy.typing as npt
from numpy.polynomial import legendre

from ..readings.around import BLOCK
from ..readings.series import KEEP, Array, Flags, Series, interpolate
from ..readings.unknown import NotKnown

SKEWED = (1.5, 15.0)
"""s.  Of the circuit that the skew between load and voltages is sought with."""

TIME_CONSTANTS = (0.5, 1.5, 5.0, 15.0, 50.0)
"""s.  Up to three of these make the circuit: a bank so coarse that any two are told apart."""

DEGREES = (1, 2, 3, 4, 6)
"""Degrees of the resting voltage over charge that are tried."""

BEND = 120.0
"""s of riding for each degree above 1: in less the charge moves too little for v_oc to bend."""

BRIDGE = 2.0
"""s of missing current that are bridged by a straight line; after more the history is unknown."""

SETTLE = 10.0
"""s left out after such a hole, while the unknown history dies away."""

HISTORY = 5 * max(TIME_CONSTANTS)
"""s of load before the first reading that still tell in it."""

LARGEST_SKEW = 1.5
"""s by which the two streams' times may differ."""

NEAR = 5.0
"""s before and after a load within which rows tell the skew between load and voltages."""

SPIKE = 0.25
"""V by which one reading must leave both its neighbours to be taken for a false one."""

GROUPS = 24

ROWS = 6_000
"""Rows, evenly chosen, that are fitted at most: what such a fit gets wrong comes of the circuit and
not of the noise, and ten times as many came no nearer the truth of simulated rides."""

KEPT = 600
"""Rows kept for a second look at what the circuit leaves out: rest and slow recovery."""

CHANGE_ROWS = 60_000
"""Rows at which changes of load are counted at most: a short one falls between fewer."""

TOLD_APART = 1e9
"""Largest number of a matrix times that of its inverse up to which its columns are told apart to
seven digits and more."""

HUBER = 1.345  # 95 % efficiency with Gaussian noise (Huber), from memory


Lowered = npt.NDArray[np.floating]
"""A low-passed current, of a long ride in single precision."""


@dataclass(frozen=True)
class CircuitFit:
    """What was fitted to ``keys``, over ``start`` to ``end`` s.

    Per cell, shape (cells,): ``step`` is R₀ and ``ten`` the voltage lost for each ampere 10 s
    after a step of current, the fall of the resting voltage in those 10 s included, both in Ω
    (pulse resistance ΔV/ΔI as in INL's battery test manual for electric vehicles, from memory);
    ``rest_start`` and ``rest_end`` the resting voltage in V at the first and last row used, and
    ``noise`` the robust spread of the residual in V.  ``groups`` holds step, ten, rest_start and
    rest_end less what one group of time contributed, shape (groups, 4, cells).  A cell reading
    stamped t shows the load at t + ``skew`` s.  ``changes`` counts how often the load went from low
    to high or back.
    """

    keys: tuple[str, ...]
    start: float
    end: float
    rows: int
    skew: float
    time_constants: tuple[float, ...]
    step: Array
    ten: Array
    rest_start: Array
    rest_end: Array
    noise: Array
    groups: Array
    coefficients: Array
    """−Ω of R₀ and each R_k, then V of the resting voltage's polynomial, shape (p, cells)."""
    columns: "Columns" = field(repr=False)
    changes: int
    rows_kept: tuple[Array, Array] = field(repr=False)
    """At most :data:`KEPT` of the rows: the load's times in s, shape (n,), and the cells' V,
    shape (n, cells)."""

    def error(self, quantity: Array) -> Array:
        """Return the standard error of a quantity from its values in ``groups``, along axis 0."""
        spread = np.sum((quantity - quantity.mean(axis=0)) ** 2, axis=0)
        return np.asarray(np.sqrt(spread), np.float64)

    def sag(self, times: Array) -> Array:
        """Return the V that the load takes from each cell at ``times``, shape (times, cells)."""
        loads = self.columns.loads(times + self.skew, self.time_constants)
        return np.asarray(-loads @ self.coefficients[: loads.shape[1]], np.float64)

    def voltage(self, times: Array) -> Array:
        """Return the fitted terminal voltage in V at ``times``, shape (times, cells)."""
        degree = len(self.coefficients) - 2 - len(self.time_constants)
        design = self.columns.design(times + self.skew, self.time_constants, degree)
        return np.asarray(design @ self.coefficients, np.float64)


def fit_circuits(
    current: Series, cells: Sequence[tuple[str, Series]], start: float, end: float
) -> CircuitFit | NotKnown:
    """Fit the cells, all from one stream, to ``current`` (A, positive discharging)."""
    names = tuple(key for key, _ in cells)
    times, voltages = _table([series for _, series in cells], start, end)
    inside = slice(
        int(np.searchsorted(current.time, start - HISTORY, "left")),
        int(np.searchsorted(current.time, end + LARGEST_SKEW, "right")),
    )
    current = Series(current.time[inside], current.value[inside], current.gap[inside])
    if len(times) < 40 or len(current) < 40:
        return NotKnown("needs at least 40 readings of cell voltage together with battery current")
    columns = Columns(current)
    known = columns.known(times)
    times, voltages = times[known], voltages[known]
    if len(times) < 40:
        return NotKnown("too little battery current was recorded alongside the cell voltages")
    load = interpolate(current, times)
    low, high = np.percentile(load, [0.5, 99.5])
    if high - low < 20 * _grain(current) or high - low < 1.0:
        return NotKnown("the load hardly changed; a few launches would do")
    read = cells[0][1].time
    finer = interpolate(current, read[_evenly(read, start, end, CHANGE_ROWS)])
    skew = _find_skew(columns, times, voltages)
    known = columns.known(times + skew)
    times, voltages = times[known], voltages[known]
    if len(times) < 40:
        return NotKnown("too little battery current was recorded alongside the cell voltages")
    chosen = _choose(columns, times + skew, voltages)
    if chosen is None:
        return NotKnown(
            "the cells' voltage does not follow the load, so one of the two may be measured wrong"
        )
    constants, degree = chosen
    columns.keep_only(constants)
    design = columns.design(times + skew, constants, degree)
    coefficients, groups, noise = _robust(design, voltages)
    wanted = _quantities(columns, times + skew, constants, degree)
    values = wanted @ coefficients
    return CircuitFit(
        names,
        float(times[0]),
        float(times[-1]),
        len(times),
        skew,
        constants,
        values[0],
        values[1],
        values[2],
        values[3],
        noise,
        wanted @ groups,
        coefficients,
        columns,
        _changes(finer, low, high),
        _kept(times + skew, voltages),
    )


def _kept(times: Array, voltages: Array) -> tuple[Array, Array]:
    pick = np.unique(np.linspace(0, len(times) - 1, KEPT).astype(int))
    return times[pick], voltages[pick]


def _changes(load: Array, low: float, high: float) -> int:
    """Return how often the load went from its lower third to its upper third or back."""
    third = (high - low) / 3
    side = np.where(load > high - third, 1, np.where(load < low + third, -1, 0))
    return int(np.count_nonzero(np.diff(side[side != 0])))


def low_pass(series: Series, time_constant: float) -> Array:
    """Return the first-order low-pass of the straight lines through the samples, shape (n,).

    Exact for such lines at any spacing.  It starts, and starts again after a gap, as if the value
    had been so for long.
    """
    value, count = series.value, len(series)
    step = np.empty(count)
    step[:1] = 0.0
    np.subtract(series.time[1:], series.time[:-1], out=step[1:])
    step /= time_constant
    gain = np.empty(count)
    for start in range(0, count, BLOCK):  # no tables as long as the ride
        part = slice(start, start + BLOCK)
        short, here = step[part], value[part]
        before = np.r_[value[max(start - 1, 0)], here[:-1]]
        with np.errstate(invalid="ignore", divide="ignore"):
            # ∫ e^-(h-s)/τ (a + (b - a) s/h) ds/τ; its limit for a short step is its mean times h/τ.
            lost = np.expm1(-short)
            mean = np.where(short > 1e-6, lost / -short, 1 - short / 2)
        gain[part] = (here - before) * (1 - mean) - before * lost
    restart = series.gap
    age = np.cumsum(step, out=step)
    # f = e^-age · (f₀·e^age₀ + Σ gain·e^age), in pieces short enough for the exponential.
    marks = [*np.flatnonzero(restart).tolist(), *_pieces(age, 200.0), len(value)]
    edges = sorted({0, *marks}) if count else []
    state = 0.0
    for first, last in itertools.pairwise(edges):
        grow = np.exp(age[first:last] - age[first])
        piece = gain[first:last]
        if first == 0 or restart[first]:
            piece[0] = value[first]
        else:
            since = (series.time[first] - series.time[first - 1]) / time_constant
            piece[0] += state * np.exp(-since)
        np.divide(np.cumsum(piece * grow), grow, out=piece)
        state = float(piece[-1])
    return gain


def _pieces(age: Array, length: float) -> list[int]:
    marks = np.arange(length, age[-1] if len(age) else 0.0, length)
    # A jump longer than a piece makes a piece of its own.
    return [*np.searchsorted(age, marks).tolist(), *(np.flatnonzero(np.diff(age) > length) + 1)]


class Columns:
    """The columns of the regression, at any times."""

    def __init__(self, current: Series) -> None:
        hole = np.r_[False, np.diff(current.time) > BRIDGE] & current.gap
        step = np.where(hole, 0.0, np.diff(current.time, prepend=current.time[0]))
        middle = (current.value + np.r_[current.value[0], current.value[:-1]]) / 2
        self._current = current
        self._charge = np.cumsum(step * middle)
        self._bridged = Series(current.time, current.value, hole)
        self._holes = current.time[hole]
        self._low: dict[float, Lowered] = {}
        self._again: tuple[float, ...] = SKEWED
        self.scale: tuple[float, float] = (
            float(self._charge.min()),
            float(np.ptp(self._charge)) or 1.0,
        )

    def loads(self, times: Array, constants: Sequence[float], bridge: bool = False) -> Array:
        """Return the current and its low-passed forms at ``times``, shape (times, loads).

        NaN inside the current's gaps, or with ``bridge`` inside the long ones only.
        """
        gap = self._bridged.gap if bridge else self._current.gap
        values = chain([self._current.value], map(self._passed, constants))
        return self._at(times, values, 1 + len(constants), gap)

    def _passed(self, tau: float) -> Lowered:
        """Return the low-passed current; of a long ride only those asked for again are kept, and to
        seven digits, for want of room."""
        if tau in self._low:
            return self._low[tau]
        made = low_pass(self._bridged, tau)
        if len(made) > KEEP:
            made = made.astype(np.float32)
        if len(made) <= KEEP or tau in self._again:
            self._low[tau] = made
        return made

    def keep_only(self, constants: Sequence[float]) -> None:
        """Let go of the other low-passed currents, which a long ride has no room for."""
        self._again = tuple(constants)
        self._low = {tau: self._low[tau] for tau in constants if tau in self._low}

    def drawn(self, times: Array) -> Array:
        """Return the charge drawn in As at ``times``, NaN outside the current's time."""
        return self._at(times, [self._charge], 1, self._bridged.gap)[:, 0]

    def mean_above(self, start: float, end: float, least: float) -> float:
        """Return the mean of the currents above ``least`` A from start to end; 0 if none is."""
        own = self._current.time
        inside = slice(np.searchsorted(own, start), np.searchsorted(own, end, "right"))
        value = self._current.value[inside]
        return float(value[value > least].mean()) if (value > least).any() else 0.0

    def known(self, times: Array) -> Flags:
        """Whether the load and its history are known at ``times``."""
        back = np.r_[-np.inf, self._holes][np.searchsorted(self._holes, times, "right")]
        sound = np.isfinite(interpolate(self._current, times)) & (times > back + SETTLE)
        return np.asarray(sound, np.bool_)

    def _at(self, times: Array, values: Iterable[Lowered], count: int, gap: Flags) -> Array:
        """Interpolate ``count`` values at the current's times as :func:`.series.interpolate` does,
        the places being looked up once for all; shape of ``times``, then (values,)."""
        own = self._current.time
        after = np.clip(np.searchsorted(own, times, "left"), 1, len(own) - 1)
        before = after - 1
        # The first two may share one time.
        share = (times - own[before]) / np.maximum(own[after] - own[before], 1e-12)
        share[(share < 0) | (share > 1) | (gap[after] & (share > 0) & (share < 1))] = np.nan
        result = np.empty((*times.shape, count))
        for at, value in enumerate(values):
            start = value.take(before)
            way = share * (value.take(after) - start)
            np.add(start, way, out=result[..., at])
        return result

    def position(self, times: Array) -> Array:
        """Charge drawn, scaled to -1 … 1 over the stretch."""
        low, width = self.scale
        return 2 * (self.drawn(times) - low) / width - 1

    def design(self, times: Array, constants: Sequence[float], degree: int) -> Array:
        """Return the columns: the loads, then the polynomials of the resting voltage."""
        resting = legendre.legvander(self.position(times), degree)
        return np.hstack([self.loads(times, constants), resting])


def _table(cells: Sequence[Series], start: float, end: float) -> tuple[Array, Array]:
    """Return times and cell voltages, shape (n, cells), where every cell has a reading."""
    times = cells[0].time
    # Thinned before anything is read, so that ten hours take no more memory than one.
    pick = _evenly(times, start, end, ROWS)
    read = [
        # Cells of one message share their times: nothing lies between readings.
        [series.value[pick + side] for side in (-1, 0, 1)]
        if np.array_equal(series.time, times)
        else [interpolate(series, times[pick + side]) for side in (-1, 0, 1)]
        for series in cells
    ]
    before, rows, after = np.moveaxis(np.array(read), 0, 2)
    back, ahead = rows - before, after - rows
    spike = (back * ahead < 0) & (np.minimum(np.abs(back), np.abs(ahead)) > SPIKE)
    sound = np.isfinite(rows).all(axis=1) & ~spike.any(axis=1)
    return times[pick][sound], rows[sound]


def _evenly(times: Array, start: float, end: float, most: int) -> npt.NDArray[np.intp]:
    """Return the places of at most ``most`` times from start to end, the first and last left out
    for the sake of their neighbours."""
    first, last = np.searchsorted(times, start, "left"), np.searchsorted(times, end, "right")
    return np.arange(first + 1, last - 1, 1 + (last - first) // most)


def _grain(series: Series) -> float:
    """Return the median size of the differences between neighbouring samples."""
    return float(np.median(np.abs(np.diff(series.value))))


def _find_skew(columns: Columns, times: Array, voltages: Array) -> float:
    """Return the shift in s of the load's times that explains the voltages best."""
    inner = columns.known(times - LARGEST_SKEW) & columns.known(times + LARGEST_SKEW)
    times, voltages = times[inner], voltages[inner]
    if len(times) < 40:
        return 0.0
    told = _near_loads(columns, times)
    times, voltages = times[told], voltages[told]
    thin = _thinned(len(times))
    times, voltages = times[thin], voltages[thin]
    resting = legendre.legvander(columns.position(times), 2)  # no skew tells in the charge

    def misfits(skews: Array, seen: Array, every: int = 1) -> Array:
        loads = columns.loads(times[::every] + skews[:, None], SKEWED, bridge=True)
        still, seen = resting[::every], seen[::every]
        design = np.concatenate([loads, np.broadcast_to(still, (len(skews), *still.shape))], 2)
        across = np.swapaxes(design, 1, 2)
        rest = np.abs(seen - design @ (_inverse(across @ design) @ (across @ seen)))
        cap = 5 * np.median(rest, axis=1, keepdims=True)
        cap *= math.sqrt(voltages.shape[1] / seen.shape[1])  # a mean has the less noise
        return np.asarray(np.mean(np.minimum(rest, cap) ** 2, axis=(1, 2)), np.float64)

    # All cells share one skew, so their mean finds it as well as each of them would.
    mean = voltages.mean(axis=1, keepdims=True)
    best = 0.0
    # Some of the rows find it roughly; beyond its neighbours on either side none was better.
    every = 1 + len(times) // 400
    for reach, step, some in (
        (LARGEST_SKEW, 0.05, every),
        (0.1, 0.02, 1),
        (0.016, 0.004, 1),
        (0.002, 0.002, 1),
    ):
        skews = best + np.arange(-reach, reach + step / 2, step)
        skews = np.clip(skews, -LARGEST_SKEW, LARGEST_SKEW)
        best = float(skews[np.argmin(misfits(skews, mean, some))])
    # A shift has to explain something: with one clock for both streams it is exactly 0.
    shifted, unshifted = misfits(np.array([best, 0.0]), voltages)
    return best if shifted < 0.98 * unshifted else 0.0


def _near_loads(columns: Columns, times: Array) -> Flags:
    """Return the rows near a load, where most of a ride is at rest: they alone tell a skew, and one
    that was not there may explain a long recovery better."""
    load = columns.loads(times, (), bridge=True).ravel()
    low, high = np.percentile(load, [0.5, 99.5])
    loaded = times[load > low + (high - low) / 3]
    at = np.searchsorted(loaded, times)
    padded = np.r_[-np.inf, loaded, np.inf]
    near = np.minimum(times - padded[at], padded[at + 1] - times) < NEAR
    if np.count_nonzero(near) < 40 or np.mean(near) > 0.5:
        return np.ones(len(times), bool)
    return np.asarray(near)


def _thinned(count: int) -> npt.NDArray[np.int64]:
    """Return up to 1000 of ``count`` rows, one of each equal piece and there by chance (the same
    each time): at even distances, steps of the load that keep time with them would show one side
    only."""
    piece = 1 + count // 1000
    places = np.arange(0, count, piece)
    if piece > 1:
        places += np.random.default_rng(1).integers(0, piece, len(places))
    return np.minimum(places, count - 1)


def _choose(
    columns: Columns, times: Array, voltages: Array
) -> tuple[tuple[float, ...], int] | None:
    """Return the time constants and the degree with the lowest information criterion."""
    span = float(times[-1] - times[0])
    bank = [tau for tau in TIME_CONSTANTS if tau < span / 1.5]
    full = columns.design(times, bank, max(DEGREES))
    scale = np.sqrt(np.mean(full**2, axis=0))
    full = full / scale
    square, cross = full.T @ full, full.T @ voltages
    energy = np.sum(voltages**2, axis=0)
    count, cells = voltages.shape
    best: tuple[float, tuple[float, ...], int] | None = None
    sizes = range(min(3, len(bank)) + 1)  # none: cells that are resistors, or seem so
    for degree, size in itertools.product((n for n in DEGREES if n <= 1 + span / BEND), sizes):
        # All circuits with as many columns are solved at once.
        choices = list(itertools.combinations(range(1, 1 + len(bank)), size))
        resting = tuple(range(1 + len(bank), 2 + len(bank) + degree))
        use = np.array([(0, *chosen, *resting) for chosen in choices])
        solved = _inverse(square[use[:, :, None], use[:, None, :]]) @ cross[use]
        left = np.maximum(energy - np.sum(solved * cross[use], axis=1), 1e-12 * energy)
        scores = count * np.sum(np.log(left), axis=1) + use.shape[1] * cells * math.log(count)
        scores[(np.median(solved[:, : 1 + size], axis=2) > 0).any(axis=1)] = np.inf  # R below 0
        at = int(np.argmin(scores))
        if scores[at] < (best[0] if best else np.inf):
            best = (float(scores[at]), tuple(bank[tau - 1] for tau in choices[at]), degree)
    return None if best is None else best[1:]


def _robust(design: Array, voltages: Array) -> tuple[Array, Array, Array]:
    """Return coefficients (p, cells), those less each group's part (groups, p, cells), noise."""
    scale = np.sqrt(np.mean(design**2, axis=0))
    count, size = design.shape
    groups = min(GROUPS, count // 10)
    even = count // groups * groups  # of the last rows, fewer than there are groups are left out
    # By group all the way, shapes (groups, rows, p) and (groups, cells, rows): the parts of the
    # sums that the errors are made of come for nothing, and matrices so small are multiplied
    # without the waiting of threads for each other that a busy machine draws out.
    design = (design[:even] / scale).reshape(groups, -1, size)
    seen = voltages[:even].reshape(groups, -1, voltages.shape[1])
    seen = np.ascontiguousarray(np.swapaxes(seen, 1, 2))
    # With the products of all pairs of columns at hand, the weighted squares of every cell, XᵀWX,
    # are one multiplication of matrices.
    first, second = np.triu_indices(size)
    products = design[:, :, first] * design[:, :, second]
    squares = np.empty((groups, seen.shape[1], size, size))
    result = np.zeros((seen.shape[1], size))
    rest, noise = seen, np.full((seen.shape[1], 1), np.inf)  # the first round weighs all alike
    for _ in range(9):
        weight = np.minimum(1.0, HUBER * noise / np.maximum(np.abs(rest), 1e-12))
        weight[np.abs(rest) > 8 * noise] = 0.0  # no load explains these
        squares[..., first, second] = squares[..., second, first] = weight @ products
        right = ((weight * seen) @ design).sum(axis=0)
        inverse = _inverse(squares.sum(axis=0))
        before, result = result, (inverse @ right[:, :, None])[:, :, 0]
        rest = seen - result @ np.swapaxes(design, 1, 2)
        noise = np.maximum(_medians(np.abs(rest)) / 0.6745, 1e-6)[:, None]
        if (np.abs(result - before).sum(axis=1) < 0.003 * noise[:, 0]).all():
            break  # the columns are scaled: no fitted voltage moved by more than this
    values, turn = np.linalg.eigh(inverse)
    root = turn * np.sqrt(np.maximum(values, 0.0))[:, None, :]  # inverse = root · rootᵀ
    scores = _scores(squares, (weight * rest) @ design, root)
    left_out = result - (inverse @ scores[..., None])[..., 0]
    return (result / scale).T, np.swapaxes(left_out / scale, 1, 2), noise[:, 0]


def _medians(values: Array) -> Array:
    """Return the median of each cell's ``values``, shape (groups, cells, rows), none NaN."""
    each = np.swapaxes(values, 0, 1).reshape(values.shape[1], -1)
    half = each.shape[1] // 2
    part = np.partition(each, (half - 1, half), axis=1)
    return np.asarray((part[:, half - 1 + each.shape[1] % 2] + part[:, half]) / 2, np.float64)


def _scores(square: Array, plain: Array, root: Array) -> Array:
    """Return Xᵀ(I − H)^-½ r of every group and cell, shape (groups, cells, p).

    H = X · root · rootᵀ · Xᵀ is the group's share of the hat matrix; ``square`` is its XᵀX and
    ``plain`` its Xᵀr.  As a function g of H, Xᵀ·g(X root rootᵀ Xᵀ)·X·root equals
    XᵀX·root·g(rootᵀ XᵀX root), so the rows themselves are not needed.
    """
    across = np.swapaxes(root, 1, 2)
    share, turn = np.linalg.eigh(across @ square @ root)
    stretch = 1 / np.sqrt(np.maximum(1 - share, 0.01)) - 1
    slope = np.where(share > 1e-9, stretch / np.maximum(share, 1e-9), 0.5)  # (g(h) − 1)/h
    inner = slope[..., None] * (np.swapaxes(turn, 2, 3) @ (across @ plain[..., None]))
    return np.asarray(plain + (square @ (root @ (turn @ inner)))[..., 0], np.float64)


def _inverse(squares: Array) -> Array:
    """Return the inverses of symmetric matrices (…, p, p), what columns do not tell left out."""
    with suppress(np.linalg.LinAlgError):  # a third of the time, where every column tells its own
        direct = np.linalg.inv(squares)
        if np.abs(squares).max() * np.abs(direct).max() < TOLD_APART:
            return np.asarray(direct, np.float64)
    return np.asarray(np.linalg.pinv(squares, rcond=1e-12, hermitian=True), np.float64)


def _quantities(columns: Columns, times: Array, constants: Sequence[float], degree: int) -> Array:
    """Return the weights (4, p) that make step, ten, rest_start and rest_end of coefficients."""
    width = columns.scale[1]
    position = columns.position(times)
    # The secant over all charge used: a slope at one place would be a guess between the knots.
    low, high = legendre.legvander(np.array([position.min(), position.max()]), degree)
    slopes = (high - low) / (float(np.ptp(position)) or 1.0) * 2 / width
    still = [0.0] * (1 + len(constants))
    step = [-1.0, *([0.0] * len(constants)), *([0.0] * (degree + 1))]
    ten = [-1.0, *(math.expm1(-10.0 / tau) for tau in constants), *(-10.0 * x for x in slopes)]
    ends = legendre.legvander(position[[0, -1]], degree)
    return np.array([step, ten, [*still, *ends[0]], [*still, *ends[1]]])
