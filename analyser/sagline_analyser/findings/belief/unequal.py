"""Whether a cell of a pack holds less than the others, or is behind them in charge.

All cells of a pack pass the same charge.  A cell of less capacity runs ahead of the others on its
way down the discharge curve, the further the more charge flows; one that is behind in charge is
ahead of them by the same from the start.  So with m(q) the others' resting voltage over the charge
drawn, a cell rests at m(q·(1 + ε) + a), with ε = 1/ρ − 1 for a capacity of ρ times theirs and a in
Ah the charge that it lacked at the start.  The shape of m is the ride's own: no curve is assumed.
"""

import itertools
import math
from dataclasses import dataclass
from statistics import NormalDist

import numpy as np

from ..readings.series import Array
from .estimate import Estimate, of_draws
from .rests import Rests

SIZE_SPREADS = (0.012, 0.12)
LAG_SPREADS = (0.008, 0.08)
"""Standard deviations, before the ride is looked at, of ε and of a as a share of the capacity: of a
usual cell and of an odd one (our judgement; cells of one make and lot differ by about 1 %)."""

BALANCED = 0.5, 0.3
"""Share of the capacity drawn between the pack's last balancing at full and the ride's start, mean
and standard deviation, before anything is known of it: a small cell that was full with the others
lacks ε times that when the ride begins.  A small cell may as well lack nothing: half and half."""

ODD, ODD_MOST = 0.8, 0.1
"""Cells of a pack that are odd in size, and likewise in charge, before the ride is looked at, and
the greatest share of its cells that this may be (our judgement: a pack with two is rare)."""

DRAWS = 1200
"""Draws of what is believed of each cell: as many as of the pack's charge."""

TAP = 0.0015
"""V by which one cell's reading may be off against another's all the time (our judgement)."""

SAG_SHARE = 0.02
"""Share of the difference in sag between a cell and the others that may pass for rest."""

SLOPE_SHARE = 0.15
"""Share of the voltage between a cell and the others that the slope's doubt makes doubtful."""

BEYOND_SHARE = 0.6
"""Likewise of a cell further down than the others came in this ride: there the curve is unknown,
and may be three times as steep."""

FEWEST = 3


@dataclass(frozen=True)
class Unequal:
    """How a cell's charge differs from the middle one's of its pack.

    ``size`` is ρ, its capacity over theirs; ``lag`` the Ah that it lacked at the start of the fit,
    ``behind`` that at its end, its smaller size included.  ``draws`` are equally likely (ε, a),
    shape (DRAWS, 2), in no order.  What is believed is a mixture of normal distributions, the cell
    being usual or odd in either: ``shares`` (n,), ``means`` (n, 2) and ``covariances`` (n, 2, 2).
    """

    size: Estimate
    lag: Estimate
    behind: Estimate
    draws: Array
    shares: Array
    means: Array
    covariances: Array

    def chance_smaller(self, share: float) -> float:
        """Return how likely it is that the cell lacks more than ``share`` of the others' size."""
        return self._above(np.array([1.0, 0.0]), 1 / (1 - share) - 1)

    def chance_lagging(self, charge: float) -> float:
        """Return how likely it is that the cell lacked more than ``charge`` Ah at the start."""
        return self._above(np.array([0.0, 1.0]), charge)

    def chance_behind(self, charge: float, drawn: float) -> float:
        """Return how likely it is that the cell lacked more than ``charge`` Ah after ``drawn``."""
        return self._above(np.array([drawn, 1.0]), charge)

    def _above(self, weights: Array, limit: float) -> float:
        sd = np.sqrt(np.einsum("i,nij,j->n", weights, self.covariances, weights))
        part = [
            NormalDist(float(m), float(s)).cdf(limit)
            for m, s in zip(self.means @ weights, sd, strict=True)
        ]
        return float(self.shares @ (1 - np.array(part)))


