"""Crossings of a level: a slow reference, closed forms, and the promises about noise."""

from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from findings.test_series import signals
from sagline_analyser.findings.readings.series import Series
from sagline_analyser.findings.readings.spans import Rules, Span, find_spans


def slow_reference(series: Series, level: float, above: bool, rules: Rules) -> list[Span]:
    """Walk sample by sample, as the rules are written."""
    sign = 1 if above else -1
    time, value = series.time.tolist(), series.value.tolist()
    excess = [(v - level) * sign for v in value]
    joined = [i > 0 and not series.gap[i] for i in range(len(value))]

    def meet(inside: int, outside: int) -> float:
        share = excess[inside] / (excess[inside] - excess[outside])
        return time[inside] + share * (time[outside] - time[inside])

    raw: list[list[int]] = []  # [first, last] sample beyond
    current: list[int] | None = None
    for i, e in enumerate(excess):
        if not joined[i]:
            current = None
        if e > 0:
            if current is None:
                current = [i, i]
                raw.append(current)
            current[1] = i
        elif e <= -rules.hysteresis:
            current = None

    def edges(first: int, last: int) -> tuple[float, float]:
        start = meet(first, first - 1) if joined[first] else time[first]
        open_end = last + 1 < len(time) and joined[last + 1]
        return start, meet(last, last + 1) if open_end else time[last]

    merged: list[list[int]] = []  # [first, last, touches]
    for first, last in raw:
        if merged:
            before = merged[-1]
            unbroken = all(joined[i] for i in range(before[1] + 1, first + 1))
            if unbroken and edges(first, last)[0] - edges(before[0], before[1])[1] < rules.merge:
                before[1] = last
                before[2] += 1
                continue
        merged.append([first, last, 1])

    spans = []
    for first, last, touches in merged:
        start, end = edges(first, last)
        if end - start < rules.minimum:
            continue
        peak = max(range(first, last + 1), key=lambda i: (excess[i], -i))
        points = [(time[i], value[i]) for i in range(first, last + 1)]
        if start < time[first]:
            points.insert(0, (start, level))
        if end > time[last]:
            points.append((end, level))
        square = 0.0
        for (t0, a), (t1, b) in pairwise(points):
            square += (a * a + a * b + b * b) / 3 * (t1 - t0)
        whole = joined[first] and last + 1 < len(time) and joined[last + 1]
        spans.append(Span(start, end, value[peak], time[peak], square, touches, not whole))
    return spans


@given(
    signals(),
    st.floats(-150, 150),
    st.booleans(),
    st.floats(0, 80),
    st.floats(0, 5),
    st.floats(0, 3),
)
def test_spans_are_those_of_a_slow_reference(
    series: Series, level: float, above: bool, hysteresis: float, merge: float, minimum: float
) -> None:
    rules = Rules(hysteresis, merge, minimum)
    found = find_spans(series, level, above, rules)
    expected = slow_reference(series, level, above, rules)
    assert [(s.touches, s.cut, s.peak, s.peak_time) for s in found] == [
        (s.touches, s.cut, s.peak, s.peak_time) for s in expected
    ]
    for one, other in zip(found, expected, strict=True):
        assert (one.start, one.end) == (other.start, other.end)
        assert one.square == pytest.approx(other.square, rel=1e-9, abs=1e-6)


def whole(time: np.ndarray, value: np.ndarray) -> Series:
    return Series(time, value, np.zeros(len(time), bool))


def test_rectangular_pulse_has_the_closed_form() -> None:
    # ∫ I² dt of a constant 80 A for 2.5 s is I²·t = 16,000 A²s.
    time = np.array([0, 1, 1 + 1e-9, 3.5, 3.5 + 1e-9, 5])
    pulse = whole(time, np.array([0, 0, 80, 80, 0, 0.0]))
    (span,) = find_spans(pulse, 60, True, Rules(1))
    assert span.square == pytest.approx(80**2 * 2.5, rel=1e-6)
    assert span.duration == pytest.approx(2.5, rel=1e-6)


@pytest.mark.parametrize(("peak", "tau", "level"), [(200, 0.5, 20), (90, 3, 60), (1000, 0.02, 5)])
def test_exponential_pulse_has_the_closed_form(peak: float, tau: float, level: float) -> None:
    # i = I·e^(-t/τ) above the level L until t = τ·ln(I/L): ∫ i² dt = (τ/2)(I² - L²), which tends
    # to the I²τ/2 of a pulse that is followed to its end.
    time = np.linspace(0, 6 * tau, 20_001)
    (span,) = find_spans(whole(time, peak * np.exp(-time / tau)), level, True, Rules(0, 1, 0))
    assert span.square == pytest.approx(tau / 2 * (peak**2 - level**2), rel=1e-6)
    assert span.duration == pytest.approx(tau * np.log(peak / level), rel=1e-6)
    assert span.cut  # the recording begins inside it


def test_chatter_makes_one_row() -> None:
    # A controller that holds its limit: 60 s of noise around it, 100 samples a second.
    noise = np.random.default_rng(1).normal(0, 0.6, 6000)
    time = np.arange(6000) / 100
    spans = find_spans(whole(time, 60 + noise), 60, True, Rules(1.2))
    assert len(spans) == 1
    assert spans[0].duration > 59


def test_a_gap_ends_a_crossing_and_nothing_is_summed_across() -> None:
    gap = np.zeros(40, bool)
    gap[20] = True
    time = np.arange(40.0)
    time[20:] += 100
    spans = find_spans(Series(time, np.full(40, 70.0), gap), 60, True, Rules(1, merge=1000))
    assert [(s.start, s.end, s.cut) for s in spans] == [(0, 19, True), (120, 139, True)]
    assert sum(s.square for s in spans) == pytest.approx(70**2 * 38)
