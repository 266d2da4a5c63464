"""Use of rated parts: the sliding RMS against a slow reading, and against closed forms."""

import itertools

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from sagline_analyser.findings.limits.parts import (
    NoWindow,
    Squares,
    WindowUse,
    part_answer,
    part_uses,
)
from sagline_analyser.findings.readings.gathered import Gathered
from sagline_analyser.findings.readings.series import Series
from sagline_logger.format import read_board_file
from support.rides import channel, make_ride, make_stream

BOARD = read_board_file(
    """
name = "Kestrel"
[battery]
[[battery.units]]
name = "bread box"
series = 13
parallel = 5
max_discharge_current = 6
max_charge_current = 2
[[controllers]]
count = 2
continuous_current = 40
burst_current = 60
burst_seconds = 10
battery_current = 25
[[fuses]]
name = "main fuse"
rated_current = 40
[[connectors]]
name = "main connector"
rated_current = 25
""",
    "board.toml",
)


def slow_hardest(series: Series, window: float) -> float | None:
    """Simpson's rule on every piece of every window that begins or ends at a sample.

    Simpson is exact for the square of a straight line, and shares nothing with the module's sums.
    """
    best = None
    cuts = np.flatnonzero(series.gap[1:]) + 1
    for part in np.split(np.arange(len(series)), cuts):
        time, value = series.time[part], series.value[part]
        for start in [*time, *(time - window)]:
            end = start + window
            if start < time[0] - 1e-9 or end > time[-1] + 1e-9:
                continue
            knots = np.unique(
                np.clip([start, end, *time[(time > start) & (time < end)]], time[0], time[-1])
            )
            total = 0.0
            for a, b in itertools.pairwise(knots):
                left, middle, right = np.interp([a, (a + b) / 2, b], time, value) ** 2
                total += (b - a) / 6 * (left + 4 * middle + right)
            rms = (total / window) ** 0.5
            best = rms if best is None else max(best, rms)
    return best


def sliding_rms(series: Series, window: float) -> tuple[np.ndarray, np.ndarray]:
    """Return (end, rms) of all windows."""
    return Squares(series).windows(np.arange(len(series)), window)


@given(
    st.lists(
        st.tuples(st.integers(1, 20), st.integers(-600, 600), st.booleans()),
        min_size=1,
        max_size=30,
    ),
    st.sampled_from([0.5, 1.0, 3.0]),
)
def test_sliding_rms_matches_a_slow_reading(
    rows: list[tuple[int, int, bool]], window: float
) -> None:
    ticks, values, gaps = zip(*rows, strict=True)
    series = Series(np.cumsum(ticks) / 8, np.array(values) / 10, np.array([False, *gaps[1:]], bool))
    wanted = slow_hardest(series, window)
    ends, rms = sliding_rms(series, window)
    if wanted is None:
        assert len(rms) == 0
    else:
        assert rms.max() == pytest.approx(wanted, rel=1e-6, abs=1e-4)
        assert np.all(ends - window >= series.time[0] - 1e-9)


@pytest.mark.parametrize("window", [1.0, 10.0, 60.0, 300.0])
@pytest.mark.parametrize("seed", range(6))
def test_the_hardest_window_is_found_without_looking_at_all(seed: int, window: float) -> None:
    chance = np.random.default_rng(seed)
    count = int(chance.integers(1, 30_000))
    gap = chance.random(count) < chance.choice([0, 1e-4, 1e-2])
    time = np.cumsum(np.where(gap, 3.0, chance.uniform(0.005, 0.02, count)))
    value = np.cumsum(chance.normal(0, 1, count)) * (chance.random() < 0.8)
    squares = Squares(Series(time, value, gap))
    ends, rms = squares.windows(np.arange(count), window)
    found = squares.hardest(window)
    if found is None:
        assert not len(rms)
    else:
        assert found[1] == pytest.approx(rms.max(), rel=1e-12)
        assert rms[ends == found[0]].max() == found[1]


