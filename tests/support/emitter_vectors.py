"""The test vectors turned into calls of the C emitter."""

import struct
from typing import Any

RECORDS = {"BOARD", "STREAM", "SAMPLES", "EVENT", "CAPTURE", "SETTING", "FILE", "TIME", "MARK"}
"""Records that the emitters write, LOG with CAPTURE."""
TYPES = {1: "B", 2: "b", 3: "H", 4: "h", 5: "I", 6: "i", 7: "f"}

MAIN = r"""
#include "sagline.h"
#include <stdio.h>
static sagline s;
static sagline_stream streams[16];
static uint8_t buffer[16400];
static void put(void *to, uint8_t byte) { (void)to; printf("%02x", byte); }
static void start(int number, const char *how)
{
    sagline_init(&s, put, 0, "", "", 0, streams, 0);
    s.next = 255; /* no description of its own accord */
    printf("\n%d %s ", number, how);
}
"""


def text(words: str) -> str:
    """Return a C string literal."""
    return '"' + "".join(f"\\{byte:03o}" for byte in words.encode()) + '"'


def signed(number: int) -> str:
    """Return an int32_t constant with the same 32 bits."""
    number = (number + 2**31) % 2**32 - 2**31
    return "INT32_MIN" if number == -(2**31) else str(number)


def missing_bits(channel: dict[str, Any]) -> int:
    """Return the bits of a channel's code for "no reading"."""
    if channel["missing"] is None:
        return 0
    packed = struct.pack("<" + TYPES[channel["type"]], channel["missing"])
    return int.from_bytes(packed, "little")


def table(name: str, channels: list[dict[str, Any]]) -> str:
    """Return a table of channels."""
    rows = [
        "{{{}, {}, {}, {}, {}, {}, {}, {}, {}, {}}}".format(
            *(text(c[key]) for key in ("name", "unit", "label")),
            c["type"],
            c["index"],
            int(c["missing"] is not None),
            c["exponent"],
            signed(c["multiplier"]),
            signed(c["offset"]),
            signed(missing_bits(c)),
        )
        for c in channels
    ]
    return f"static const sagline_channel {name}[] SAGLINE_FLASH = {{{', '.join(rows)}}};\n"


def calls(n: int, case: dict[str, Any]) -> tuple[str, str] | None:
    """Return (declarations, statements) for one case, None where no call makes it."""
    record = case["is"]
    kind = record["record"]
    device = f"s.boot = {record.get('boot')}; s.revision = {record.get('revision', 0)};"
    clock = record.get("clock", 0)
    if kind == "BOARD" and record["version"] == [1, 0]:
        return "", (
            f"s.board = {text(record['name'])}; s.firmware = {text(record['firmware'])}; {device} "
            f"s.stream_count = {record['streams']}; sagline_send_board(&s, {clock}u);"
        )
    if kind == "STREAM":
        place = f"streams[{record['stream']}]"
        return table(f"t{n}", record["channels"]), (
            f"{device} {place}.name = {text(record['name'])}; {place}.period = {record['period']}u;"
            f"{place}.channels = t{n}; {place}.count = {len(record['channels'])}; "
            f"sagline_send_stream(&s, {record['stream']});"
        )
    data = bytes.fromhex(record.get("data", ""))
    if kind == "SAMPLES" and len(data) // record["count"] <= 64:
        row = len(data) // record["count"]
        place = f"streams[{record['stream']}]"
        channels = [
            {
                "name": "x",
                "unit": "1",
                "label": "",
                "type": 1,
                "index": i,
                "missing": None,
                "exponent": 0,
                "multiplier": 1,
                "offset": 0,
            }
            for i in range(row)
        ]
        values = ", ".join(map(str, data))
        return table(f"t{n}", channels) + f"static const int32_t v{n}[] = {{{values}}};\n", (
            f"{device} {place}.channels = t{n}; {place}.count = {row}; {place}.row = {row}; "
            f"{place}.period = 1000; {place}.started = false; {place}.buffer = buffer; "
            f"{place}.size = sizeof buffer; {place}.sequence = {record['sequence']}u; "
            f"s.described = {clock}u; {{ uint32_t i; for (i = 0; i < {record['count']}; i++) "
            f"sagline_sample(&s, {record['stream']}, {clock}u + i * 1000u, v{n} + i * {row}); }} "
            f"sagline_flush(&s, {record['stream']});"
        )
    if kind == "EVENT":
        return "", (
            f"{device} s.events = {record['sequence']}u; s.described = {clock}u; sagline_event(&s, "
            f"{record['event']}, {record['number']}, {record['index']}, {text(record['text'])}, "
            f"{clock}u);"
        )
    if "monotonic" not in record or kind not in RECORDS:
        return None
    now, wall = record["monotonic"], record["wall"]
    low = f"{now % 2**32}u"
    preset = (
        f"s.monotonic = UINT64_C({now}); "
        f"s.wall_offset = (int64_t)UINT64_C({(wall - now) % 2**64}); "
    )
    if kind == "CAPTURE":
        texts = ", ".join(text(record[key]) for key in ("program", "source", "note"))
        return "", preset + (
            f"sagline_log_begin(&s, {low}, (int64_t)UINT64_C({wall % 2**64}), {texts});"
        )
    if kind == "SETTING":
        return "", preset + (
            f"sagline_log_setting(&s, {text(record['name'])}, {text(record['value'])});"
        )
    if kind == "FILE":
        part = ", ".join(map(str, data)) or "0"
        return f"static const uint8_t f{n}[] = {{{part}}};\n", preset + (
            f"sagline_log_file(&s, {text(record['name'])}, {record['size']}u, "
            f"{record['offset']}u, f{n}, {len(data)});"
        )
    if kind == "MARK":
        return "", preset + (
            f"sagline_log_mark(&s, {record['number']}, {text(record['text'])}, {low});"
        )
    return "", f"{preset} s.position = UINT64_C({record['position']}); sagline_log_time_(&s);"


def program(cases: list[dict[str, Any]]) -> tuple[str, set[tuple[int, str]]]:
    """Return a C program that prints "number how frame" for every case, and what it prints."""
    declared, done, expected = [MAIN], [], set()
    for n, case in enumerate(cases):
        body = bytes.fromhex(case["body"])
        declared.append(f"static const uint8_t b{n}[] = {{{', '.join(map(str, body))}}};\n")
        done.append(f'start({n}, "body"); sagline_send(&s, b{n}, {len(body)});')
        expected.add((n, "body"))
        if found := calls(n, case):
            declared.append(found[0])
            done.append(f'start({n}, "record"); {found[1]}')
            expected.add((n, "record"))
    source = "".join(declared) + "int main(void)\n{\n" + "\n".join(done) + "\nreturn 0;\n}\n"
    return source, expected
