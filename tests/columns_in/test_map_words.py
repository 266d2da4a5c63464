"""Maps, cells and lines one by one: what each key takes and refuses, and what a cell comes to.

Keys and rules: ``docs/import.md`` and ``docs/any_board.md``; factors: NIST Special Publication 811,
appendix B; numbers of samples and lengths: ``protocol_docs/frame_format.md`` §8.
"""

from decimal import Decimal
from fractions import Fraction
from pathlib import Path

import pytest

from sagline_logger.format import SaglineError
from sagline_logger.format.columns.cells import (
    BLANK,
    BadCell,
    cell_reader,
    holds_number,
    iso_micros,
    number,
    time_reader,
    to_whole,
)
from sagline_logger.format.columns.column_map import (
    ColumnMap,
    TimePlan,
    load_can_map,
    load_map,
    read_map,
)
from sagline_logger.format.columns.guess import (
    column_titled,
    lines_map_text,
    map_text,
    quoted,
    time_column,
)
from sagline_logger.format.columns.line_cells import LineReader, LineRow
from sagline_logger.format.columns.map_tables import (
    ColumnTable,
    FileTable,
    MapTable,
    StreamTable,
    TimeTable,
    micros,
    texts,
)
from sagline_logger.format.columns.map_tables import number as map_number
from sagline_logger.format.columns.named_lines import (
    BadLine,
    NamedForm,
    flat_json,
    named_pairs,
    names_reader,
    told_form,
)
from sagline_logger.format.columns.time_guess import guess_time
from sagline_logger.format.columns.units import Conversion, conversion, spelled
from sagline_logger.format.toml_tables import rules

TIME = '[time]\ncolumn = "t"\nunit = "s"\n'
VOLTS = '[[columns]]\ncolumn = "v"\nchannel = "pack_voltage"\nresolution = 0.01\n'


def refused(text: str, lines: bool = False) -> str:
    with pytest.raises(SaglineError) as problem:
        read_map(text, "m", lines)
    return str(problem.value)


# --- a whole map -----------------------------------------------------------------------------


def test_what_a_map_says_by_itself():
    plan = read_map(TIME + VOLTS, "here.toml")
    (column,) = plan.columns
    assert plan == ColumnMap(
        "here.toml",
        "",
        "",
        ",",
        ".",
        "utf-8-sig",
        1,
        2,
        TimePlan("t", 1_000_000),
        plan.streams,
        plan.columns,
        (),
        "separated",
        "=",
        0,
    )
    assert [(one.name, one.period) for one in plan.streams] == [("table", 0)]
    assert (column.column, column.stream) == ("v", 0)
    assert column.missing == ("nan", "na", "n/a", "null", "none")
    channel = column.channel
    assert (channel.name, channel.unit, channel.type.name) == ("pack_voltage", "V", "I32")
    assert (channel.multiplier, channel.offset, channel.exponent) == (1, 0, -2)
    assert (channel.index, channel.label, channel.missing) == (0, "", None)
    assert column.line == Conversion(Fraction(100))  # hundredths


WHOLE = """board = "Kestrel"
note = "first ride"
[file]
form = "pairs"
delimiter = ";"
equals = ":"
decimal = ","
encoding = "latin-1"
header = 3
first_row = 7
cells = 4
missing = [" - ", "NO"]
[time]
column = 1
unit = "µs"
since_1970 = true
start = "2026-05-02T08:30:00+02:00"
[[streams]]
name = "fast"
period = 0.0125
[[streams]]
name = "slow"
[[columns]]
column = 2
channel = "motor_temperature"
index = 2
label = "left"
unit = "°F"
resolution = "1/4"
stream = "slow"
missing = "Gone"
[[columns]]
column = "x"
channel = "own"
unit = "furlong"
as = "furlong"
factor = "2/3"
offset = 1.5
resolution = 1200
[settings]
limit = 40
name = "a"
"""


def test_everything_that_a_map_may_say():
    plan = read_map(WHOLE, "m")
    assert (plan.board, plan.note, plan.delimiter, plan.decimal) == (
        "Kestrel",
        "first ride",
        ";",
        ",",
    )
    assert (plan.encoding, plan.form, plan.equals, plan.cells) == ("latin-1", "pairs", ":", 4)
    assert (plan.header, plan.first_row) == (1, 7)  # lines of pairs have their titles each
    assert plan.time == TimePlan(1, 1, 0, True, "2026-05-02T08:30:00+02:00")
    assert [(one.name, one.period) for one in plan.streams] == [("fast", 12_500), ("slow", 0)]
    assert plan.settings == (("limit", "40"), ("name", "a"))
    warm, own = plan.columns
    assert (warm.column, warm.stream, warm.missing) == (2, 1, ("gone",))
    assert (own.column, own.stream, own.missing) == ("x", 0, ("-", "no"))
    assert (warm.channel.unit, warm.channel.index, warm.channel.label) == ("°C", 2, "left")
    assert (warm.channel.multiplier, warm.channel.exponent) == (25, -2)
    # 5/9 °C a °F and −160/9, in quarters.
    assert warm.line == Conversion(Fraction(20, 9), Fraction(-640, 9))
    assert (own.channel.unit, own.channel.multiplier, own.channel.exponent) == ("furlong", 12, 2)
    assert own.line == Conversion(Fraction(2, 3) / 1200, Fraction(3, 2) / 1200)
    stream = plan.described(0, 12_500, (own.channel,))
    assert (stream.boot, stream.revision, stream.stream, stream.name) == (1, 0, 0, "fast")
    assert (stream.period, stream.channels) == (12_500, (own.channel,))
    with pytest.raises(SaglineError) as problem:
        plan.described(1, 0, ())
    assert str(problem.value) == (
        "m: stream 'slow': stream 1 'slow' has 0 channels, outside 1 to 64; spread its columns "
        "over more streams, or drop the stream"
    )


def test_the_titles_and_the_first_row():
    assert read_map("[file]\nheader = 4\n" + TIME + VOLTS, "m").first_row == 5
    by_number = VOLTS.replace('"v"', "2")
    none = read_map("[file]\nheader = 0\n[time]\nstep = 0.5\n" + by_number, "m")
    assert (none.header, none.first_row, none.time) == (0, 1, TimePlan(None, 1, 500_000))
    assert read_map("[file]\nfirst_row = 2\n" + TIME + VOLTS, "m").first_row == 2
    assert refused("[file]\nfirst_row = 1\n" + TIME + VOLTS) == (
        "m:2: file.first_row does not stand below the titles; write a number of at least 2"
    )


