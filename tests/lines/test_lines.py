"""Lines of text as frames: every value as it was printed, every byte kept, nothing invented."""

import json
import random
from decimal import Decimal
from itertools import pairwise
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from sagline_logger.capture.lines import LONGEST
from sagline_logger.format import Piece, Raw, RawUse, Samples, decode_record
from support.printing_board import feed, map_text, raw_of, translator, values_of


def test_every_value_is_exact_to_the_printed_digit(tmp_path: Path) -> None:
    luck = random.Random(1)
    steps = [f"1e-{luck.randrange(7)}" for _ in range(20)]
    names = [f"channel_{n}" for n in range(20)]
    printed: list[list[str]] = []
    text = b"the first line is cut\n"
    for row in range(500):
        cells = [
            f"{luck.randrange(-(10**9), 10**9) * Decimal(step):.{-Decimal(step).adjusted()}f}"
            for step in steps
        ]
        printed.append(cells)
        text += ",".join([str(row * 10), *cells]).encode() + b"\r\n"
    reader = translator(tmp_path, map_text(names, steps))
    slices = [text[at : at + 700] for at in range(0, len(text), 700)]
    items = feed(reader, slices)
    found = list(values_of(items))
    assert [values for _, _, values in found] == [[Decimal(c) for c in row] for row in printed]
    assert [time for _, time, _ in found] == [row * 10_000 for row in range(500)]
    assert raw_of(items) == text
    assert reader.unread == 0


FORMS = {
    "commas": ("header = 1", (2, 3), "{t},{v},{i}"),
    "blanks": ('delimiter = " "\nheader = 0', (2, 3), "{t}  {v} {i} "),
    "a comma in numbers": ('delimiter = ";"\ndecimal = ","\nheader = 0', (2, 3), "{t};{v};{i}"),
    "a word in front": ("header = 0", (3, 4), "DATA,{t},{v},{i}"),
    "quoted": ("header = 0", (2, 3), '{t},"{v}",{i}'),
    "pairs": ('form = "pairs"\ndelimiter = " "', ("v", "i"), "t={t} v={v} i={i}"),
    "pairs of a plotter": ('form = "pairs"\nequals = ":"', ("v", "i"), "t:{t}, v:{v}, i:{i}"),
    "json": ('form = "json"', ("pack.v", "i"), '{{"t": {t}, "pack": {{"v": {v}}}, "i": {i}}}'),
}


@pytest.mark.parametrize("form", FORMS)
def test_forms_of_lines(tmp_path: Path, form: str) -> None:
    file, columns, line = FORMS[form]
    key = {"commas": 1, "blanks": 1, "a comma in numbers": 1, "quoted": 1, "a word in front": 2}
    time = f'column = {key.get(form) or chr(34) + "t" + chr(34)}\nunit = "ms"'
    plan = map_text(
        ("pack_voltage", "battery_current"), ("0.01", "0.1"), file, time=time, columns=columns
    )
    lines = [line.format(t=n * 20, v=f"{48 - n / 100:.2f}", i=f"{n / 10:.1f}") for n in range(50)]
    if "comma in" in form:
        lines = [one.replace(".", ",") for one in lines]
    reader = translator(tmp_path, plan)
    items = feed(reader, [b"cut\n", *(one.encode() + b"\n" for one in lines)])
    assert reader.unread == 0, reader.news()
    assert [(time, values) for _, time, values in values_of(items)] == [
        (n * 20_000, [Decimal(4800 - n) / 100, Decimal(n) / 10]) for n in range(50)
    ]


def test_columns_by_their_titles_whenever_those_come(tmp_path: Path) -> None:
    plan = map_text(("pack_voltage",), ("0.1",), time='column = "t"\nunit = "ms"', columns=("v",))
    reader = translator(tmp_path, plan)
    items = feed(reader, [b"t,v\n", b"0,48.0\n", b"20,48.1\n", b"v,x,t\n", b"48.2,9,40\n"])
    assert [values for _, _, values in values_of(items)] == [
        [Decimal("48.0")],
        [Decimal("48.1")],
        [Decimal("48.2")],
    ]
    assert reader.unread == 0
    late = translator(tmp_path, plan)
    items = feed(late, [b"x\n", b"0,48.0\n", b"20,48.1\n"])
    assert list(values_of(items)) == []
    assert late.unread == 2
    assert "no line of titles has come yet" in late.news()[0]


