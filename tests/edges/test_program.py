"""What both command lines stand in: odd outputs, ends, near words, help, completion, statuses."""

import contextlib
import json
import os
import pty
import re
import shlex
import signal
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import pytest

from sagline_analyser.cli import PROGRAM as ANALYSER
from sagline_logger.cli import PROGRAM as LOGGER
from sagline_logger.format import (
    Board,
    Channel,
    Event,
    EventKind,
    SaglineError,
    SampleType,
    Stream,
)
from sagline_logger.format.program import run_program
from support.doc_rides import make_directory
from support.logs import log_bytes, pack
from support.logs import time as time_record
from support.started import run, run_text

PROGRAMS = {"sagline_logger": LOGGER, "sagline_analyser": ANALYSER}
ESC = "\x1b[2J"
PRINTING = [
    "sagline_logger verify {log}",
    "sagline_logger verify --json {log}",
    "sagline_logger board --check {board}",
    "sagline_logger --help",
    "sagline_analyser summary {log}",
    "sagline_analyser summary --json {log}",
    "sagline_analyser rides {dir}",
    "sagline_analyser compare {dir}/trial/a1.sagline {dir}/trial/b1.sagline -o {out}/c.html",
    "sagline_analyser import {dir}/ride.csv --suggest",
    "sagline_analyser export {log} --to csv --channel speed -o {out}",
    "sagline_analyser plot {log} --channel speed -o {out}/p.html",
    "sagline_analyser share {log} --at 0:30 -o {out}/s.html",
    "sagline_analyser archive {log} -o {out}/a.gz",
]


@pytest.fixture(scope="module")
def rides(tmp_path_factory: pytest.TempPathFactory) -> Path:
    directory = tmp_path_factory.mktemp("rides")
    make_directory(directory)
    return directory


def words_of(line: str, rides: Path, out: Path) -> list[str]:
    log, plan = rides / "kestrel.sagline", rides / "my_board.toml"
    return line.format(log=log, board=plan, dir=rides, out=out, esc=ESC).split()


def gone_terminal() -> int:
    """Return a terminal whose other end is closed: every write to it fails."""
    far, near = pty.openpty()
    os.close(far)
    return near


def gone_reader() -> int:
    """Return a pipe that nobody reads any more."""
    far, near = os.pipe()
    os.close(far)
    return near


BROKEN: dict[str, Callable[[], int]] = {
    "full": lambda: os.open("/dev/full", os.O_WRONLY),
    "terminal gone": gone_terminal,
    "reader gone": gone_reader,
}


@pytest.mark.parametrize("line", PRINTING)
def test_an_output_that_cannot_be_written_is_told_in_one_line(
    line: str, rides: Path, tmp_path: Path
) -> None:
    for name, opened in BROKEN.items():
        out = tmp_path / name.replace(" ", "_")
        out.mkdir()
        end = opened()
        done = run_text(words_of(line, rides, out), stdout=end)
        os.close(end)
        assert done.returncode == 1, (name, done.stderr)
        if name == "reader gone":
            assert done.stderr == ""
        else:
            assert re.fullmatch(r"sagline-\w+: cannot write the output \(.*\)\n", done.stderr)


CLOSED = """
import importlib, json, os, sys
cli = importlib.import_module("sagline_analyser.cli")
cli.PROGRAM.parser()
for name in ("findings.answers", "page.document"):
    importlib.import_module(f"sagline_analyser.{name}")
ended = []
for words in json.loads(sys.argv[1]):
    child = os.fork()
    if not child:
        sys.argv = words
        sys.exit(cli.main(words[1:]))
    ended.append(os.waitstatus_to_exitcode(os.waitpid(child, 0)[1]))
with open(sys.argv[2], "w") as file:
    json.dump(ended, file)
"""
"""A real start, for only that finds the streams closed; it loads the analyser's packages once."""


def test_closed_outputs_are_no_failure(rides: Path, tmp_path: Path) -> None:
    lines = [words_of(line, rides, tmp_path) for line in PRINTING]
    heavy = [words for words in lines if words[0] == "sagline_analyser"]
    ended = tmp_path / "ended.json"
    started = [[sys.executable, "-m", *words] for words in lines if words not in heavy]
    started.append([sys.executable, "-c", CLOSED, json.dumps(heavy), str(ended)])
    for words in started:
        shell = f"{shlex.join(words)} <&- >&- 2>&-"
        assert subprocess.run(shell, shell=True, timeout=120).returncode == 0, words
    assert dict(zip(map(tuple, heavy), json.loads(ended.read_text()), strict=True)) == {
        tuple(words): 0 for words in heavy
    }


