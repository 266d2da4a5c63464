"""Lines of text recorded by the real command: what it costs, and that every digit is kept.

Twenty values at 100 Hz.  Run: ``python tests/benchmarks/lines.py [seconds]``.  The peer of the same
run is the same capture of a board that sends frames of as many values.  Then an hour of such lines
in fast time, through a pseudo-terminal, for the memory.
"""

import json
import os
import random
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from decimal import Decimal
from pathlib import Path

from capture import recorder
from sagline_logger.format import (
    Board,
    Channel,
    Samples,
    SampleType,
    Stream,
    encode_frame,
    read_log,
)

LOGGER = (sys.executable, "-m", "sagline_logger.cli")
VALUES, RATE = 20, 100
DIGITS = [n % 4 for n in range(VALUES)]
HOUR = 3600 * RATE


def main() -> None:
    """Run it."""
    seconds = float(sys.argv[1]) if len(sys.argv) > 1 else 60.0
    with tempfile.TemporaryDirectory() as name:
        plan = Path(name) / "map.toml"
        plan.write_text(map_text())
        lines = [line(n) for n in range(round(seconds * RATE))]
        ours = steady(lines, seconds, ("--lines", plan))
        print(
            f"lines, {VALUES} values at {RATE} Hz for {seconds:.0f} s: "
            f"{100 * ours:.1f} % of one core (aim 10 %)"
        )
        theirs = steady(list(frames(len(lines))), seconds, ())
        print(f"frames of as many values: {100 * theirs:.1f} %; ratio {ours / theirs:.2f}")
        fast(plan)


def map_text() -> str:
    """Return the map of the lines."""
    columns = (
        f'[[columns]]\ncolumn = {n + 2}\nchannel = "value_{n}"\nresolution = 1e-{digits}\n'
        for n, digits in enumerate(DIGITS)
    )
    head = '[file]\nheader = 0\n[time]\ncolumn = 1\nunit = "ms"\n'
    return head + '[[streams]]\nname = "table"\nperiod = 0.01\n' + "".join(columns)


def values(n: int) -> list[str]:
    """Return the texts of the n-th line, without its time."""
    luck = random.Random(n)
    return [f"{luck.uniform(-1000, 1000):.{digits}f}" for digits in DIGITS]


def line(n: int) -> bytes:
    """Return the n-th line."""
    return ",".join([str(n * 1000 // RATE), *values(n)]).encode() + b"\r\n"


def frames(count: int) -> Iterator[bytes]:
    """Yield the frames of a board that sends as many values, one sample each."""
    channels = tuple(Channel(f"value_{n}", "", SampleType.I32) for n in range(VALUES))
    stream = Stream(1, 0, 0, "table", 1_000_000 // RATE, channels)
    head = encode_frame(Board(1, 0, 0, 1, "bench").encode()) + encode_frame(stream.encode())
    for n in range(count):
        data = random.Random(n).randbytes(4 * VALUES)
        record = Samples(1, 0, 0, n, n * 1_000_000 // RATE, 1, data)
        yield (head if n % (5 * RATE) == 0 else b"") + encode_frame(record.encode())


def steady(parts: list[bytes], seconds: float, arguments: tuple[object, ...]) -> float:
    """Return the share of a core at a steady rate; every part is checked to be in the log."""
    with tempfile.TemporaryDirectory() as name:
        directory = Path(name)
        with recorder(directory, *arguments) as (port, process, stop):
            if arguments:
                os.write(port, b"cut\r\n")
            time.sleep(0.5)
            spent, began = sum(process.cpu_times()[:2]), time.perf_counter()
            for n, part in enumerate(parts):
                os.write(port, part)
                ahead = (n + 1) / RATE - (time.perf_counter() - began)
                if ahead > 0:
                    time.sleep(ahead)
            share = (sum(process.cpu_times()[:2]) - spent) / (time.perf_counter() - began)
            time.sleep(1)
            stop()
        (log,) = directory.glob("*.sagline")
        if arguments:
            exact(log, len(parts))
        else:
            report = json.loads(
                subprocess.run((*LOGGER, "verify", "--json", log), capture_output=True).stdout
            )
            assert report["streams"]["0"]["samples"] == len(parts), report
    return share


def fast(plan: Path) -> None:
    """An hour of lines as fast as they are taken: rate, memory, and every value."""
    with tempfile.TemporaryDirectory() as name:
        directory = Path(name)
        memory: list[float] = []
        with recorder(directory, "--lines", plan) as (port, process, stop):
            os.write(port, b"cut\r\n")
            began = time.perf_counter()
            for start in range(0, HOUR, RATE):
                data = memoryview(b"".join(line(n) for n in range(start, start + RATE)))
                while data:
                    data = data[os.write(port, data) :]
                if start % (60 * RATE) == 0:
                    memory.append(process.memory_info().rss / 1e6)
            took = time.perf_counter() - began
            time.sleep(2)
            stop()
        (log,) = directory.glob("*.sagline")
        exact(log, HOUR)
        third = memory[len(memory) // 3]
        print(
            f"an hour of them in {took:.0f} s: all {HOUR} lines, every value exact; memory "
            f"{max(memory):.1f} MB at most, {memory[-1] - third:+.1f} MB from a third of it to its "
            f"end; log {log.stat().st_size / 1e6:.0f} MB"
        )


def exact(log: Path, count: int) -> None:
    """Check that the log holds each value of each line to the printed digit."""
    stream: Stream | None = None
    n = 0
    with log.open("rb") as file:
        for entry in read_log(file):
            record = entry.record
            if isinstance(record, Stream):
                stream = record
            elif isinstance(record, Samples):
                assert stream is not None
                for row in record.rows(stream):
                    found = [
                        Decimal(int(raw)) * channel.multiplier * Decimal(10) ** channel.exponent
                        for raw, channel in zip(row, stream.channels, strict=True)
                    ]
                    assert found == [Decimal(text) for text in values(n)], n
                    n += 1
    assert n == count, (n, count)


if __name__ == "__main__":
    main()
