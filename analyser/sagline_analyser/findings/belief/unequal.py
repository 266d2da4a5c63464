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

import numpy as np

from ..series import Array
from .estimate import NORMAL, Estimate
from .rests import Rests

SIZE_SPREADS = (0.012, 0.12)
LAG_SPREADS = (0.008, 0.08)
"""Standard deviations, before the ride is looked at, of ε and of a as a share of the capacity: of a
usual cell and of an odd one (our judgement; cells of one make and lot differ by about 1 %)."""

ODD = 0.1
"""Share of cells that are odd in size, and likewise in charge, before the ride is looked at."""

TAP = 0.0015
"""V by which one cell's reading may be off against another's all the time (our judgement)."""

SAG_SHARE = 0.02
"""Share of the difference in sag between a cell and the others that may pass for rest."""

SLOPE_SHARE = 0.15
"""Share of the voltage between a cell and the others that the slope's doubt makes doubtful."""

FEWEST = 3


@dataclass(frozen=True)
class Unequal:
    """How a cell's charge differs from the middle one's of its pack.

    ``size`` is ρ, its capacity over theirs; ``lag`` the Ah that it lacked at the start of the fit,
    ``behind`` that at its end, its smaller size included.  ``mean`` (ε, a) and ``covariance`` are
    the same for drawing from.
    """

    size: Estimate
    lag: Estimate
    behind: Estimate
    mean: Array
    covariance: Array


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
    found = []
    for at in range(count):
        apart = rests.voltage[:, at] - middle
        sag = SAG_SHARE * abs(ten[at] - usual) * rests.load
        noise = base + np.diag((SLOPE_SHARE * apart) ** 2) + sag**2
        weight = np.linalg.inv(noise)
        mean, covariance = np.zeros(2), np.eye(2)
        for _ in range(3):
            slope = _slope(charge, middle, charge * mean[0] + mean[1])
            columns = np.stack([slope * charge, slope], axis=1)
            mean, covariance = _weigh(columns, apart, weight, rests.capacity)
        found.append(_told(mean, covariance, rests.drawn[1] - rests.drawn[0]))
    return tuple(found)


def _weigh(columns: Array, apart: Array, weight: Array, capacity: float) -> tuple[Array, Array]:
    """Return mean and covariance of (ε, a), every pairing of usual and odd weighed by its evidence
    (Bayesian linear regression, textbook form)."""
    square, cross = columns.T @ weight @ columns, columns.T @ weight @ apart
    odd = np.array(list(itertools.product((0, 1), repeat=2)))
    sds = np.stack(
        [np.array(SIZE_SPREADS)[odd[:, 0]], np.array(LAG_SPREADS)[odd[:, 1]] * capacity], axis=1
    )
    covariances = np.linalg.inv(square + sds[:, :, None] ** -2.0 * np.eye(2))
    means = np.array([covariance @ cross for covariance in covariances])
    explained = np.array([cross @ mean for mean in means])
    logs = (explained + np.linalg.slogdet(covariances)[1]) / 2 - np.log(sds).sum(axis=1)
    logs = logs + math.log(ODD / (1 - ODD)) * odd.sum(axis=1)
    share = np.exp(logs - logs.max())
    share /= share.sum()
    mean = np.einsum("m,mi->i", share, means)
    apart_from = means - mean
    spread = covariances + apart_from[:, :, None] * apart_from[:, None, :]
    return mean, np.einsum("m,mij->ij", share, spread)


def _told(mean: Array, covariance: Array, drawn: float) -> Unequal:
    at_end = np.array([drawn, 1.0])
    sd = np.sqrt(np.diag(covariance))
    size = 1 / (1 + mean[0])
    return Unequal(
        Estimate(float(size), float(NORMAL * sd[0] * size**2)),
        Estimate(float(mean[1]), float(NORMAL * sd[1])),
        Estimate(float(at_end @ mean), float(NORMAL * np.sqrt(at_end @ covariance @ at_end))),
        mean, covariance,
    )  # fmt: skip


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
