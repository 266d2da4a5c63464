"""Whole commands on logs that are odd but well-framed: ``commands.py [--seconds 600]``.

Each case is a number: it seeds one log (made by changes that know the format), and decides the
command and where its output goes.  A case fails when the command shows a traceback, ends with the
status of a fault of its own, sends the terminal anything to obey, or says an error in more than one
line.  Whatever fails is kept in ``cases/commands`` and ``test_commands.py`` runs it from then on.
"""

import argparse
import contextlib
import io
import json
import os
import random
import re
import sys
import tempfile
import time
import traceback
from collections.abc import Callable, Iterator
from dataclasses import asdict, dataclass, replace
from pathlib import Path
from typing import Any, TextIO

sys.path.insert(0, str(Path(__file__).parents[1]))

from sagline_analyser.cli import main as analyser
from sagline_logger.cli import main as logger
from sagline_logger.format import (
    Board,
    Channel,
    Event,
    EventKind,
    Mark,
    Record,
    SampleType,
    Setting,
    Stream,
    vocabulary,
)
from sagline_logger.format.host_records import FilePart
from support.logs import WALL, at, board, log_bytes, pack
from support.logs import time as time_record

KEPT = Path(__file__).parent / "cases" / "commands"
PLAN = Path(__file__).parents[2] / "analyser" / "sagline_analyser" / "demo_board.toml"
COMMANDS = (
    "verify {log}", "verify --json {log}", "summary {log}", "summary --json {log}",
    "plot {log} -o {out}.html", "export {log} --to csv -o {out}", "rides {dir}",
    "rides {dir} -o {out}.html", "compare {log} {other} -o {out}.html",
    "compare {log} --marks -o {out}.html", "share {log} -o {out}.html", "archive {log} -o {out}.gz",
    "share {log} --at 0:00 -o {out}.html --picture {out}.svg", "share {log} --mark 1 -o {out}.html",
    "compare {log} --predict motor_current_limit=40 -o {out}.html",
    "summary {log} --board {plan} --other-pack 20", "plot {log} --board {plan} -o {out}.html",
    "plot {log} --channel cell_voltage -o {out}.html", "channels {log}", "channels --json {log}",
    "verify --strict {log} {other}", "board --check {log}", "board --new {out}.toml",
    "reread {log} --lines {map} -o {out}.sagline", "check --replay {log} --speed 1e6 --seconds 1",
    "record --replay {log} --speed 1e6 --out {out} --quiet --board {plan}",
    "summary --full {log}", "summary {log} --earlier {dir}", "import {log} --suggest",
    "import {log} --map {map}", "export {log} --to parquet -o {out} --channel speed",
    "rides {dir} --json", "rides {dir} --fault any --since 2026-01-01", "plot {dir} -o {dir}",
    "plot --last {dir} -o {out}.html --plan-km 20", "share {log} --fault 1 -o {out}.html",
    "share {log} --fault 1 -o {out}.html --keep fault-text --keep labels --keep position",
    "compare {log} {other} --json", "compare {log} {other} --by motor_current_limit -o {out}.html",
    "compare --plan ABBA {log} {other} {log} {other}",
)  # fmt: skip
MAP = """
[file]
form = "separated"
delimiter = ","
[time]
step = 0.01
[[columns]]
column = 1
channel = "pack_voltage"
resolution = 0.01
"""
ENCODINGS = ("utf-8", "cp1252", "cp850", "ascii")
WALLS = (0, -1, 9_300_000_000_000_000, 253_402_300_800_000_000, 2**62, -(2**62))
"""Calendars (µs since 1970): its first day, before it, past 2262, past 9999, past all sense."""
BROKEN = {"full": "/dev/full", "gone": None}
"""Outputs that take nothing: a full disk, and a pipe that nobody reads any more."""
PRINTS = ("verify {log}", "summary {log}", "channels {log}", "rides {dir}")
"""Commands that print whatever the log holds."""
LOGGERS = ("verify", "channels", "board", "reread", "check", "record")
SIGNS = ("", "ride", "\x1b[2J", "<script>", "Ü", "\x9b", "\u202e", "=1+1", "{{ride}}")


