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
from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.polynomial import legendre

from .series import Array, Flags, Series, interpolate
from .speed import Unknown

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

SPIKE = 0.25
"""V by which one reading must leave both its neighbours to be taken for a false one."""

GROUPS = 24
ROWS = 60_000
HUBER = 1.345  # 95 % efficiency with Gaussian noise (Huber), from memory


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

    def error(self, quantity: Array) -> Array:
        """Return the standard error of a quantity from its values in ``groups``, along axis 0."""
        spread = np.sum((quantity - quantity.mean(axis=0)) ** 2, axis=0)
        return np.asarray(np.sqrt(spread), np.float64)

    def sag(self, times: Array) -> Array:
        """Return the V that the load takes from each cell at ``times``, shape (times, cells)."""
        count = 1 + len(self.time_constants)
        loads = self.columns.loads(self.time_constants)
        load = [interpolate(one, times + self.skew) for one in loads]
        return np.asarray(-np.stack(load, axis=1) @ self.coefficients[:count], np.float64)

    def voltage(self, times: Array) -> Array:
        """Return the fitted terminal voltage in V at ``times``, shape (times, cells)."""
        degree = len(self.coefficients) - 2 - len(self.time_constants)
        design = self.columns.design(times + self.skew, self.time_constants, degree)
        return np.asarray(design @ self.coefficients, np.float64)


def fit_circuits(
    current: Series, cells: Sequence[tuple[str, Series]], start: float, end: float
) -> CircuitFit | Unknown:
    """Fit the cells, all from one stream, to ``current`` (A, positive discharging)."""
    names = tuple(key for key, _ in cells)
    times, voltages = _table([series for _, series in cells], start, end)
    inside = slice(
        int(np.searchsorted(current.time, start - HISTORY, "left")),
        int(np.searchsorted(current.time, end + LARGEST_SKEW, "right")),
    )
    current = Series(current.time[inside], current.value[inside], current.gap[inside])
    if len(times) < 40 or len(current) < 40:
        return Unknown("needs at least 40 readings of cell voltage together with battery current")
    columns = Columns(current)
    known = columns.known(times)
    times, voltages = times[known], voltages[known]
    if len(times) < 40:
        return Unknown("too little battery current was recorded alongside the cell voltages")
    load = interpolate(current, times)
    low, high = np.percentile(load, [0.5, 99.5])
    if high - low < 20 * _grain(current) or high - low < 1.0:
        return Unknown("the load hardly changed; a few launches would do")
    skew = _find_skew(columns, times, voltages)
    known = columns.known(times + skew)
    times, voltages = times[known], voltages[known]
    chosen = _choose(columns, times + skew, voltages)
    if chosen is None:
        return Unknown("the cells' voltage does not follow the load; are both measured right?")
    constants, degree = chosen
    columns.keep_only(constants)
    design = columns.design(times + skew, constants, degree)
    coefficients, groups, noise = _robust(design, voltages)
    wanted = _quantities(columns, times + skew, constants, degree)
    values = wanted @ coefficients
    return CircuitFit(
        names, float(times[0]), float(times[-1]), len(times), skew, constants,
        values[0], values[1], values[2], values[3], noise, wanted @ groups,
        coefficients, columns, _changes(load, low, high),
    )  # fmt: skip


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
    step = np.diff(series.time, prepend=series.time[0]) / time_constant
    value, before = series.value, np.r_[series.value[0], series.value[:-1]]
    decay = np.exp(-step)
    with np.errstate(invalid="ignore", divide="ignore"):
        # ∫ e^-(h-s)/τ (a + (b - a) s/h) ds/τ; its limit for a short step is its mean times h/τ.
        mean = np.where(step > 1e-6, -np.expm1(-step) / step, 1 - step / 2)
    gain = value - before * decay - (value - before) * mean
    restart = series.gap | (np.arange(len(value)) == 0)
    result = np.empty(len(value))
    age = np.cumsum(step)
    # f = e^-age · (f₀·e^age₀ + Σ gain·e^age), in pieces short enough for the exponential.
    marks = [*np.flatnonzero(restart).tolist(), *_pieces(age, 200.0), len(value)]
    edges = sorted(set(marks))
    state = 0.0
    for first, last in itertools.pairwise(edges):
        grow = np.exp(age[first:last] - age[first])
        part = gain[first:last].copy()
        part[0] = value[first] if restart[first] else state * decay[first] + gain[first]
        result[first:last] = np.cumsum(part * grow) / grow
        state = float(result[last - 1])
    return result


def _pieces(age: Array, length: float) -> list[int]:
    marks = np.arange(length, age[-1] if len(age) else 0.0, length)
    # A jump longer than a piece makes a piece of its own.
    return [*np.searchsorted(age, marks).tolist(), *(np.flatnonzero(np.diff(age) > length) + 1)]


