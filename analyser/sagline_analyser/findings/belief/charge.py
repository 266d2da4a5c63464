"""How full a pack is and what it holds, from all that bears on it, each with its doubt.

Unknown are which curve of the family (:mod:`.curves`) the cells follow and how far they leave it,
the capacity of the middle cell and the charge it started with.  Known are rest voltages with the
charge counted between them, the capacity that the board file states, and rests of earlier rides.
Every combination on a grid is weighed by how well it explains them (Bayes' rule); what is told
comes of draws from the weighed grid.  A curve of another slope or capacity cannot explain a rest
voltage that falls by other than its own for the charge counted: so the counted charge picks the
curve, and the curve's own error, a process of MISMATCH V over charge, keeps the rest in doubt.
"""

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt

from sagline_logger.format import Battery

from ..readings.quantiles import quantiles
from ..readings.series import Array
from .curves import CURVES, GRID, chemistry_of, kinds_of, on_grid, shares_of_kinds
from .estimate import NORMAL, Estimate, of_draws
from .history import PackHistory, RideRests
from .rests import Rests

MISMATCH = {"iron": 0.020, "": 0.050}
SIDEWAYS = 0.030
"""V by kind, and share of charge, by which a cell leaves the family's nearest curve (standard
deviations; our judgement, from how far the curves of the family lie from each other's nearest)."""

LIKE, ALIKE = 0.3, 0.4
"""The share of those deviations by which a cell of the very make leaves its published curve, and
how likely it is that the cells are of a make in the family (our judgement)."""

LENGTH = 0.15
"""State of charge over which that stays alike."""

REACHES = 0.1
"""State of charge over which what a ride saw of an unknown make still says which curve it is near
(our choice, so that ranges keep their word on makes left out)."""

PINNED_LOW, PINNED_HIGH = 1.0, 0.25
"""Shares of MISMATCH and SIDEWAYS that are left at a curve's ends: every curve of the family is 2.5
V empty and 4.2 V full by its very scale, so there it is right but for what data sheets count."""

LEVEL = {"iron": 0.03}
"""V by which all of a curve may lie too high or too low (standard deviation), by its kind: a
plateau says where it lies, and nothing of the charge (published plateaus of iron phosphate lie 40
mV apart, and charging and discharging 20 mV or so: hysteresis, common practice, no source); of the
very make, by LIKE of it."""

LESS, NEAR, FAR, STRAY = -0.03, 0.045, 0.12, 0.2
"""Natural logarithm of a pack's capacity over the stated one: its mean (cells age), the standard
deviations of a narrow and a wide normal distribution, and the wide one's share (our judgement)."""

SET_OUT_FULL, FULL_WIDTH = 0.25, 0.04
"""Share of rides that set out just charged, and how near to full such a pack stands (our judgement:
riders charge before a ride)."""

STATED_BELOW, STATED_WIDTH, STATED_WRONG = 0.014, 0.011, 0.02
"""By how much a pack that the rider called full stands below it, how far from there (standard
deviation), and how likely that is untrue all the same (our judgement: most chargers stop a little
early and packs stand a while; some stop much earlier, and a mark may be another pack's)."""

UNSEEN = 250.0
"""s of the mean load that may have gone in the mean before the first reading, where that was taken
under way (our choice: a logger is started late, or its link comes up on the way)."""

FULL_DOUBT = 0.008
"""State of charge by which what a data sheet calls full may differ (standard deviation, our
judgement).  How full the charger left the pack is no part of it: the voltage tells that.  Of a pack
that was called full it is part of STATED_WIDTH."""

GUESSED = 0.7
"""Likewise the standard deviation where no capacity is stated and the voltage's slope gives it."""

SIZES = 31
STARTS = 111
NODES = 9

REST_MORE, REST_LEAST = 1.5, 0.004
"""Factor, and V, by which rests along a ride are less sure than the regression has them: what it
leaves out is not as normal as it takes it to be (our judgement)."""

BEHIND = 300.0
"""s of the mean load by whose charge the surface of an iron-phosphate particle may be ahead of its
mean without a rest of minutes to show it (standard deviation; see DIFFUSION of
:mod:`..pack_range`)."""

RISEN_ALIKE = 0.25
"""Share of the charge drawn over which what a rising rest shows to be wrong stays alike."""

CURRENT_SHARE = 0.006
"""Standard deviation of a current sensor's scale."""