def test_the_time_of_lines_may_be_that_of_arrival():
    assert read_map(VOLTS, "m", True).time == TimePlan(None, 1)
    start = '[time]\nstart = "2026-05-02"\n'
    assert read_map(start + VOLTS, "m", True).time == TimePlan(None, 1, start="2026-05-02")
    step = read_map('[time]\nstep = 2\nstart = "2026-05-02"\n' + VOLTS, "m", True)
    assert step.time == TimePlan(None, 1, 2_000_000, False, "2026-05-02")
    assert "names no column" in refused('[time]\nunit = "s"\n' + VOLTS, True)


REFUSED = {
    'm:1: time names no column; write [time] with column = "…" and unit = "s", or step = 0.01': (
        VOLTS
    ),
    "m:1: time has no unit; add unit = one of: s, ms, us, iso8601": '[time]\ncolumn = "t"\n'
    + VOLTS,
    "m:4: time.step is zero, or stands beside column; keep one of the two; step is the time "
    "between rows in s": TIME + "step = 1\n" + VOLTS,
    "m:2: time.step is zero, or stands beside column; keep one of the two; step is the time "
    "between rows in s": "[time]\nstep = 0\n" + VOLTS,
    'm:4: time.start is no date and time by ISO 8601; write it as "2026-05-02T08:30:00+02:00"': (
        TIME + 'start = "yesterday"\n' + VOLTS
    ),
    "m:1: columns are none; write one [[columns]] table for each column": TIME,
    'm:2: file.decimal is the delimiter too; write "." or "," and another delimiter': (
        '[file]\ndecimal = ","\n' + TIME + VOLTS
    ),
    "m:4: time.column is a title in a file without a header; write its number": (
        "[file]\nheader = 0\n" + TIME + VOLTS.replace('"v"', "2")
    ),
    "m:7: columns.column is a title in a file without a header; write its number": (
        "[file]\nheader = 0\n" + TIME.replace('"t"', "1") + VOLTS
    ),
    "m:10: columns.channel pack_voltage is mapped twice; give one of them another index or name": (
        TIME + VOLTS + VOLTS
    ),
    "m:5: streams.name is taken; give each stream its own name": (
        TIME.replace("\n[time]", "")
        + "[[streams]]\n"
        + 'name = "a"\n[[streams]]\nname = "a"\n'
        + VOLTS
    ),
    "m:4: columns has no resolution; write the smallest step to keep, in V, such as 0.01": (
        TIME + VOLTS.replace("resolution = 0.01\n", "")
    ),
    "m:8: columns.stream 'x' is no stream of this map; known: table": TIME
    + VOLTS
    + 'stream = "x"\n',
    "m:8: columns.factor is zero; write what one unit of the file is worth": (
        TIME + VOLTS + "factor = 0\n"
    ),
    'm:8: columns.as differs from the unit of pack_voltage; write "V" or leave it out': (
        TIME + VOLTS + 'as = "mV"\n'
    ),
    "m:7: columns.resolution is not a decimal above zero of at most nine digits; write such as "
    "0.01 or 0.0125": TIME + VOLTS.replace("0.01", "2147483648"),
    "m:3: settings.a is not one value, or too long; write NAME = VALUE, the name at most "
    "48 bytes": ("[settings]\nb = 1\na = [1]\n" + TIME + VOLTS),
}


@pytest.mark.parametrize("line", REFUSED)
def test_what_keys_together_make_wrong(line: str):
    text = REFUSED[line]
    if "streams.name" in line:
        text = '[[streams]]\nname = "a"\n\n[[streams]]\nname = "a"\n' + TIME + VOLTS
    assert refused(text) == line


KEYS = {
    'm:2: file.form must be "separated" or "pairs" or "json", not "csv"': '[file]\nform = "csv"\n',
    "file.delimiter must be one character of those": '[file]\ndelimiter = ",,"\n',
    "file.equals must be one character of those": '[file]\nequals = "a"\n',
    "file.decimal must be one character of those": '[file]\ndecimal = ";"\n',
    "file.encoding must be a text encoding": '[file]\nencoding = "nope"\n',
    "file.header must be a whole number of at least 0": "[file]\nheader = 10001\n",
    "file.first_row must be a whole number of at least 0": "[file]\nfirst_row = 1000001\n",
    "file.cells must be a whole number of at least 0": "[file]\ncells = 10001\n",
    "file.missing must be a text or a list of texts": "[file]\nmissing = [1]\n",
    "time.since_1970 must be true or false": "[time]\nsince_1970 = 1\n",
    "time.step must be a time from 0.000001 to 4294 s": "[time]\nstep = 5000\n",
    "time.column must be a title in double quotes, or a number from 1": "[time]\ncolumn = 0\n",
    "time.unit must be one of: s, ms, us, iso8601": '[time]\nunit = "min"\n',
    "time.start must be a text of at most 64 bytes": f'[time]\nstart = "{"x" * 65}"\n',
    "board must be a text of at most 48 bytes": f'board = "{"ä" * 25}"\n',
    "note must be a text of at most 1024 bytes": f'note = "{"x" * 1025}"\n',
    "streams.period must be a time from 0.000001 to 4294 s": (
        '[[streams]]\nname = "a"\nperiod = 1e-7\n'
    ),
    "columns.column must be a title in double quotes, or a number from 1": (
        '[[columns]]\ncolumn = ""\n'
    ),
    "columns.index must be a whole number of at least 0": "[[columns]]\nindex = 256\n",
    "columns.label must be a text of at most 32 bytes": f'[[columns]]\nlabel = "{"l" * 33}"\n',
    "columns.unit must be a text of at most 16 bytes": f'[[columns]]\nunit = "{"u" * 17}"\n',
    "columns.as must be a text of at most 16 bytes": f'[[columns]]\nas = "{"u" * 17}"\n',
    'columns.factor must be an ordinary number, or a ratio such as "5/18"': (
        '[[columns]]\nfactor = "a"\n'
    ),
    "columns.stream must be a text of at most 48 bytes": f'[[columns]]\nstream = "{"s" * 49}"\n',
    "columns.missing must be a text or a list of texts": "[[columns]]\nmissing = 3\n",
}


@pytest.mark.parametrize("what", KEYS)
def test_what_a_key_may_hold(what: str):
    text = KEYS[what]
    if "[[columns]]" in text:
        text += 'channel = "own"\n' + ("" if "\ncolumn" in text else 'column = "v"\n')
    assert what in refused(text)


