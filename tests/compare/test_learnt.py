"""What stretches tell of a slope besides their launches, against SciPy's t and Monte Carlo."""

import numpy as np
import pytest
import scipy

from sagline_analyser.compare.alike import Slopes
from sagline_analyser.compare.learnt import AS_LAUNCHES, OTHERWISE, TEMPERED, learnt
from sagline_analyser.compare.mixture import Mixture
from sagline_analyser.compare.statistics import Difference, difference

VOLTS = np.array([0.012, 0.003, -0.004, -0.013])
"""How far each stretch's rest voltage was from the mean, as a share, in the order A, B, B, A."""


def stretches(means: np.ndarray, scatter: np.ndarray) -> list[np.ndarray]:
    """Stretches of the launches' scatter about each mean, with their condition."""
    return [
        np.column_stack([mean + scatter, np.full(len(scatter), volts)])
        for mean, volts in zip(means, VOLTS, strict=True)
    ]


def told(
    rows: list[np.ndarray], slope: float, doubt: float, alone: bool
) -> tuple[Difference, Difference]:
    """The plain difference at like conditions, and the learnt one."""
    even = [one[:, 0] - 5.0 * slope * one[:, 1] for one in rows]
    plain = difference([even[0], even[3]], [even[1], even[2]])
    found = Slopes(("rest_voltage",), np.array([slope]), np.array([[doubt**2]]), np.empty(0), 5.0)
    return plain, learnt(plain, [rows[0], rows[3]], [rows[1], rows[2]], found, alone)


def test_a_mixture_of_one_is_scipys_t() -> None:
    """Reference: scipy.stats.t."""
    one = Mixture(np.ones(1), np.array([2.0]), np.array([0.5]), 3.0)
    theirs = scipy.stats.t(3.0, 2.0, 0.5)
    for share in (0.05, 0.5, 0.95):
        assert one.quantile(share) == pytest.approx(theirs.ppf(share), abs=1e-4)
    assert one.below(0.3) == pytest.approx(theirs.cdf(0.3), abs=1e-4)
    assert one.p() == pytest.approx(2 * theirs.cdf(0.0), abs=1e-4)


def test_a_mixture_lies_between_its_parts() -> None:
    """Reference: scipy.stats.t, weighed by hand."""
    two = Mixture(np.array([0.3, 0.7]), np.array([0.0, 1.0]), np.array([0.2, 0.4]), 4.0)
    low = two.quantile(0.05)
    by_hand = 0.3 * scipy.stats.t.cdf(low / 0.2, 4) + 0.7 * scipy.stats.t.cdf((low - 1) / 0.4, 4)
    assert by_hand == pytest.approx(0.05, abs=1e-4)


def test_without_conditions_it_is_the_plain_t() -> None:
    scatter = np.array([-0.02, 0.0, 0.02])
    a, b = ([m + scatter for m in means] for means in ((5.0, 5.1), (4.6, 4.8)))
    plain = difference(a, b)
    columns = [[one[:, None] for one in side] for side in (a, b)]
    none = Slopes((), np.empty(0), np.empty((0, 0)), np.empty((6, 0)), 5.0)
    found = learnt(plain, *columns, none, alone=False)
    assert (found.low, found.high) == pytest.approx((plain.low, plain.high), abs=1e-3)
    assert found.value == pytest.approx(plain.value) and found.free == 2
    # With the launches' own scatter the interval is that of two degrees of freedom more.
    alone = learnt(plain, *columns, none, alone=True)
    squares = 2 * plain.spread**2 + AS_LAUNCHES * plain.scatter**2 / 3
    half = scipy.stats.t.ppf(0.95, 4) * np.sqrt(squares / 4)
    assert (alone.high - alone.low) / 2 == pytest.approx(half, rel=1e-3) and alone.free == 4


@pytest.mark.parametrize("alone", [False, True])
def test_the_interval_is_that_of_bayes_rule(alone: bool) -> None:
    """Monte Carlo of the same model: slopes drawn about the launches', the spread's variance from
    an inverse χ², each weighed by how well it explains how the stretches of a side lie apart."""
    scatter = 0.02 * np.array([-1.2, 0.3, 0.9, -0.6, 1.1, -0.5])
    rows = stretches(np.array([4.86, 4.52, 4.56, 5.06]), scatter)
    plain, found = told(rows, -1.5, 0.1, alone)
    chance = np.random.default_rng(6)
    slope = 5.0 * (-1.5 + np.hypot(0.1, OTHERWISE) * chance.standard_normal(400_000))
    means = np.array([row[:, 0].mean() for row in rows])
    even = means - slope[:, None] * VOLTS
    squares = (even[:, 0] - even[:, 3]) ** 2 / 2 + (even[:, 1] - even[:, 2]) ** 2 / 2
    free, power = 2.0, TEMPERED
    if alone:
        power = 1.0
        squares, free = squares + AS_LAUNCHES * plain.scatter**2 / 6, free + AS_LAUNCHES
    weight = squares ** (-power * free / 2)
    value = (even[:, 1] + even[:, 2] - even[:, 0] - even[:, 3]) / 2
    drawn = value + np.sqrt(squares / free) * chance.standard_t(free, 400_000)
    order = np.argsort(drawn)
    share = np.cumsum(weight[order]) / weight.sum()
    low, middle, high = (drawn[order][np.searchsorted(share, x)] for x in (0.05, 0.5, 0.95))
    assert (found.low, found.value, found.high) == pytest.approx((low, middle, high), abs=0.005)


def test_a_slope_that_rides_do_not_share_with_launches_is_learnt_from_them() -> None:
    """Launches say − 1.5, rides go by − 1.0: the stretches of one setting come together by that."""
    noise = 0.01 * np.random.default_rng(2).standard_normal(6)
    rows = stretches(5.0 * (1 - 1.0 * VOLTS) + np.array([0, -0.3, -0.3, 0]), noise)
    plain, found = told(rows, -1.5, 0.1, alone=True)
    assert found.low < -0.3 < found.high and found.p < 0.05
    assert found.high - found.low < 0.5 * (plain.high - plain.low)


def test_luck_of_two_stretches_is_no_proof() -> None:
    """Stretches that agree to a hair: the launches' scatter still speaks."""
    rows = stretches(np.array([5.0, 4.99, 4.99, 5.0]), np.array([-0.3, 0.1, 0.2]))
    _, found = told(rows, 0.0, 0.1, alone=False)
    assert found.p > 0.5
