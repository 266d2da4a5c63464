"""``channels``, and names and units that are nearly standard in each command that tells of them."""

import json
import math
import random
import struct
from pathlib import Path

import pytest

from sagline_analyser.cli import main as analyser
from sagline_analyser.load import load_ride
from sagline_logger.cli import main
from sagline_logger.format import (
    ByteKind,
    Channel,
    Fault,
    Foreign,
    Record,
    SampleType,
    Stream,
    read_log,
)
from sagline_logger.verify.channel_count import count_channels
from sagline_logger.verify.survey import survey
from support.logs import at, board, log_bytes, pack, read_slowly, time

FAST = Stream(
    1,
    0,
    0,
    "fast",
    10_000,
    (
        Channel("pack_voltage", "V", SampleType.U16, exponent=-2, missing=0xFFFF),
        Channel("battery_curent", "A", SampleType.I16, exponent=-1),
        Channel("speed", "km/h", SampleType.F32),
        Channel("motor_current", "A", SampleType.I8, -3, index=2, label="left"),
        Channel("pitch", "°", SampleType.I16),
    ),
)


def fast_log(path: Path, count: int = 2000, *, late: bool = False) -> list[tuple[float, ...]]:
    """Write a log of ``FAST`` with ten samples lost; return its rows."""
    rng = random.Random(1)
    rows = [
        (
            0xFFFF if n % 50 == 7 else rng.randrange(4000, 5400),
            rng.randrange(-300, 600),
            math.nan if n % 9 == 4 else rng.uniform(-5, 40),
            rng.randrange(-100, 100),
            n,
        )
        for n in range(count)
    ]
    records: list[Record | bytes] = [board(1)] if late else [board(1), FAST]
    for first in [n for n in range(0, count, 10) if n != 100]:
        records.append(time(10_000 * first))
        records.append(pack(FAST, first, 10_000 * first, rows[first : first + 10]))
    path.write_bytes(log_bytes([*records, *([FAST] if late else [])]))
    return rows[:100] + rows[110:]