# What each key means, and an example of it: docs/import.md and docs/any_board.md tell the same.
MEANT = {
    "board": 'the board\'s name, as in board = "Kestrel"',
    "note": 'a note that goes into the log, as in note = "first ride"',
    "file.form": 'how a line holds its values, as in form = "pairs"',
    "file.delimiter": 'what stands between values: "," ";" or "\\t", as in delimiter = ";"',
    "file.equals": 'what stands between name and value: "=" or ":", as in equals = ":"',
    "file.decimal": 'the decimal sign: "." or ",", as in decimal = ","',
    "file.encoding": 'how the text is encoded, as in encoding = "latin-1"',
    "file.header": "line of the titles from 1; 0 where there are none, as in header = 1",
    "file.first_row": "line of the first data, as in first_row = 2",
    "file.cells": "how many values a line has, as in cells = 5",
    "file.missing": 'what stands for "no reading", as in missing = ["-", "NaN"]',
    "time.column": 'which column it is, as in column = "Voltage"',
    "time.unit": 'in what the time is, as in unit = "s"',
    "time.step": "time between rows in s, where no column tells it, as in step = 0.01",
    "time.since_1970": "whether it counts from 1970, as in since_1970 = true",
    "time.start": 'date and time of the first row, as in start = "2026-05-02T08:30:00+02:00"',
    "streams.name": 'its name, as in name = "fast"',
    "streams.period": "time between its samples in s, where it is regular, as in period = 0.01",
    "columns.column": 'which column it is, as in column = "Voltage"',
    "columns.channel": "a standard name (protocol_docs/vocabulary.md) or your own, as in "
    'channel = "pack_voltage"',
    "columns.index": "which motor, cell or sensor, from 1, as in index = 1",
    "columns.label": 'what people call it, as in label = "left motor"',
    "columns.unit": 'the unit in the file, as in unit = "km/h"',
    "columns.as": 'the unit of the channel, as in as = "m/s"',
    "columns.factor": "what one unit of the file is worth, as in factor = 0.001",
    "columns.offset": "what is added to it, as in offset = 0",
    "columns.resolution": "the smallest step to keep, as in resolution = 0.01",
    "columns.stream": 'the stream it goes into, as in stream = "fast"',
    "columns.missing": 'what stands for "no reading", as in missing = ["-", "NaN"]',
}


def with_key(path: str, value: str) -> str:
    """Return a map in which the key of ``path`` holds ``value``, and what it cannot go without."""
    table, _, key = path.rpartition(".")
    head = {"": "", "file": "[file]\n", "time": "[time]\n"}.get(table, f"[[{table}]]\n")
    needed = {"streams": {"name": '"a"'}, "columns": {"column": '"v"', "channel": '"own"'}}
    rest = {k: v for k, v in needed.get(table, {}).items() if k != key}
    return head + f"{key} = {value}\n" + "".join(f"{k} = {v}\n" for k, v in rest.items())


def said_of(path: str, value: str) -> list[str]:
    """Return what is said of the key alone, of all that such a map lacks."""
    try:
        read_map(with_key(path, value), "m")
    except SaglineError as problem:
        lines = (str(problem), *map(str, problem.more))
        return [line for line in lines if f" {path} must be " in line]
    return []


@pytest.mark.parametrize("path", MEANT)
def test_a_wrong_value_is_told_with_what_the_key_means_and_a_right_example(path: str):
    (told,) = said_of(path, "{ a = 1 }")
    assert told.startswith(f"m:{1 + path.count('.')}: {path} must be ")
    assert told.endswith(f", not a table; {MEANT[path]}")
    assert said_of(path, MEANT[path].rpartition(" = ")[2]) == []


def test_every_key_of_a_map_is_meant():
    tables = {
        "": MapTable,
        "file.": FileTable,
        "time.": TimeTable,
        "streams.": StreamTable,
        "columns.": ColumnTable,
    }
    keys = {
        path + name
        for path, table in tables.items()
        for name, rule in rules(table).items()
        if rule.item is None
    }
    assert keys == set(MEANT)


@pytest.mark.parametrize(
    ("path", "holds", "refuses"),
    [
        ("board", [f'"{"b" * 48}"', '""'], [f'"{"b" * 49}"', "1"]),
        ("time.start", [f'"{"x" * 64}"'], [f'"{"x" * 65}"']),
        ("file.delimiter", ['";"', r'"\t"', '" "'], ['""', r'"\""', r'"\n"', r'"\r"', '",,"']),
        ("file.equals", ['"="', '":"', '"-"'], ['"a"', '"7"', '" "', '""', r'"\t"']),
        ("file.decimal", ['"."', '","'], ['";"', '""', '".,"']),
        ("file.encoding", ['"cp1252"'], ['"nope"', '""', "1", f'"{"u" * 33}"']),
        ("file.header", ["0", "10000"], ["-1", "10001", "1.5", "true"]),
        ("file.first_row", ["1000000"], ["1000001", "-1"]),
        ("file.cells", ["0", "10000"], ["10001", '"5"']),
        ("file.missing", ['"-"', '["a", "b"]', "[]"], ["[1]", "1", "true"]),
        ("time.column", ['"t"', "1", "70000"], ["0", '""', "true", "1.0", "-1"]),
        ("time.unit", ['"s"', '"ms"', '"us"', '"µs"', '"iso8601"'], ['"min"', "1", '""']),
        ("time.step", ["0.000001", "4294", '"1/50"'], ["0.0000009", "4295", '"1/0"', "-1"]),
        ("time.since_1970", ["true", "false"], ["0", '"true"']),
        ("streams.name", [f'"{"s" * 48}"'], [f'"{"s" * 49}"', '""']),
        ("columns.index", ["0", "255"], ["256", "-1"]),
        ("columns.label", [f'"{"l" * 32}"', '""'], [f'"{"l" * 33}"']),
        ("columns.unit", [f'"{"u" * 16}"', '""'], [f'"{"u" * 17}"']),
        ("columns.as", [f'"{"u" * 16}"', '""'], [f'"{"u" * 17}"', "1"]),
        ("columns.factor", ["-2", "0.5", '"5/18"', '"-5 / 18"'], ['"5"', '"5/0"', "true", "inf"]),
        ("columns.offset", ["0", "1e39", "1e-39"], ["1e40", "1e-40", "nan", "[]"]),
        ("columns.stream", [f'"{"s" * 48}"'], [f'"{"s" * 49}"']),
    ],
)
def test_what_a_key_takes_and_what_it_does_not(path: str, holds: list[str], refuses: list[str]):
    assert [value for value in holds if said_of(path, value)] == []
    assert [value for value in refuses if not said_of(path, value)] == []


def test_the_most_that_keys_may_hold():
    text = (
        f'board = "{"b" * 48}"\nnote = "{"n" * 1024}"\n[file]\nheader = 10000\ncells = 10000\n'
        f'encoding = "utf-8"\nfirst_row = 1000000\nequals = "-"\n'
        '[time]\ncolumn = "t"\nunit = "us"\n'
        f'[[streams]]\nname = "{"s" * 48}"\nperiod = 4294\n[[columns]]\ncolumn = "v"\n'
        f'channel = "own"\nindex = 255\nlabel = "{"l" * 32}"\nunit = "{"u" * 16}"\n'
        f'as = "{"u" * 16}"\nresolution = 2147483647\nstream = "{"s" * 48}"\n'
    )
    plan = read_map(text, "m")
    assert (plan.header, plan.first_row, plan.cells) == (10_000, 1_000_000, 10_000)
    assert plan.streams[0].period == 4_294_000_000
    assert plan.columns[0].channel.multiplier == 2**31 - 1


