"""What the emitters refuse (frame_format.md §5.9), and a card that is appended to at each start."""

import re
from itertools import pairwise

import pytest

from sagline_analyser import load_ride
from sagline_logger.format import read_log
from sagline_logger.verify.survey import survey
from support.emitters import C99, EXAMPLES, HERE, MODULE, build, run

PROGRAM = """
#include "sagline.h"
#include <stdio.h>
static void put(void *to, uint8_t byte) {{ (void)to; (void)byte; }}
static const sagline_channel channels[] = {{
    SAGLINE_CHANNEL("good", "V", "", 0, SAGLINE_U8, 1, 0, 0),
    {channel}
}};
int main(void)
{{
    static uint8_t buffer[20];
    static sagline_stream streams[] = {{SAGLINE_STREAM({name}, 1000, channels, buffer)}};
    static sagline s;
    int problem;
    sagline_init(&s, put, 0, "b", "f", 1, streams, 1);
    problem = sagline_begin(&s, 0);
    printf("%d %d %d", problem, s.bad_stream, s.bad_channel);
    return 0;
}}
"""
PLAIN = 'SAGLINE_CHANNEL("a", "V", "", 0, SAGLINE_U8, 1, 0, 0)'
CASES = {
    "all right": (PLAIN, '"fast"', "0"),
    "a name without its end": (PLAIN.replace('"a"', f'"{"n" * 29}"'), '"fast"', "6 0 1"),
    "a unit in Latin-1": (PLAIN.replace('"V"', r'"\xb0" "C"'), '"fast"', "6 0 1"),
    "one name and index": (PLAIN.replace('"a"', '"good"'), '"fast"', "4 0 1"),
    "a multiplier of zero": (PLAIN.replace("U8, 1", "U8, 0"), '"fast"', "3 0 1"),
    "a stream's name over its limit": (PLAIN, f'"{"n" * 49}"', "6 0 255"),
    "a stream's name not UTF-8": (PLAIN, r'"\xed\xa0\x80"', "6 0 255"),
}


@pytest.mark.parametrize("case", CASES)
def test_what_no_reader_could_use_is_refused_with_its_place(case, tmp_path):
    channel, name, expected = CASES[case]
    source = tmp_path / "bad.c"
    source.write_text(PROGRAM.format(channel=channel, name=name))
    assert run(build(tmp_path / "bad", C99, source)).decode().startswith(expected)


def test_the_key_decides_and_not_name_and_index(tmp_path):
    source = tmp_path / "bad.c"
    twins = (
        PLAIN.replace('"a"', '"x_17"') + ", " + PLAIN.replace('"a", "V", "", 0', '"x", "V", "", 17')
    )
    source.write_text(PROGRAM.format(channel=twins, name='"fast"'))
    assert run(build(tmp_path / "bad", C99, source)).decode() == "4 0 2"
    space: dict[str, object] = {"__name__": "sagline"}
    exec(MODULE.read_text(), space)
    channel, stream = space["Channel"], space["Stream"]
    with pytest.raises(ValueError, match="one key"):
        stream("fast", 1000, [channel("x_17", "V", 1), channel("x", "V", 1, index=17)])


def test_three_power_cycles_of_an_8_bit_chip_in_one_file(tmp_path):
    """An ATmega328P under simavr appends to one card; the power fails twice, once in a frame."""
    card = tmp_path / "card.c"
    example = (EXAMPLES / "card.c").read_text()
    card.write_text(example.replace("sagline_log_begin", "sagline_log_append"))
    starts = []
    for boot in (7, 8, 9):
        compiler = ["avr-gcc", "-std=gnu99", "-mmcu=atmega328p", "-Os", f"-DBOOT={boot}"]
        elf = build(tmp_path / f"{boot}.elf", compiler, card, HERE / "avr_board.c")
        printed = run("sh", "-c", f"simavr -m atmega328p -f 16000000 {elf} 2>&1").decode()
        lines = [re.sub(r"\x1b\[\d*m", "", line) for line in printed.splitlines()]
        digits = "".join(m[1] for line in lines if (m := re.fullmatch(r"([0-9a-f]+)\.?", line)))
        starts.append(bytes.fromhex(digits))
    log = tmp_path / "card.sagline"
    log.write_bytes(starts[0][:-700] + starts[1][:-2] + starts[2])
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
