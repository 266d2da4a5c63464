"""Logs on which first users met a traceback, each through every command that reads a log."""

from pathlib import Path

import pytest

from sagline_analyser.cli import main as analyser
from sagline_logger.cli import main as logger
from sagline_logger.format import Channel, Event, EventKind, Record, SampleType, Stream
from support.logs import board, log_bytes, pack
from support.logs import time as time_record

LINES = (
    "verify {log}",
    "channels {log}",
    "summary {log}",
    "summary --json {log}",
    "plot {log} -o {out}/p.html",
    "export {log} --to csv -o {out}",
    "share {log} --fault 1 -o {out}/f.html",
    "share {log} --at 0:00 -o {out}/s.html",
)


def volts(name: str, index: int = 0) -> Channel:
    return Channel(name, "V", SampleType.U16, exponent=-2, index=index)


def ride(channels: tuple[Channel, ...], first: int, fault: int) -> list[Record | bytes]:
    """Return a minute of a stream that begins at ``first`` and a fault at ``fault``, both in s."""
    told = Stream(1, 0, 0, "fast", 100_000, channels)
    rows = [tuple(4000 + 100 * k + n % 7 for k in range(len(channels))) for n in range(600)]
    samples = [
        (first + n / 10, pack(told, n, (first * 10 + n) * 100_000, rows[n : n + 10]))
        for n in range(0, 600, 10)
    ]
    event = Event(1, 0, fault * 1_000_000, EventKind.FAULT, 3, 1, "too warm")
    clock = [(float(t), time_record(t * 1_000_000)) for t in range(first + 62)]
    timed: list[tuple[float, Record | bytes]] = [*clock, *samples, (float(fault), event)]
    return [board(1), told, *(one for _, one in sorted(timed, key=lambda pair: pair[0]))]


LOGS = {
    "a fault before the first voltage": ride((volts("pack_voltage"),), 20, 1),
    "a fault and no samples near it": ride((volts("own"),), 30, 2),
    "one name with two indices": ride((volts("own"), volts("own", 1), volts("pack_voltage")), 0, 5),
    "a cell of index 0": ride(tuple(volts("cell_voltage", n) for n in range(4)), 0, 5),
}


@pytest.mark.parametrize("name", LOGS)
def test_every_command_ends_in_a_result_or_in_one_line(
    name: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setenv("SAGLINE_DEBUG", str(tmp_path / "debug"))  # a fault comes out as it is
    log, out = tmp_path / "a.sagline", tmp_path / "out"
    log.write_bytes(log_bytes(LOGS[name]))
    out.mkdir()
    for line in LINES:
        words = line.format(log=log, out=out).split()
        status = (logger if words[0] in ("verify", "channels") else analyser)(words)
        told = capsys.readouterr()
        assert status in ((0, 1) if words[0] == "share" else (0,)), (line, told.err)
        assert status == 0 or told.err.count("\n") == 1, (line, told.err)