def test_no_more_streams_than_a_log_has():
    streams = "".join(f'[[streams]]\nname = "s{n}"\n' for n in range(16))
    assert len(read_map(TIME + streams + VOLTS, "m").streams) == 16
    told = refused(TIME + streams + '[[streams]]\nname = "x"\n' + VOLTS)
    assert "streams are too many; write at most 16" in told


def test_everything_wrong_is_told_at_once():
    with pytest.raises(SaglineError) as problem:
        read_map('board = 1\n[file]\nform = "x"\n' + TIME + VOLTS + "factor = 0\n", "m")
    assert len(problem.value.more) >= 1


def test_an_encoding_of_lines_ends_them_with_one_byte():
    for name in ("utf-8", "latin-1", "utf-8-sig", "cp1252"):
        assert read_map(f'[file]\nencoding = "{name}"\n' + VOLTS, "m", True).encoding == name
    assert refused('[file]\nencoding = "utf-16-le"\n' + VOLTS, True) == (
        'm:2: file.encoding does not end its lines with one byte; write "utf-8" or "latin-1"'
    )
    assert read_map('[file]\nencoding = "utf-16-le"\n' + TIME + VOLTS, "m").encoding == "utf-16-le"


def test_a_resolution_is_kept_exactly():
    for said, multiplier, exponent in (
        ("0.01", 1, -2),
        ("1", 1, 0),
        ("10", 1, 1),
        ("1200", 12, 2),
        ("125", 125, 0),
        ("0.0125", 125, -4),
        ('"1/8"', 125, -3),
        ("1e-22", 1, -22),
        ("1e22", 1, 22),
        ("2e22", 2, 22),
        ("1e23", 10, 22),
    ):
        channel = read_map(TIME + VOLTS.replace("0.01", said), "m").columns[0].channel
        assert (channel.multiplier, channel.exponent) == (multiplier, exponent), said
    for said in ("1e-23", '"1/3"', "-0.01", "0"):
        assert "is not a decimal above zero" in refused(TIME + VOLTS.replace("0.01", said)), said


def test_what_is_no_toml_says_where():
    told = refused("a = 1\nb = 3 V\n")
    assert told.startswith("m:2: not TOML: ") and "(at line" not in told
    assert told.endswith("; write texts in double quotes, numbers with a point and without a unit")


def test_a_map_file_that_cannot_be_read(tmp_path: Path):
    path = tmp_path / "m.toml"

    def told(lines: bool = False) -> str:
        with pytest.raises(SaglineError) as problem:
            load_map(path, lines)
        return str(problem.value)

    assert told() == (
        f"{path}: cannot read the map (No such file or directory); write one with: "
        "sagline-analyser import FILE.csv --suggest"
    )
    assert told(True).endswith("; write one with: sagline-logger listen")
    path.write_bytes(b"#" * 65_537)
    assert told() == f"{path}: the map is longer than 64 KiB; is it the right file?"
    path.write_bytes(b"# \xff\n")
    assert told() == f"{path}: the map is not UTF-8 text; save it as UTF-8"
    path.write_bytes(b"\xef\xbb\xbf" + (TIME + VOLTS).encode() + b"#" * (65_533 - 130))
    assert load_map(path).where == str(path)


def test_a_map_of_signals_takes_their_units_and_steps(tmp_path: Path):
    path = tmp_path / "m.toml"
    path.write_text(
        '[[columns]]\ncolumn = "Volts"\nchannel = "pack_voltage"\n'
        '[[columns]]\ncolumn = "Amps"\nchannel = "battery_current"\nunit = "mA"\nfactor = -1\n'
        '[[columns]]\ncolumn = "Third"\nchannel = "own"\nresolution = 0.5\n'
        '[[columns]]\ncolumn = "Odd"\nchannel = "odd"\n'
        '[[columns]]\ncolumn = "Zero"\nchannel = "zero"\n'
    )
    signals = {
        "Volts": ("mV", Fraction(25)),
        "Amps": ("A", Fraction(1)),
        "Third": ("V", Fraction(1, 3)),
        "Odd": ("", Fraction(2, 3)),
        "Zero": ("", Fraction(1, 10**9)),
    }
    plan = load_can_map(path, lambda name: signals[name])
    steps = [
        (one.channel.multiplier, one.channel.exponent, one.channel.unit) for one in plan.columns
    ]
    assert steps == [(25, -3, "V"), (1, -3, "A"), (5, -1, "V"), (1, -2, ""), (1, -9, "")]
    assert plan.columns[0].line == Conversion(Fraction(1, 25))
    assert plan.time == TimePlan(None, 1)
    with pytest.raises(SaglineError) as problem:
        load_can_map(path, lambda name: "is no signal of it")
    assert str(problem.value).startswith(
        f"{path}:2: columns.column 'Volts' is no signal of it; name one that the DBC has"
    )
    with pytest.raises(SaglineError, match=r"write one by hand: docs/any_board\.md$"):
        load_can_map(tmp_path / "none.toml", lambda name: signals[name])


# --- values of keys --------------------------------------------------------------------------


def test_numbers_of_a_map():
    assert map_number("5/18") == map_number(" 5 / 18 ") == Fraction(5, 18)
    assert map_number("-1/20") == Fraction(-1, 20)
    assert map_number(3) == 3 and map_number(Decimal("0.25")) == Fraction(1, 4)
    for bad in ("5/0", "1.5/2", "5", "/3", True, None, 2.5, Decimal("nan"), Decimal("1e40")):
        assert map_number(bad) is None, bad
    assert map_number(Decimal("1e39")) == 10**39 and map_number(Decimal("1e-39")) is not None
    assert map_number(Decimal("1e-40")) is None


def test_times_of_a_map_are_whole_microseconds():
    assert micros(Decimal("0.01")) == 10_000 and micros("1/8") == 125_000
    assert micros(0) == 0 and micros(Decimal("0.000001")) == 1
    assert micros(Decimal("0.0000009")) is None
    assert micros(4294) == 4_294_000_000 and micros(4295) is None
    assert micros("x") is None and micros(Decimal("0.0000015")) == 2
    assert texts("a") == ("a",) and texts(["a", "b"]) == ("a", "b")
    assert texts([]) == () and texts(["a", 1]) is None and texts(3) is None and texts(None) is None


