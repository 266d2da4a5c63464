"""Our short ways to a median, a quantile and a place in a row, against numpy's own (the outside
reference), to the last digit."""

import numpy as np
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays

from sagline_analyser.findings.readings.around import beside
from sagline_analyser.findings.readings.quantiles import median, median_near, quantile, quantiles
from sagline_analyser.findings.readings.series import Series, interpolate

anything = st.one_of(
    st.floats(-1e9, 1e9),
    st.sampled_from([0.0, 1.0, 2.0, 2.0, 3.0, np.nan]),
)
rows = st.integers(1, 60).flatmap(lambda n: arrays(np.float64, n, elements=anything))


@given(rows, st.floats(0, 1), st.sampled_from([0.0, 0.02, 0.5, 0.98, 1.0]))
def test_medians_and_quantiles_are_numpys(row: np.ndarray, share: float, other: float) -> None:
    same = [np.median(row), *np.quantile(row, [share, other])]
    assert np.array_equal([median(row), *quantiles(row, (share, other))], same, equal_nan=True)
    assert np.array_equal(quantile(row, share), same[1], equal_nan=True)


@given(rows, st.one_of(st.floats(0, 1e9), st.sampled_from([np.inf, np.nan, 1.0, 2.0])))
def test_a_guess_changes_no_median(row: np.ndarray, near: float) -> None:
    size = np.abs(row)
    assert np.array_equal(median_near(size, near), np.median(size), equal_nan=True)


@given(
    st.lists(st.sampled_from([0.0, 0.01, 0.01, 0.01, 0.010000001, 0.02, 3.0]), max_size=200),
    st.sampled_from([-3.0, -0.05, -0.0500001, 0.0, 0.01, 0.02, 7.0]),
)
def test_a_place_a_fixed_way_off_is_what_a_search_finds(steps: list[float], way: float) -> None:
    time = np.cumsum(steps)
    for side in ("left", "right"):
        found = np.searchsorted(time, time + way, side)  # type: ignore[call-overload]
        assert np.array_equal(beside(time, way, side), found)  # type: ignore[arg-type]


@given(
    st.lists(st.tuples(st.sampled_from([0.0, 0.1, 0.5]), st.booleans()), min_size=1, max_size=40),
    arrays(np.float64, 30, elements=st.integers(-3, 60).map(lambda n: n / 20)),
)
def test_nothing_is_read_inside_a_gap(steps: list[tuple[float, bool]], times: np.ndarray) -> None:
    time, gap = np.cumsum([s for s, _ in steps]), np.array([g for _, g in steps])
    found = interpolate(Series(time, time.copy(), gap), times)
    for at, value in zip(times.tolist(), found.tolist(), strict=True):
        after = int(np.searchsorted(time, at))
        outside = at < time[0] or at > time[-1]
        inside = not outside and after > 0 and gap[after] and time[after] != at
        assert (value != value) == bool(outside or inside)
