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