class Columns:
    """The columns of the regression, at any times."""

    def __init__(self, current: Series) -> None:
        hole = np.r_[False, np.diff(current.time) > BRIDGE] & current.gap
        bridged = Series(current.time, current.value, hole)
        step = np.where(hole, 0.0, np.diff(current.time, prepend=current.time[0]))
        middle = (current.value + np.r_[current.value[0], current.value[:-1]]) / 2
        self._current = current
        self._charge = Series(current.time, np.cumsum(step * middle), hole)
        self._bridged = bridged
        self._holes = current.time[hole]
        self._low: dict[float, Series] = {}
        self.scale = (float(self._charge.value.min()), float(np.ptp(self._charge.value)) or 1.0)

    def loads(self, constants: Sequence[float]) -> tuple[Series, ...]:
        """Return the current and its low-passed forms."""
        for tau in constants:
            if tau not in self._low:
                values = low_pass(self._bridged, tau)
                self._low[tau] = Series(self._bridged.time, values, self._bridged.gap)
        return (self._current, *(self._low[tau] for tau in constants))

    def keep_only(self, constants: Sequence[float]) -> None:
        """Let go of the other low-passed currents, which a long ride has no room for."""
        self._low = {tau: self._low[tau] for tau in constants}

    def known(self, times: Array) -> Flags:
        """Whether the load and its history are known at ``times``."""
        sound = np.isfinite(interpolate(self._current, times))
        for hole in self._holes:
            sound &= (times < hole) | (times > hole + SETTLE)
        return np.asarray(sound, np.bool_)

    def position(self, times: Array) -> Array:
        """Charge drawn, scaled to -1 … 1 over the stretch."""
        low, width = self.scale
        return 2 * (interpolate(self._charge, times) - low) / width - 1

    def design(self, times: Array, constants: Sequence[float], degree: int) -> Array:
        """Return the columns: the loads, then the polynomials of the resting voltage."""
        loads = [interpolate(load, times) for load in self.loads(constants)]
        resting = legendre.legvander(self.position(times), degree)
        return np.column_stack([*loads, resting])


