"""What the emitters refuse (frame_format.md §5.9), and a card that is appended to at each start."""

import json
import re
from itertools import pairwise
from typing import Any

import pytest

from sagline_analyser import load_ride
from sagline_logger.format import read_log
from sagline_logger.verify.survey import survey
from support.emitters import (
    C99,
    HEADER,
    HERE,
    LONG_TEXTS,
    MODULE,
    build,
    run,
    run_cpython,
    run_micropython,
    three_power_cycles,
)

CODES = {1: 1, 2: 2, 3: 3, 4: 6, 5: 6, 6: 4, 7: 3, 8: 3, 9: 3, 10: 2}
"""The emitters' code (SAGLINE_BAD_...) for each rule of §5.9."""
VECTORS = MODULE.parents[2] / "vectors" / "refused_descriptions.json"
CASES = json.loads(VECTORS.read_text())

HEAD = """
#include "sagline.h"
#include <stdio.h>
static uint8_t buffer[300];
static sagline s;
static int put_bytes;
static void put(void *to, uint8_t byte) { (void)to; (void)byte; put_bytes++; }
static void begin(int number, sagline_stream *streams, uint8_t count)
{
    int how, problem[3];
    for (how = 0; how < 3; how++) {
        sagline_init(&s, put, 0, "b", "f", 1, streams, count);
        problem[how] = how == 0   ? sagline_begin(&s, 0)
                       : how == 1 ? sagline_log_begin(&s, 0, 0, "p", "s", "")
                                  : sagline_log_append(&s, 0, 0, "p", "s", "");
    }
    if (problem[1] != problem[0] || problem[2] != problem[0] || put_bytes) problem[0] = -1;
    printf("%d %d %d %d\\n", number, problem[0], s.bad_stream, s.bad_channel);
}
"""


def expected(case: dict[str, Any], none: object) -> list[object]:
    place = [none if case[key] is None else case[key] for key in ("stream", "channel")]
    return [CODES[case["rule"]], *place]


def literal(text: str) -> str:
    return '"' + "".join(f"\\{byte:03o}" for byte in bytes.fromhex(text)) + '"'


def program() -> str:
    """Return a C program that begins with each description; a text one byte over its limit fills
    its array and has no end."""
    declared, done = [HEAD], []
    for n, case in enumerate(CASES):
        rows = []
        for at, stream in enumerate(case["streams"]):
            channels = [
                "{{{}, {}, {}, {}, {}, 0, {}, {}, {}, 0}}".format(
                    *(literal(c[key]) for key in ("name", "unit", "label")),
                    *(c[key] for key in ("type", "index", "exponent", "multiplier", "offset")),
                )
                for c in stream["channels"]
            ]
            table = f"c{n}_{at}"
            rest = "{0}" if not channels else f"{{{', '.join(channels)}}}"
            declared.append(f"static const sagline_channel {table}[] = {rest};\n")
            rows.append(
                f"{{{literal(stream['name'])}, {stream['period']}, {table}, {len(channels)}, "
                "buffer, sizeof buffer, 0, false, 0, 0, 0, 0}"
            )
        declared.append(f"static sagline_stream s{n}[] = {{{', '.join(rows)}}};\n")
        done.append(f"begin({n}, s{n}, {len(rows)});")
    return "".join(declared) + "int main(void)\n{\n" + "\n".join(done) + "\nreturn 0;\n}\n"


def test_the_header_refuses_what_no_reader_could_use_and_says_where(tmp_path):
    source = tmp_path / "refused.c"
    source.write_text(program())
    made = build(tmp_path / "refused", C99, source, flags=tuple(LONG_TEXTS))
    lines = [list(map(int, line.split())) for line in run(made).decode().splitlines()]
    assert lines == [[n, *expected(case, 255)] for n, case in enumerate(CASES)]


@pytest.mark.parametrize("python", [run_cpython, run_micropython], ids=["CPython", "MicroPython"])
def test_the_module_refuses_the_same_with_the_same_code_and_place(python):
    printed = python(HERE / "on_board" / "refused.py", MODULE, VECTORS)
    lines = [line.split() for line in printed.splitlines() if line.strip()]
    assert len(lines) == len(CASES)
    for n, (case, line) in enumerate(zip(CASES, lines, strict=True)):
        told = list(map(str, [n, *expected(case, None)]))
        # CPython's strings hold no such bytes; MicroPython's some, half a surrogate pair for one.
        unsaid = case["rule"] == 5 and (python is run_cpython or "surrogate" not in case["name"])
        assert line == ([str(n), "unsaid"] if unsaid else told), case["name"]


def test_the_codes_have_one_name_in_both_and_in_the_specification():
    header = re.search(
        r"enum \{\s*SAGLINE_OK = 0,(.*?)\};", (HEADER / "sagline.h").read_text(), re.S
    )
    assert header is not None
    names = re.findall(r"SAGLINE_(BAD_\w+)", header[1])
    space: dict[str, Any] = {"__name__": "sagline"}
    exec(MODULE.read_text(), space)
    assert [space[name] for name in names] == list(range(1, len(names) + 1))
    assert space["_NAMES"] == ["OK", *names]
    text = (MODULE.parents[2] / "frame_format.md").read_text()
    rules = dict(re.findall(r"^\| (\d+) \| .* \| `SAGLINE_(BAD_\w+)`", text, re.M))
    assert {int(n): names.index(name) + 1 for n, name in rules.items()} == CODES


LOG_HEAD = r"""
#include "sagline.h"
#include <stdio.h>
static int bytes;
static void put(void *to, uint8_t byte) { (void)to; (void)byte; bytes++; }
int main(void)
{
    static sagline s;
    int problem;
    sagline_init(&s, put, 0, "b", "f", 1, 0, 0);
    problem = sagline_log_append(&s, 0, 0, TEXTS);
    printf("%d %d %d", problem, s.bad_stream, bytes > 0);
    return 0;
}
"""


@pytest.mark.parametrize(
    ("texts", "told"),
    [
        ('"p", "s", ""', "0 255 1"),
        (r'"caf\xe9", "s", ""', "6 255 0"),
        (r'"p", "caf\xe9", ""', "6 255 0"),
        (r'"p", "s", "caf\xe9"', "6 255 0"),
        (f'"{"p" * 49}", "s", ""', "6 255 0"),
    ],
    ids=["all right", "program", "source", "note", "too long"],
)
def test_a_log_whose_head_no_reader_could_use_is_not_begun(texts, told, tmp_path):
    source = tmp_path / "head.c"
    source.write_text(LOG_HEAD.replace("TEXTS", texts))
    assert run(build(tmp_path / "head", C99, source)).decode() == told


def test_three_power_cycles_of_an_8_bit_chip_in_one_file(tmp_path):
    """An ATmega328P under simavr appends to one card; the power fails twice, once in a frame."""
    log = tmp_path / "card.sagline"
    log.write_bytes(three_power_cycles(tmp_path))
    ride = load_ride(log)
    assert [segment.boot for segment in ride.segments] == [7, 8, 9]
    ends = [(segment.start, segment.end) for segment in ride.segments]
    assert all(before[1] < after[0] for before, after in pairwise(ends))
    assert ride.quality.captures == 3
    assert sum(ride.quality.lost_samples.values()) == 0
    with log.open("rb") as file:
        found = survey(read_log(file), log.stat().st_size)
    assert (found.captures, found.cut_captures) == (3, 2)
    assert [boot.boot for boot in found.boots] == [7, 8, 9]
    for stream in ride.streams.values():
        assert set(stream.segment.tolist()) == {0, 1, 2}
        assert (stream.time[1:] >= stream.time[:-1]).all()