# --- cells -----------------------------------------------------------------------------------


def bad(text: str, decimal: str = ".") -> str:
    with pytest.raises(BadCell) as problem:
        number(text, decimal)
    return str(problem.value)


def test_numbers_of_a_cell():
    for text, value in (("12", 12), ("-0.5", "-0.5"), ("+.5", "0.5"), ("5.", 5), ("1e3", 1000)):
        assert number(text, ".") == Decimal(value)
    assert number("1,5E-2", ",") == Decimal("0.015")
    assert bad("x") == "'x' is not a number"
    assert bad("1,5") == "'1,5' is not a number; numbers have a decimal \".\" by the map"
    assert bad("1.5", ",") == "'1.5' is not a number; numbers have a decimal \",\" by the map"
    assert bad("") == "'' is not a number" and bad("1 2") == "'1 2' is not a number"
    assert bad("1e1000") == "'1e1000' is not a number" and bad("1e999") == "'1e999' is out of range"
    assert number("1" * 60, ".") == int("1" * 60)
    assert bad("1" * 61) == repr("1" * 60 + "…") + " is not a number"
    assert bad("x" * 60) == repr("x" * 60) + " is not a number"
    assert holds_number("-3", ".") and not holds_number(" 3", ".") and not holds_number("3,1", ".")
    assert holds_number("3,1", ",")


def test_a_number_goes_to_the_nearest_whole_one():
    assert [to_whole(Conversion())(Decimal(one)) for one in ("0.5", "1.5", "2.51", "-0.5")] == [
        0,
        2,
        3,
        0,
    ]
    third = to_whole(Conversion(Fraction(1, 3), Fraction(1, 2)))
    assert [third(Decimal(one)) for one in ("0", "1", "2", "3", "4.5")] == [0, 1, 1, 2, 2]
    assert to_whole(Conversion(Fraction(5, 9), Fraction(-160, 9)))(Decimal(212)) == 100


def test_what_a_cell_comes_to():
    read = cell_reader(Conversion(Fraction(10)), ",", ("-", "n/a"), 2, 1000)
    assert read("1,25") == 12 and read(" 1,25 ") == 12 and read("1,25") == 12
    assert read("") is read("  ") is BLANK
    assert read("-") is None and read(" N/A ") is None
    assert read("100") == 1000 and read("-200000000") == -2_000_000_000
    for text in ("100,1", "-214748364,8"):
        with pytest.raises(BadCell) as problem:
            read(text)
        assert str(problem.value) == (
            f"{text!r} needs more than 32 bits at this resolution; use a coarser one"
        )
    assert read("-214748364,7") == -(2**31) + 1
    most = cell_reader(Conversion(), ".", (), 9)
    assert most("4294967294") == 2**32 - 2
    with pytest.raises(BadCell, match="more than 32 bits"):
        most("4294967295")
    with pytest.raises(BadCell, match=r"^'1e199' is out of range$"):
        cell_reader(Conversion(Fraction(10**30)), ".", (), 9)("1e199")


def test_dates_and_times_by_iso_8601():
    assert iso_micros("1970-01-01T00:00:01.5Z") == 1_500_000
    assert iso_micros(" 1970-01-01 00:00:00 ") == 0
    assert iso_micros("1970-01-01T01:00:00+02:00") == -HOUR
    assert iso_micros("x") is None and iso_micros("0001-01-01T00:00:00+10:00") is not None
    assert time_reader(0, ".")("1970-01-01T00:00:00.000007") == 7
    with pytest.raises(BadCell, match=r"^'12' is no date and time by ISO 8601$"):
        time_reader(0, ".")("12")
    assert time_reader(1000, ",")(" 1,5 ") == 1500
    with pytest.raises(BadCell, match=r"^'1e20' is too far off for a time$"):
        time_reader(1, ".")("1e20")
    with pytest.raises(BadCell, match=r"^'9e199' is too far off for a time$"):
        time_reader(1_000_000, ".")("9e199")
    with pytest.raises(BadCell, match=r"^'-4611686018427387904' is too far off for a time$"):
        time_reader(1, ".")(str(-(1 << 62)))
    assert time_reader(1, ".")(str((1 << 62) - 1)) == (1 << 62) - 1


HOUR = 3_600_000_000


def test_steps_between_units():
    # NIST SP 811, appendix B.8: the mile, foot, knot, and °F and K to °C.
    assert conversion("kn", "km/h") == Conversion(Fraction(1852, 1000))
    assert conversion("mi", "ft") == Conversion(Fraction(5280))
    assert conversion("°F", "K") == Conversion(
        Fraction(5, 9), Fraction(-160, 9) + Fraction(27315, 100)
    )
    assert (
        conversion("h", "min") == Conversion(Fraction(60))
        and conversion("kWh", "Wh").factor == 1000
    )
    assert (
        conversion("MΩ", "mohm") == Conversion(Fraction(10**9))
        and conversion("uV", "µV") == Conversion()
    )
    assert conversion("furlong", "furlong") == Conversion() and conversion("x", "V") is None
    assert (spelled("kph"), spelled("furlong")) == ("km/h", "furlong")
    there = Conversion(Fraction(2), Fraction(3))
    assert there.then(Conversion(Fraction(5), Fraction(7))) == Conversion(
        Fraction(10), Fraction(22)
    )
    assert there.then(there.inverse()) == Conversion()


# --- lines -----------------------------------------------------------------------------------


def plan_of(text: str, columns: str = "") -> ColumnMap:
    return read_map(text + (columns or VOLTS), "m", True)


def bad_line(reader: LineReader, line: str | bytes) -> tuple[str, str]:
    with pytest.raises(BadLine) as problem:
        reader.read(line if isinstance(line, bytes) else line.encode())
    return problem.value.kind, str(problem.value)


NUMBERED = '[[columns]]\ncolumn = 3\nchannel = "own"\nresolution = 1\n'
CLOCK = '[time]\ncolumn = 1\nunit = "ms"\n'


