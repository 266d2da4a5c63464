"""What each cell would show after long rest, and what a load takes from it on the way there.

The circuit of :mod:`..circuit` ends with its slowest time constant, so its resting voltage is that
of about a minute's rest.  Here a second look at some hundred of its rows adds what it leaves out,
each with a doubt of its own (Bayesian linear regression with a normal prior, textbook form):

* slow recovery: two further time constants, whose resistances are not negative and, as shares of
  the resistance after 10 s, within what cells of several makes show;
* the bend of charge transfer: overvoltage goes with asinh(i/i₀) (Butler & Volmer's equation with
  equal transfer coefficients, textbooks of electrochemistry), so an ampere costs the less the more
  flow;
* a resting voltage over the charge drawn that is free to bend as discharge curves do, given at
  knots, and not a polynomial.

Rows at rest count more than rows under load, because what the model leaves out grows with the load.
"""

import math
from dataclasses import dataclass

import numpy as np

from ..readings.series import Array
from .circuit import CircuitFit
from .estimate import NORMAL, Estimate

FAST = (1.5, 5.0, 15.0, 50.0)
SLOW = (150.0, 500.0)
"""s.  Diffusion in the particles of an electrode of R²/D = 500 to 7,500 s recovers with these
(R²/(4.49² D), the first mode of a sphere, textbook)."""

SLOW_SHARE, SLOW_SPREAD = 0.15, 0.20
"""Resistance of each of SLOW as a share of that after 10 s: mean and standard deviation before
the ride is looked at (our judgement: cells of several makes in porous-electrode models show 0 to
0.5)."""

FAST_SPREAD, STEP_SPREAD, BEND_SPREAD = 0.2, 2.0, 0.1
"""Likewise for each of FAST, the ohmic step and the bend of charge transfer."""

SPACING = 0.012
"""State of charge between knots, of a pack of the stated capacity."""

KNOTS = 30
CURVATURE = 30.0
"""V for a state of charge squared: how sharply resting voltage bends (standard deviation; a plateau
of graphite ends within some 3 % of charge with a change of slope near 1 V)."""

BEFORE = (50.0, 150.0, 500.0)
BEFORE_SPREAD = 0.12
"""Time constants in s with which a load before the first reading dies away, and the standard
deviation of what each then still holds, as a share of the mean load's sag after 10 s."""

CORRELATED = 15.0
"""s within which what the model leaves out is the same (our judgement)."""

OFFSET = 0.002
"""V by which a reading at rest may be off for reasons of its own."""

LEFT_OUT = 0.08
"""Share of a load's slow sag by which rest stays doubtful, structure of the model included."""

STRAY = 0.7
"""Share of the rows' distance from the fit that may pass for a slow resistance at the mean load."""

BESIDE = 2.0
"""Times the rows' mean distance from the fit by which a knot among them is the less sure."""

LEFT_BEHIND = {"iron": 200.0, "": 70.0}
"""s of the slow load by whose charge rest stays doubtful, by kind, where the curve is steep:
diffusion too slow for the constants above (standard deviation; our judgement, half of what cells
show; particles of iron phosphate are the slowest, and the ends of their plateau the steepest)."""

SURE = {"iron": 0.85, "": 0.75}
"""Times the half-width that those doubts have together is what is told of a rest, by kind: they do
not all come at once (chosen on 323 cells of 178 rides; docs/trust_tables.md)."""

MODEL_SHARE, BENT_SHARE = {"iron": 0.026, "": 0.021}, {"iron": 0.075, "": 0.053}
"""Standard deviation of a resistance as its share, by kind, for what the model leaves out: its
course over charge and temperature; and, of that part of it that bends with the load, for how it
bends (our judgement, from porous-electrode models; iron phosphate's leave most out)."""

OPENING, OPENING_SAG = 1.0, 0.3
"""s from the first reading on that are its own, and the share of what the load then takes by which
a rest read there is doubtful (standard deviation; our judgement)."""

IDLE = 1.0
"""A up to which a pack counts as idle."""

TYPICAL_SLOPE = 0.9
"""V of resting voltage over the whole charge: a first guess at capacity where none is stated."""


