"""A simulated ride run faster than life: every time is the board's, whatever the host's clock."""

import math
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from load.test_time_base import START, drive, load
from sagline_logger.format import Mark, Record
from support.logs import at


def hasten(records: list[Record], factor: float) -> list[Record]:
    """Let the host hear everything ``factor`` times as fast, at a pace that wavers by a tenth."""
    heard = []
    for record in records:
        if (when := getattr(record, "at", None)) is not None:
            passed = (when.monotonic - START) / 1e6
            early = START + round(1e6 * (passed + 4 * math.sin(passed / 40)) / factor)
            record = replace(record, at=replace(when, monotonic=early, wall=when.wall))
        heard.append(record)
    return heard


@pytest.mark.parametrize("factor", [0.25, 4, 25])
def test_times_are_the_boards_even_across_a_restart(tmp_path: Path, factor: float) -> None:
    records: list[Record] = [
        *drive(1, 2.0, 200.0, 0.0, 0, 1),
        *drive(2, 230.0, 100.0, 0.0, 5, 2),
        Mark(at(START + 250_000_000), 1, "at 250 s"),
    ]
    ride = load(tmp_path, hasten(records, factor))
    assert any("times as fast" in warning for warning in ride.warnings)
    (stream,) = ride.streams.values()
    # Within a segment the board's clock alone counts; across the restart the host's proportion.
    off = stream.time - stream.values["truth"]
    for segment, slack in ((0, 0.1), (1, 5.0)):
        own = off[stream.segment == segment]
        assert np.ptp(own) < 0.06  # delivery jitters by 50 ms at the board's pace
        assert abs(own[0] - off[0]) < slack
    after = stream.values["truth"][stream.segment == 1] > 250.0
    board = stream.time[stream.segment == 1][after][0]
    assert ride.marks[0].time == pytest.approx(board, abs=0.3)


def test_real_clocks_are_left_alone(tmp_path: Path) -> None:
    ride = load(tmp_path, drive(1, 2.0, 200.0, 0.01, 0, 1))
    assert not any("times as fast" in warning for warning in ride.warnings)


@pytest.mark.parametrize(("seconds", "factor"), [(40, 25), (12, 10), (50, 2), (200, 2)])
def test_so_are_those_of_a_short_ride(tmp_path: Path, seconds: float, factor: float) -> None:
    half = seconds / 2
    records: list[Record] = [*drive(1, 0.5, seconds, 0.0, 0, 1)]
    records.append(Mark(at(START + round(1e6 * (0.5 + half))), 1, "in the middle"))
    ride = load(tmp_path, hasten(records, factor))
    assert any("times as fast" in warning for warning in ride.warnings)
    (stream,) = ride.streams.values()
    off = stream.time - stream.values["truth"]
    assert np.ptp(off) < 0.06 and abs(off[0]) < 0.1 * seconds
    board = stream.time[np.searchsorted(stream.values["truth"], 0.5 + half)]
    assert ride.marks[0].time == pytest.approx(board, abs=0.3)


@pytest.mark.parametrize("kept", [3.0, 8.0, 20.0])
def test_a_board_that_sends_first_what_it_kept_back_is_no_simulation(
    tmp_path: Path, kept: float
) -> None:
    """It lived for 40 s, of which the first ``kept`` come at once and the rest as they happen."""
    records = drive(1, 0.0, 40.0, 0.0, 0, 1)
    late = []
    for record in records:
        if (when := getattr(record, "at", None)) is not None:
            passed = max((when.monotonic - START) / 1e6 - kept, 0.0)
            record = replace(record, at=replace(when, monotonic=START + round(1e6 * passed)))
        late.append(record)
    ride = load(tmp_path, late)
    assert not any("times as fast" in warning for warning in ride.warnings)