def test_sine_has_the_textbook_rms() -> None:
    """Peak over the square root of two, for whole periods (any electrical handbook)."""
    time = np.arange(0, 30, 0.01)
    sine = Series(time, 20 * np.sin(2 * np.pi * time), np.zeros(len(time), bool))
    _, rms = sliding_rms(sine, 10.0)
    assert rms == pytest.approx(20 / np.sqrt(2), rel=1e-3)


def test_duty_cycle_of_a_pulsed_current() -> None:
    """RMS of a pulse train is peak × √(duty) (any electrical handbook): 6 s of 50 A each minute."""
    time = np.arange(0, 600, 0.1)
    pulses = Series(time, np.where(time % 60 < 6, 50.0, 0.0), np.zeros(len(time), bool))
    _, rms = sliding_rms(pulses, 300.0)
    assert rms.max() == pytest.approx(50 * np.sqrt(0.1), rel=0.01)


def test_no_window_spans_a_gap() -> None:
    time = np.r_[np.arange(0, 6, 0.5), np.arange(6, 12, 0.5)]
    value = np.full(len(time), 10.0)
    gap = np.zeros(len(time), bool)
    gap[12] = True
    ends, rms = sliding_rms(Series(time, value, gap), 5.0)
    assert rms == pytest.approx(10.0)
    assert not np.any((ends > 5.5) & (ends < 11.0))
    assert len(sliding_rms(Series(time, value, gap), 6.0)[1]) == 0


def ride(battery: np.ndarray, motor: np.ndarray, step: float = 0.1):
    time = np.arange(len(battery)) * step
    return make_ride(
        make_stream(
            "fast",
            time,
            {
                channel("battery_current", "A"): battery,
                channel("motor_current", "A", 1): motor,
                channel("motor_current", "A", 2): motor / 2,
            },
        )
    )


def test_every_part_is_held_against_its_own_current() -> None:
    count = 1201
    battery = np.full(count, 20.0)
    battery[:300] = -15.0
    uses = {
        (u.limit.part, u.key, u.limit.kind, u.limit.direction): u
        for u in part_uses(Gathered(ride(battery, np.full(count, -50.0)), BOARD))
    }
    connector = uses["connector 'main connector'", "battery_current", "limit", "above"]
    assert connector.lasting is not None and connector.lasting.rms == pytest.approx(20.0)
    assert connector.lasting.share == pytest.approx(0.8)
    charging = uses["battery unit 'bread box'", "battery_current", "limit", "below"]
    assert charging.rating == 10 and charging.peak == pytest.approx(15.0)
    assert charging.name == "battery unit 'bread box', charging"
    ten = charging.windows[1]
    assert isinstance(ten, WindowUse)
    assert ten.rms == pytest.approx(15.0) and ten.span[1] <= 29.95
    drawing = uses["battery unit 'bread box'", "battery_current", "limit", "above"]
    assert drawing.rating == 30 and drawing.peak == pytest.approx(20.0)
    burst = uses["each controller", "motor_current_1", "burst", "above"]
    assert [w.window for w in burst.windows] == [10.0]
    assert burst.windows[0].rms == pytest.approx(50.0)  # braking current heats as well
    whole = connector.windows[-1]
    assert isinstance(whole, NoWindow) and "300 s" in whole.why.reason


def test_the_answer_names_the_part_and_warns() -> None:
    count = 1201
    answer = part_answer(Gathered(ride(np.full(count, 20.0), np.full(count, 44.0)), BOARD))
    assert answer.known
    assert "each controller" in answer.verdict and "110%" in answer.verdict.replace(" ", "")
    assert "more than it is rated for" in answer.verdict
    assert answer.figures[0].value == pytest.approx(110, rel=1e-3)
    assert "do not replace" in answer.caution and answer.evidence


def test_the_answer_says_why_it_cannot_be_given() -> None:
    empty = ride(np.full(5, 1.0), np.full(5, 1.0))
    assert "board file" in part_answer(Gathered(empty)).verdict
    bare = read_board_file('name = "bare"', "b")
    assert not part_answer(Gathered(empty, bare)).known
    short = part_answer(Gathered(empty, BOARD))
    assert not short.known and "1 s" in short.verdict