def test_missing_readings(tmp_path: Path) -> None:
    plan = map_text(("pack_voltage", "speed"), ("0.1", "0.1"), 'missing = ["--"]\nheader = 0')
    items = feed(translator(tmp_path, plan), [b"x\n", b"0,--,1.5\n", b"20,,2\n"])
    assert [values for _, _, values in values_of(items)] == [
        [None, Decimal("1.5")],
        [None, Decimal(2)],
    ]


def test_arrival_is_the_time_where_the_board_tells_none(tmp_path: Path) -> None:
    plan = map_text(("pack_voltage",), ("0.1",), "header = 0", time="", columns=(1,))
    reader = translator(tmp_path, plan)
    assert not reader.tells_time
    # One line every 20 ms; then four at once, which came at the same pace.
    chunks = [b"x\n", *[b"48.0\n"] * 50, *[b""] * 3, b"48.1\n" * 4]
    times = [time for _, time, _ in values_of(feed(reader, chunks))]
    steps = {later - one for one, later in pairwise(times)}
    assert steps == {20_000}


def test_a_restart_a_turn_of_the_counter_and_a_damaged_time(tmp_path: Path) -> None:
    plan = map_text(("pack_voltage",), ("0.1",), "header = 0")
    top = 2**32
    times = [top - 60, top - 40, top - 20, 0, 20, 40]  # milliseconds of 32 bits come round
    times += [999_999, 60, 80]  # one damaged: no restart, no jump
    times += [3, 23, 43]  # the board starts anew
    chunks = [b"x\n", *(b"%d,%d\n" % (time, at) for at, time in enumerate(times))]
    reader = translator(tmp_path, plan)
    found = [
        (boot, time % 2**32, int(value))
        for boot, time, (value,) in values_of(feed(reader, chunks))
        if value is not None
    ]
    start = (top - 60) * 1000
    expected = [(1, (start + at * 20_000) % 2**32, at) for at in range(6)]
    expected += [(1, (start + at * 20_000) % 2**32, at + 1) for at in (6, 7)]
    expected += [(2, 3_000 + at * 20_000, 9 + at) for at in range(3)]
    assert found == expected
    assert reader.unread == 1
    assert "its time fits neither the line before nor the one behind" in reader.news()[0]


def test_lost_lines_show_in_the_numbers_of_a_regular_stream(tmp_path: Path) -> None:
    plan = map_text(("pack_voltage",), ("0.1",), "header = 0", period="0.02")
    times = [0, 20, 40, 100, 120]
    items = feed(translator(tmp_path, plan), [b"x\n", *(b"%d,48.0\n" % time for time in times)])
    numbers = [
        record.sequence
        for item in items
        if isinstance(item, Piece) and item.body is not None
        if isinstance(record := decode_record(item.body), Samples)
    ]
    assert numbers == [0, 1, 2, 5, 6]


def spoiled(lines: list[bytes], luck: random.Random, times: int) -> bytes:
    """Return the lines with ``times`` places spoiled: cut, joined, other bytes, NUL, endless."""
    text = list(lines)
    for at in luck.sample(range(1, len(text) - 1), times):
        line = text[at]
        match luck.randrange(7):
            case 0:
                text[at] = line[: luck.randrange(len(line))]  # cut, and so joined to the next
            case 1:
                text[at] = line[luck.randrange(len(line)) :]
            case 2:
                text[at] = line.rstrip(b"\r\n")  # joined
            case 3:
                text[at] = line[:3] + bytes(luck.randrange(128, 256) for _ in range(5)) + line[3:]
            case 4:
                text[at] = line[:4] + b"\0" * luck.randrange(1, 9) + line[4:]
            case 5:
                text[at] = line.decode().encode("utf-16")
            case 6:
                text[at] = b"7" * luck.randrange(LONGEST, 4 * LONGEST) + line
    return b"".join(text)