def test_lines_by_number():
    reader = LineReader(plan_of(CLOCK, NUMBERED))
    assert reader.read(b"5,x,7") == LineRow(5000, (7,))
    assert reader.read(b"\xef\xbb\xbf 6,x,8 ") == LineRow(6000, (8,))
    assert reader.read(b"") is reader.read(b"  ") is None
    assert reader.read(b'9,"a,b",4') == LineRow(9000, (4,))
    assert reader.read(b"9,,") == LineRow(9000, (BLANK,))
    assert bad_line(reader, "9,x,y") == ("number", "value 3: 'y' is not a number")
    assert bad_line(reader, "z,x,4") == ("time", "time: 'z' is not a number")
    assert bad_line(reader, b"9,\xff,4") == ("text", "not utf-8 text")
    assert bad_line(reader, b"9,\x07,4") == ("text", "holds bytes that are no text")
    assert bad_line(reader, "9,4") == ("cells", "2 values where there should be 3")
    assert bad_line(reader, '9,"4') != ("", "")
    # Three lines in a row that agree on another width are the new one.
    assert bad_line(reader, "1,x,2,3") == ("cells", "4 values where there should be 3")
    assert bad_line(reader, "1,x,2,3")[0] == "cells"
    assert reader.read(b"1,x,2,3") == LineRow(1000, (2,))
    assert bad_line(reader, "1,x,2") == ("cells", "3 values where there should be 4")
    assert reader.read(b"1,x,2,3") == LineRow(1000, (2,))
    assert bad_line(reader, "1,x,2")[0] == bad_line(reader, "1,x,2")[0] == "cells"


def test_titles_of_lines_by_number_fix_how_many_values_a_line_has():
    reader = LineReader(plan_of(CLOCK, NUMBERED))
    assert reader.read(b"1,x,2") == LineRow(1000, (2,))
    assert reader.read(b"time,what,own") is None
    for _ in range(5):
        assert bad_line(reader, "1,x,2,3") == ("cells", "4 values where there should be 3")
    assert bad_line(reader, "a,b,nan") == ("time", "time: 'a' is not a number")


def test_titles_may_come_first_where_columns_go_by_number():
    for line, titles in (
        (b"time,what,own", True),
        (b"time,what", True),  # as many as the map needs
        (b"time", False),
        (b"time,,own", False),
    ):
        reader = LineReader(plan_of(CLOCK, NUMBERED))
        assert reader.titles(line) is titles, line
        assert reader.read(b"1,x,2") == LineRow(1000, (2,))
    assert not reader.titles(b"a,b,c,d") and not reader.titles(b"a,b")
    assert bad_line(reader, '1,"' + "x" * 200_000) == ("cells", "its quotes do not match")
    # Two lines of one width and one of another between: no three in a row.
    for line in ("1,x,2,3", "1,x,2,3,4", "1,x,2,3", "1,x,2,3"):
        assert bad_line(reader, line)[0] == "cells"
    assert reader.read(b"1,x,2,3") == LineRow(1000, (2,))


def test_a_width_that_the_map_says_stays():
    reader = LineReader(plan_of("[file]\ncells = 3\n" + CLOCK, NUMBERED))
    for _ in range(5):
        assert bad_line(reader, "1,2,3,4") == ("cells", "4 values where there should be 3")
    assert reader.read(b"1,2,3") == LineRow(1000, (3,))


def test_lines_by_title():
    reader = LineReader(plan_of(TIME))
    assert bad_line(reader, "1,2") == (
        "titles",
        "no line of titles has come yet; the map goes by titles",
    )
    assert not reader.titles(b"1,2") and not reader.titles(b"a,b")
    assert reader.titles(b" v , t ")
    assert reader.read(b"48.21,3") == LineRow(3_000_000, (4821,))
    assert bad_line(reader, "1,2,3") == ("cells", "3 values where there should be 2")
    assert bad_line(reader, "t,t") == ("time", "time: 't' is not a number")
    assert reader.read(b"x,t,v") is None
    assert reader.read(b"9,3,48") == LineRow(3_000_000, (4800,))
    assert bad_line(reader, "nan,t,v")[0] == "time"


def test_other_delimiters_and_decimals():
    reader = LineReader(plan_of('[file]\ndelimiter = " "\ndecimal = ","\n', NUMBERED))
    assert reader.read(b"1  2\t3,4") == LineRow(None, (3,))
    reader = LineReader(plan_of('[file]\ndelimiter = ";"\n', NUMBERED))
    assert reader.read(b'"a;b"; 2 ; 3') == LineRow(None, (3,))


def test_lines_that_name_their_values():
    pairs = LineReader(plan_of('[file]\nform = "pairs"\n' + TIME))
    assert pairs.read(b"t=1, v=48.2, x=9") == LineRow(1_000_000, (4820,))
    assert pairs.read(b"t=1.5,v=") == LineRow(1_500_000, (BLANK,))
    assert not pairs.titles(b"t=1,v=2")
    assert bad_line(pairs, "t=1,x=2") == ("pairs", "holds none of the names in the map")
    assert bad_line(pairs, "v=1") == ("time", "has no t")
    assert bad_line(pairs, "t=1,v=x") == ("number", "v: 'x' is not a number")
    assert bad_line(pairs, "t=1,v") == ("pairs", "'v' is not NAME=VALUE")
    json = LineReader(
        plan_of(
            '[file]\nform = "json"\n',
            VOLTS + VOLTS.replace('"v"', '"a.2"').replace("pack_voltage", "own"),
        )
    )
    assert json.read(b'{"v": 48.25, "a": [1, 2.5]}') == LineRow(None, (4825, 250))
    assert json.read(b'{"v": null, "a": 1}') == LineRow(None, (None, BLANK))
    assert names_reader(plan_of("")) is None


def test_pairs_and_objects_one_by_one():
    assert named_pairs("a=1,, b = 2 ,,", ",", "=") == {"a": "1", "b": "2"}
    assert named_pairs("a=1\tb=2", " ", "=") == {"a": "1", "b": "2"}
    assert named_pairs("a:1  b:2", " ", ":") == {"a": "1", "b": "2"}
    for line, told in (
        ("a=1,b", "'b' is not NAME=VALUE"),
        ("a=1=2", "'a=1=2' is not NAME=VALUE"),
        ("a=1, a =2", "'a' stands in it twice"),
        ("x" * 50, f"{'x' * 40!r} is not NAME=VALUE"),
        (f"{'y' * 50}=1,{'y' * 50}=1", f"{'y' * 40!r} stands in it twice"),
    ):
        with pytest.raises(BadLine) as problem:
            named_pairs(line, ",", "=")
        assert (problem.value.kind, str(problem.value)) == ("pairs", told)
    assert flat_json('{"a": 1.50, "b": {"c": [true, null, NaN]}, "d": "x"}') == {
        "a": "1.50",
        "b.c.1": "1",
        "b.c.2": "null",
        "b.c.3": "NaN",
        "d": "x",
    }
    for line, told in (
        ("[1]", "not one JSON object"),
        ("{", "not one JSON object"),
        ('{"a": 1, "a": 2}', "a name stands in it twice"),
        ("[" * 100_000, "not one JSON object"),
    ):
        with pytest.raises(BadLine) as problem:
            flat_json(line)
        assert (problem.value.kind, str(problem.value)) == ("json", told)


