"""Any stream may be empty, late, short or missing: every answer over generated rides."""

import json
import math
from dataclasses import asdict
from pathlib import Path

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from sagline_analyser import (
    answers,
    crossings_frame,
    fault_moments,
    find_crossings,
    open_basis,
    summarise,
    what_came_first,
)
from sagline_analyser.findings.answers import QUESTIONS
from sagline_analyser.findings.readings.gathered import Gathered
from sagline_analyser.load.ride import (
    LinkGap,
    Ride,
    RideEvent,
    RideMark,
    RideSegment,
    StreamColumns,
)
from sagline_analyser.page.document import trace_data
from sagline_analyser.page.strip import strip
from sagline_logger.format import EventKind, derive_limits, load_board_file, vocabulary
from support.rides import channel, make_ride, make_stream

ROOT = Path(__file__).parents[2]
BOARD, _ = load_board_file(ROOT / "analyser" / "sagline_analyser" / "demo_board.toml")
NAMES = sorted(name for name, term in vocabulary().items() if term.group != "place")
LIKELY = (
    "battery_current",
    "pack_voltage",
    "cell_voltage",
    "motor_current",
    "speed",
    "throttle",
    "motor_temperature",
    "duty_cycle",
    "motor_speed",
    "brake",
)
LEVEL = {
    "battery_current": 20.0,
    "pack_voltage": 48.0,
    "cell_voltage": 3.7,
    "motor_current": 30.0,
    "speed": 6.0,
    "throttle": 0.5,
    "duty_cycle": 0.5,
    "brake": 0.1,
}
SHAPES = ("steady", "noise", "ramp", "pulses", "gone", "holes", "absurd")


def _values(shape: str, level: float, count: int, luck: np.random.Generator) -> np.ndarray:
    value = np.full(count, level)
    if shape == "noise":
        value = value + luck.normal(0, 0.05 * level + 0.01, count)
    elif shape == "ramp":
        value = np.linspace(0, 2 * level, count)
    elif shape == "pulses":
        value = value * (np.arange(count) // 20 % 2)
    elif shape == "gone":
        value[:] = np.nan
    elif shape == "holes":
        value[luck.random(count) < 0.5] = np.nan
    elif shape == "absurd":
        value = luck.choice([-1e5, 0.0, 1e5], count)
    return value


@st.composite
def streams(draw: st.DrawFn, number: int, taken: set[str]) -> StreamColumns:
    """Draw a stream of standard channels that none of the others has."""
    count = draw(st.sampled_from((0, 1, 2, 3, 40, 400)))
    start = draw(st.sampled_from((0.0, 0.0, 0.0, 30.0, 5000.0)))
    period = draw(st.sampled_from((0.01, 0.1, 1.0)))
    luck = np.random.default_rng(draw(st.integers(0, 2**32 - 1)))
    time = start + period * np.arange(count)
    if draw(st.booleans()):
        time = np.sort(time + luck.uniform(0, period / 2, count))
    columns = {}
    names = st.one_of(st.sampled_from(LIKELY), st.sampled_from(NAMES))
    for name in draw(st.lists(names, min_size=1, max_size=5, unique=True)):
        if name in taken:
            continue
        taken.add(name)
        term = vocabulary()[name]
        shape = draw(st.sampled_from(SHAPES))
        places = (0,) if term.index == "none" else range(1, draw(st.sampled_from((2, 3, 14))))
        for place in places:
            value = _values(shape, LEVEL.get(name, 30.0), count, luck)
            columns[channel(name, term.unit, place)] = value
    gaps = [count // 2] if count > 3 and draw(st.booleans()) else []
    if gaps:
        time[gaps[0] :] += draw(st.sampled_from((0.5, 60.0)))
    return make_stream(f"s{number}", time, columns, gaps, draw(st.sampled_from((0.0, period))))


@st.composite
def rides(draw: st.DrawFn) -> Ride:
    """Draw a ride; the moments may lie where there are no samples, or in front of all of them."""
    taken: set[str] = set()
    drawn = [draw(streams(number, taken)) for number in range(draw(st.integers(0, 3)))]
    ride = make_ride(*drawn)
    end = ride.duration
    moments = st.sampled_from((0.0, end / 2, end, end + 10.0))
    happened = tuple(
        RideEvent(draw(moments), draw(st.sampled_from(EventKind)), number, 1, "over current")
        for number in range(draw(st.integers(0, 2)))
    )
    marks = tuple(RideMark(draw(moments), 1, "") for _ in range(draw(st.integers(0, 1))))
    gaps = draw(st.sampled_from(((), (LinkGap(end / 2, None, ""),), (LinkGap(0.0, end, ""),))))
    parts = (RideSegment(0, 1, 0.0, end),)
    if draw(st.booleans()):
        parts = (RideSegment(0, 1, 0.0, end / 2), RideSegment(1, 2, end / 2, end, 3.0))
        for stream in ride.streams.values():
            stream.segment[stream.time >= end / 2] = 1
    changes = {"events": happened, "marks": marks, "link_gaps": gaps, "segments": parts}
    return make_ride(*drawn, **changes, duration=end)


@pytest.mark.filterwarnings("error", "ignore::hypothesis.errors.HypothesisWarning")
@settings(max_examples=150, deadline=None, suppress_health_check=list(HealthCheck))
@given(rides(), st.booleans())
def test_every_answer_is_given_or_says_why_not(ride: Ride, with_board: bool) -> None:
    board = BOARD if with_board else None
    basis = open_basis(ride, board)
    said = answers(basis, other_capacity=20.0, plan=30.0)
    assert {answer.key for answer in said} == set(QUESTIONS)
    for answer in said:
        assert answer.verdict.strip() and answer.verdict.isprintable(), answer.key
        json.dumps(asdict(answer), allow_nan=False)
    for finding in summarise(ride, board):
        assert finding.value is None or math.isfinite(finding.value), finding.key
    crossings = find_crossings(ride, derive_limits(board)) if board else ()
    assert len(crossings_frame(crossings)) == len(crossings)
    for moment in fault_moments(ride)[:3]:
        what_came_first(ride, board, moment)


def test_a_link_that_was_away_for_milliseconds_was_not_away_for_nothing() -> None:
    for away, told in ((0.004, "back within 0.1 s"), (0.26, "back after 0.3 s")):
        ride = make_ride(
            make_stream("fast", np.arange(20.0), {channel("speed", "m/s"): np.ones(20)}),
            link_gaps=(LinkGap(5.0, 5.0 + away, "port gone"),),
        )
        (event,) = trace_data(ride, None, (), (), strip(Gathered(ride)))[0]["events"]
        assert event["text"] == f"{told}; port gone"


@pytest.mark.filterwarnings("error")
@pytest.mark.parametrize("seed", [0, 1, 8, 11, 18])
def test_voltages_that_no_pack_has_break_nothing(seed: int) -> None:
    # Found by the rides above: 100 kV here and there, while the current only rises.
    there = np.random.default_rng(seed).integers(-1, 2, 400) * 1e5
    rising = np.round(np.linspace(0, 40, 400), 3)
    columns = {channel("pack_voltage", "V"): there, channel("battery_current", "A"): rising}
    ride = make_ride(make_stream("s0", np.arange(400) / 100, columns))
    said = answers(open_basis(ride, None))
    assert {answer.key for answer in said} == set(QUESTIONS)
    for answer in said:
        json.dumps(asdict(answer), allow_nan=False)
