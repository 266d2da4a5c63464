"""Our statistics against SciPy's and textbook designs: t tests, the noncentral t, the
coverage of nested data, Holm's correction."""

import math

import numpy as np
import pytest
import scipy

from sagline_analyser.compare.like_load import joined
from sagline_analyser.compare.statistics import (
    adjusted,
    difference,
    launchwise,
    pooled,
    power,
    smallest,
    stretches_for,
)


def nested(
    chance: np.random.Generator,
    sides: tuple[int, int] = (2, 2),
    launches: int = 6,
    between: float = 1.0,
    within: float = 1.0,
    shift: float = 0.0,
) -> tuple[list[np.ndarray], list[np.ndarray]]:
    def stretch(mean: float) -> np.ndarray:
        own = mean + between * chance.normal()
        return np.asarray(own + within * chance.normal(size=launches))

    return [stretch(0.0) for _ in range(sides[0])], [stretch(shift) for _ in range(sides[1])]


@pytest.mark.parametrize("sides", [(2, 2), (3, 2), (4, 5)])
def test_the_interval_and_p_are_those_of_scipys_t_test_of_the_means(
    sides: tuple[int, int],
) -> None:
    """Reference: scipy.stats.ttest_ind on the stretches' means, equal variances."""
    a, b = nested(np.random.default_rng(3), sides, shift=1.5)
    found = difference(a, b)
    theirs = scipy.stats.ttest_ind([x.mean() for x in b], [x.mean() for x in a])
    interval = theirs.confidence_interval(0.90)
    assert found.p == pytest.approx(theirs.pvalue, rel=1e-6)
    assert (found.low, found.high) == pytest.approx((interval.low, interval.high), rel=1e-6)
    assert (found.free, found.stretches) == (sum(sides) - 2, sides) and not found.typical
    each = launchwise(a[0], b[0])
    assert each.p == pytest.approx(scipy.stats.ttest_ind(b[0], a[0]).pvalue, rel=1e-6)


@pytest.mark.parametrize("between", [0.0, 0.3, 3.0])
def test_the_interval_covers_as_often_as_it_says_whatever_rides_differ_by(between: float) -> None:
    """2000 draws of A, B, B, A of six launches: 90 % ± 4 standard errors.  Launches counted as if
    they were independent would cover about a third at the last."""
    chance = np.random.default_rng(8)
    hits = 0
    for _ in range(2000):
        found = difference(*nested(chance, between=between, shift=0.4))
        hits += found.low <= 0.4 <= found.high
    assert abs(hits / 2000 - 0.90) < 4 * math.sqrt(0.09 / 2000)


def test_one_stretch_a_side_rests_on_the_typical_spread() -> None:
    """Textbook: the error of a difference of two means of one draw each is √2 times the spread."""
    a, b = np.array([10.0, 10.1, 9.9]), np.array([9.0, 9.1, 8.9])
    found = difference([a], [b], typical=0.5)
    assert found.typical and found.free == 4
    assert found.error == pytest.approx(math.sqrt(2 * (0.5**2 + pooled([a, b]) ** 2 / 3)))
    few = difference([a[:2]], [b], typical=0.5)
    assert (few.low, few.high, few.p) == (-math.inf, math.inf, 1.0)


def test_the_correction_is_holms() -> None:
    """Worked by hand from S. Holm's step-down rule (1979)."""
    assert adjusted([0.01, 0.04, 0.03, 0.005]) == pytest.approx([0.03, 0.06, 0.06, 0.02])
    assert adjusted([0.9, 0.8]) == [1.0, 1.0]


@pytest.mark.parametrize("free", [2, 4, 10])
def test_power_is_that_of_scipys_noncentral_t(free: int) -> None:
    """Reference: scipy.stats.nct, two-sided at 5 % (the far side is beyond counting)."""
    edge = scipy.stats.t.ppf(0.975, free)
    for size in (2.0, 4.0, 7.0):
        assert power(size, 1.0, free) == pytest.approx(
            scipy.stats.nct.sf(edge, free, size), abs=0.002
        )
    assert power(smallest(0.7, free), 0.7, free) == pytest.approx(0.80, abs=0.002)


def test_the_suggested_stretches_have_the_power_they_claim() -> None:
    """Reference: scipy.stats.nct."""
    for ratio in (0.8, 1.5, 3.0):
        count = stretches_for(ratio, 1.0)
        assert count is not None

        def reached(n: int, ratio: float = ratio) -> float:
            free = 2 * n - 2
            return float(
                scipy.stats.nct.sf(scipy.stats.t.ppf(0.975, free), free, ratio * math.sqrt(n / 2))
            )

        assert reached(count) >= 0.795 and (count == 2 or reached(count - 1) < 0.805)
    assert stretches_for(0.01, 1.0) is None and stretches_for(1.0, math.nan) is None


def test_what_the_currents_explain_outweighs_stretches_that_disagree() -> None:
    """Monte Carlo of the same model: effect = explained + misfit, both seen through t errors; the
    misfit is 12 % of the effect, about 9 % less than was explained; how far two stretches a side
    lie apart counts for two degrees of freedom, 0.1 s that is typical for two more."""
    direct = difference([np.full(3, 5.0), np.full(3, 5.3)], [np.full(3, 4.6), np.full(3, 4.9)])
    currents = difference([np.full(3, 5.0), np.full(3, 5.01)], [np.full(3, 4.5), np.full(3, 4.51)])
    found = joined(direct, currents, 5.0, 0.02)
    chance = np.random.default_rng(4)
    misfit = 0.5 * 0.09 + math.hypot(0.5 * 0.12, 5.0 * 0.001) * chance.normal(size=400_000)
    blur = math.sqrt((2 * direct.error**2 + 2 * 0.1**2) / 4)
    weight = scipy.stats.t.pdf((direct.value - currents.value - misfit) / blur, 4)
    drawn = (
        currents.value
        + misfit
        + currents.error * scipy.stats.t.rvs(2, size=400_000, random_state=5)
    )
    order = np.argsort(drawn)
    share = np.cumsum(weight[order]) / weight.sum()
    low, high = (drawn[order][np.searchsorted(share, x)] for x in (0.05, 0.95))
    assert (found.low, found.high) == pytest.approx((low, high), abs=0.01)
    assert found.p < 0.05 < direct.p