def compare_cells(rests: Rests) -> tuple[Unequal, ...] | None:
    """Return how every cell differs; None with fewer than three, or without any charge drawn."""
    count = len(rests.keys)
    charge = rests.charge - rests.drawn[0]
    if count < FEWEST or np.ptp(charge) < 1e-3 * rests.capacity:
        return None
    middle = np.median(rests.voltage, axis=1)
    ten = np.array([one.value for one in rests.ten])
    usual = float(np.median(ten))
    base = rests.apart + np.eye(len(charge)) * TAP**2 / 4 + TAP**2
    priors = _priors(rests.capacity, min(ODD / count, ODD_MOST))
    chance = np.random.default_rng(3)
    found = []
    for at in range(count):
        apart = rests.voltage[:, at] - middle
        sag = SAG_SHARE * abs(ten[at] - usual) * rests.load
        mean = np.zeros(2)
        for _ in range(4):
            shift = charge * mean[0] + mean[1]
            outside = np.clip(charge + shift - charge[-1], 0.0, np.maximum(shift, 1e-9))
            outside = outside / np.maximum(shift, 1e-9)
            doubt = (SLOPE_SHARE + BEYOND_SHARE * outside) * apart
            weight = np.linalg.inv(base + np.diag(doubt**2) + sag**2)
            slope = _slope(charge, middle, shift)
            columns = np.stack([slope * charge, slope], axis=1)
            mixture = _weigh(columns, apart, weight, priors)
            mean = mixture[0] @ mixture[1]
            # What neither size nor charge explains makes both the less sure: on a plateau a cell's
            # distance from the others is no straight line in them.
            left = apart - columns @ mean
            misfit = float(left @ weight @ left) / len(left)
            if misfit > 1.0:
                mixture = _weigh(columns, apart, weight / misfit, priors)
                mean = mixture[0] @ mixture[1]
        found.append(_told(*mixture, rests.drawn[1] - rests.drawn[0], chance))
    return tuple(found)


def _priors(capacity: float, odd: float) -> tuple[Array, Array]:
    """Return the precision of (ε, a) for every pairing of usual and odd, shape (n, 2, 2), and the
    logarithm of its weight before the ride is looked at."""
    precisions, logs = [], []
    for (size, since, chance), odd_lag in itertools.product(
        ((0, 0.0, 1 - odd), (1, 0.0, odd / 2), (1, 1.0, odd / 2)), (0, 1)
    ):
        prior = np.diag([SIZE_SPREADS[size] ** 2, (LAG_SPREADS[odd_lag] * capacity) ** 2])
        drawn = np.array(BALANCED) * since * capacity
        prior[0, 1] = prior[1, 0] = drawn[0] * prior[0, 0]
        prior[1, 1] += (drawn @ drawn) * prior[0, 0]
        precisions.append(np.linalg.inv(prior))
        logs.append(math.log(chance) + math.log(odd if odd_lag else 1 - odd))
    found = np.array(precisions)
    return found, np.array(logs) + np.linalg.slogdet(found)[1] / 2


def _weigh(
    columns: Array, apart: Array, weight: Array, priors: tuple[Array, Array]
) -> tuple[Array, Array, Array]:
    """Return shares, means and covariances of (ε, a), every pairing of usual and odd weighed by
    its evidence (Bayesian linear regression, textbook form)."""
    weighed = weight @ columns
    square, cross = columns.T @ weighed, weighed.T @ apart
    covariances = np.linalg.inv(square + priors[0])
    means = covariances @ cross
    logs = (means @ cross + np.linalg.slogdet(covariances)[1]) / 2 + priors[1]
    share = np.exp(logs - logs.max())
    return share / share.sum(), np.asarray(means, np.float64), np.asarray(covariances, np.float64)


def _told(
    shares: Array, means: Array, covariances: Array, drawn: float, chance: np.random.Generator
) -> Unequal:
    which = np.searchsorted(np.cumsum(shares), (np.arange(DRAWS) + 0.5) / DRAWS * (1 - 1e-9))
    roots = np.linalg.cholesky(covariances)
    draws = means[which] + np.einsum("nij,nj->ni", roots[which], chance.normal(size=(DRAWS, 2)))
    draws = draws[chance.permutation(DRAWS)]  # shuffle() moves row by row
    return Unequal(
        of_draws(1 / np.maximum(1 + draws[:, 0], 0.3)),
        of_draws(draws[:, 1]),
        of_draws(draws @ np.array([drawn, 1.0])),
        draws,
        shares,
        means,
        covariances,
    )


def _slope(charge: Array, voltage: Array, shift: Array) -> Array:
    """Return the V an Ah by which the voltage changes between each charge and ``shift`` further,
    the curve's ends drawn on straight; at least the slope of the fifth of the ride around it."""
    reach = np.maximum(np.abs(shift), np.ptp(charge) / 5)
    low = np.minimum(charge, charge + np.sign(shift) * reach)
    low = np.where(shift == 0, charge - reach / 2, low)
    return (_on(charge, voltage, low + reach) - _on(charge, voltage, low)) / reach


def _on(charge: Array, voltage: Array, at: Array) -> Array:
    inside = np.interp(at, charge, voltage)
    wide = max(1, len(charge) // 5)
    first = (voltage[wide] - voltage[0]) / (charge[wide] - charge[0])
    last = (voltage[-1] - voltage[-1 - wide]) / (charge[-1] - charge[-1 - wide])
    return np.asarray(
        inside + first * np.minimum(at - charge[0], 0) + last * np.maximum(at - charge[-1], 0),
        np.float64,
    )
