"""The same calls give the same bytes in C, CPython and MicroPython, and those bytes say what was
called: read back by the format package."""

import io
import random
import struct
from itertools import pairwise

import pytest

from sagline_logger.format import Board, Event, Samples, Stream, read_log
from sagline_logger.verify.survey import survey
from support.emitters import C99, CPP17, HERE, MODULE, build, run, run_cpython, run_micropython

NONE = -(2**31)
Call = tuple[str, tuple[int, ...], str]


def line(call: Call) -> str:
    name, numbers, words = call
    return " ".join([name, *map(str, (*numbers, *[0] * 6)[:6]), words or "-"])


def any_sample(rng: random.Random, clock: int, late: int = 0) -> Call:
    if rng.random() < 0.8:
        volts = rng.choice([NONE, 65535, 70_000, -1, rng.randrange(65535)])
        return (
            "0",
            (clock, volts, rng.choice([NONE, 40_000, -40_000, rng.randrange(-999, 999)])),
            "",
        )
    real = struct.unpack("<I", struct.pack("<f", rng.uniform(-1e6, 1e6)))[0]
    return (
        "1",
        (
            clock,
            rng.choice([NONE, 2**31 - 1, 12]),
            rng.choice([300, -1, 77]),
            rng.choice([NONE, 200, -3]),
            rng.randrange(2**32),
            real,
        ),
        "",
    )


def any_calls(seed: int, start: str) -> list[Call]:
    """Return some hundred calls over a minute that cross a wrap of the clock."""
    rng = random.Random(seed)
    clock = 2**32 - 5_000_000
    calls: list[Call] = [(start, (clock % 2**32, 1_767_225_600_000_000), "program")]
    for _ in range(400):
        clock += rng.choice([10_000] * 12 + [10_900, 9_000, 16_000, 31_000, 1_000_000])
        now = clock % 2**32
        calls.append(any_sample(rng, now))
        if rng.random() < 0.15:
            more: list[Call] = [
                ("e", (now, rng.choice([1, 2, 3]), rng.randrange(65536), 2), "hot"),
                ("k", (now, rng.randrange(2), rng.randrange(1, 9)), ""),
                ("c", (now,), ""),
                ("i", (now,), ""),
            ]
            if start == "l":
                more += [
                    ("m", (now, rng.randrange(1, 99)), "bump"),
                    ("w", (now, rng.randrange(2**50)), ""),
                ]
            else:
                more += [("j", (now,), ""), ("r", (rng.randrange(2),), "")]
            calls.append(rng.choice(more))
    if start == "l":
        calls.append(("x", (clock % 2**32,), "off"))
    return calls


@pytest.fixture(scope="module")
def programs(tmp_path_factory):
    folder = tmp_path_factory.mktemp("scenario")
    source = HERE / "scenario.c"
    return [build(folder / "c", C99, source), build(folder / "cpp", CPP17, source)]


@pytest.mark.parametrize("start", ["b", "l"], ids=["link", "log"])
def test_same_calls_same_bytes(programs, tmp_path, start):
    path = tmp_path / "calls.txt"
    for seed in range(2):
        text = "\n".join(map(line, any_calls(seed, start))) + "\n"
        path.write_text(text)
        sent = run(programs[0], stdin=text)
        assert len(sent) > 3000
        assert run(programs[1], stdin=text) == sent
        for python in (run_cpython, run_micropython):
            printed = python(HERE / "on_board" / "scenario.py", MODULE, path)
            assert bytes.fromhex(printed.strip()) == sent


def records(sent: bytes) -> list:
    entries = list(read_log(io.BytesIO(sent)))
    assert [entry for entry in entries if entry.record is None and entry.problem] == []
    return [entry.record for entry in entries if entry.record is not None]


def test_what_was_called_is_read(programs):
    """Values fitted as the header promises, clocks and numbers as given, gaps where it was late."""
    clocks = [0, 10_000, 20_100, 29_900, 40_000, 70_000, 80_000]  # two samples late before the 6th
    volts = [4800, 65_534, 70_000, NONE, -1, 1, 2]
    calls = [("b", (0,), "")]
    calls += [("0", (c, v, 40_000), "") for c, v in zip(clocks, volts, strict=True)]
    calls += [("e", (80_000, 1, 17, 2), "hot"), ("c", (80_000,), "")]
    found = records(run(programs[0], stdin="\n".join(map(line, calls)) + "\n"))
    stream = next(r for r in found if isinstance(r, Stream))
    samples = [r for r in found if isinstance(r, Samples)]
    rows = [row for r in samples for row in r.rows(stream)]
    assert rows == [(v, 32767) for v in (4800, 65_534, 65_535, 65_535, 65_535, 1, 2)]
    assert [(r.sequence, r.clock, r.count) for r in samples] == [(0, 0, 5), (7, 70_000, 2)]
    (event,) = [r for r in found if isinstance(r, Event)]
    assert (event.event, event.number, event.index, event.text) == (1, 17, 2, "hot")
    assert [r.revision for r in found if isinstance(r, Board)] == [0, 1]


def test_the_description_comes_again_in_time(programs):
    """frame_format.md §5.1: at least every 5 s."""
    calls = [("b", (0,), "")] + [("0", (n * 10_000, n, 0), "") for n in range(2000)]
    found = records(run(programs[0], stdin="\n".join(map(line, calls)) + "\n"))
    clocks = [r.clock for r in found if isinstance(r, Board)]
    assert len(clocks) >= 4
    assert max(b - a for a, b in pairwise(clocks)) <= 5_000_000


def test_no_sample_before_the_description_that_a_full_queue_holds_back(programs):
    calls = [("r", (0,), ""), ("b", (0,), "")]
    calls += [("0", (n * 10_000, n, 0), "") for n in range(7)]
    calls += [("r", (1,), "")] + [("0", (n * 10_000, n, 0), "") for n in range(7, 15)]
    found = records(run(programs[0], stdin="\n".join(map(line, calls)) + "\n"))
    assert [type(r).__name__ for r in found] == ["Board", "Stream", "Stream", "Samples", "Samples"]
    assert [r.sequence for r in found if isinstance(r, Samples)] == [5, 10]


@pytest.mark.parametrize("seed", range(3))
def test_a_log_written_by_the_board_is_whole(programs, seed):
    """`verify` counts no damage, and as lost exactly what was skipped."""
    calls = any_calls(seed, "l")
    log = run(programs[0], stdin="\n".join(map(line, calls)) + "\n")
    found = survey(read_log(io.BytesIO(log)))
    assert found.damaged == 0
    assert found.foreign == {}
    taken = [sum(call[0] == stream for call in calls) for stream in "01"]
    assert [found.streams[n].samples for n in (0, 1)] == taken
    heard = [n for n, call in enumerate(calls) if call[0] == "1"]
    skipped = [call[1][2] for call in calls[heard[0] : heard[-1]] if call[0] == "k" and call[1][1]]
    assert found.streams[1].lost == sum(skipped)


def test_a_small_run_buffer_sends_the_same_bytes(programs, tmp_path):
    """SAGLINE_RUN 64 saves 190 bytes of RAM and changes nothing where frames are short."""
    small = build(tmp_path / "small", C99, HERE / "scenario.c", flags=("-DSAGLINE_RUN=64",))
    for start in "bl":
        text = "\n".join(map(line, any_calls(7, start))) + "\n"
        assert run(small, stdin=text) == run(programs[0], stdin=text)