def _table(cells: Sequence[Series], start: float, end: float) -> tuple[Array, Array]:
    """Return times and cell voltages, shape (n, cells), where every cell has a reading."""
    times = cells[0].time
    times = times[(times >= start) & (times <= end)]
    # Thinned before anything is read, so that ten hours take no more memory than one.
    pick = np.arange(1, len(times) - 1, 1 + len(times) // ROWS)
    before, rows, after = (
        np.stack([interpolate(series, times[pick + side]) for series in cells], axis=1)
        for side in (-1, 0, 1)
    )
    back, ahead = rows - before, after - rows
    spike = (back * ahead < 0) & (np.minimum(np.abs(back), np.abs(ahead)) > SPIKE)
    sound = np.isfinite(rows).all(axis=1) & ~spike.any(axis=1)
    return times[pick][sound], rows[sound]


def _grain(series: Series) -> float:
    """Return the median size of the differences between neighbouring samples."""
    return float(np.median(np.abs(np.diff(series.value))))


def _find_skew(columns: Columns, times: Array, voltages: Array) -> float:
    """Return the shift in s of the load's times that explains the voltages best."""
    inner = columns.known(times - LARGEST_SKEW) & columns.known(times + LARGEST_SKEW)
    times, voltages = times[inner], voltages[inner]
    if len(times) < 40:
        return 0.0
    thin = slice(None, None, 1 + len(times) // 6000)
    times, voltages = times[thin], voltages[thin]

    def misfit(skew: float) -> float:
        design = columns.design(times + skew, (1.5, 15.0), 2)
        sound = np.isfinite(design).all(axis=1)  # a short hole may lie within the reach
        design, seen = design[sound], voltages[sound]
        rest = seen - design @ _solve(design, seen)
        cap = 5 * np.median(np.abs(rest), axis=0)
        return float(np.mean(np.minimum(np.abs(rest), cap) ** 2))

    best = 0.0
    found = {0.0: misfit(0.0)}
    for reach, step in ((LARGEST_SKEW, 0.1), (0.1, 0.02), (0.02, 0.004)):
        for shift in best + np.arange(-reach, reach + step / 2, step):
            skew = float(np.clip(shift, -LARGEST_SKEW, LARGEST_SKEW))
            if skew not in found:
                found[skew] = misfit(skew)
        best = min(found, key=found.__getitem__)
    # A shift has to explain something: with one clock for both streams it is exactly 0.
    return best if found[best] < 0.98 * found[0.0] else 0.0


def _choose(
    columns: Columns, times: Array, voltages: Array
) -> tuple[tuple[float, ...], int] | None:
    """Return the time constants and the degree with the lowest information criterion."""
    thin = slice(None, None, 1 + len(times) // 6000)
    times, voltages = times[thin], voltages[thin]
    span = float(times[-1] - times[0])
    bank = [tau for tau in TIME_CONSTANTS if tau < span / 1.5]
    full = columns.design(times, bank, max(DEGREES))
    scale = np.sqrt(np.mean(full**2, axis=0))
    full = full / scale
    square, cross = full.T @ full, full.T @ voltages
    energy = np.sum(voltages**2, axis=0)
    count, cells = voltages.shape
    best: tuple[float, tuple[float, ...], int] | None = None
    for degree in (n for n in DEGREES if n <= 1 + span / BEND):
        for size in range(1, min(3, len(bank)) + 1):
            for chosen in itertools.combinations(range(len(bank)), size):
                pick = [0, *(1 + at for at in chosen)]
                use = [*pick, *range(1 + len(bank), 2 + len(bank) + degree)]
                part = square[np.ix_(use, use)]
                solved = np.linalg.lstsq(part, cross[use], rcond=1e-12)[0]
                if (np.median(solved[: len(pick)], axis=1) > 0).any():
                    continue  # a negative resistance
                left = energy - np.sum(solved * cross[use], axis=0)
                left = np.maximum(left, 1e-12 * energy)
                score = count * float(np.sum(np.log(left))) + len(use) * cells * math.log(count)
                if best is None or score < best[0]:
                    best = (score, tuple(bank[at] for at in chosen), degree)
    return None if best is None else best[1:]


def _robust(design: Array, voltages: Array) -> tuple[Array, Array, Array]:
    """Return coefficients (p, cells), those less each group's part (groups, p, cells), noise."""
    scale = np.sqrt(np.mean(design**2, axis=0))
    design = design / scale
    count, cells = voltages.shape
    size = design.shape[1]
    bounds = np.linspace(0, count, min(GROUPS, count // 10) + 1).astype(int)
    blocks = [slice(a, b) for a, b in itertools.pairwise(bounds)]
    # With the products of all pairs of columns at hand, the weighted squares of every cell, XᵀWX,
    # are one multiplication of matrices.
    first, second = np.triu_indices(size)
    products = design[:, first] * design[:, second]

    def squares(rows: slice, weight: Array) -> Array:
        """Return XᵀWX over some rows for every cell, shape (cells, p, p)."""
        full = np.empty((cells, size, size))
        full[:, first, second] = full[:, second, first] = weight[rows].T @ products[rows]
        return full

    result = _solve(design, voltages)
    weight = np.ones((count, cells))
    for _ in range(8):
        rest = np.abs(voltages - design @ result)
        noise = np.maximum(np.median(rest, axis=0) / 0.6745, 1e-6)
        weight = np.minimum(1.0, HUBER * noise / np.maximum(rest, 1e-12))
        weight[rest > 8 * noise] = 0.0  # no load explains these
        right = design.T @ (weight * voltages)
        whole = squares(slice(None), weight)
        for cell in range(cells):
            result[:, cell] = np.linalg.lstsq(whole[cell], right[:, cell], rcond=1e-12)[0]
    pull = weight * (voltages - design @ result)
    inverse = np.linalg.pinv(squares(slice(None), weight), rcond=1e-12, hermitian=True)
    values, turn = np.linalg.eigh(inverse)
    root = turn * np.sqrt(np.maximum(values, 0.0))[:, None, :]  # inverse = root · rootᵀ
    left_out = np.empty((len(blocks), *result.shape))
    for at, block in enumerate(blocks):
        score = _scores(squares(block, weight), (design[block].T @ pull[block]).T, root)
        left_out[at] = result - (inverse @ score[:, :, None])[:, :, 0].T
    return result / scale[:, None], left_out / scale[:, None], noise


def _scores(square: Array, plain: Array, root: Array) -> Array:
    """Return Xᵀ(I − H)^-½ r of one group for every cell, shape (cells, p).

    H = X · root · rootᵀ · Xᵀ is the group's share of the hat matrix; ``square`` is its XᵀX and
    ``plain`` its Xᵀr.  As a function g of H, Xᵀ·g(X root rootᵀ Xᵀ)·X·root equals
    XᵀX·root·g(rootᵀ XᵀX root), so the rows themselves are not needed.
    """
    across = np.swapaxes(root, 1, 2)
    share, turn = np.linalg.eigh(across @ square @ root)
    stretch = 1 / np.sqrt(np.maximum(1 - share, 0.01)) - 1
    slope = np.where(share > 1e-9, stretch / np.maximum(share, 1e-9), 0.5)  # (g(h) − 1)/h
    inner = slope[:, :, None] * (np.swapaxes(turn, 1, 2) @ (across @ plain[:, :, None]))
    return np.asarray(plain + (square @ (root @ (turn @ inner)))[:, :, 0], np.float64)


def _solve(design: Array, values: Array) -> Array:
    """Least squares by the normal equations: small ones, because the columns are few and scaled."""
    return np.asarray(
        np.linalg.lstsq(design.T @ design, design.T @ values, rcond=1e-12)[0], np.float64
    )


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