@dataclass(frozen=True)
class Rests:
    """Rest and load of the cells of one pack, the columns of every array in the order of ``keys``.

    ``charge`` is the Ah drawn since the fit's start at each knot, rising; ``voltage`` the V after
    long rest there, shape (knots, cells), with the covariance ``covariance`` in V², shape
    (knots, knots), the same for each cell, and ``apart`` that of the difference between two cells.
    ``load`` in A is the ride's mean driving load, to which ``step`` (at once) and ``ten`` (10 s
    after a step from rest), in Ω, refer, at the middle of the charge drawn.
    """

    keys: tuple[str, ...]
    load: float
    charge: Array
    voltage: Array
    covariance: Array
    apart: Array
    step: tuple[Estimate, ...]
    ten: tuple[Estimate, ...]
    lasting: tuple[float, ...]
    """Ω of a load that goes on: what the slow recovery adds to ``ten``."""
    start: tuple[Estimate, ...]
    end: tuple[Estimate, ...]
    drawn: tuple[float, float]
    """Ah drawn at the first and at the last row."""
    capacity: float
    """Ah: the stated one, or a first guess."""
    fit: CircuitFit
    _ohms: Array
    _bend: float
    _behind: float

    def at(self, times: Array) -> tuple[Array, Array]:
        """Return V after long rest at ``times``, shape (times, cells), and the half-width of the
        90 % interval, shape (times,); NaN where the charge drawn is not known."""
        columns = self.fit.columns
        drawn = columns.drawn(times + self.fit.skew) / 3600 - self.drawn[0]
        weights = _hats(drawn + self.drawn[0], self.charge)
        slow = columns.loads(times + self.fit.skew, SLOW[-1:], bridge=True)[:, -1]
        ohms = float(np.median([one.value for one in self.ten]))
        variance = np.einsum("tk,kl,tl->t", weights, self.covariance, weights)
        variance = variance + (LEFT_OUT * ohms * slow) ** 2 + OFFSET**2
        steep = weights @ _steep(self.charge, np.median(self.voltage, axis=1))
        variance = variance + (self._behind * slow / 3600 * steep) ** 2
        return weights @ self.voltage, NORMAL * np.sqrt(variance)

    def opening(self) -> Estimate | None:
        """Return the V that the middle cell rested at when its first reading came, by that reading
        alone: no curve over charge is smoothed over it, so a full cell's steep end shows.  None
        where the load is not known then."""
        times, voltages = self.fit.rows_kept
        first = times <= times[0] + OPENING
        sag = np.median(self._taken(times[first]), axis=1)  # rows kept have the load's own times
        seen = np.median(voltages[first], axis=1) + sag
        known = np.isfinite(seen)
        if not known.any():
            return None
        sag, seen = sag[known], seen[known]
        ten = float(np.median([one.value for one in self.ten]))
        # What flowed before the first reading is not known.
        spread = math.hypot(OFFSET, OPENING_SAG * float(sag[0]), BEFORE_SPREAD * ten * self.load)
        return Estimate(float(seen[0]), NORMAL * spread)

    def sag(self, times: Array) -> Array:
        """Return the V that the load takes from each cell at ``times``, shape (times, cells)."""
        return self._taken(times + self.fit.skew)

    def _taken(self, when: Array) -> Array:
        """Return the same for the load's own times."""
        return np.asarray(_loads(self.fit, when, self._bend) @ self._ohms, np.float64)


def find_rests(fit: CircuitFit, capacity: float | None, kind: str = "") -> Rests:
    """Return the second look at ``fit``; ``capacity`` in Ah is the stated one, ``kind`` that of the
    cells' positive electrode (:mod:`.curves`), "" where it may be one or another."""
    times, voltages = fit.rows_kept
    columns = fit.columns
    load = columns.mean_above(fit.start, fit.end, IDLE) or 1.0
    ten = float(np.median(np.abs(fit.ten))) or 1e-6
    bend = load / 2
    loads = _loads(fit, times, bend)
    drawn = columns.drawn(times) / 3600
    ohms = loads.shape[1]
    size_of = capacity or _guess(fit, drawn)
    knots = _knots(drawn, size_of)
    hats = _hats(drawn, knots)
    design = np.hstack([-loads, _before(times), hats])
    mean, sure = _prior(ten, load, ohms, len(knots), float(knots[1] - knots[0]) / size_of)
    spread = min(1.0, (times[-1] - times[0]) / CORRELATED / len(times))
    size = np.abs(loads) @ np.r_[0.6, np.full(ohms - 2, 0.15), 0.0] * ten
    rough = 0.03
    covariance = np.eye(design.shape[1])
    found = np.zeros((design.shape[1], voltages.shape[1]))
    for turn in range(5):
        weight = spread / (OFFSET**2 + (rough * size) ** 2)
        square = (design * weight[:, None]).T @ design + sure
        covariance = _inverse(square)
        found = covariance @ (design.T @ (voltages * weight[:, None]) + (sure @ mean)[:, None])
        rest = np.abs(voltages - design @ found)
        noise = np.sqrt(OFFSET**2 + (rough * size) ** 2)[:, None]
        rough = float(np.clip(rough * np.median(rest / noise) / 0.6745, 0.01, 0.2))
        slow = np.median(found[ohms - 3 : ohms - 1], axis=1)
        if turn == 2 and (slow < 0).any():  # a resistance below 0 is none: hold it near 0
            for at in ohms - 3 + np.flatnonzero(slow < 0):
                mean[at], sure[at, at] = 0.0, 1 / (0.03 * ten) ** 2
    own = kind if kind in LEFT_BEHIND else ""
    return _rests(
        fit, load, bend, knots, found, covariance, design, voltages, ohms, drawn, size_of, own
    )