def odd_log(seed: int, wall: int = WALL) -> bytes:
    """Return a log whose streams may be empty, late, short, missing, named oddly or doubled.

    ``wall`` is what the host's calendar shows (µs since 1970) where its clock begins.
    """
    choice = random.Random(seed)
    names = list(vocabulary())
    length = choice.choice((0, 1, 2, 20, 200, 900))
    streams = [_stream(choice, number, names) for number in range(choice.randrange(1, 5))]
    records: list[tuple[float, Record | bytes]] = [(0.0, board(1, streams=len(streams)))]
    if choice.random() < 0.6:
        text = PLAN.read_bytes()
        records.append((0.0, FilePart(at(0), "board", len(text), 0, text)))
    if choice.random() < 0.3:
        records.append((0.0, Setting(at(0), "motor_current_limit", choice.choice(("40", "x")))))
    for stream in streams:
        late = choice.choice((0.0, 0.0, 0.0, 5.0, 1000.0))
        if choice.random() < 0.95:
            records.append((late / 2, stream))
        count = choice.choice((0, 1, length, length))
        for n in range(0, count, 5):
            clock = late * 1e6 + n * (stream.period or 40_000)
            rows = [_row(choice, stream, n + row) for row in range(min(5, count - n))]
            records.append((clock / 1e6, pack(stream, n, int(clock), rows)))
    end = max(moment for moment, _ in records)
    for number in range(choice.randrange(4)):
        moment = choice.choice((0.0, 0.001, end / 2, end, end + 1))
        kind = choice.choice(list(EventKind))
        text = choice.choice(SIGNS)
        event = Event(1, number, int(moment * 1e6) % 2**32, kind, number, choice.randrange(3), text)
        records.append((moment, event))
        records.append((moment, Mark(at(int(moment * 1e6)), number, text)))
    records += [(t / 4, time_record(t * 250_000)) for t in range(int(end * 4) + 2)]
    records.sort(key=lambda pair: pair[0])
    kept = [record for _, record in records if choice.random() > 0.002]
    if choice.random() < 0.2:  # the device starts again, without its description or with
        kept += [replace(r, boot=2) for r in kept if isinstance(r, Board | Stream | Event)]
    if wall != WALL:
        kept = [_at_wall(record, wall) for record in kept]
    data = log_bytes(kept, end=choice.random() < 0.8, wall=wall)
    if choice.random() < 0.2:
        at_byte = choice.randrange(len(data))
        data = data[:at_byte] + bytes(choice.randrange(200)) + data[at_byte + 3 :]
    return data


def _at_wall(record: Any, wall: int) -> Any:
    when = getattr(record, "at", None)
    return record if when is None else replace(record, at=at(when.monotonic, wall))


def _stream(choice: random.Random, number: int, names: list[str]) -> Stream:
    channels = []
    for _ in range(choice.randrange(1, 9)):
        name = choice.choice(names) if choice.random() < 0.9 else choice.choice(SIGNS) or "own"
        term = vocabulary().get(name)
        unit = term.unit if term and choice.random() < 0.9 else choice.choice(("", "mV", "km/h"))
        index = choice.choice((0, 1, 1, 2, 7)) if choice.random() < 0.9 else 255
        channels.append(
            Channel(
                name,
                unit,
                SampleType.I16,
                1,
                0,
                choice.choice((-3, -2, -1, 0)),
                index,
                choice.choice(SIGNS),
                choice.choice((None, -32768)),
            )
        )
    channels = list({(one.name, one.index): one for one in channels}.values())
    period = choice.choice((0, 10_000, 40_000, 1_000_000))
    return Stream(1, 0, number, choice.choice(("fast", *SIGNS)), period, tuple(channels))


def _row(choice: random.Random, stream: Stream, n: int) -> tuple[int, ...]:
    sort = choice.random()
    if sort < 0.01:
        return tuple(choice.choice((-32768, 32767, 0)) for _ in stream.channels)
    return tuple((3300 + 40 * k + (n * (k + 3)) % 211) for k in range(len(stream.channels)))


@dataclass(frozen=True)
class Case:
    """A command and the encodings of its outputs (``out`` may be one of ``BROKEN``)."""

    line: str
    out: str
    err: str
    odd_name: bool = False
    wall: int = WALL


def drawn(seed: int) -> Case:
    """Return the case of this number."""
    choice = random.Random(f"command {seed}")
    out = choice.choice(ENCODINGS) if choice.random() < 0.9 else choice.choice(list(BROKEN))
    wall = choice.choice(WALLS) if choice.random() < 0.1 else WALL
    odd = choice.random() < 0.05
    return Case(choice.choice(COMMANDS), out, choice.choice(ENCODINGS), odd, wall)


