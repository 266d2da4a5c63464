"""The logs of ``vectors/segments.json`` that a board can send, sent by both emitters.

Of a log that a logger wrote, the device's frames are compared, byte for byte; of one that a board
wrote by itself on its card, the whole file, TIME records and all.
"""

import io
import json
from typing import Any

import pytest

from sagline_logger.format import FrameSplitter, read_log
from sagline_logger.verify.survey import survey
from support.emitters import C99, CPP17, HERE, MODULE, build, run, run_cpython, run_micropython
from support.segment_vectors import emitter_calls

VECTORS = MODULE.parents[2] / "vectors" / "segments.json"
LOGS = {case["name"]: bytes.fromhex(case["log"]) for case in json.loads(VECTORS.read_text())}
CALLS = emitter_calls()
Lines = list[tuple[str, bool]]
"""Lines of calls, and whether what each sends is in the log."""


def line(call: str, clock: int = 0, second: int = 0, third: int = 0, words: str = "-") -> str:
    return f"{call} {clock % 2**32} {second} {third} 0 {words}"


def lines(calls: list[tuple[Any, ...]]) -> Lines:
    """Return the calls of the emitters for those of a vector."""
    made: Lines = []
    began, events, fresh = "begin", 0, False
    for call, *what in calls:
        if call in ("log", "append"):
            began, begun_at = call, what[0]
        elif call == "start":
            boot, clock, told, beside = what
            made += [(line("init", 0, boot, int(beside)), False)]
            if began == "begin":
                made += [(line("begin", clock), told)]
            else:
                made += [(line(began, begun_at), True), (line("idle", clock), told)]
            events, fresh = 0, True
        elif call == "describe":
            made += [(line("describe", what[0]), True)]
        elif call == "changed":
            clock, revision, channels, told = what
            made += [(line("changed", clock, revision, 0, ",".join(channels)), told)]
        elif call == "idle":
            made += [(line("idle", what[0]), True)]
        elif call == "beside":
            clock, value = what
            made += [(line("beside", clock, 0, value), True)]
        elif call == "samples":
            first, clock, count, value, heard = what
            # Later numbers are skipped by the emitter itself, as the clock tells.
            made += [(line("skip", first), False)] if fresh and first else []
            made += [(line("samples", clock, count, value), heard)]
            fresh = False
        elif call == "event":
            sequence, clock, words = what
            made += [(line("event", clock, 0, 0, "lost"), False)] * (sequence - events)
            made += [(line("event", clock, 1, 0, words), True)]
            events = sequence + 1
    return made


def frames(data: bytes) -> list[bytes]:
    """Return the sound device frames."""
    pieces = FrameSplitter().feed(data)
    return [p.raw for p in pieces if p.body is not None and p.body[0] < 0x80]


@pytest.fixture(scope="module", params=["C99, sanitized", "C++17", "CPython", "MicroPython"])
def emitter(request, tmp_path_factory):
    folder = tmp_path_factory.mktemp("segments")
    python = {"CPython": run_cpython, "MicroPython": run_micropython}.get(request.param)
    calls = folder / "calls.txt"
    if python is not None:
        script = HERE / "on_board" / "segments.py"

        def made(text: str) -> list[bytes]:
            calls.write_text(text)
            printed = python(script, MODULE, calls)
            return [bytes.fromhex(x) for x in printed.replace("\r", "").split("\n")[:-1]]

        return made
    compiler = C99 if request.param.startswith("C99") else CPP17
    program = build(folder / "segments", compiler, HERE / "segments.c")
    return lambda text: [bytes.fromhex(x) for x in run(program, stdin=text).decode().split("\n")]


def test_all_are_sent_but_those_that_no_working_emitter_sends():
    """What a link, a disk, another maker's board or another version makes of a log."""
    assert LOGS.keys() - CALLS.keys() == {
        "a record twice, and an event: the same bytes",
        "the numbers go back and the clock runs on",
        "an event twice that differs behind its fields: not the same bytes",
        "a restart a second above samples from before the clock wrapped",
        "one revision described in two ways: each holds for what follows it",
        "a description again, with other bits and bytes that are ignored",
        "samples that do not fit their description",
        "a device of another major version, then one of this",
        "a log of another major version in the middle",
        "a record that breaks the rules of its kind",
        "kinds that no table names, 00 among them, are frames",
        "a maker's own frame cut out: END and TIME tell",
        "a maker's frame behind a TIME: what follows came later",
        "a record comes again behind a TIME: what follows came later",
        "a record is missing behind a TIME: what follows came later",
    }
    assert sum(card for _, card in CALLS.values()) == 2


def test_the_emitter_sends_the_vectors(emitter):
    """All in one run, since a MicroPython takes a while to start."""
    each = {name: lines(calls) for name, (calls, _) in CALLS.items()}
    sent = emitter("".join(f"{text}\n" for one in each.values() for text, _ in one))
    for name, one in each.items():
        own, sent = sent[: len(one)], sent[len(one) :]
        heard = b"".join(data for data, (_, known) in zip(own, one, strict=True) if known)
        if CALLS[name][1]:
            assert heard == LOGS[name], name
        else:
            assert frames(heard) == frames(LOGS[name]), name


@pytest.mark.parametrize("rest", [600, 4_200])
def test_a_silent_stream_is_counted_as_long_as_the_emitter_is_called_now_and_then(emitter, rest):
    """Four hours without a sample, any function called at least every 70 minutes (README)."""
    hours = 4 * 3600
    text = [line("init", 0, 1), line("begin", 0), line("samples", 0, 5, 0)]
    text += [line("idle", at * 10**6) for at in range(rest, hours, rest)]
    text += [line("describe", hours * 10**6), line("samples", hours * 10**6, 5, 5)]
    sent = b"".join(emitter("".join(f"{one}\n" for one in text)))
    found = survey(read_log(io.BytesIO(sent)))
    assert found.streams[0].samples == 10
    assert found.lost_samples == hours * 100 - 5  # one sample each 10 ms