def _inverse(square: Array) -> Array:
    """Return the inverse of a symmetric matrix; what readings that no pack has leave without one
    is taken for nothing known."""
    try:
        return np.asarray(np.linalg.inv(square), np.float64)
    except np.linalg.LinAlgError:
        scale = 1 / np.sqrt(np.diag(square))
        even = np.linalg.pinv(square * np.outer(scale, scale), hermitian=True)
        return np.asarray(even * np.outer(scale, scale), np.float64)


def _rests(
    fit: CircuitFit,
    load: float,
    bend: float,
    knots: Array,
    found: Array,
    covariance: Array,
    design: Array,
    voltages: Array,
    ohms: int,
    drawn: Array,
    size_of: float,
    kind: str,
) -> Rests:
    first = ohms + len(BEFORE)
    resistance, resting = found[:ohms], found[first:]
    at_knots = covariance[first:, first:]
    # What equal cells have in common cancels in their difference; what is left of it is seen.
    residual = voltages - design @ found
    own = residual - np.median(residual, axis=1, keepdims=True)
    ratio = float(np.median(np.abs(own)) / max(float(np.median(np.abs(residual))), 1e-9))
    apart = at_knots * min(max(ratio, 0.2), 1.0) ** 2
    # Where the rows around a knot lie beside the fit, the curve bends sharper than it can.
    hats = design[:, first:]
    beside = hats.T @ np.median(residual, axis=1) / np.maximum(hats.sum(axis=0), 1e-9)
    at_knots = at_knots + np.diag((BESIDE * beside) ** 2)
    share = np.zeros((2, ohms))
    share[:, 0] = 1.0
    share[1, 1:-1] = -np.expm1(-10.0 / np.array([*FAST, *SLOW]))
    share[:, -1] = np.arcsinh(load / bend)  # the column is load · asinh(i/bend)
    sloping = max(float(resting[0].mean() - resting[-1].mean()), 0.0)
    fall = sloping / max(float(knots[-1] - knots[0]), 1e-9) / 3600 * 10
    values = share @ resistance + np.array([[0.0], [fall]])
    spread = np.sqrt(np.einsum("ij,jk,ik->i", share, covariance[:ohms, :ohms], share))
    bent = np.clip(share[0, -1] * resistance[-1], 0.0, values[1])
    left_out = np.hypot(MODEL_SHARE[kind] * values, BENT_SHARE[kind] * bent)
    # What no load explains may pass for one that lasts, not for one that comes at once.
    stray = float(np.sqrt(np.mean(np.median(residual, axis=1) ** 2))) / load
    slow_part = np.array([[0.0], [STRAY * stray]])
    errors = NORMAL * np.sqrt(spread[:, None] ** 2 + left_out**2 + slow_part**2)
    estimates = [
        tuple(Estimate(float(v), float(e)) for v, e in zip(row, wide, strict=True))
        for row, wide in zip(values, errors, strict=True)
    ]
    decay = np.exp(-10.0 / np.array([*FAST, *SLOW]))
    lasting = decay @ np.maximum(resistance[1:-1], 0.0)
    edges = _hats(drawn[[0, -1]], knots)
    slow = np.abs(design[[0, -1], ohms - 2])  # minus the slowest form of the load
    steep, astray = _steep(knots, resting), _astray(hats, resting, residual)
    ends = []
    for row, tail in zip(edges, slow, strict=True):
        variance = row @ at_knots @ row + (LEFT_OUT * tail * np.median(values[1])) ** 2 + OFFSET**2
        # One cell may fall off where the others do not: its own doubt.
        behind = LEFT_BEHIND[kind] * tail / 3600 * (row @ steep)
        own = SURE[kind] * NORMAL * np.sqrt(variance + behind**2 + (row @ astray) ** 2)
        pairs = zip(row @ resting, own, strict=True)
        ends.append(tuple(Estimate(float(v), float(e)) for v, e in pairs))
    return Rests(
        fit.keys,
        load,
        knots,
        resting,
        at_knots,
        apart,
        estimates[0],
        estimates[1],
        tuple(lasting.tolist()),
        ends[0],
        ends[1],
        (float(drawn[0]), float(drawn[-1])),
        size_of,
        fit,
        resistance,
        bend,
        LEFT_BEHIND[kind],
    )


