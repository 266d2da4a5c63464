"""Our statistics against SciPy's: permutation_test, bootstrap, the t distribution, power."""

import math

import numpy as np
import pytest
from scipy import optimize, stats

from sagline_analyser.compare.statistics import (
    adjusted,
    difference,
    labellings,
    repeats_for,
    t_quantile,
)

SIZES = [(3, 3), (4, 4), (5, 4), (3, 6), (6, 6)]


def sample(seed: int, a: int, b: int, shift: float = 0.6) -> tuple[np.ndarray, np.ndarray]:
    chance = np.random.default_rng(seed)
    return chance.gamma(3.0, 0.3, a), chance.gamma(3.0, 0.3, b) + shift


def mean_difference(b: np.ndarray, a: np.ndarray, axis: int = -1) -> np.ndarray:
    return np.asarray(np.mean(b, axis=axis) - np.mean(a, axis=axis))


def scipy_p(a: np.ndarray, b: np.ndarray, alternative: str) -> float:
    """Reference: scipy.stats.permutation_test, exact (all resamples)."""
    found = stats.permutation_test(
        (b, a), mean_difference, n_resamples=np.inf, alternative=alternative, vectorized=True
    )
    return float(found.pvalue)


@pytest.mark.parametrize("sizes", SIZES)
def test_p_is_that_of_scipys_exact_permutation_test(sizes: tuple[int, int]) -> None:
    for seed in range(4):
        a, b = sample(seed, *sizes, shift=0.3 * seed)
        assert difference(a, b).p == pytest.approx(scipy_p(a, b, "two-sided"), abs=1e-12)


@pytest.mark.parametrize("sizes", SIZES)
def test_the_interval_is_where_scipys_test_does_not_reject(sizes: tuple[int, int]) -> None:
    """Just inside either end scipy's one-sided p is above 5 %, just outside it is not."""
    a, b = sample(7, *sizes)
    found = difference(a, b)
    assert found.low < found.value < found.high
    for end, inwards, alternative in ((found.low, 1, "greater"), (found.high, -1, "less")):
        assert scipy_p(a, b - (end + inwards * 1e-6), alternative) > 0.05
        assert scipy_p(a, b - (end - inwards * 1e-6), alternative) <= 0.05


def test_the_first_correction_is_scipys_test_of_the_largest_difference() -> None:
    """Reference: scipy.stats.permutation_test of the largest |t|, over row numbers, so that a
    launch's measures stay together."""
    chance = np.random.default_rng(3)
    rows = chance.normal(size=(10, 4))
    rows[5:] += np.array([1.5, 0.2, 0.0, 1.1])

    def largest(x: np.ndarray, y: np.ndarray) -> float:
        one, other = rows[x.astype(int)], rows[y.astype(int)]
        return float(np.max(np.abs(stats.ttest_ind(one, other, axis=0).statistic)))

    found = stats.permutation_test(
        (np.arange(5), np.arange(5, 10)), largest, n_resamples=np.inf, alternative="greater",
        vectorized=False,
    )  # fmt: skip
    assert adjusted(rows[:5], rows[5:]).min() == pytest.approx(float(found.pvalue), abs=1e-12)


def test_corrected_p_lies_between_plain_and_bonferroni() -> None:
    chance = np.random.default_rng(5)
    a, b = chance.normal(size=(5, 6)), chance.normal(size=(6, 6)) + np.linspace(0, 2, 6)
    plain = np.array([stats_p(a[:, k], b[:, k]) for k in range(6)])
    found = adjusted(a, b)
    assert (found >= plain - 1e-12).all()
    assert (found <= np.minimum(6 * plain, 1) + 1e-12).all()
    order = np.argsort(plain)
    assert (np.diff(found[order]) >= -1e-12).all()


def stats_p(a: np.ndarray, b: np.ndarray) -> float:
    """Two-sided p of |t| over all labellings: reference scipy.stats.permutation_test."""

    def size(x: np.ndarray, y: np.ndarray, axis: int = -1) -> np.ndarray:
        return np.abs(np.asarray(stats.ttest_ind(x, y, axis=axis).statistic))

    found = stats.permutation_test(
        (a, b), size, n_resamples=np.inf, alternative="greater", vectorized=True
    )
    return float(found.pvalue)


def test_with_many_repeats_the_interval_is_that_of_scipys_bootstrap() -> None:
    """Reference: scipy.stats.bootstrap, BCa: another way to the same, so near, not equal."""
    a, b = sample(11, 40, 45)
    ours = difference(a, b)
    theirs = stats.bootstrap(
        (b, a), mean_difference, confidence_level=0.9, vectorized=True, rng=np.random.default_rng(2)
    ).confidence_interval
    width = theirs.high - theirs.low
    assert ours.low == pytest.approx(theirs.low, abs=0.1 * width)
    assert ours.high == pytest.approx(theirs.high, abs=0.1 * width)


def test_the_interval_covers_as_often_as_it_says() -> None:
    """2000 draws of 5 against 5 from one skewed distribution: 90 % ± 4 standard errors."""
    chance = np.random.default_rng(8)
    hits = 0
    for _ in range(2000):
        a, b = chance.gamma(2.0, 1.0, 5), chance.gamma(2.0, 1.0, 5) + 1.0
        found = difference(a, b)
        hits += found.low <= 1.0 <= found.high
    assert abs(hits / 2000 - 0.905) < 4 * math.sqrt(0.09 / 2000)


def test_too_few_repeats_give_no_interval() -> None:
    found = difference(np.array([1.0, 1.1]), np.array([2.0, 2.1]))
    assert (found.low, found.high) == (-math.inf, math.inf)
    assert found.p == pytest.approx(1 / 3)


@pytest.mark.parametrize("sizes", [*SIZES, (12, 12)])
def test_the_first_labelling_is_the_real_one(sizes: tuple[int, int]) -> None:
    ways = labellings(*sizes)
    assert ways[0].tolist() == [False] * sizes[0] + [True] * sizes[1]
    assert (ways.sum(axis=1) == sizes[1]).all()
    if math.comb(sum(sizes), sizes[1]) == len(ways):
        assert len(np.unique(ways, axis=0)) == len(ways)


@pytest.mark.parametrize("free", [1, 2, 3, 4, 5, 9, 30])
def test_t_quantiles_are_scipys(free: int) -> None:
    assert t_quantile(free) == pytest.approx(stats.t.ppf(0.95, free), rel=0.01)


@pytest.mark.parametrize("ratio", [0.3, 0.5, 0.8])
def test_the_suggested_repeats_have_the_power_they_claim(ratio: float) -> None:
    """Reference: power of the one-sided t test from scipy's noncentral t; the normal reckoning is
    known to be short by about one repeat."""
    count = repeats_for(ratio, 1.0)
    assert count is not None

    def power(n: float) -> float:
        free = 2 * n - 2
        edge = stats.t.ppf(0.95, free)
        return float(stats.nct.sf(edge, free, ratio * math.sqrt(n / 2)))

    exact = optimize.brentq(lambda n: power(n) - 0.8, 2, 1000)
    assert exact - 2 <= count <= exact + 1
