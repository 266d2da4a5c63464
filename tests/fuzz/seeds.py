"""Where the search starts, and mutations that reach behind checksums and compression."""

import base64
import gzip
import json
import random
import zlib
from collections.abc import Callable
from dataclasses import fields, replace
from pathlib import Path
from typing import Any

from fuzz.targets import CUT
from sagline_logger.format import (
    SIGNATURE,
    Channel,
    FrameError,
    SampleType,
    Stream,
    decode_frame,
    encode_frame,
    vocabulary,
)
from sagline_logger.format.board_tables import (
    SETTINGS,
    Battery,
    BatteryUnit,
    BoardFile,
    Conductor,
    Controller,
    Motor,
    Vehicle,
)
from sagline_logger.format.limits import MAX_BODY
from sagline_logger.format.wrapped import BLOCK_START, wrap_in_page
from support.logs import board, log_bytes, pack
from support.logs import time as time_record

STREAM = Stream(
    1,
    0,
    0,
    "fast",
    2_000_000,
    tuple(Channel(f"own_{kind.name}", "V", kind, 3, -1, -2) for kind in SampleType),
)
ROOT = Path(__file__).parents[2]
VECTORS = ROOT / "protocol_docs" / "vectors"
Mutate = Callable[[bytes, int], bytes]


def small_log() -> bytes:
    """Return a log of two boots, long enough for a rate of its own (60 s), with a hole in it."""
    records: list[object] = []
    for boot in (1, 2):
        stream = replace(STREAM, boot=boot)
        records += [board(boot), stream]
        for n in range(0, 33, 3):
            if n != 12:
                clock = 2_000_000 * n
                at = clock + 90_000_000 * (boot - 1)
                rows = [(n + row,) * 7 for row in range(3)]
                records += [time_record(at), pack(stream, n, clock, rows)]
    return log_bytes(records)  # type: ignore[arg-type]


def _vectors(name: str) -> Any:
    return json.loads((VECTORS / f"{name}.json").read_text())


def _logs() -> list[bytes]:
    small = bytes.fromhex(_vectors("small_log")["log"])
    every = b"".join(bytes.fromhex(case["frame"]) for case in _vectors("records"))
    return [small, small_log(), SIGNATURE + every]


def _frames() -> list[bytes]:
    bare = [case["bytes"] for case in _vectors("damaged_bytes")]
    bare += [case["frame"] for case in _vectors("tolerated") + _vectors("refused_bodies")]
    return [bytes.fromhex(case) for case in bare] + _logs()


def _boards() -> list[bytes]:
    places = (
        ROOT / "logger/sagline_logger/board/template.toml",
        ROOT / "analyser/sagline_analyser/demo_board.toml",
    )
    texts = [place.read_bytes() for place in places]
    # The template's keys stand in comments; a second seed has them in force.
    lines = texts[0].decode().splitlines()
    live = [line.removeprefix("#").split("  #")[0].strip() for line in lines if "=" in line]
    return [*texts, "\n".join(lines).replace("\n#", "\n").encode(), "\n".join(live).encode()]


_MAP = """board = "Kestrel"
[file]
delimiter = ";"
decimal = ","
encoding = "utf-8-sig"
header = 1
first_row = 2
missing = ["-", "NaN"]
[time]
column = "t"
unit = "s"
since_1970 = false
[[streams]]
name = "table"
period = 0.5
[[streams]]
name = "slow"
[[columns]]
column = "v"
channel = "pack_voltage"
unit = "mV"
resolution = 0.01
[[columns]]
column = 3
channel = "own"
index = 2
label = "left"
unit = "A"
factor = "5/18"
offset = 1.5
stream = "slow"
resolution = 0.25
[settings]
limit = 40
"""
_PLAIN = '[time]\nstep = 0.01\n[[columns]]\ncolumn = 1\nchannel = "own"\nresolution = 0.1\n'
_ISO = '[time]\ncolumn = "t"\nunit = "iso8601"\n' + _MAP[_MAP.index("[[columns]]") :].replace(
    'stream = "slow"\n', ""
)