def _steep(knots: Array, resting: Array) -> Array:
    """Return the V an Ah by which rest falls at each knot, at least around it and nowhere below 0,
    in the shape of ``resting``.

    A knot's own neighbours are too near each other for a slope: three on either side are taken.
    """
    low, high = np.arange(len(knots)) - 3, np.arange(len(knots)) + 3
    low, high = np.maximum(low, 0), np.minimum(high, len(knots) - 1)
    width = (knots[high] - knots[low]).reshape(-1, *([1] * (resting.ndim - 1)))
    return np.maximum((resting[low] - resting[high]) / width, 0.0)


def _astray(hats: Array, resting: Array, residual: Array) -> Array:
    """Return the V by which each cell's rest is doubtful at each knot for what is its own alone,
    shape (knots, cells): how far its rows lie from the fit, beyond those of the middle cell, and
    how far its rest comes up again while charge goes on being drawn, which no rest does."""
    weight = np.maximum(hats.sum(axis=0), 1e-9)[:, None]
    square = hats.T @ residual**2 / weight
    beside = np.sqrt(np.maximum(square - np.median(square, axis=1, keepdims=True), 0.0))
    risen = resting - np.minimum.accumulate(resting, axis=0)
    risen = np.maximum(risen - np.median(risen, axis=1, keepdims=True), 0.0)
    return np.asarray(np.hypot(beside, risen), np.float64)


def _loads(fit: CircuitFit, times: Array, bend: float) -> Array:
    """Return the load's columns at its times: as it is, low-passed, bent; shape (times, loads)."""
    fit.columns.keep_only((*fit.time_constants, *FAST, *SLOW))  # asked for at every low cell
    plain = fit.columns.loads(times, (*FAST, *SLOW), bridge=True)
    load = 2 * bend
    bent = load * np.arcsinh(plain[:, :1] / bend)
    return np.hstack([plain, bent])


def _before(times: Array) -> Array:
    """Return how a load before the first of ``times`` dies away, shape (times, BEFORE)."""
    return np.asarray(-np.exp(-(times - times[0])[:, None] / np.array(BEFORE)), np.float64)


def _prior(ten: float, load: float, ohms: int, knots: int, width: float) -> tuple[Array, Array]:
    """Return the prior's mean and its precision matrix; ``width`` is the state of charge between
    knots."""
    first = ohms + len(BEFORE)
    size = first + knots
    mean, sure = np.zeros(size), np.zeros((size, size))
    spread = [STEP_SPREAD, *([FAST_SPREAD] * len(FAST)), *([SLOW_SPREAD] * len(SLOW)), BEND_SPREAD]
    middle = [0.6, *([0.1] * len(FAST)), *([SLOW_SHARE] * len(SLOW)), 0.05]
    mean[:ohms] = np.array(middle) * ten
    sure[range(ohms), range(ohms)] = 1 / (np.array(spread) * ten) ** 2
    past = range(ohms, first)
    sure[past, past] = 1 / (BEFORE_SPREAD * ten * load) ** 2
    bends = np.diff(np.eye(knots), 2, axis=0)
    slopes = np.diff(np.eye(knots), 1, axis=0)
    sure[first:, first:] = (
        bends.T @ bends / (CURVATURE * width**2) ** 2 + slopes.T @ slopes / (3 * width) ** 2 / knots
    )
    return mean, sure


def _guess(fit: CircuitFit, drawn: Array) -> float:
    """Return a capacity in Ah from how fast the resting voltage falls."""
    fall = float(np.median(fit.rest_start - fit.rest_end))
    return max(TYPICAL_SLOPE * float(np.ptp(drawn)) / max(fall, 0.01), 1e-3)


def _knots(drawn: Array, capacity: float) -> Array:
    width = float(np.ptp(drawn))
    count = int(np.clip(width / capacity / SPACING, 2, KNOTS))
    low = float(drawn.min())
    return np.linspace(low, low + max(width, 1e-6), count + 1)


def _hats(drawn: Array, knots: Array) -> Array:
    """Return the weights of the knots at each charge, straight lines between, shape (n, knots)."""
    place = np.clip((drawn - knots[0]) / (knots[1] - knots[0]), 0.0, len(knots) - 1.0)
    low = np.minimum(np.nan_to_num(place).astype(int), len(knots) - 2)
    weights = np.zeros((len(drawn), len(knots)))
    rows = np.arange(len(drawn))
    weights[rows, low] = 1 - (place - low)
    weights[rows, low + 1] = place - low
    return weights
