"""Logs to share: one with a text planted in every place that the format allows."""

import math
import struct
from collections.abc import Callable
from dataclasses import replace

from sagline_logger.format import (
    Board,
    Capture,
    Channel,
    Dropped,
    End,
    Event,
    EventKind,
    FilePart,
    Foreign,
    Instant,
    Link,
    LinkState,
    LogStart,
    Mark,
    Record,
    Samples,
    SampleType,
    Setting,
    Stream,
    Time,
    Unknown,
    encode_frame,
)

STREAM = Stream(
    1,
    0,
    0,
    "fast",
    10_000,
    (
        Channel("battery_current", "A", SampleType.I16, exponent=-1, missing=-32768),
        Channel("pack_voltage", "V", SampleType.U16, exponent=-2),
    ),
)

PERIOD = 20_000
SECONDS = 60
FAULT_AT = 40.0
BOOTS = (0xBEE1, 0x5AFE)
SEQUENCE = 3_141_592
CLOCK = 0xDEAD_0000
MONOTONIC = 987_654_321_000_000
WALL = 1_780_012_345_000_000
"""µs since 1970: in May 2026."""
PLACE = {
    "latitude": ("°", -7, 522_052_763),
    "longitude": ("°", -7, 11_734_719),
    "altitude": ("m", -3, 123_457),
}
"""Unit, exponent and raw sample of each channel of where the vehicle is; an invented place."""
NORTHING = 5_790.25
PAYLOAD = struct.pack("<I", 0x7FC5_EC8E)
"""A float that is no number, with a message in its bits."""

ASKED = {
    "board name": "board-name", "firmware": "firmware", "stream name": "labels",
    "label": "labels", "fault text": "fault-text", "cleared text": "fault-text",
    "note event": "notes", "capture note": "notes", "mark text": "notes",
    "setting name": "settings", "setting value": "settings", "worded setting": "settings",
    "board file name": "board-file", "board file remark": "board-file",
    "board file part": "board-file", "board file chemistry": "board-file",
    "board file setting": "board-file", "source": "source", "evidence": "source",
    "old evidence": "source",
}  # fmt: skip
"""Planted texts and the choice that gives each away."""
NEVER = (
    "program",
    "odd event",
    "foreign",
    "dropped reason",
    "end reason",
    "device record",
    "host record",
    "other file",
    "later field",
)
"""Planted texts that no choice gives away."""


def planted(place: str) -> str:
    """Return a text that stands for a secret in ``place``; short enough for any field."""
    return f"Zq{abs(hash_of(place)):06d}x {place}"[:30]


def hash_of(text: str) -> int:
    """Return a number below 10^6 that is the same in every process."""
    value = 7
    for character in text:
        value = (value * 131 + ord(character)) % 999_983
    return value


