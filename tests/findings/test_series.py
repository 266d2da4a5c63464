"""Integration and its helpers, held against scipy, pandas and the obvious."""

from itertools import pairwise

import numpy as np
import pytest
import scipy
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra import numpy as hnp

from sagline_analyser.findings.readings.around import BLOCK, highest_before
from sagline_analyser.findings.readings.series import (
    Series,
    clean,
    combine,
    integral,
    integral_above_zero,
    integral_of_square,
    interpolate,
    reading_at,
    same_times,
    time_where,
)
from support.late import late

pd = late("pandas")

VALUES = st.floats(-200, 200, width=32)


@st.composite
def signals(draw, gaps: bool = True) -> Series:
    steps = draw(hnp.arrays(float, st.integers(2, 60), elements=st.floats(0.001, 2.0)))
    value = draw(hnp.arrays(float, len(steps), elements=VALUES))
    gap = draw(hnp.arrays(bool, len(steps))) if gaps else np.zeros(len(steps), bool)
    return Series(np.cumsum(steps), value, gap)


def runs(series: Series) -> list[slice]:
    """Return the unbroken stretches."""
    edges = [0, *(i for i in range(1, len(series)) if series.gap[i]), len(series)]
    return [slice(a, b) for a, b in pairwise(edges)]


@given(signals())
def test_integral_is_scipys_over_each_unbroken_run(series: Series) -> None:
    expected = sum(
        scipy.integrate.trapezoid(series.value[run], series.time[run]) for run in runs(series)
    )
    assert integral(series) == pytest.approx(expected, rel=1e-9, abs=1e-6)


@given(signals())
def test_positive_part_and_square_match_scipy_on_the_straight_line(series: Series) -> None:
    positive = square = 0.0
    for run in runs(series):
        time, value = series.time[run], series.value[run]
        for a, b, t0, t1 in zip(value, value[1:], time, time[1:], strict=False):
            zero = [a / (a - b)] if a * b < 0 else []
            at = np.array([0.0, *zero, 1.0])
            line = a + (b - a) * at
            line[np.abs(line) < 1e-9] = 0.0
            positive += scipy.integrate.trapezoid(np.maximum(line, 0), at) * (t1 - t0)
            fine = np.linspace(0, 1, 3)  # Simpson's rule is exact for a square
            square += scipy.integrate.simpson((a + (b - a) * fine) ** 2, x=fine) * (t1 - t0)
    assert integral_above_zero(series) == pytest.approx(positive, rel=1e-6, abs=1e-5)
    assert integral_of_square(series) == pytest.approx(square, rel=1e-6, abs=1e-5)


@given(signals(), st.lists(st.floats(-1, 130), min_size=1, max_size=20))
def test_interpolation_is_numpys_inside_runs_and_nothing_elsewhere(
    series: Series, times: list[float]
) -> None:
    found = interpolate(series, np.array(times))
    for time, value in zip(times, found, strict=True):
        hosts = [r for r in runs(series) if series.time[r][0] <= time <= series.time[r][-1]]
        if not hosts:
            assert np.isnan(value)
        else:
            expected = np.interp(time, series.time[hosts[0]], series.value[hosts[0]])
            assert value == pytest.approx(expected, rel=1e-9, abs=1e-9)


def test_missing_readings_break_the_line() -> None:
    time = np.arange(6.0)
    series = clean(time, np.array([1, 1, np.nan, 1, 1, 1.0]), np.zeros(6, bool))
    assert series.time.tolist() == [0, 1, 3, 4, 5]
    assert series.gap.tolist() == [False, False, True, False, False]
    assert integral(series) == 3.0  # 1 A·s before the hole, 2 after it, none across


def test_time_where_counts_each_sample_for_its_half_steps() -> None:
    series = Series(np.arange(5.0), np.array([0, 1, 1, 0, 0.0]), np.zeros(5, bool))
    assert time_where(series, series.value > 0) == 2.0
    assert time_where(series, np.ones(5, bool)) == 4.0


def test_combining_two_rates_holds_to_the_first_ones_times() -> None:
    fast = Series(np.arange(0, 2.01, 0.5), np.ones(5), np.zeros(5, bool))
    slow = Series(np.array([0.0, 2.0]), np.array([0.0, 2.0]), np.zeros(2, bool))
    assert combine([fast, slow], "sum").value.tolist() == [1, 1.5, 2, 2.5, 3]


def test_slices_of_one_stream_are_told_from_others():
    time = np.arange(10.0)
    assert same_times(time[2:8], time[2:8])
    for other in (time[2:8].copy(), time[2:9], time[3:9], time[2:8:2], time[2:8].astype("f4")):
        assert not same_times(time[2:8], other)
    part = Series(time[2:8], time[2:8] ** 2, np.ones(6, bool))
    assert np.array_equal(interpolate(part, time[2:8]), part.value)


@pytest.mark.parametrize("seconds", [0.05, 0.25])
@pytest.mark.parametrize("count", [1, 2, 700, BLOCK + 300])
def test_the_highest_before_is_that_of_pandas(count: int, seconds: float) -> None:
    """A moving window over time that leaves its right end out, as pandas has it."""
    random = np.random.default_rng(count)
    for steps in (np.full(count, 10_000), random.choice([1000, 7000, 500_000], count)):
        micros = np.cumsum(steps)
        value = random.normal(size=count).round(2)
        value[random.random(count) < 0.1] = np.nan
        series = pd.Series(value, index=pd.to_timedelta(micros * 1000, unit="ns"))
        wanted = series.rolling(f"{round(seconds * 1000)}ms", closed="left").max().to_numpy()
        np.testing.assert_array_equal(highest_before(micros / 1e6, value, seconds), wanted)


def test_a_reading_is_not_known_in_a_gap_and_outside() -> None:
    series = Series(np.array([0.0, 1.0, 5.0]), np.array([2.0, 4.0, 8.0]), np.array([0, 0, 1], bool))
    assert [reading_at(series, at) for at in (0.5, 1.0, 3.0, 5.0, -0.1, 5.1)] == [
        3.0,
        4.0,
        None,
        8.0,
        None,
        None,
    ]
    assert reading_at(Series(*(np.zeros(0),) * 2, np.zeros(0, bool)), 0.0) is None