def test_the_form_that_most_lines_have():
    assert told_form(["a=1,b=2", "a=3,b=4"]) == NamedForm("pairs", ",", "=")
    assert told_form(["a:1 b:2"] * 3) == NamedForm("pairs", " ", ":")
    assert told_form(['{"a": 1}'] * 3) == NamedForm("json", ",", "=")
    assert told_form(["a=1"] * 7 + ["hello"] * 3) == NamedForm("pairs", ",", "=")
    assert told_form(["a=1"] * 6 + ["hello"] * 4) is None
    assert told_form([]) is None and told_form(["1,2"]) is None
    pairs, json = NamedForm("pairs", ";", ":"), NamedForm("json", ",", "=")
    assert pairs.shape == {"form": "pairs", "decimal": ".", "delimiter": ";", "equals": ":"}
    assert json.shape == {"form": "json", "decimal": "."}
    assert pairs.texts("a:1;b:x") == {"a": "1", "b": "x"} and pairs.texts("a") == {}
    assert json.texts("x") == {} and json.numbers('{"a": 1, "b": "x"}') == {"a": "1"}
    assert pairs.numbers("a:1;b:x") == {} and pairs.numbers(":1") == {}
    assert pairs.numbers("a:1;b:NaN") == {"a": "1"}


# --- guesses ---------------------------------------------------------------------------------


def guessed(*texts: str, rows: int = 100) -> tuple[str, bool, str]:
    found = guess_time([Decimal(one) for one in texts], rows)
    return found.unit, found.since_1970, found.why


def test_the_unit_of_a_column_of_times():
    assert guessed() == ("s", False, "seconds, as nothing tells otherwise")
    assert guessed("5", "5") == ("s", False, "seconds, as nothing tells otherwise")
    assert guessed("0", "0.5", "1") == (
        "s",
        False,
        "seconds, by steps of 0.5, which makes 2 rows a second",
    )
    assert guessed("0", "20", "40") == (
        "ms",
        False,
        "milliseconds, by steps of 20, which makes 50 rows a second",
    )
    assert guessed("0", "5000") == (
        "us",
        False,
        "microseconds, by steps of 5000, which makes 200 rows a second",
    )
    assert guessed("0", "4999")[0] == "ms" and guessed("0", "10")[0] == "ms"
    assert guessed("0", "9") == ("s", False, "seconds, by steps of 9, which makes 9 s between rows")
    assert guessed("0", "4", "9")[0] == "ms" and guessed("0", "3", "5")[0] == "s"  # it wavers
    assert guessed("0", "3", "7", "11", "16")[0] == "ms"  # by 4 in the middle
    assert guessed("0.5", "10.5")[0] == "ms"
    assert guessed("0", "1")[2].endswith("which makes 1 s between rows")
    assert guessed("0", "1.5")[2].endswith("which makes 1.5 s between rows")
    assert guessed("0.5", "9.5")[0] == "s" and guessed("0.5", "12.5")[0] == "ms"
    # At 5 s a row no ride is longer than half a day.
    assert guessed("0", "5", rows=8640)[0] == "s" and guessed("0", "5", rows=8641)[0] == "ms"
    since = 1_780_000_000
    assert guessed(str(since)) == ("s", True, "seconds since 1970, by their size")
    assert guessed(f"{since}000")[:2] == ("ms", True)
    assert guessed(f"{since}000000")[:2] == ("us", True)
    year = 365 * 86_400
    assert guessed(str(20 * year), str(20 * year + 1))[1] is False
    assert guessed(str(20 * year + 1), str(100 * year - 1))[:2] == ("s", True)


def columns_of(*titles: str, rows: tuple[str, ...]) -> list:
    columns = [column_titled(title) for title in titles]
    for row in rows:
        for column, cell in zip(columns, row.split(","), strict=True):
            column.cells.append(cell)
            column.read(cell, ".")
    return columns


def test_a_title_is_a_name_and_a_unit():
    for title, name, unit in (
        ("Pack Voltage [V]", "pack_voltage", "V"),
        ("motorTemp (degC) ", "motor_temp", "°C"),
        ("Speed(kph)", "speed", "km/h"),
        (" RPM ", "rpm", ""),
        ("x [", "x", ""),
    ):
        column = column_titled(title)
        assert (column.title, column.name, column.unit) == (title.strip(), name, unit)


def test_what_all_cells_of_a_column_are_like():
    column = column_titled("v")
    for cell in ("1", "2.50", "", "NaN", "1e3"):
        column.read(cell, ".")
    assert (column.numeric, column.readings, column.finest) == (True, 3, -2)
    column.read("1.0000000000001", ".")
    assert column.finest == -9
    column.read("x", ".")
    column.read("5", ".")
    assert (column.numeric, column.readings) == (False, 4)


def test_the_map_of_a_file_is_guessed_and_says_so():
    columns = columns_of(
        "Time (s)",
        "Pack Voltage [mV]",
        "cell_voltage_3",
        "who",
        "who knows",
        rows=("0.0,48210,3.71,1,a", "0.1,48200,3.70,2,b", "0.2,48190,3.7,3,c"),
    )
    assert time_column(columns) == 0
    text = map_text("ride.csv", "Kestrel", {"delimiter": ",", "decimal": "."}, columns)
    assert text == (
        '# A guess from "ride.csv": read it before you use it.\n'
        "# What each key means: docs/import.md\n"
        'board = "Kestrel"\n'
        "\n"
        "[file]\n"
        'delimiter = ","\n'
        'decimal = "."\n'
        "\n"
        "[time]\n"
        'column = "Time (s)"\n'
        'unit = "s"\n'
        "\n"
        "[[streams]]\n"
        'name = "table"\n'
        "period = 0.1\n"
        "\n"
        "[[columns]]\n"
        'column = "Pack Voltage [mV]"\n'
        'channel = "pack_voltage"\n'
        'unit = "mV"\n'
        "# converted to V:\n"
        "resolution = 0.001\n"
        "\n"
        "[[columns]]\n"
        'column = "cell_voltage_3"\n'
        'channel = "cell_voltage"\n'
        "index = 3\n"
        'unit = "V"\n'
        "resolution = 0.01\n"
        "\n"
        "[[columns]]\n"
        'column = "who"\n'
        'channel = "who"\n'
        "resolution = 1\n"
        "\n"
        '# "who knows" is left out: not all of its cells are numbers\n'
    )
    assert read_map(text, "m").columns[1].channel.index == 3