def planted_log(text: Callable[[str], str] = planted) -> bytes:
    """Return a minute's log at 50 Hz with a fault at 40 s, a hole, a restart and a lost link."""

    def at(time: int) -> Instant:
        return Instant(MONOTONIC + time, WALL + time)

    channels = (
        Channel(
            "battery_current", "A", SampleType.I16, exponent=-1, missing=-32768, label=text("label")
        ),
        Channel("pack_voltage", "V", SampleType.U16, exponent=-2),
        Channel("throttle", "1", SampleType.U8, exponent=-2),
        Channel("motor_temperature", "°C", SampleType.F32, index=1),
        *(
            Channel(name, unit, SampleType.I32, exponent=exponent)
            for name, (unit, exponent, _) in PLACE.items()
        ),
        Channel("northing", "m", SampleType.F32),
        Channel(text("channel")[:20], text("unit")[:15], SampleType.F32),
        *(Channel("cell_voltage", "V", SampleType.U16, exponent=-3, index=n + 1) for n in range(2)),
    )
    board_file = (
        f'# {text("board file remark")}\nname = "{text("board file name")}"\n'
        "[battery]\ncell_stop = 3.0\n[[battery.units]]\n"
        f'name = "{text("board file part")}"\nchemistry = "{text("board file chemistry")}"\n'
        "series = 2\nparallel = 3\ncell_capacity = 3.5\nmax_discharge_rate = 2\n"
        '[[fuses]]\nname = "main"\nrated_current = 30\nplace = "battery"\n'
        f'[settings]\nduty_limit = 0.9\nown = "{text("board file setting")}"\n'
    ).encode()
    records: list[Record] = [
        LogStart(),
        Capture(at(0), text("program"), text("source"), text("capture note")),
        Setting(at(0), "motor_current_limit", "45"),
        Setting(at(0), "duty_limit", text("worded setting")),
        Setting(at(0), text("setting name"), text("setting value")),
        FilePart(at(0), "board", len(board_file), 0, board_file),
        FilePart(at(0), "other", 40, 0, text("other file").encode()),
    ]
    frames = [encode_frame(record.encode()) for record in records]

    def put(*more: Record | bytes) -> None:
        for one in more:
            frames.append(encode_frame(one if isinstance(one, bytes) else one.encode()))

    def describe(boot: int, clock: int) -> None:
        who = Board(boot, clock, 9, 1, text("board name"), text("firmware"))
        put(who.encode() + text("later field").encode())
        put(Stream(boot, 9, 3, text("stream name"), PERIOD, channels))

    layout = Stream(1, 9, 3, "", PERIOD, channels).layout
    boot = 0
    for n in range(0, SECONDS * 1_000_000 // PERIOD, 5):
        time = n * PERIOD
        if time == 52_000_000:
            put(Link(at(time), LinkState.DOWN, text("evidence")))
        if 52_000_000 <= time < 54_000_000:
            continue
        if time == 54_000_000:
            put(Link(at(time), LinkState.UP, text("old evidence")))
            boot = 1
        if time in (0, 54_000_000):
            describe(BOOTS[boot], (CLOCK + time) % 2**32)
        if 45_000_000 <= time < 45_300_000:
            continue  # lost on the way
        data = b""
        for k in range(n, n + 5):
            s = k * PERIOD / 1e6
            broken = s >= FAULT_AT
            current = 0 if broken else round(250 + 40 * math.sin(s / 2) + k % 7)
            heat = struct.unpack("<f", PAYLOAD)[0] if k % 50 == 9 else 40 + s / 4
            data += layout.pack(
                current,
                740 if broken else 690 - k % 5,
                80,
                heat,
                *(raw for _, _, raw in PLACE.values()),
                NORTHING,
                s / 1e5,
                3700 - k % 3,
                2900 if 39 <= s < 40 else 3600,
            )
        put(Time(at(time + 4 * PERIOD + 3000), len(frames)))
        put(Samples(BOOTS[boot], 3, 9, (SEQUENCE + n) % 2**32, (CLOCK + time) % 2**32, 5, data))
        if time == round(FAULT_AT * 1e6):
            event = Event(BOOTS[boot], 70, (CLOCK + time) % 2**32, EventKind.FAULT, 17, 1)
            put(
                replace(event, text=text("fault text")),
                replace(event, event=77, sequence=71, text=text("odd event")),
                replace(
                    event, event=EventKind.NOTE, sequence=72, number=0, text=text("note event")
                ),
                replace(
                    event, event=EventKind.FAULT_CLEARED, sequence=73, text=text("cleared text")
                ),
                Mark(at(time), 12, text("mark text")),
                Foreign(at(time), 1, text("foreign").encode()),
                Unknown(b"\x33" + text("device record").encode()),
                Unknown(b"\x9a" + text("host record").encode()),
                Dropped(at(time), 1, 50, text("dropped reason")),
            )
    put(End(at(SECONDS * 1_000_000), 1, 2, text("end reason")))
    return b"".join(frames)
