"""The examples as a maker runs them, up to the logger's own log."""

import io
import re
import signal
import subprocess

import pytest

from sagline_logger.format import (
    Board,
    FrameSplitter,
    Samples,
    Stream,
    decode_record,
    read_log,
)
from sagline_logger.verify.survey import survey
from support.capture import Contents, command, port_at, recording, the_log
from support.emitters import (
    C99,
    CPP11,
    CPP17,
    EMITTERS,
    EXAMPLES,
    HERE,
    MODULE,
    build,
    run,
    run_cpython,
    run_micropython,
)

SLOW = (2500, 3601, 3602, 3596, 3601)  # 25 °C, four cells near 3.6 V


@pytest.fixture(scope="module")
def programs(tmp_path_factory):
    folder = tmp_path_factory.mktemp("examples")
    host = HERE / "host_board.c"
    return {
        name: build(folder / name, C99, EXAMPLES / f"{name}.c", host)
        for name in ("serial", "ble", "card")
    }


def taken(records) -> dict[str, list[tuple]]:
    """Return the rows of each stream, in order."""
    streams = {r.stream: r for r in records if isinstance(r, Stream)}
    rows: dict[str, list[tuple]] = {}
    for r in records:
        if isinstance(r, Samples):
            stream = streams[r.stream]
            rows.setdefault(stream.name, []).extend(r.rows(stream))
    return rows


def check_slow(rows: list[tuple]) -> None:
    assert len(set(rows)) == 1
    assert all(abs(got - want) <= 3 for got, want in zip(rows[0], SLOW, strict=True)), rows[0]


def test_from_the_c_program_over_a_pseudo_terminal_to_a_clean_log(programs, tmp_path):
    with (
        port_at(tmp_path / "ttyBoard") as port,
        recording("--serial", port.path, "--out", tmp_path) as logger,
    ):
        board = subprocess.run(
            [programs["serial"]],
            stdout=port.fileno(),
            stderr=subprocess.PIPE,
            env={"PACE": "20000"},
            timeout=120,
        )
        assert board.returncode == 0, board.stderr
        port.wait_until_read()
        assert logger.stop(signal.SIGINT)[0] == 0
    status, report, errors = command("verify", "--strict", the_log(tmp_path))
    assert (status, errors) == (0, [])
    assert "stream 0 (fast): 300 samples in 30 frames, 0 lost" in report
    assert "stream 1 (slow): 15 samples in 15 frames, 0 lost" in report
    assert "Nothing lost." in report
    contents = Contents(the_log(tmp_path).read_bytes())
    assert b"\0" + contents.stream == run(programs["serial"])  # the reader drops lone zeros
    rows = taken(contents.records)
    assert rows["fast"] == [(n,) for n in range(300)]
    assert len(rows["slow"]) == 15
    check_slow(rows["slow"])


def test_a_memory_card_log_is_clean(programs, tmp_path):
    log = tmp_path / "card.sagline"
    log.write_bytes(run(programs["card"], START=2**32 - 1_000_000))  # the clock wraps meanwhile
    status, report, errors = command("verify", "--strict", log)
    assert (status, errors) == (0, [])
    assert "3.0 s" in report.splitlines()[0]
    assert "Nothing lost." in report
    assert taken(Contents(log.read_bytes()).records)["fast"] == [(n,) for n in range(300)]


def test_a_memory_card_log_cut_anywhere_is_still_read(programs):
    whole = run(programs["card"])
    for cut in range(60, len(whole), 331):
        found = survey(read_log(io.BytesIO(whole[:cut])))
        assert found.damaged <= 1  # the frame that was cut
        assert sum(found.kinds.values()) >= 1


def pieces(data: bytes) -> list:
    splitter = FrameSplitter()
    found = [*splitter.feed(data), *splitter.finish()]
    return [decode_record(piece.body) for piece in found if piece.body is not None]


