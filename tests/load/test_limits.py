"""Logs made to fill the reader's memory or to take for ever."""

from dataclasses import replace
from pathlib import Path

import pytest

from sagline_analyser.load import load_ride
from sagline_logger.format import (
    Capture,
    Channel,
    Instant,
    SaglineError,
    SampleType,
    Stream,
    Time,
    encode_frame,
)
from support.logs import at, board, log_bytes, pack

CHANNELS = tuple(Channel(f"own {n}", "V", SampleType.U8) for n in range(64))


def redescribed(times: int) -> bytes:
    """Return a log of one stream whose channels are all new after each of ``times`` restarts."""
    records: list[object] = []
    for boot in range(times):
        own = tuple(replace(channel, index=boot) for channel in CHANNELS)
        stream = Stream(boot, 0, 0, "fast", 1000, own)
        records += [board(boot), stream, pack(stream, 0, 0, [(7,) * 64] * 60)]
    return log_bytes(records)  # type: ignore[arg-type]


def test_a_few_new_descriptions_are_columns_of_one_stream(tmp_path: Path) -> None:
    path = tmp_path / "a.sagline"
    path.write_bytes(redescribed(3))
    assert len(load_ride(path).streams["fast"].values) == 3 * 64


def test_columns_that_would_mostly_hold_nothing_are_refused(tmp_path: Path) -> None:
    path = tmp_path / "a.sagline"
    path.write_bytes(redescribed(60))  # 340 kB; its table would take 60 times what was sent
    with pytest.raises(SaglineError, match="'fast' is described with 3840 different columns"):
        load_ride(path)


def test_host_clocks_at_the_ends_of_their_fields_give_finite_times(tmp_path: Path) -> None:
    path = tmp_path / "a.sagline"
    stream = Stream(1, 0, 0, "fast", 1000, CHANNELS[:1])
    late, early = Instant(2**64 - 1, 2**63 - 1), Instant(0, -(2**63))
    records = [board(1), stream, Time(late, 0), pack(stream, 0, 0, [(1,)])]
    # The host's clock goes back: another capture, which has to be described anew.
    records += [Time(early, 9), board(1), stream, pack(stream, 1, 1000, [(2,)]), Time(at(5), 9)]
    path.write_bytes(log_bytes(records))
    ride = load_ride(path)
    assert ride.streams["fast"].values["own 0"].tolist() == [1.0, 2.0]
    assert abs(ride.streams["fast"].time).max() <= 2**61 / 1e6 + 2.0


def test_a_date_that_no_calendar_shows_is_none(tmp_path: Path) -> None:
    path = tmp_path / "a.sagline"
    captured = Capture(Instant(0, 2**62), "test", "a builder")
    path.write_bytes(encode_frame(captured.encode()) + encode_frame(board(1).encode()))
    ride = load_ride(path)
    assert ride.started_wall is None
    assert any("no possible date" in warning for warning in ride.warnings)