@pytest.mark.parametrize("form", ["separated", "pairs", "json"])
def test_a_thousand_spoiled_lines(tmp_path: Path, form: str) -> None:
    """Nothing crashes, every byte is kept, what is not read is counted, and no value is taken
    from a line that was not whole: in each value stands which line it was printed in."""
    luck = random.Random(7)
    names = {"separated": (2, 3), "pairs": ("v", "i"), "json": ("v", "i")}[form]
    clock = {"separated": "1", "pairs": '"t"', "json": '"t"'}[form]
    plan = map_text(
        ("pack_voltage", "battery_current"),
        ("0.001", "0.001"),
        f'form = "{form}"' if form != "separated" else "header = 0\ncells = 3",
        time=f'column = {clock}\nunit = "ms"',
        columns=names,
    )
    lines = []
    for n in range(5000):
        t, v, i = n * 10, f"{n / 1000:.3f}", f"{n * 7 / 1000:.3f}"
        lines.append(
            {
                "separated": f"{t},{v},{i}\r\n",
                "pairs": f"t={t},v={v},i={i}\r\n",
                "json": json.dumps({"t": t, "v": float(v), "i": float(i)}) + "\n",
            }[form].encode()
        )
    text = b"x\n" + spoiled(lines, luck, 1000)
    reader = translator(tmp_path, plan)
    slices = []
    at = 0
    while at < len(text):
        size = luck.randrange(1, 300)
        slices.append(text[at : at + size])
        at += size
    items = feed(reader, slices, every=1000)
    assert raw_of(items) == text
    refused = [item for item in items if isinstance(item, Raw) and item.use is RawUse.NOT_READ]
    assert reader.unread > 500
    assert len(refused) >= reader.unread
    rows = list(values_of(items))
    wrong = 0
    for _, time, (v, i) in rows:
        assert time % 10_000 == 0
        n = time // 10_000
        # A cut can leave a line that is whole but shorter in its last number: no sign tells it.
        wrong += (v, i) != (Decimal(n) / 1000, Decimal(n * 7) / 1000)
    assert len(rows) > 3500
    assert wrong <= (0 if form == "json" else 1000 // 7)
    assert len(set(reader.news())) <= 8


def test_memory_stays_bounded_by_an_endless_line(tmp_path: Path) -> None:
    reader = translator(tmp_path, map_text())
    items = feed(reader, [b"x\n", *[b"9" * 1000] * 300, b"\n", b"0,1,2,3\n", b"20,1,2,3\n"])
    assert reader.unread == 1
    assert len(list(values_of(items))) == 2
    assert raw_of(items).count(b"9") == 300_000


PLANS = {
    "by number": map_text(("pack_voltage", "speed"), ("0.1", "0.1"), "header = 1"),
    "by title": map_text(
        ("pack_voltage",), ("0.1",), time='column = "t"\nunit = "us"', columns=("v",)
    ),
    "pairs": map_text(("pack_voltage",), ("0.1",), 'form = "pairs"', time="", columns=("v",)),
    "json": map_text(
        ("pack_voltage",),
        ("0.1",),
        'form = "json"',
        time='column = "t"\nunit = "ms"',
        columns=("v",),
    ),
}
TEXTS = st.lists(
    st.one_of(
        st.binary(max_size=40),
        st.sampled_from([b"\n", b"\r\n", b"\r", b"t,v\n", b"t,v,x\r\n", b'{"t":', b"\0" * 5000]),
        st.tuples(st.integers(-9, 2**40), st.floats(allow_nan=True)).map(
            lambda two: b"%d,%s\n" % (two[0], repr(two[1]).encode())
        ),
        st.tuples(st.integers(-9, 2**40), st.integers(-(2**40), 2**40)).map(
            lambda two: b'{"t":%d,"v":%d}\n' % two
        ),
        st.integers(-(2**33), 2**33).map(lambda one: b"v=%d,\n" % one),
    ),
    max_size=40,
)


@pytest.mark.parametrize("form", PLANS)
@settings(
    max_examples=150, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)
@given(parts=TEXTS, cut=st.integers(1, 97))
def test_any_bytes_are_kept_and_never_crash(
    tmp_path: Path, form: str, parts: list[bytes], cut: int
) -> None:
    reader = translator(tmp_path, PLANS[form])
    text = b"".join(parts)
    slices = [text[at : at + cut] for at in range(0, len(text), cut)]
    before = reader.position
    items = feed(reader, slices)
    assert raw_of(items) == text
    list(values_of(items))
    made = sum(len(item.raw) for item in items if isinstance(item, Piece))
    assert reader.position - before == made