BLUR = {"iron": 0.5, "": 0.65}
"""Power to which likelihoods are taken, by kind: what the curves and the rests get wrong is not as
normal as the formulas (our choice, so that intervals keep their word on makes left out)."""

FULL_BLUR = 0.3
"""That power where the rider said that the pack set out full.  Its start is known without any
likelihood, and the steep top of the curve, where makes differ most, bears on its capacity."""

BEYOND = {"nickel": 0.09, "": 0.05}
"""Share of the draws that lies beyond each of two ends told, by the likeliest kind: those of nickel
spread further than its makes do where they leave the charge open (docs/trust_tables.md)."""

LOWER = {"iron": 0.06}
"""Share of the capacity by which the lower of two ends is told lower, by the likeliest kind: on a
plateau nothing tells how near its end is, and makes differ most there (our choice)."""

DRAWS = 1200


@dataclass(frozen=True)
class Charge:
    """Equally likely draws of a pack's middle cell, shape (draws,), with the interval of each.

    ``start`` and ``end`` are states of charge over ``full``, the one at the stated full voltage;
    ``start_within`` and ``end_within`` are ends that nine such packs in ten lie between;
    ``capacity`` is the Ah of the cell between empty and that.  ``rides`` counts the earlier
    rides it rests on; ``names`` are the curves with their shares of the belief, the likeliest
    first.
    """

    start: Estimate
    end: Estimate
    start_within: tuple[float, float]
    end_within: tuple[float, float]
    capacity: Estimate
    rides: int
    names: tuple[tuple[str, float], ...]
    counted: bool
    drawn: float
    draws_end: Array = field(repr=False)
    """State of charge on the curve's own range."""
    draws_capacity: Array = field(repr=False)
    """Ah of the curve's own range."""
    draws_curve: npt.NDArray[np.intp] = field(repr=False)
    """Place in ``curves``."""
    curves: Array = field(repr=False)
    """V at GRID of every curve in use, shape (curves, GRID)."""
    full: Array = field(repr=False)
    """State of charge at the full voltage of each, shape (curves,)."""
    draws_astray: Array = field(repr=False)
    """Share of MISMATCH and SIDEWAYS by which the cells of every draw leave its curve: 1 where they
    are of a make that is not known."""
    family: Array = field(repr=False)
    """V at GRID of every curve as it is published, shape (family, GRID)."""
    draws_other: npt.NDArray[np.intp] = field(repr=False)
    """Place in ``family`` of a curve as likely as it was before the ride, for every draw."""

    def charge_at(self, voltages: Array) -> Array:
        """Return the state of charge of every draw at its V of ``voltages``, on its own curve."""
        return _charges(voltages, self.draws_curve, self.curves)

    def charge_far_off(self, voltages: Array, chance: Array) -> Array:
        """Return the state of charge of every draw at its V of ``voltages``, where the ride may not
        have come; ``chance`` is from 0 to 1, evenly.

        That an unknown make lies near one of the curves over the charge that was ridden says the
        less of it the further off: there it is like any other of the family.
        """
        own = self.charge_at(voltages)
        other = _charges(voltages, self.draws_other, self.family)
        near = chance < _alike(self.draws_end - own, REACHES)
        return np.where(near | (self.draws_astray < 1.0), own, other)

    def mean_voltage(self, low: Array, high: Array) -> Array:
        """Return the mean V of every draw's curve between two states of charge."""
        found = np.empty(len(self.draws_curve))
        for at in np.unique(self.draws_curve):
            own = self.draws_curve == at
            area = np.r_[0.0, np.cumsum((self.curves[at][1:] + self.curves[at][:-1]) / 2)]
            area *= GRID[1] - GRID[0]
            width = np.maximum(high[own] - low[own], 1e-4)
            upper = np.interp(low[own] + width, GRID, area)
            found[own] = (upper - np.interp(low[own], GRID, area)) / width
        return found


def _charges(voltages: Array, which: npt.NDArray[np.intp], curves: Array) -> Array:
    """Return the state of charge at each of ``voltages`` (n,) on ``which`` (n,) of the curves."""
    found = np.empty(len(voltages))
    for at in np.unique(which):
        own = which == at
        found[own] = np.interp(voltages[own], curves[at], GRID)
    return found