def test_times_that_no_title_names_are_assumed():
    columns = columns_of("a", "speed", rows=("1780000000000,1", "1780000000020,2"))
    text = map_text("x", "b", {"decimal": "."}, columns, "more.md")
    assert (
        '[time]\ncolumn = "a"\n# assumed: the first column is the time, as no title says so\n'
        "# assumed: milliseconds since 1970, by their size\n"
        'unit = "ms"\nsince_1970 = true\n\n[[streams]]\nname = "table"\nperiod = 0.02\n' in text
    )
    assert "# What each key means: more.md\n" in text
    dates = columns_of("date", "v", rows=("2026-05-02T08:00:00,1", "2026-05-02T08:00:01,2"))
    text = map_text("x", "b", {"decimal": "."}, dates)
    assert '[time]\ncolumn = "date"\nunit = "iso8601"\n\n[[columns]]' in text
    uneven = columns_of("", "t_ms", rows=("1,0", "2,10", "3,25"))
    text = map_text("x", "b", {"decimal": "."}, uneven)
    assert '[time]\ncolumn = "t_ms"\nunit = "ms"\n\n[[columns]]\ncolumn = 1\n' in text
    assert 'channel = "column_1"\n' in text and "[[streams]]" not in text
    text = map_text("x", "b", {"decimal": "."}, columns_of("of_board_ms", rows=("1", "2", "3")))
    assert '[time]\ncolumn = "of_board_ms"\n# assumed: the first column' in text
    assert '\nunit = "ms"\n' in text


def test_names_that_cannot_be_taken_are_numbered():
    columns = columns_of(
        "t",
        "a" * 49,
        "speed",
        "Speed",
        "pack_voltage [A]",
        "cell_voltage_256",
        rows=("0,1,2,3,4,5", "1,1,2,3,4,5"),
    )
    text = map_text("x", "b", {"decimal": "."}, columns)
    names = [line[11:-1] for line in text.splitlines() if line.startswith("channel = ")]
    assert names == ["column_2", "speed", "column_4", "column_5", "cell_voltage_256"]
    assert read_map(text, "m")


def test_the_map_of_lines_is_guessed_and_says_so():
    columns = columns_of(
        "ms",
        "vbat",
        "C2",
        "tmot",
        "erpm [1/min]",
        "batteryCurent",
        "foo",
        rows=("0,48,3.7,20,100,5,1", "20,48,3.7,20,100,5,1"),
    )
    text = lines_map_text("B", {"form": "pairs", "decimal": "."}, columns, (0, "ms", "steps"), True)
    assert text == (
        "# A guess from what came: read it before you use it.\n"
        "# What each key means: docs/any_board.md\n"
        'board = "B"\n\n[file]\nform = "pairs"\ndecimal = "."\n\n'
        '[time]\ncolumn = "ms"\n# GUESS: steps\nunit = "ms"\n\n'
        '[[streams]]\nname = "table"\nperiod = 0.02\n\n'
        '[[columns]]\ncolumn = "vbat"\nchannel = "pack_voltage"\nunit = "V"\nresolution = 1\n'
        '# GUESS: pack_voltage in V, by the title "vbat"\n\n'
        '[[columns]]\ncolumn = "C2"\nchannel = "cell_voltage"\nindex = 2\nunit = "V"\n'
        'resolution = 0.1\n# GUESS: a cell\'s voltage in V, by the title "C2"\n\n'
        '[[columns]]\ncolumn = "tmot"\nchannel = "motor_temperature"\nunit = "°C"\n'
        'resolution = 1\n# GUESS: motor_temperature in °C, by the title "tmot"\n\n'
        '[[columns]]\ncolumn = "erpm [1/min]"\nchannel = "column_5"\nunit = "1/min"\n'
        "resolution = 1\n"
        '# GUESS: motor_electrical_speed in 1/min, by the title "erpm [1/min]"\n\n'
        '[[columns]]\ncolumn = "batteryCurent"\nchannel = "battery_current"\nunit = "A"\n'
        'resolution = 1\n# GUESS: battery_current in A, by the title "batteryCurent"\n\n'
        '[[columns]]\ncolumn = "foo"\nchannel = "foo"\nresolution = 1\n'
        "# GUESS: a channel of your own; give it its name and unit\n"
    )
    text = lines_map_text("B", {"decimal": "."}, columns[1:2], None, False)
    assert text.endswith(
        "\n# No clock of the board's own was found: the time is that of arrival.\n\n"
        '[[columns]]\ncolumn = 1\nchannel = "pack_voltage"\nunit = "V"\nresolution = 1\n'
        '# its title: "vbat"\n# GUESS: pack_voltage in V, by the title "vbat"\n'
    )
    assert read_map(text, "m", True).columns[0].channel.key == "pack_voltage"
    odd = columns_of("v [\x07]", rows=("1", "2"))
    text = lines_map_text("B", {"decimal": "."}, odd, None, False)
    assert 'unit = "V"\n' in text and "# GUESS: pack_voltage in V, by" in text
    assert read_map(text, "m", True).columns[0].channel.unit == "V"


def test_what_titles_of_lines_say_and_what_is_only_guessed():
    columns = columns_of(
        "t [µs]",
        "pull [N]",
        "C2 [mV]",
        "motor_current_2",
        "motorCurent3",
        "blank",
        rows=("0,1,3700,5,6,", "1,1,3701,5,6,"),
    )
    text = lines_map_text("B", {"decimal": "."}, columns[1:], None, False)
    assert text.startswith("# A guess from what came")
    entries = {entry.splitlines()[0]: entry for entry in text.split("[[columns]]\n")[1:]}
    assert "GUESS" not in entries["column = 1"] and 'unit = "N"' in entries["column = 1"]
    assert 'unit = "mV"\n# converted to V:' in entries["column = 2"]
    assert "GUESS" not in entries["column = 3"] and "index = 2" in entries["column = 3"]
    assert 'channel = "motor_current"\nindex = 3\n' in entries["column = 4"]
    assert 'GUESS: motor_current_3 in A, by the title "motorCurent3"' in entries["column = 4"]
    assert text.endswith('\n\n# "blank" is left out: no cell of it holds a number\n')
    far = columns_of("cell_voltage_256", rows=("1", "2"))
    text = lines_map_text("B", {"decimal": "."}, far, None, False)
    assert 'channel = "cell_voltage_256"' in text and "GUESS: a channel of your own" in text
    text = map_text("x", "b", {"decimal": "."}, columns)
    assert '[time]\ncolumn = "t [µs]"\nunit = "us"\n' in text
    other = columns_of("t [foo]", "v", rows=("0,1", "1,2"))
    assert 'unit = "foo"' not in map_text("x", "b", {"decimal": "."}, other)
    gap = columns_of("t_s", "v", rows=("0,1", "x,2"))
    assert "period" not in map_text("x", "b", {"decimal": "."}, gap)


def test_a_text_is_quoted_as_toml_has_it():
    # TOML 1.0: in a basic string the quotation mark, the backslash and control signs are escaped.
    assert quoted('a"b\\c\n\x7fä') == '"a\\"b\\\\c\\n\\u007fä"'