@pytest.mark.parametrize("size", [20, 244])
def test_over_ble_each_listener_gets_whole_frames_from_the_description_on(programs, size):
    lines = [line.split() for line in run(programs["ble"], SLICE=size).decode().splitlines()]
    offers = [pieces(bytes.fromhex(data)) for when, data in lines if when == "offer"]
    assert [[r.clock for r in offer] for offer in offers] == [[n * 1_000_000] for n in range(3)]
    assert offers[0][0].name == "Kestrel"
    slices = [(int(when), bytes.fromhex(data)) for when, data in lines if when != "offer"]
    assert max(len(data) for _, data in slices) <= size
    for since, until in ((0, 1_300_000), (1_300_000, 2**32)):
        records = pieces(b"".join(data for now, data in slices if since <= now < until))
        assert [type(r) for r in records[:3]] == [Board, Stream, Stream]
        assert records[0].boot == 7
        fast = [r for r in records if isinstance(r, Samples) and r.stream == 0]
        assert fast[0].sequence >= 40  # counted while nobody listened
        for r in fast:  # each sample is its own number: nothing shifted
            values = [int.from_bytes(r.data[i : i + 2], "little") for i in range(0, 20, 2)]
            assert values == list(range(r.sequence, r.sequence + 10))


def test_the_same_bytes_from_a_simulated_8_bit_chip(programs, tmp_path):
    """16-bit int, tables in flash: the serial example on an ATmega328P under simavr."""
    sources = [EXAMPLES / "serial.c", HERE / "avr_board.c"]
    compiler = ["avr-gcc", "-std=gnu99", "-mmcu=atmega328p", "-Os"]
    elf = build(tmp_path / "board.elf", compiler, *sources)
    printed = run("sh", "-c", f"simavr -m atmega328p -f 16000000 {elf} 2>&1").decode()
    lines = [re.sub(r"\x1b\[\d*m", "", line) for line in printed.splitlines()]
    digits = "".join(m[1] for line in lines if (m := re.fullmatch(r"([0-9a-f]+)\.?", line)))
    assert bytes.fromhex(digits) == run(programs["serial"])


@pytest.mark.parametrize("language", [CPP11, CPP17], ids=["C++11", "C++17"])
@pytest.mark.parametrize("name", ["serial", "ble", "card"])
def test_the_examples_are_cpp_too(tmp_path, name, language, programs):
    made = build(tmp_path / name, language, EXAMPLES / f"{name}.c", HERE / "host_board.c")
    assert run(made) == run(programs[name])


def example(python, name: str, tmp_path) -> list[tuple[str, bytes]]:
    which = tmp_path / "which.txt"
    which.write_text(name)
    folder = EMITTERS / "micropython" / "examples"
    files = [MODULE, *(folder / f"{one}.py" for one in ("measures", "trike", name)), which]
    printed = python(HERE / "on_board" / "example.py", *files)
    lines = [line.split() for line in printed.splitlines()]
    return [(what, bytes.fromhex(data)) for what, data in lines]


@pytest.mark.parametrize("python", [run_cpython, run_micropython], ids=["CPython", "MicroPython"])
def test_the_python_serial_example(python, tmp_path):
    sent = b"".join(data for what, data in example(python, "serial", tmp_path) if what == "serial")
    rows = taken(pieces(sent))
    assert rows["fast"] == [(n,) for n in range(300)]
    check_slow(rows["slow"])


def test_the_python_ble_example(tmp_path):
    sent = example(run_micropython, "ble", tmp_path)
    kinds = [what for what, _ in sent]
    assert kinds[0] == "advertise"
    assert kinds.count("advertise") == 2  # again when the listener is gone
    service = bytes.fromhex("703b1ca4119b4772b2de6a7dffadc1f7")[::-1]
    assert service in sent[0][1]
    assert b"Kestrel" in sent[0][1]
    (board,) = pieces(next(data for what, data in sent if what == "board"))
    assert board.name == "Kestrel"
    again = kinds.index("advertise", 1)
    for part in (sent[:again], sent[again:]):
        records = pieces(b"".join(data for what, data in part if what == "notify"))
        assert [type(r) for r in records[:3]] == [Board, Stream, Stream]
        fast = [r for r in records if isinstance(r, Samples) and r.stream == 0]
        for r in fast:
            values = [int.from_bytes(r.data[i : i + 2], "little") for i in range(0, 20, 2)]
            assert values == list(range(r.sequence, r.sequence + 10))
        assert len(fast) >= 8