def _columns() -> list[bytes]:
    table = "t;v;c\n0,0;48210;1,5\n0,5;-;\n1,0;47e3;-2\n"
    dated = "t,v,c\n2026-05-02T08:30:00+02:00,48.21,3\n2026-05-02T08:30:01Z,NaN,4\n"
    pairs = (
        (_MAP, table),
        (_MAP.replace('"utf-8-sig"', '"utf-16"'), table),
        (_PLAIN, 'v,x\n"48.2",1\n47.5,2\n'),
        (_ISO, dated),
        (_PLAIN, "time_ms\tpack_voltage [mV]\tcell_voltage_7 (V)\n0\t1\t3.61\n5\t2\t3.6\n"),
    )
    return [
        plan.encode() + CUT + text.encode("utf-16" if "utf-16" in plan else "utf-8")
        for plan, text in pairs
    ]


def _wrapped() -> list[bytes]:
    packed = [gzip.compress(one, mtime=0) for one in _logs()]
    page = "<!doctype html><title>ride</title>" + wrap_in_page(packed[0])
    return [*packed, page.encode(), packed[0] + packed[1], _logs()[0]]


SEEDS: dict[str, Callable[[], list[bytes]]] = {
    "frames": _frames,
    "log": _logs,
    "board": _boards,
    "columns": _columns,
    "wrapped": _wrapped,
}


def words(target: str) -> list[str]:
    """Return words of the input's language, for the search to insert."""
    toml = ["true", "nan", "inf", "-", "\n", "[", "[[", "]]", '"""', "{", "}", " = ", "1e9", "\\u"]
    if target == "board":
        tables = (BoardFile, Vehicle, Battery, BatteryUnit, Motor, Controller, Conductor)
        return [*toml, *SETTINGS, *(field.name for table in tables for field in fields(table))]
    if target == "columns":
        own = (
            "board note file time streams columns settings delimiter decimal encoding header "
            "first_row missing column unit step since_1970 start name period channel index label "
            "as factor offset resolution stream utf-16 latin-1 utf-7 idna km/h °F K mph %%"
        )
        return [*toml, *own.split(), *vocabulary(), '"', "\r\n", "\0", "2026-05-02T08:30:00Z"]
    return []


def mutated(target: str, data: bytes, size: int, seed: int, mutate: Mutate) -> bytes:
    """Return ``data`` changed in one place, at most ``size`` bytes long."""
    choice = random.Random(seed)
    if target in ("frames", "log") and choice.random() < 0.8:
        return _reframed(data, choice, mutate)[:size]
    if target == "wrapped" and choice.random() < 0.5:
        return _rewrapped(data, choice, mutate)[:size]
    return mutate(data, size)


def _reframed(data: bytes, choice: random.Random, mutate: Mutate) -> bytes:
    """Change, move, repeat or drop whole frames; a changed body gets its right checksum."""
    pieces = data.split(b"\0")
    at = choice.randrange(len(pieces))
    action = choice.random()
    if action < 0.7:
        try:
            body = decode_frame(pieces[at])
        except FrameError:
            body = pieces[at][:MAX_BODY]
        pieces[at] = encode_frame(mutate(body or b"\1", MAX_BODY) or b"\1")[:-1]
    elif action < 0.8:
        pieces.insert(choice.randrange(len(pieces) + 1), pieces[at])
    elif action < 0.9:
        pieces.insert(choice.randrange(len(pieces)), pieces.pop(at))
    else:
        del pieces[at]
    return b"\0".join(pieces)


def _rewrapped(data: bytes, choice: random.Random, mutate: Mutate) -> bytes:
    """Change the log inside the wrapping, or the compressed bytes inside a page."""
    packed, at = data, data.find(BLOCK_START)
    try:
        if at >= 0:
            packed = base64.b64decode(data[at + len(BLOCK_START) :].partition(b"<")[0])
        if choice.random() < 0.5:
            packed = mutate(packed, 1 << 14)
        else:
            inside = zlib.decompressobj(31).decompress(packed, 1 << 16)
            packed = gzip.compress(_reframed(inside, choice, mutate), 6, mtime=0)
    except (ValueError, zlib.error):
        return mutate(data, 1 << 14)
    return data[:at] + wrap_in_page(packed).encode() if at >= 0 else packed