@pytest.mark.parametrize("line", PRINTING)
def test_any_encoding_is_no_failure(line: str, rides: Path, tmp_path: Path) -> None:
    for encoding in ("cp1252", "cp850", "ascii"):
        out = tmp_path / encoding
        out.mkdir()
        environment = {**os.environ, "PYTHONIOENCODING": encoding}
        done = run(words_of(line, rides, out), env=environment)
        assert done.returncode == 0
        told = (
            done.stderr.replace(b"sagline-analyser: assumed: ", b"") if "suggest" in line else b""
        )
        assert done.stderr == b"" or (told and told.count(b"\n") == 1), done.stderr
        assert done.stdout.decode(encoding)


HOSTILE = Channel("own\x1b[2J", "\x1b[1m", SampleType.U16, 1, 0, -3, 0, "l\x1b[5m")


def hostile_log() -> bytes:
    """Return a log in which every text that a device may send tries to steer the terminal."""
    steer = "\x1b[2J\x9b31m\a\u202e\n"
    told = Stream(1, 0, 0, f"s{steer}", 100_000, (HOSTILE,))
    records = [
        Board(1, 0, 0, 1, f"b{steer}", f"f{steer}"),
        told,
        *(pack(told, n, 100_000 * n, [(40_000 + n,)]) for n in range(50)),
        Event(1, 0, 2_000_000, EventKind.FAULT, 3, 1, f"fault{steer}"),
        time_record(0),
        time_record(5_000_000),
    ]
    return log_bytes(records)


@pytest.mark.parametrize(
    "line",
    [
        *(line for line in PRINTING if "{log}" in line),
        "sagline_analyser rides {dir}",
        "sagline_analyser export {log} --to csv --channel own",
        "sagline_analyser summary {log} --board {log}",
        "sagline_logger verify {dir}/no{esc}.sagline",
        "sagline_logger ver{esc}",
    ],
)
def test_no_name_from_a_log_reaches_the_terminal_raw(line: str, tmp_path: Path) -> None:
    log = tmp_path / "a.sagline"
    log.write_bytes(hostile_log())
    done = run(words_of(line, tmp_path, tmp_path))
    # The file names that export makes of a stream's are plain already.
    said = (done.stdout + done.stderr).decode()
    assert done.returncode in (0, 1, 2)
    assert said and all(c.isprintable() or c in "\n" for c in said), ascii(said)
    log.unlink()


def test_ctrl_c_and_a_signal_end_without_a_traceback(rides: Path, tmp_path: Path) -> None:
    for program in PROGRAMS:
        for number in (signal.SIGINT, signal.SIGTERM):
            code = (
                f"import os, {program}.cli as cli\n"
                "from sagline_logger.format import program\n"
                f"real = program.importlib.import_module\n"
                f"program.importlib.import_module = lambda *a: os.kill(os.getpid(), {number:d})\n"
                f"raise SystemExit(cli.main([next(iter(cli.COMMANDS)), 'x']))"
            )
            done = subprocess.run([sys.executable, "-c", code], capture_output=True, timeout=60)
            assert (done.returncode, done.stdout, done.stderr) == (128 + number, b"", b"")


@pytest.mark.parametrize("program", PROGRAMS)
def test_near_words_are_suggested(program: str, capfd: pytest.CaptureFixture[str]) -> None:
    commands = PROGRAMS[program].commands
    for name in commands:
        with pytest.raises(SystemExit) as end:
            PROGRAMS[program].main([f"{name}x"])
        assert end.value.code == 2
        assert re.search(rf"\b(did|maybe) you mean\w* .*{name}", capfd.readouterr().err)
    wrong = {
        "sagline_logger": ["verify", "x", "--jason"],
        "sagline_analyser": ["summary", "x", "--jsno"],
    }[program]
    with pytest.raises(SystemExit):
        PROGRAMS[program].main(wrong)
    assert "did you mean --json?" in capfd.readouterr().err
    # An option that must be given is told under its right name, though Python misses it first.
    wrong = {
        "sagline_logger": ["record", "--serial=x", "--ot", "y", "--seral=x"],
        "sagline_analyser": ["export", "x", "--too", "csv"],
    }[program]
    with pytest.raises(SystemExit):
        PROGRAMS[program].main(wrong)
    said = capfd.readouterr().err
    assert "--ot is no option; did you mean" in said or "--too is no option; did you mean" in said


