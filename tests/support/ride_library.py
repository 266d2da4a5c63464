"""Small rides by the hundred: a pack of known resistances under a load in steps."""

import os
import signal
from pathlib import Path

import numpy as np

from sagline_analyser.rides import RideFigures, figures_of
from sagline_logger.format import (
    SIGNATURE,
    Board,
    Capture,
    Channel,
    Event,
    EventKind,
    Samples,
    SampleType,
    Setting,
    Stream,
    Time,
    encode_frame,
)
from support.logs import at

CELLS = 4
SECONDS = 150
RATE = 10
RESISTANCE = 0.02
"""Ω of a new cell; cell 3 gains AGEING of it every hundred rides."""
AGEING = 0.5
DAY = 86_400_000_000  # µs

CHANNELS = (
    Channel("pack_voltage", "V", SampleType.U16, exponent=-3),
    Channel("battery_current", "A", SampleType.I16, exponent=-2),
    Channel("speed", "m/s", SampleType.U16, exponent=-2),
    *(Channel("cell_voltage", "V", SampleType.U16, exponent=-4, index=n + 1) for n in range(CELLS)),
)


def cell_resistances(number: int) -> np.ndarray:
    """Return the resistances in Ω of the cells in ride ``number``."""
    values = np.full(CELLS, RESISTANCE)
    values[2] *= 1 + AGEING * number / 100
    return values


def small_ride(number: int, board: str = "Kestrel", faults: int = 0) -> bytes:
    """Return the log of ride ``number``, one a day."""
    luck = np.random.default_rng(number)
    count = SECONDS * RATE
    load = np.repeat(luck.uniform(-2, 15, count // 50), 50) * (np.arange(count) > 60)
    load[-100:] = 0
    used = np.cumsum(load) / RATE / 3600
    cells = (
        4.0
        - 0.05 * used[:, None]
        - load[:, None] * cell_resistances(number)
        - 0.001 * number / 10 * np.arange(CELLS)
        + luck.normal(0, 0.0005, (count, CELLS))
    )
    speed = np.abs(np.convolve(load, np.ones(40) / 40, "same")) / 2
    columns = [cells.sum(axis=1), load, speed, *cells.T]
    scale = [1000, 100, 100] + [10_000] * CELLS
    stream = Stream(1, 0, 0, "fast", 1_000_000 // RATE, CHANNELS)
    kinds = [("i2" if c.type is SampleType.I16 else "u2") for c in CHANNELS]
    rows = np.empty(count, [(f"c{n}", "<" + kind) for n, kind in enumerate(kinds)])
    for n, (column, factor) in enumerate(zip(columns, scale, strict=True)):
        rows[f"c{n}"] = np.rint(column * factor)
    wall = 1_780_000_000_000_000 + number * DAY
    frames = [SIGNATURE, encode_frame(Capture(at(0, wall), "test", "a builder", "").encode())]
    limit = Setting(at(0, wall), "battery_current_limit", str(20 + 5 * (number % 2)))
    frames.append(encode_frame(limit.encode()))
    frames.append(encode_frame(Board(1, 0, 0, 1, board, "test 1").encode()))
    frames.append(encode_frame(stream.encode()))
    for first in range(0, count, 50):
        some = rows[first : first + 50]
        clock = first * stream.period
        last = clock + (len(some) - 1) * stream.period
        frames.append(encode_frame(Time(at(last, wall), 0).encode()))
        body = Samples(1, 0, 0, first, clock, len(some), some.tobytes()).encode()
        frames.append(encode_frame(body))
    for n in range(faults):
        event = Event(1, n, 1_000_000 * n, EventKind.FAULT, 7, 1, "stage too warm")
        frames.append(encode_frame(event.encode()))
    return b"".join(frames)


def write_rides(directory: Path, count: int, first: int = 0) -> list[Path]:
    """Write rides ``first`` … into a directory and return their paths."""
    directory.mkdir(parents=True, exist_ok=True)
    paths = []
    for number in range(first, first + count):
        paths.append(directory / f"ride_{number:04d}.sagline")
        paths[-1].write_bytes(small_ride(number))
    return paths


def deadly(path: str) -> RideFigures:
    """Work a ride out, or end the whole process as the system does when memory runs out."""
    if Path(path).stem == "deadly":
        os.kill(os.getpid(), signal.SIGKILL)
    return figures_of(path)