@pytest.mark.parametrize("late", [False, True])
def test_every_figure_is_that_of_the_samples(
    late: bool, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    log = tmp_path / "ride.sagline"
    rows = fast_log(log, late=late)
    assert main(["channels", "--json", str(log)]) == 0
    (stream,) = json.loads(capsys.readouterr().out)["streams"]
    assert (stream["samples"], stream["lost"], stream["period"]) == (1990, 10, 0.01)
    volts, amps, speed, left, pitch = stream["channels"]
    heard = [row[0] for row in rows if row[0] != 0xFFFF]
    assert volts["missing"] == len(rows) - len(heard)
    assert (volts["lowest"], volts["highest"]) == (min(heard) / 100, max(heard) / 100)
    moved = [struct.unpack("f", struct.pack("f", row[2]))[0] for row in rows if row[2] == row[2]]
    assert speed["missing"] == len(rows) - len(moved)
    assert (speed["lowest"], speed["highest"]) == (min(moved), max(moved))
    sent = [-3 * row[3] for row in rows]
    assert (left["lowest"], left["highest"], left["key"]) == (
        min(sent),
        max(sent),
        "motor_current_2",
    )
    assert [one["standing"] for one in stream["channels"]] == [
        "standard",
        "nearly",
        "nearly",
        "standard",
        "own",
    ]
    assert "battery_current is" in amps["why"] and "km/h times 1/3.6" in speed["why"]
    assert pitch["why"] == volts["why"] == ""
    values = load_ride(log).streams["fast"].values  # the analyser reads whole tables with numpy
    for one in stream["channels"]:
        column = values[one["key"]]
        seen = column[~(column != column)]
        assert (one["lowest"], one["highest"]) == (seen.min(), seen.max())


def test_the_table_for_people(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    log = tmp_path / "ride.sagline"
    fast_log(log)
    assert main(["channels", str(log)]) == 0
    lines = capsys.readouterr().out.splitlines()
    assert "stream 0 (fast), 100 a second: 1990 samples, 10 lost" in lines
    (row,) = [line for line in lines if "motor_current_2" in line]
    assert row.endswith("standard (left)") and not row.endswith("NOT standard (left)")
    (row,) = [line for line in lines if line.strip().startswith("battery_curent ")]
    assert row.split()[1] == "A" and row.endswith("NOT standard")
    assert sum(line.startswith("note: ") for line in lines) == 2
    assert max(map(len, lines[:-2])) <= 80


def test_the_counts_are_those_of_verify_over_starts_repeats_and_damage(tmp_path: Path) -> None:
    again = Stream(1, 0, 0, "fast", 10_000, FAST.channels[:2])  # the same revision, other channels
    row, short = (4800, 10, 3.0, 1, 2), (4700, 11)
    other = Stream(2, 0, 1, "slow", 0, (Channel("cell_voltage", "V", SampleType.U16, index=1),))
    parts: list[Record | bytes] = [
        pack(FAST, 0, 0, [row] * 3),
        board(1),
        FAST,
        pack(FAST, 5, 50_000, [row] * 4),
        pack(FAST, 5, 50_000, [row] * 4),
        again,
        pack(again, 9, 90_000, [short] * 2),
        b"\x05abcd\0",
        board(2),
        pack(other, 0, 0, [(3300,)]),
        other,
        pack(other, 4, 5, [(3200,)]),
        pack(FAST, 0, 0, [row]),
    ]
    data = log_bytes(parts) + log_bytes([board(1), FAST, pack(FAST, 0, 0, [row])])
    log = tmp_path / "odd.sagline"
    log.write_bytes(data)
    with log.open("rb") as file:
        seen = survey(read_log(file))

        def entries():
            file.seek(0)
            return read_log(file)

        found = count_channels(entries)
    assert sum(stream.samples for stream in found.streams) == sum(
        stream.samples for stream in seen.streams.values()
    )
    assert found.lost + sum(stream.lost for stream in found.streams) == seen.lost_samples
    assert sum(found.unread.values()) == seen.undescribed + seen.misfits
    slow = read_slowly(data)
    assert slow is not None
    by_key = {c.channel.key: c for s in found.streams for c in s.channels.values()}
    assert by_key["pack_voltage"].samples == 3 + 4 + 2 + 1
    assert by_key["cell_voltage_1"].samples == 2


def test_nearly_standard_is_told_by_verify_and_summary(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    log = tmp_path / "ride.sagline"
    fast_log(log)
    for program, words in ((main, ["verify"]), (analyser, ["summary"])):
        assert program([*words, str(log)]) == 0
        out = capsys.readouterr().out
        assert "battery_curent is no standard name, battery_current is" in out, words
        assert "speed comes in km/h, not m/s" in out, words
    assert main(["verify", "--json", str(log)]) == 0
    assert len(json.loads(capsys.readouterr().out)["nearly"]) == 2


def foreign(data: bytes, size: int = 2048) -> list[Record | bytes]:
    pieces = [data[n : n + size] for n in range(0, len(data), size)]
    return [Foreign(at(0), Fault.TOO_LONG, piece) for piece in pieces]


TEXT = b"".join(b"%d,48.%d,3.1,20\r\n" % (n, n % 10) for n in range(400))


@pytest.mark.parametrize("also", [[], [board(1)]], ids=["nothing else", "a board's name"])
@pytest.mark.parametrize(
    ("data", "kind", "words"),
    [
        (TEXT, ByteKind.TEXT, "text, such as “1,48.1,3.1,20”"),
        (bytes(b | (b.bit_count() % 2) << 7 for b in TEXT), ByteKind.PARITY_TEXT, "even parity"),
        (b"\xe0\xf8\x00\x80\x1e\x78\xe0\x66" * 40, ByteKind.SLOWER, "at half the speed"),
        (random.Random(1).randbytes(5000), ByteKind.UNKNOWN, "another serial speed (--baud), or"),
        (
            b"".join(b"\xaa\x55" + random.Random(n).randbytes(20) for n in range(90)),
            ByteKind.PACKETS,
            "AA 55 comes again every 22 bytes",
        ),
    ],
)
def test_where_nothing_was_understood_it_is_named_and_strict_fails(
    data: bytes,
    kind: ByteKind,
    words: str,
    also: list[Record | bytes],
    tmp_path: Path,
    capsys: pytest.CaptureFixture[str],
) -> None:
    log = tmp_path / "odd.sagline"
    log.write_bytes(log_bytes([*also, *foreign(data)]))
    assert main(["verify", str(log)]) == 0
    out = capsys.readouterr().out
    assert "Nothing lost" not in out
    last = out.splitlines()[-1]
    assert last.startswith(f"Nothing was understood: {len(data)} bytes came, ") and words in last
    assert main(["verify", "--strict", "--json", str(log)]) == 3
    found = json.loads(capsys.readouterr().out)
    assert (found["foreign_kind"], found["whole"]) == (kind.value, False)


def test_text_among_frames_is_named_and_damaged_frames_are_no_other_speed(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    row = (4800, 10, 3.0, 1, 2)
    sound: list[Record | bytes] = [board(1), FAST, pack(FAST, 0, 0, [row])]
    log = tmp_path / "a.sagline"
    log.write_bytes(log_bytes([*sound, *foreign(b"boot ok, battery 48.1 V\r\n")]))
    assert main(["verify", str(log)]) == 0
    assert "text, such as “boot ok, battery 48.1 V”" in capsys.readouterr().out
    log.write_bytes(log_bytes([*sound, *foreign(random.Random(2).randbytes(90) + b"\0")]))
    assert main(["verify", str(log)]) == 0
    assert "--baud" not in capsys.readouterr().out


def test_a_column_file_is_named_where_a_log_is_asked_for(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    file = tmp_path / "ride.csv"
    file.write_bytes(TEXT)
    for words in (["verify"], ["channels"]):
        assert main([*words, str(file)]) == 1
        (line,) = capsys.readouterr().err.splitlines()
        assert "not a Sagline log but text, such as" in line and "import" in line


def test_a_log_without_a_description(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    log = tmp_path / "ride.sagline"
    log.write_bytes(log_bytes([board(1), pack(FAST, 0, 0, [(4800, 10, 3.0, 1, 2)] * 4)]))
    assert main(["channels", str(log)]) == 0
    out = capsys.readouterr().out
    assert "no channel is described" in out and "stream 0: 4 samples" in out