@pytest.mark.parametrize("program", PROGRAMS)
def test_every_help_fits_80_columns_and_its_examples_are_valid(
    program: str, monkeypatch: pytest.MonkeyPatch, capfd: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setenv("COLUMNS", "80")
    for name in ("", *PROGRAMS[program].commands):
        done = subprocess.run(
            [sys.executable, "-m", program, *filter(None, [name]), "--help"],
            capture_output=True,
            text=True,
            timeout=60,
        )
        assert done.returncode == 0
        assert max(map(len, done.stdout.splitlines())) <= 80
        examples = re.findall(rf"^  {PROGRAMS[program].name} (.*)$", done.stdout, re.M)
        assert bool(examples) == bool(name)
        for example in examples:
            words = shlex.split(example.partition(" > ")[0])
            assert PROGRAMS[program].parser(words).parse_args(words).command == name


@pytest.mark.parametrize("shell", ["bash", "zsh", "fish"])
def test_completion_names_every_command_and_option(shell: str) -> None:
    for module, program in PROGRAMS.items():
        words = [sys.executable, "-m", module, "--completion", shell]
        done = subprocess.run(words, capture_output=True, text=True, timeout=60)
        assert (done.returncode, done.stderr) == (0, "")
        assert all(name in done.stdout for name in program.commands)
        assert "json" in done.stdout
    if shell == "bash":  # the only one of the three that is everywhere: let it really complete
        ask = "COMP_WORDS=(sagline-analyser sum); COMP_CWORD=1; COMP_LINE='sagline-analyser sum'; "
        ask += "_shtab_sagline_analyser; echo ${COMPREPLY[@]}"
        found = subprocess.run(["bash", "-c", done.stdout + ask], capture_output=True, text=True)
        assert found.stdout.split() == ["summary"], found.stderr


def test_a_fault_of_the_program_is_one_line_and_its_own_status(
    capfd: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    def broken() -> int:
        raise ValueError("two\nlines\x1b[2J")

    monkeypatch.delenv("SAGLINE_DEBUG", raising=False)
    assert run_program("test", broken) == 70
    said = capfd.readouterr().err
    assert said.count("\n") == 1 and "ValueError" in said and "\x1b" not in said
    monkeypatch.setenv("SAGLINE_DEBUG", "1")
    with pytest.raises(ValueError, match="two"):
        run_program("test", broken)


@pytest.mark.parametrize(
    "line",
    [
        # What argparse finds, and what only the command knows: the status is the same, for the unit
        # file of docs/ tells systemd not to try again after it.
        "sagline_logger record",
        "sagline_logger record --serial x --out y --speed 3",
        "sagline_logger record --ble x --out y --service 1234",
        "sagline_logger record --can x --out y",
        "sagline_logger record --serial x --out y --pair-again",
        "sagline_logger check --serial x --seconds 1e6",
        "sagline_logger simulate --speed -1",
        "sagline_logger simulate --setting duty_limit=lots",
        "sagline_analyser plot",
        "sagline_analyser plot a b -o one.html",
        "sagline_analyser compare",
        "sagline_analyser compare a",
        "sagline_analyser compare --plan AAAA",
        "sagline_analyser compare a --predict mass=3",
    ],
)
def test_a_command_line_that_cannot_be_is_status_2(line: str, tmp_path: Path) -> None:
    module, *words = line.split()
    with contextlib.chdir(tmp_path):
        try:
            status: object = PROGRAMS[module].main(words)
        except SystemExit as end:
            status = end.code
    assert status == 2
    assert list(tmp_path.iterdir()) == []


def test_an_error_of_a_person_is_status_1(capfd: pytest.CaptureFixture[str]) -> None:
    def refused() -> int:
        raise SaglineError("no", where="here", remedy="do not")

    assert run_program("test", refused) == 1
    assert capfd.readouterr().err == "test: here: no; do not\n"
