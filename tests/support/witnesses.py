"""Logs of version 1.0 as its own programs wrote and read them, for every later reader.

``tests/format/witnesses/NAME.json`` holds a log in base64 and what the loader made of it on the day
it was written.  ``python tests/support/witnesses.py`` adds those that are not there yet; it never
writes one anew, because what it holds is the past.
"""

import base64
import json
import tempfile
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

from sagline_analyser import load_ride
from sagline_analyser.load.ride import Ride
from sagline_logger.format import (
    Channel,
    Event,
    EventKind,
    Fault,
    Foreign,
    Link,
    LinkState,
    Mark,
    Record,
    SampleType,
    Stream,
    Unknown,
)
from sagline_logger.simulator import Simulation, random_board, standard_streams
from support.frames import Device
from support.logs import at, board, log_bytes, pack, time
from support.simulated_rides import hard_ride

WITNESSES = Path(__file__).parents[1] / "format" / "witnesses"
FAST = Stream(
    1,
    0,
    0,
    "fast",
    10_000,
    (
        Channel("pack_voltage", "V", SampleType.U16, exponent=-2, missing=0xFFFF),
        Channel("battery_current", "A", SampleType.I16, exponent=-1),
    ),
)
SLOW = Stream(1, 0, 1, "slow", 0, (Channel("motor_temperature", "°C", SampleType.F32, index=1),))

Records = list[Record | bytes]


def _rows(start: int, count: int) -> list[tuple[int, int]]:
    return [(4800 + n % 7, n * 3 % 900 - 300) for n in range(start, start + count)]


def run(boot: int, host: int, clock: int, records: int = 12, first: int = 0) -> Records:
    """Return a stretch of one boot: description, then SAMPLES of five, each behind its TIME."""
    fast = replace(FAST, boot=boot)
    told: Records = [time(host), board(boot, clock), fast]
    for n in range(records):
        told.append(time(host + (n + 1) * 50_000))
        told.append(pack(fast, first + 5 * n, clock + n * 50_000, _rows(first + 5 * n, 5)))
    return told


def simulated(seed: int, seconds: float) -> bytes:
    """Return what a drawn board sends in its first seconds, as a log."""
    machine = random_board(seed)
    streams = standard_streams(machine, fast_period=50_000)
    records: Records = []
    told = -1
    for sent in Simulation(machine, hard_ride(seed), streams=streams, seed=seed, step=10_000).run():
        if sent.time > seconds * 1e6:
            break
        if sent.time // 250_000 != told:
            told = sent.time // 250_000
            records.append(time(sent.time))
        records.append(sent.data)
    return log_bytes(records)


def made() -> dict[str, Callable[[], bytes]]:
    """Return how each witness was made, by name."""
    lost = run(1, 0, 0)
    del lost[9:13]
    repeated = run(1, 0, 0)
    repeated[9:9] = repeated[7:9]
    revised = run(1, 0, 0, 6)
    other = replace(
        FAST,
        revision=1,
        channels=(*FAST.channels, Channel("speed", "m/s", SampleType.U8, exponent=-1)),
    )
    revised += [time(350_000), board(1, 300_000), other]
    revised += [pack(other, 30, 300_000, [(4800, 10, 25), (0xFFFF, 11, 26)])]
    device = Device(boot=9, name="Heron")
    odd: Records = [time(0), *device.run(3), Foreign(at(100), Fault.DAMAGED, b"boot ok\r\n\0")]
    odd += [Unknown(b"\x41\1\2"), device.fault(), Mark(at(200_000), 1, "here"), device.samples()]
    odd += [
        b"\0\0",
        b"rubbish\0",
        Event(9, 1, 210_000, EventKind.NOTE, text="n"),
        device.samples(1),
    ]
    slow: Records = [time(0), board(1, 5), SLOW]
    for n in range(8):
        slow += [time(n * 700_000), pack(SLOW, n, 5 + n * 700_000, [(20.5 + n,)])]
    down = run(1, 0, 0, 6)
    down += [Link(at(400_000), LinkState.DOWN, "the port went away")]
    down += [Link(at(2_000_000), LinkState.UP, "radio or cable loss"), time(2_000_000)]
    down += run(1, 2_000_000, 2_000_000, 6, 200)[1:]
    late = run(1, 0, 0)
    described = late.pop(2)
    late.append(described)
    nobody = [*run(1, 0, 0, 4), pack(replace(SLOW, stream=3), 0, 0, [(1.5,)])]
    whole = log_bytes(run(1, 0, 0))
    return {
        "one boot": lambda: log_bytes(run(1, 0, 0)),
        "two boots": lambda: log_bytes(run(1, 0, 0) + run(2, 900_000, 0)),
        "clock wraps": lambda: log_bytes(run(1, 0, 2**32 - 250_000)),
        "samples lost": lambda: log_bytes(lost),
        "a record twice": lambda: log_bytes(repeated),
        "another revision": lambda: log_bytes(revised),
        "all kinds": lambda: log_bytes(odd),
        "irregular stream": lambda: log_bytes(slow),
        "link down": lambda: log_bytes(down),
        "described late": lambda: log_bytes(late),
        "never described": lambda: log_bytes(nobody),
        "cut off": lambda: log_bytes(run(1, 0, 0), end=False)[:-9],
        "one byte wrong": lambda: whole[:600] + bytes((whole[600] ^ 4,)) + whole[601:],
        "joined, one host": lambda: (
            log_bytes(run(1, 0, 0)) + log_bytes(run(2, 5_000_000, 0), 5_000_000)
        ),
        "simulated 1": lambda: simulated(1, 1.5),
        "simulated 2": lambda: simulated(2, 1.5),
        "simulated 3": lambda: simulated(3, 1.5),
    }


def tables(ride: Ride) -> dict[str, Any]:
    """Return what a ride holds, as JSON can carry it; times in whole µs."""
    return {
        "streams": {
            stream.name: {
                "time": [round(t * 1e6) for t in stream.time.tolist()],
                "segment": stream.segment.tolist(),
                "gap": stream.gap.astype(int).tolist(),
                "values": {
                    key: [None if v != v else v for v in column.tolist()]
                    for key, column in stream.values.items()
                },
            }
            for stream in ride.streams.values()
        },
        "events": [[round(e.time * 1e6), int(e.kind), e.number, e.text] for e in ride.events],
        "marks": [[round(m.time * 1e6), m.number, m.text] for m in ride.marks],
        "segments": [[s.boot, round(s.start * 1e6), round(s.end * 1e6)] for s in ride.segments],
        "lost_samples": ride.quality.lost_samples,
        "lost_events": ride.quality.lost_events,
        "damaged_frames": ride.quality.damaged_frames,
        "ended": ride.quality.ended,
        "duration": round(ride.duration * 1e6),
        "started_wall": ride.started_wall,
    }


def read(data: bytes) -> Ride:
    """Return the ride of a log's bytes."""
    with tempfile.TemporaryDirectory() as where:
        path = Path(where, "witness.sagline")
        path.write_bytes(data)
        return load_ride(path)


def main() -> None:
    """Write the witnesses that are not there yet."""
    WITNESSES.mkdir(exist_ok=True)
    for name, make in made().items():
        path = WITNESSES / f"{name.replace(', ', '_').replace(' ', '_')}.json"
        if not path.exists():
            data = make()
            held = {"log": base64.b64encode(data).decode(), "tables": tables(read(data))}
            path.write_text(json.dumps(held) + "\n", encoding="utf-8")
            print(path.name, len(data))


if __name__ == "__main__":
    main()