def find_charge(
    rests: Rests,
    battery: Battery | None,
    stated: float | None,
    history: PackHistory | None = None,
    cells: int = 1,
    said_full: bool = False,
    under_way: bool = False,
) -> Charge:
    """Return what is believed; ``stated`` is the board file's Ah of the pack, ``cells`` how many
    cells each voltage of ``rests`` is of, and ``said_full`` whether the rider said that it set out
    just charged, and ``under_way`` whether it had set out before the first reading."""
    full = battery.cell_full if battery else None
    middle = np.median(rests.voltage, axis=1) / cells
    likely = kinds_of(chemistry_of(battery), full, float(middle.max()))
    iron = set(likely) == {"iron"}
    family = [curve for curve in CURVES if curve.kind in likely]
    weight = np.array([likely[curve.kind] for curve in family])
    every = weight / weight.sum()
    # Every curve twice: as that of the very make, and as the nearest to one that is not known.
    family, weight = family * 2, np.r_[ALIKE * weight, (1 - ALIKE) * weight]
    nearness = np.repeat([LIKE, 1.0], len(family) // 2)[:, None]
    curves = np.stack([on_grid(curve) for curve in family])
    top = np.array([np.interp(full or curve[-1], curve, GRID) for curve in curves])
    top = np.minimum(top, 1.0) if full is None else top
    low, high = np.log(0.55), np.log(1.35)
    if stated is None:
        low, high = -2.0, 2.0
    steps = np.linspace(low, high, SIZES)
    # The stated charge is that from full to empty; the grid is of the curve's own range.
    sizes = (stated or rests.capacity) * np.exp(steps)[None, :] / top[:, None]
    start = np.linspace(0.0, 1.05, STARTS)
    gone = UNSEEN * rests.load / 3600 / (stated or rests.capacity) if under_way else 0.0
    log = np.log(weight / weight.sum())[:, None, None] + _size_prior(steps, stated)[None, :, None]
    log = log + _start_prior(start[None, :] - top[:, None], said_full, gone)[:, None, :]
    log = log + np.zeros((len(family), SIZES, STARTS))
    log = np.where(start > top[:, None, None] + 0.02, -np.inf, log)
    corrected = np.repeat(curves[:, None, :], SIZES, axis=1)
    ways = _amplitudes(curves, [curve.kind for curve in family], nearness)
    spread = np.repeat(ways[:, :, None, :], SIZES, axis=2)
    level = np.array([LEVEL.get(curve.kind, 0.0) for curve in family]) * nearness[:, 0]
    powers = [FULL_BLUR if said_full else BLUR.get(curve.kind, BLUR[""]) for curve in family]
    blur = np.array(powers)[:, None, None]
    rides = 0
    for ride in history.rides if history is not None else ():
        if _usable(ride, rests, cells):
            log += blur * _learn(ride, corrected, spread, level, sizes, start, top)[:, :, None]
            rides += 1
    charge, voltage, covariance = _nodes(rests, middle, cells, iron)
    log += blur * _fit(charge, voltage, covariance, corrected, spread, level, sizes, start)
    if iron and (opening := rests.opening()) is not None:
        log += (1 - blur) * _not_above(opening, cells, curves, ways, level, start)
    share = np.exp(log - log.max())
    share /= share.sum()
    chance = np.random.default_rng(0)
    places = np.searchsorted(
        np.cumsum(share.ravel()), (np.arange(DRAWS) + 0.5) / DRAWS * (1 - 1e-9)
    )
    which, size, at = np.unravel_index(places, share.shape)
    jitter = chance.uniform(-0.5, 0.5, (2, DRAWS))
    capacity = sizes[which, size] * np.exp(jitter[0] * (steps[1] - steps[0]))
    first = start[at] + jitter[1] * (start[1] - start[0])
    first = first + (0.0 if said_full else FULL_DOUBT) * chance.standard_normal(DRAWS)
    drawn = rests.drawn[1] - rests.drawn[0]
    used = drawn * (1 + CURRENT_SHARE * chance.standard_normal(DRAWS)) / capacity
    last = first - used
    belief: dict[str, float] = {}
    for curve, part in zip(family, share.sum(axis=(1, 2)), strict=True):
        belief[curve.name] = belief.get(curve.name, 0.0) + float(part)
    names = sorted(belief.items(), key=lambda one: -one[1])
    kinds = shares_of_kinds(names)
    likeliest = max(kinds, key=kinds.__getitem__)
    beyond, lower = BEYOND.get(likeliest, BEYOND[""]), LOWER.get(likeliest, 0.0)
    # Draws keep the corrected curve of their own capacity, one for each (curve, size) drawn, where
    # earlier rides bent them; else the curve alone.
    key = which * SIZES + (size if rides else 0)
    used_keys, own = np.unique(key, return_inverse=True)
    return Charge(
        _share(first / top[which]),
        _share(last / top[which]),
        _within(first / top[which], beyond, said_full, lower),
        _within(last / top[which], beyond, said_full, lower),
        of_draws(capacity * top[which]),
        rides,
        tuple(names),
        bool(np.median(first / top[which]) > 0.95),
        drawn,
        last,
        capacity,
        own,
        corrected.reshape(-1, len(GRID))[used_keys],
        top[used_keys // SIZES],
        nearness[which, 0],
        curves[: len(every)],
        chance.choice(len(every), DRAWS, p=every).astype(np.intp),
    )


def _share(draws: Array) -> Estimate:
    """Return a state of charge from 0 to 1; its doubt is that of the draws beyond them too."""
    found = of_draws(draws)
    return Estimate(min(max(found.value, 0.0), 1.0), found.error)


def _within(
    draws: Array, beyond: float, said_full: bool, lower: float = 0.0
) -> tuple[float, float]:
    """Return the ends, from 0 to 1, of which ``beyond`` of the draws lie above and as many below;
    the lower one is told so much ``lower``.

    Of a pack that was said to start full and may have been half empty all the same none lies above:
    the upper end would cut off where it most likely is.
    """
    ends = (0.1, 1.0) if said_full else (beyond, 1 - beyond)
    low, high = np.clip(quantiles(draws, ends), 0.0, 1.0)
    return max(float(low) - (0.0 if said_full else lower), 0.0), float(high)


def _start_prior(away: Array, said_full: bool, gone: float = 0.0) -> Array:
    """Return the logarithm of how likely a start ``away`` from full is, before the voltages.
    ``gone`` is how much may have been drawn before in the mean, much of it the less likely."""
    if said_full:
        times = np.linspace(0.0, 5.0, 1 + int(5.0 * gone / STATED_WIDTH))
        share = np.exp(-times) / np.exp(-times).sum()
        away = away[..., None] + STATED_BELOW + gone * times
        below = np.exp(-((away / STATED_WIDTH) ** 2) / 2) @ share / STATED_WIDTH / 2.5
        return np.asarray(np.log((1 - STATED_WRONG) * below + STATED_WRONG), np.float64)
    near = np.abs(away) < FULL_WIDTH
    return np.asarray(np.log(1 - SET_OUT_FULL + near * SET_OUT_FULL / (2 * FULL_WIDTH)))


def _not_above(
    opening: Estimate, cells: int, curves: Array, ways: Array, level: Array, start: Array
) -> Array:
    """Return the logarithm of how likely a first reading above each curve is, whole: no curve is
    so wrong that a cell on its plateau shows what only a full one does."""
    at = np.array([np.interp(start, GRID, curve) for curve in curves])
    wide = np.array([np.interp(start, GRID, own) for own in ways[0]])
    above = np.maximum(opening.value / cells - at, 0.0)
    square = (opening.error / NORMAL / cells) ** 2 + wide**2 + level[:, None] ** 2
    return np.asarray(-(above**2) / square / 2, np.float64)[:, None, :]


def _size_prior(steps: Array, stated: float | None) -> Array:
    if stated is None:
        return np.asarray(-((steps / GUESSED) ** 2) / 2, np.float64)
    near, far = (
        share * np.exp(-(((steps - LESS) / sd) ** 2) / 2) / sd
        for share, sd in ((1 - STRAY, NEAR), (STRAY, FAR))
    )
    return np.asarray(np.log(near + far), np.float64)


def _nodes(rests: Rests, middle: Array, cells: int, iron: bool) -> tuple[Array, Array, Array]:
    """Return charge drawn in Ah, V and covariance at a few places along the ride.

    Of cells with a plateau, ``iron``, two things more are known.  Their last hundredths before full
    are so steep that the first reading tells more than a smooth course over charge.  And under load
    the surface of their particles is far ahead of the mean: where rest falls steeply as charge is
    drawn, the end of the plateau may be that much further on than it seems.
    """
    count = len(rests.charge)
    # From the first row on, so that what is drawn counts from where the state of charge starts.
    pick = np.unique(np.linspace(0, count - 1, min(NODES, count)).round().astype(int))
    charge = rests.charge[pick] - rests.drawn[0]
    covariance = rests.covariance[np.ix_(pick, pick)] / cells**2
    # Recovery that is not over is alike all along the ride, and none of it is there at its start.
    error = float(np.median([one.error for one in rests.end]))
    slow = (error / NORMAL / cells) ** 2 - covariance[-1, -1]
    ramp = np.sqrt(max(slow, 0.0)) * np.minimum(1.0, np.linspace(0.0, 2.0, len(pick)))
    covariance = covariance + np.outer(ramp, ramp)
    covariance = covariance * REST_MORE**2 + np.eye(len(pick)) * REST_LEAST**2
    voltage = middle[pick]
    if iron:
        falls = np.maximum(-np.gradient(middle, rests.charge), 0.0)[pick] if count > 1 else 0.0
        under = np.minimum(1.0, np.linspace(0.0, 4.0, len(pick))) * rests.load / 3600
        behind = BEHIND * under * falls
        covariance = covariance + np.outer(behind, behind)
        # No rest rises while charge is drawn: as far as it does, rests miss, and elsewhere as well.
        risen = float(np.max(middle - np.minimum.accumulate(middle)))
        apart = (charge[:, None] - charge[None, :]) / max(float(charge[-1] - charge[0]), 1e-9)
        covariance = covariance + risen**2 * np.exp(-((apart / RISEN_ALIKE) ** 2) / 2)
        opening = rests.opening()
        spread = np.inf if opening is None else opening.error / NORMAL / cells
        if opening is not None and spread**2 < covariance[0, 0]:
            voltage = np.r_[opening.value / cells, voltage[1:]]
            covariance[0], covariance[:, 0] = 0.0, 0.0
            covariance[0, 0] = spread**2 + REST_LEAST**2
    return charge, voltage, covariance


def _alike(distance: Array, length: float = LENGTH) -> Array:
    """Return the correlation of the curve's error over a difference of charge."""
    return np.asarray(np.exp(-((distance / length) ** 2) / 2), np.float64)


def _amplitudes(curves: Array, kinds: Sequence[str], nearness: Array) -> Array:
    """Return the V by which the truth may lie above and below each curve at GRID (standard
    deviations), shape (2, curves, GRID): what a shift along the curve makes of it, and no more."""
    aside = SIDEWAYS * nearness
    mismatch = np.array([MISMATCH.get(kind, MISMATCH[""]) for kind in kinds])[:, None] * nearness
    found = []
    for sign in (1, -1):
        moved = [np.interp(GRID + sign * a[0], GRID, c) for c, a in zip(curves, aside, strict=True)]
        found.append(np.hypot(mismatch, np.array(moved) - curves) * _pinned())
    return np.minimum(np.array(found), 0.3)


def _pinned() -> Array:
    """Return the share of a curve's error at GRID that its known ends leave."""
    low, high = (1 - _alike(GRID - end) ** 2 for end in (0.0, 1.0))
    return np.asarray(np.maximum(np.sqrt(low), PINNED_LOW) * np.maximum(np.sqrt(high), PINNED_HIGH))


def _fit(
    charge: Array,
    voltage: Array,
    covariance: Array,
    curves: Array,
    spread: Array,
    level: Array,
    sizes: Array,
    start: Array,
) -> Array:
    """Return the logarithm of the likelihood of each curve, size and start."""
    found = np.empty((*sizes.shape, len(start)))
    twice = len(sizes) // 2
    for first in range(len(sizes) - twice):
        placed = None
        for which in range(first, len(sizes), max(twice, 1)):
            # Every curve is there twice, the second time with another spread alone.
            if placed is None or not (
                np.array_equal(curves[which], curves[first])
                and np.array_equal(sizes[which], sizes[first])
            ):
                placed = _placed(charge, voltage, curves[which], sizes[which], start)
            low, residual, alike = placed
            # What lies above a curve is measured by what can lie above it, and likewise below.
            up, down = (one[which].ravel().take(low) for one in spread)
            noise = covariance + level[which] ** 2 + 1e-8 * np.eye(len(charge))
            found[which] = _normal(residual, np.where(residual > 0, up, down), alike, noise)
    return found


def _placed(
    charge: Array, voltage: Array, curve: Array, capacity: Array, start: Array
) -> tuple[npt.NDArray[np.intp], Array, Array]:
    """Return where the nodes lie on a curve, (sizes, GRID) in one row, how far above it, and how
    alike its errors are there; all sizes and starts at once, shape (nodes, sizes, starts)."""
    step = GRID[1] - GRID[0]
    used = charge[:, None] / capacity
    place = (start - used[:, :, None] - GRID[0]) / step
    place = np.clip(place, 0, len(GRID) - 1.001)
    low = place.astype(np.intp)
    part = place - low
    low += len(GRID) * np.arange(len(capacity))[:, None]
    before = curve.ravel().take(low)
    expected = before + part * (curve.ravel().take(low + 1) - before)
    return low, voltage[:, None, None] - expected, _alike(used[:, None] - used)[..., None]


def _normal(residual: Array, amplitude: Array, alike: Array, noise: Array) -> Array:
    """Return the logarithm of the normal density of ``residual`` (n, …), whose covariance is that
    of an error of ``amplitude`` (n, …), correlated by ``alike`` (n, n, …), and of ``noise`` (n, n).

    Cholesky's decomposition row by row, for all other places at once (textbook).
    """
    root: list[list[Array]] = []
    white: list[Array] = []
    log, room = np.zeros(residual.shape[1:]), np.empty(residual.shape[1:])
    for i in range(len(residual)):
        row: list[Array] = []
        rest = residual[i].copy()
        for j in range(i + 1):
            own = amplitude[i] * amplitude[j]
            own *= alike[i, j]
            own += noise[i, j]
            for k in range(j):
                own -= np.multiply(row[k], root[j][k] if j < i else row[k], out=room)
            if j < i:
                own /= root[j][j]
            else:
                np.sqrt(np.maximum(own, 1e-10, out=own), out=own)
            row.append(own)
        for k in range(i):
            rest -= np.multiply(row[k], white[k], out=room)
        root.append(row)
        white.append(rest / row[i])
        log -= white[i] ** 2 / 2 + np.log(row[i])
    return log


def _usable(ride: RideRests, rests: Rests, cells: int) -> bool:
    """Whether an earlier ride can tell something: of as many cells, and of charge drawn."""
    same = all(len(point.voltages) == len(rests.keys) for point in ride.points)
    return cells == 1 and same and len(ride.points) >= 2


def _learn(
    ride: RideRests,
    curves: Array,
    spread: Array,
    level: Array,
    sizes: Array,
    start: Array,
    top: Array,
) -> Array:
    """Bend every curve to what an earlier ride showed, and return how likely it found each.

    Gaussian-process regression of the curve's error on the ride's rests (textbook form); where on
    the curve the ride began is the likeliest place on it.
    """
    charge = np.array([point.charge for point in ride.points])
    voltage = np.array([float(np.median(point.voltages)) for point in ride.points])
    noise = np.array([max(point.error / 1.645, 0.002) for point in ride.points])
    found = np.zeros(sizes.shape)
    covariance = np.diag(noise**2)
    likely = _fit(charge, voltage, covariance, curves, spread, level, sizes, start)
    likely = np.where(start[None, None, :] > top[:, None, None] + 0.02, -np.inf, likely)
    for which in range(len(sizes)):
        for size, capacity in enumerate(sizes[which]):
            row = likely[which, size]
            best = float(row.max())
            found[which, size] = best + np.log(np.mean(np.exp(row - best)))
            at = start[int(np.argmax(row))] - charge / capacity
            curve, own = curves[which, size], spread[:, which, size].mean(axis=0)
            amplitude = np.interp(at, GRID, own)
            inner = np.outer(amplitude, amplitude) * _alike(at[:, None] - at[None, :]) + covariance
            inner = inner + level[which] ** 2
            # Not knowing just where it began blurs what is learnt of a slope.
            slope = np.interp(at, GRID, np.gradient(curve, GRID))
            doubt = float(np.sqrt(_variance(start, row)))
            inner = inner + np.outer(slope, slope) * doubt**2
            across = own[:, None] * amplitude[None, :] * _alike(GRID[:, None] - at[None, :])
            across = across + level[which] ** 2
            gain = np.linalg.solve(inner, across.T).T
            curves[which, size] = np.maximum.accumulate(
                curve + gain @ (voltage - np.interp(at, GRID, curve))
            ) + 1e-6 * np.arange(len(GRID))
            left = own**2 + level[which] ** 2 - np.sum(gain * across, axis=1)
            spread[:, which, size] = np.sqrt(np.maximum(left, 0.003**2))
    return found


def _variance(places: Array, log: Array) -> float:
    weight = np.exp(log - log.max())
    weight /= weight.sum()
    mean = float(weight @ places)
    return float(weight @ (places - mean) ** 2)