def kept(path: Path) -> Case:
    """Return a case that was kept."""
    return Case(**json.loads(path.read_text()))


def run_case(seed: int, place: Path, case: Case) -> str:
    """Run a case on the logs of ``seed``; return what is wrong, or nothing."""
    rides = place / "rides"
    rides.mkdir(parents=True)
    odd = "a\udcff.sagline" if case.odd_name else "a.sagline"
    (rides / odd).write_bytes(odd_log(seed, case.wall))
    (rides / "b.sagline").write_bytes(odd_log(seed + 1))
    (place / "map.toml").write_text(MAP)
    known = {"log": rides / odd, "other": rides / "b.sagline", "out": place / "out", "dir": rides}
    words = [word.format(**known, plan=PLAN, map=place / "map.toml") for word in case.line.split()]
    program: Callable[[list[str]], int] = logger if words[0] in LOGGERS else analyser
    problem = ""
    with contextlib.ExitStack() as ends:
        out = ends.enter_context(
            _taking_nothing(case.out) if case.out in BROKEN else _Terminal(case.out)
        )
        err = _Terminal(case.err)
        ends.enter_context(contextlib.redirect_stdout(out))
        ends.enter_context(contextlib.redirect_stderr(err))
        ends.enter_context(debug())
        try:
            status = program(words)
        except SystemExit as end:
            status = int(end.code or 0)
        except BaseException as fault:
            problem = "".join(traceback.format_exception(fault)[-4:])
            status = 70
        told = _Terminal.text(err)
        said = told if case.out in BROKEN else _Terminal.text(out) + told
    if not problem and status not in (0, 1, 3):
        problem = f"status {status}: {said[-300:]}"
    if any(not (c.isprintable() or c in "\n\u202f\u2009\xa0") for c in said):
        problem = problem or f"the terminal is steered: {ascii(said)[:300]}"
    heard = said if words[0] == "check" else told  # its findings are what it prints
    if not problem and status == 1 and not heard.strip() and case.out != "gone":
        problem = "failed without a word"
    if not problem and re.search(r"sagline-share-\w", said):
        problem = f"a file of the program's own is named: {said[-300:]}"
    if not problem and case.out in BROKEN and status == 0 and case.line in PRINTS:
        problem = "nothing could be printed, and it was no failure"
    return f"{case.line}\n{problem}" if problem else ""


class _Terminal(io.TextIOWrapper):
    """An output of some encoding, kept to be looked at."""

    def __init__(self, encoding: str) -> None:
        self.kept = io.BytesIO()
        super().__init__(self.kept, encoding=encoding)

    def text(self) -> str:
        """Return what was written."""
        self.flush()
        return self.kept.getvalue().decode(self.encoding)


@contextlib.contextmanager
def _taking_nothing(kind: str) -> Iterator[TextIO]:
    """Give an output to which every write fails."""
    path = BROKEN[kind]
    if path:
        end = os.open(path, os.O_WRONLY)
    else:
        far, end = os.pipe()
        os.close(far)
    file = os.fdopen(end, "w", encoding="utf-8")
    try:
        yield file
    finally:
        with contextlib.suppress(OSError):
            file.close()


@contextlib.contextmanager
def debug() -> Iterator[None]:
    """Let a fault of the program come out as the exception that it is."""
    os.environ["SAGLINE_DEBUG"] = "1"
    try:
        yield
    finally:
        del os.environ["SAGLINE_DEBUG"]


def main() -> int:
    """Run cases until the time is over."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seconds", type=int, default=600)
    parser.add_argument("--first", type=int, default=0, help="number of the first case")
    arguments = parser.parse_args()
    end, number, found = time.monotonic() + arguments.seconds, arguments.first, 0
    seen: set[str] = set()
    while time.monotonic() < end:
        with tempfile.TemporaryDirectory(ignore_cleanup_errors=True) as place:
            problem = run_case(number, Path(place), drawn(number))
        if problem and problem.splitlines()[-1][:60] + problem[-400:-100] not in seen:
            seen.add(problem.splitlines()[-1][:60] + problem[-400:-100])
            found += 1
            KEPT.mkdir(parents=True, exist_ok=True)
            (KEPT / str(number)).write_text(json.dumps(asdict(drawn(number))) + "\n")
            print(f"case {number}: {problem}", flush=True)
        number += 1
    print(f"{number - arguments.first} whole commands in {arguments.seconds} s, {found} failed")
    return int(found > 0)


if __name__ == "__main__":
    sys.exit(main())
