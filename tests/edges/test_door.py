"""The door to the terminal from within: ends, words, help, files, progress, in one process.

Exit statuses: ``sysexits.h`` of BSD for a fault (70), 128 and the signal's number as shells have it
(POSIX, Shell Command Language §2.8.2).  What escapes are: ECMA-48.
"""

import argparse
import contextlib
import errno
import io
import os
import re
import signal
import sys
import threading
import time
from collections.abc import Iterator
from pathlib import Path
from types import SimpleNamespace

import pytest

from sagline_logger.cli import PROGRAM
from sagline_logger.format import (
    SIGNATURE,
    SaglineError,
    UsageError,
    check_output,
    move_to_new,
    output,
    progress,
    titled,
)
from sagline_logger.format import program as door
from sagline_logger.format.arguments import positive_number, positive_whole, setting
from sagline_logger.format.debug_log import debug
from sagline_logger.format.program import Parser, Program, raw, run_program


class Out(io.TextIOWrapper):
    """A standard stream in an encoding, of which what was written can be read."""

    def __init__(self, encoding: str = "utf-8", terminal: bool = False) -> None:
        self.sent = io.BytesIO()
        self.terminal = terminal
        super().__init__(self.sent, encoding=encoding, write_through=True)

    def isatty(self) -> bool:
        return self.terminal

    def text(self) -> str:
        return self.sent.getvalue().decode(self.encoding)


@pytest.fixture
def streams(monkeypatch: pytest.MonkeyPatch) -> SimpleNamespace:
    monkeypatch.delenv("SAGLINE_DEBUG", raising=False)
    return SimpleNamespace(out=Out(), err=Out())


@contextlib.contextmanager
def standing(streams: SimpleNamespace) -> Iterator[None]:
    """Stand before these streams."""
    with contextlib.redirect_stdout(streams.out), contextlib.redirect_stderr(streams.err):
        yield


def ended(streams: SimpleNamespace, problem: BaseException | None, status: int = 0) -> tuple:
    """Return the status, and what went to standard error, of a command that ends so."""

    def act() -> int:
        if problem is not None:
            raise problem
        return status

    with standing(streams):
        found = run_program("prog", act)
    return found, streams.err.text()


# --- ends ------------------------------------------------------------------------------------


def test_every_end_has_its_status_and_one_line(streams):
    assert ended(streams, None, 3) == (3, "")
    assert ended(streams, SaglineError("x", where="w", remedy="r")) == (1, "prog: w: x; r\n")
    assert streams.out.text() == ""


def test_several_errors_are_told_one_a_line(streams):
    first = SaglineError("one")
    first.more = (SaglineError("two"), SaglineError("three"))
    assert ended(streams, first) == (1, "prog: one\nprog: two\nprog: three\n")


def test_a_wrong_command_line_is_2(streams):
    assert ended(streams, UsageError("no")) == (2, "prog: no\n")


@pytest.mark.parametrize(
    ("problem", "status", "told"),
    [
        (KeyboardInterrupt(), 130, ""),
        (BrokenPipeError(), 1, ""),
        (
            door.OutputError(28, "No space left"),
            1,
            "prog: cannot write the output (No space left)\n",
        ),
        (OSError(5, "Input/output error", "a.log"), 1, "prog: a.log: Input/output error\n"),
        (OSError(5, "Input/output error"), 1, "prog: Input/output error\n"),
        (OSError("odd"), 1, "prog: odd\n"),
        (
            ModuleNotFoundError("no", name="numpy"),
            1,
            'prog: needs the package numpy; install it with: pip install "sagline[analyser]"\n',
        ),
    ],
)
def test_other_ends(streams, problem, status, told):
    assert ended(streams, problem) == (status, told)


def test_a_module_of_ours_that_is_not_there_is_no_advice_to_install(streams):
    for name in ("sagline_x", None):
        with pytest.raises(ModuleNotFoundError):
            ended(streams, ModuleNotFoundError("no", name=name))


def test_a_fault_is_one_line_with_its_place(streams, monkeypatch):
    status, told = ended(streams, ValueError("odd\nthing"))
    assert status == 70
    assert re.fullmatch(
        r"prog: a fault in this program \(ValueError at program\.py:\d+\): odd thing; please "
        r"report it, with what SAGLINE_DEBUG=1 shows\n",
        told,
    )
    monkeypatch.setenv("SAGLINE_DEBUG", "1")
    with pytest.raises(ValueError, match="odd"):
        ended(streams, ValueError("odd"))


@pytest.mark.parametrize("number", [signal.SIGTERM, signal.SIGHUP])
def test_a_signal_ends_with_128_and_its_number_and_leaves_no_handler(streams, number):
    def act() -> int:
        os.kill(os.getpid(), number)
        time.sleep(5)
        return 0

    before = signal.getsignal(number)
    assert before == signal.SIG_DFL
    with pytest.raises(SystemExit) as end:
        run_program("prog", act)
    assert end.value.code == 128 + number
    assert signal.getsignal(number) == signal.SIG_DFL


def test_a_signal_that_is_ignored_stays_so_and_threads_leave_them_alone(streams):
    before = signal.signal(signal.SIGHUP, signal.SIG_IGN)
    try:
        assert run_program("prog", lambda: signal.getsignal(signal.SIGHUP)) == signal.SIG_IGN
    finally:
        signal.signal(signal.SIGHUP, before)
    found: list[object] = []
    thread = threading.Thread(
        target=lambda: run_program("p", lambda: found.append(signal.getsignal(signal.SIGTERM)) or 0)
    )
    thread.start()
    thread.join()
    assert found == [signal.SIG_DFL]


# --- the door --------------------------------------------------------------------------------


def test_no_sign_of_a_name_steers_the_terminal(streams):
    def act() -> int:
        print("a\x1b[2Jb\x07\u202e\x9b\tä–\u2009\xa0√", end="\n")
        sys.stdout.writelines(["x\r", "y\n"])
        print("e\x1b", file=sys.stderr)
        assert sys.stdout.encoding == "utf-8" and raw(sys.stdout) is streams.out
        return 0

    with standing(streams):
        assert run_program("p", act) == 0
        assert sys.stdout is streams.out is raw(sys.stdout) and sys.stderr is streams.err
    assert streams.out.text() == ("a\\x1b[2Jb\\x07\\u202e\\x9b\tä–\u2009\xa0√\nx\\ry\n")
    assert streams.err.text() == "e\\x1b\n"


def test_signs_that_the_terminal_lacks_are_plainer(monkeypatch):
    out = Out("ascii")
    monkeypatch.setattr(sys, "stdout", out)

    def act() -> int:
        print("1 – 2 × 3 °C ≤ 5 Ω … “q” ä")
        return 0

    assert run_program("p", act) == 0
    assert out.text() == '1 - 2 x 3 deg C <= 5 ohm ... "q" \\xe4\n'
    assert out.errors == "strict"


def test_an_output_that_fails_is_told(monkeypatch):
    class Full(Out):
        def write(self, text: str) -> int:
            raise OSError(errno.ENOSPC, "No space left on device")

    err = Out()
    monkeypatch.setattr(sys, "stdout", Full())
    monkeypatch.setattr(sys, "stderr", err)
    assert run_program("p", lambda: print("x") or 0) == 1
    assert err.text() == "p: cannot write the output (No space left on device)\n"


def test_streams_that_the_caller_closed_are_opened(monkeypatch):
    monkeypatch.setattr(sys, "stdout", None)
    monkeypatch.setattr(sys, "stdin", None)
    seen: list[tuple[str, str]] = []

    def act() -> int:
        seen.append((sys.stdin.mode, raw(sys.stdout).mode))
        assert sys.stdin.read() == "" and sys.stdout.write("gone") == 4
        return 0

    assert run_program("p", act) == 0
    assert seen == [("r", "w")]
    sys.stdout.close()
    sys.stdin.close()


# --- words -----------------------------------------------------------------------------------


def parser() -> Parser:
    found = Parser(prog="prog")
    found.add_argument("--verbose", action="store_true")
    found.add_argument("--colour", choices=("red", "green"))
    commands = found.add_subparsers(dest="command", metavar="COMMAND")
    record = commands.add_parser("record")
    record.add_argument("--serial", required=True)
    commands.add_parser("verify")
    return found


@pytest.mark.parametrize(
    ("words", "told"),
    [
        (["--verbos", "x"], "prog: error: argument COMMAND: invalid choice: 'x' "),
        (["--colour", "rde"], "did you mean red?"),
        (["recrd"], "did you mean record or red?"),
        (["verify", "--serail"], "unrecognized arguments: --serail; did you mean --serial?"),
        (["verify", "--xyzzy"], "unrecognized arguments: --xyzzy\n"),
        (
            ["record", "--seral=/dev/x"],
            "prog record: error: the following arguments are required: --serial; --seral is no "
            "option; did you mean --serial?\n",
        ),
        (["record"], "the following arguments are required: --serial\n"),
        (["record", "--ser"], "argument --serial: expected one argument\n"),
    ],
)
def test_a_near_word_is_suggested(words, told, capsys):
    with pytest.raises(SystemExit) as end:
        parser().parse_args(words)
    assert end.value.code == 2
    assert told in capsys.readouterr().err


def test_help_wraps_paragraphs_and_leaves_examples(capsys, monkeypatch):
    monkeypatch.setenv("COLUMNS", "60")
    found = Parser(
        prog="prog",
        description="One two three four five six seven eight nine ten eleven twelve.\n\nSecond "
        "paragraph:\n  prog   kept as it is\n  prog   and this\nLast.",
    )
    found.add_argument("-o", "--out", metavar="FILE", help="where to")
    found.add_argument("-q", "--quiet", action="store_true", help="say little")
    either = found.add_mutually_exclusive_group(required=True)
    for name in ("--first-source", "--second-source", "--third-source"):
        either.add_argument(name, metavar="PLACE", help="a source")
    found.print_help(sys.stdout)
    text = capsys.readouterr().out
    assert (
        "\n\nOne two three four five six seven eight nine ten eleven\ntwelve.\n\n"
        "Second paragraph:\n  prog   kept as it is\n  prog   and this\nLast.\n\n" in text
    )
    assert "-o, --out FILE" in text and "-q, --quiet " in text
    assert max(map(len, text.splitlines())) <= 60
    assert "--first-source" in text.split("\n\n")[0] and "--third-source PLACE" in text


def test_a_program_runs_its_command_behind_the_door(streams, monkeypatch):
    calls: list[str] = []
    part = SimpleNamespace(
        add_arguments=lambda one: one.add_argument("--n", type=int, default=2),
        run=lambda chosen: calls.append(f"run {chosen.n} {progress._line is not None}") or 5,
        EXAMPLES=("go --n 3",),
    )
    monkeypatch.setattr(door.importlib, "import_module", lambda name, package: part)
    streams.err.terminal = True
    monkeypatch.setenv("TERM", "xterm")
    program = Program(
        "prog",
        "package",
        "What it is.",
        "1.2",
        {"go": (".go", "does it"), "draw": (".draw", "draws it")},
        lambda: calls.append("ready"),
        frozenset({"draw"}),
    )
    with standing(streams):
        assert program.main(["go", "--n", "7"]) == 5
        assert program.main(["draw"]) == 5
        assert calls == ["ready", "run 7 True", "ready", "run 2 False"]
        assert program.main([]) == 2
        assert "usage: prog" in streams.err.text() and streams.out.text() == ""
        with pytest.raises(SystemExit) as end:
            program.main(["--version"])
        assert end.value.code == 0 and streams.out.text() == "prog 1.2\n"
    text = program.parser(["go"])._subparsers._group_actions[0].choices["go"].format_help()
    assert "Does it." in text and text.endswith("Examples:\n  prog go --n 3\n")
    none = program.parser([])._subparsers._group_actions[0].choices["go"]
    assert none.get_default("run") is None and "Examples" not in none.format_help()
    assert program.parser().parse_args(["draw"]).run is part.run


def test_completion_is_the_text_that_the_package_keeps(streams):
    with pytest.raises(SystemExit) as end, standing(streams):
        PROGRAM.main(["--completion", "bash", "--x"])
    assert end.value.code == 0
    kept = Path(sys.modules["sagline_logger"].__file__).parent / "texts" / "sagline-logger.bash"
    assert streams.out.text() == kept.read_text(encoding="utf-8")


def test_what_is_turned_to_nowhere_is_no_error_at_exit(monkeypatch):
    far, near = os.pipe()
    os.close(far)
    with os.fdopen(near, "w") as pipe:
        monkeypatch.setattr(sys, "stdout", pipe)
        monkeypatch.setattr(sys, "stderr", pipe)
        print("x" * 10)
        assert door._silent(4) == 4
        pipe.write("more")
        pipe.flush()  # into nowhere now


# --- values of the command line --------------------------------------------------------------


def test_values_of_the_command_line():
    assert positive_number("1.5") == 1.5 and positive_number("1e-9") == 1e-9
    for bad in ("0", "-1", "x", "inf", "nan", ""):
        with pytest.raises(argparse.ArgumentTypeError) as problem:
            positive_number(bad)
        assert str(problem.value) == f"{bad!r} is not a number above zero"
    assert positive_whole("1") == 1 and positive_whole("12") == 12
    for bad in ("0", "-1", "1.5", "²", "١", "", "x"):
        with pytest.raises(argparse.ArgumentTypeError) as problem:
            positive_whole(bad)
        assert str(problem.value) == f"{bad!r} is not a whole number above zero"
    assert setting(" a = b = c ") == ("a", "b = c") and setting("a=") == ("a", "")
    for bad in ("a", "=b", " =b"):
        with pytest.raises(argparse.ArgumentTypeError) as problem:
            setting(bad)
        assert str(problem.value) == f"{bad!r} is not NAME=VALUE"


# --- files -----------------------------------------------------------------------------------


def told_of(path: Path, mine=None) -> str:
    with pytest.raises(SaglineError) as problem:
        check_output(path, mine)
    return str(problem.value)


def test_what_is_there_is_never_replaced_by_another(tmp_path):
    path = tmp_path / "a"
    check_output(path)
    assert told_of(tmp_path) == f"{tmp_path}: is a directory; name a file in it"
    path.write_bytes(b"anything")
    told = f"{path}: is already there and is not overwritten; move it or choose another name"
    assert told_of(path) == told
    path.write_bytes(SIGNATURE)
    assert told_of(path, lambda front: False) == told.replace(
        "is already", "a Sagline log is already"
    )
    check_output(path, lambda front: front == SIGNATURE)
    path.write_bytes(b"x" * 5000)
    check_output(path, lambda front: front == b"x" * 4096)
    page = titled("Kestrel")
    assert page(b"<!doctype html><title>My Kestrel</title>")
    assert not page(b"<!doctype html><title>Kestrel 2</title>")
    assert not page(b" <!doctype html><title>Kestrel</title>")


def test_a_file_appears_when_it_is_whole(tmp_path):
    path = tmp_path / "a"
    with output(path) as file:
        file.write(b"one")
        assert not path.exists()
        (beside,) = tmp_path.iterdir()
        assert re.fullmatch(rf"\.sagline-{os.getpid()}-[0-9a-f]{{8}}\.part", beside.name)
    assert path.read_bytes() == b"one" and list(tmp_path.iterdir()) == [path]
    with pytest.raises(SaglineError, match="is not overwritten"), output(path) as file:
        raise AssertionError
    with output(path, lambda front: front == b"one") as file:
        file.write(b"two")
    assert path.read_bytes() == b"two"
    with pytest.raises(KeyError), output(path, lambda front: True) as file:
        file.write(b"half")
        raise KeyError
    assert path.read_bytes() == b"two" and list(tmp_path.iterdir()) == [path]


def test_a_file_that_comes_meanwhile_stays(tmp_path):
    path = tmp_path / "a"
    with pytest.raises(SaglineError) as problem, output(path):
        path.write_bytes(b"other")
    assert "is already there and is not overwritten" in str(problem.value)
    assert path.read_bytes() == b"other" and list(tmp_path.iterdir()) == [path]


def test_where_it_cannot_be_written_it_says_so(tmp_path):
    path = tmp_path / "none" / "a"
    with pytest.raises(SaglineError) as problem, output(path):
        raise AssertionError
    assert str(problem.value) == (
        f"{path}: cannot write (No such file or directory); choose another place"
    )
    link = tmp_path / "link"
    link.symlink_to(tmp_path / "target")
    with output(link) as file:
        file.write(b"x")
    assert link.is_symlink() and (tmp_path / "target").read_bytes() == b"x"
    with output(Path("/dev/null")) as file:
        file.write(b"x")


def test_a_file_gets_a_name_where_there_are_no_links(tmp_path, monkeypatch):
    source, target = tmp_path / "s", tmp_path / "t"
    source.write_bytes(b"x")
    move_to_new(source, target)
    assert target.read_bytes() == b"x" and not source.exists()
    source.write_bytes(b"y")
    with pytest.raises(FileExistsError):
        move_to_new(source, target)

    def no_links(*_: object) -> None:
        raise OSError(errno.EPERM, "Operation not permitted")  # as on FAT

    monkeypatch.setattr(os, "link", no_links)
    with pytest.raises(FileExistsError):
        move_to_new(source, target)
    assert target.read_bytes() == b"x"
    other = tmp_path / "o"
    move_to_new(source, other)
    assert other.read_bytes() == b"y" and not source.exists()
    with pytest.raises(FileNotFoundError):
        move_to_new(tmp_path / "gone", tmp_path / "p")
    assert not (tmp_path / "p").exists()


# --- how far ---------------------------------------------------------------------------------


@pytest.fixture
def screen(monkeypatch: pytest.MonkeyPatch) -> Out:
    monkeypatch.setenv("TERM", "xterm")
    monkeypatch.setenv("COLUMNS", "60")
    monkeypatch.setattr(progress, "_EVERY", 0.0)
    return Out(terminal=True)


def test_the_line_is_drawn_over_itself_and_taken_away(screen):
    with progress.shown(screen):
        progress.tell("half", 1, 2)
        progress.tell("more", 9, 2)
        progress.tell("less", -1, 2)
        progress.tell("x" * 99, 1, 0)
        list(progress.counted([3, 5], "things", 8, lambda one: one))
        list(progress.counted([1], "one", 2))
    bar = "█" * 12 + " " * 12
    assert screen.text().split("\x1b[K") == [
        f"\rhalf [{bar}]  50 %",
        f"\rmore [{'█' * 24}] 100 %",
        f"\rless [{' ' * 24}]   0 %",
        "\r" + "x" * 55 + " ...",
        f"\rthings [{'█' * 9}{' ' * 15}]  37 %",
        f"\rthings [{'█' * 24}] 100 %",
        f"\rone [{bar}]  50 %",
        "\r",
        "",
    ]


def test_nothing_is_drawn_too_soon_nor_where_nobody_looks(screen, monkeypatch):
    monkeypatch.setattr(progress, "_EVERY", 1000.0)
    with progress.shown(screen):
        progress.tell("soon", 1, 2)
    assert screen.text() == ""
    monkeypatch.setattr(progress, "_EVERY", 0.0)
    things = [1, 2]
    assert progress.counted(things, "x", 2) is things
    progress.tell("nobody", 1, 2)
    for terminal, kind in ((False, "xterm"), (True, "dumb")):
        screen.terminal = terminal
        monkeypatch.setenv("TERM", kind)
        with progress.shown(screen):
            progress.tell("x", 1, 2)
    screen.terminal = True
    monkeypatch.delenv("TERM")
    with progress.shown(screen):
        progress.tell("x", 1, 2)
    assert screen.text() == ""
    monkeypatch.setenv("TERM", "xterm")
    with progress.shown(screen), progress.shown(Out()):
        progress.tell("inner", 1, 2)
    assert screen.text() == ""


def test_a_child_of_the_program_draws_nothing(screen):
    with progress.shown(screen):
        progress.tell("parent", 1, 2)
        before = screen.text()
        progress._line._process += 1
        progress.tell("child", 1, 2)
        progress.clear()
        assert screen.text() == before
        progress._line._process -= 1
    assert screen.text() == before + "\r\x1b[K"


def test_printing_takes_the_line_away_first(screen, streams):
    with progress.shown(screen):
        progress.tell("at it", 1, 2)
        with contextlib.redirect_stdout(io.StringIO()):
            door._Door(screen).write("text\n")
        progress.clear()
    assert screen.text().endswith("50 %\x1b[K\r\x1b[Ktext\n")


# --- the debug log ---------------------------------------------------------------------------


def test_the_debug_log_is_for_who_asks(monkeypatch, caplog, tmp_path):
    monkeypatch.delenv("SAGLINE_DEBUG", raising=False)
    problem = ValueError("why")
    with caplog.at_level("DEBUG", logger="sagline"):
        debug("%s and %s", "a\x1b", 2, problem=problem)
        debug("plain")
    first, second = caplog.records
    assert first.getMessage() == "a\\x1b and 2" and first.exc_info[1] is problem
    assert second.getMessage() == "plain" and not second.exc_info
    assert problem.__suppress_context__ is False
    caplog.clear()
    with caplog.at_level("INFO", logger="sagline"):
        debug("not heard")
    assert not caplog.records


def test_what_a_program_tells_the_debug_log(streams, monkeypatch):
    calls: list[tuple] = []
    monkeypatch.setattr(door, "debug", lambda *words, **more: calls.append((words, more)))
    failure = SaglineError("x")
    program = Program("prog", "p", "What.", "1.2", {})
    monkeypatch.setattr(Program, "_run", lambda self, words: calls.append(((*words,), {})) or 0)
    with standing(streams):
        program.main(["a b", "c"])
        monkeypatch.setattr(sys, "argv", ["prog", "one", "two"])
        program.main(None)
    python = sys.version.split()[0]
    said = "%s %s: %s; Python %s on %s"
    assert calls == [
        ((said, "prog", "1.2", "'a b' c", python, sys.platform), {}),
        (("a b", "c"), {}),
        ((said, "prog", "1.2", "one two", python, sys.platform), {}),
        (("one", "two"), {}),
    ]
    calls.clear()
    for problem in (failure, OSError("y")):
        ended(streams, problem)
        assert calls.pop() == (("%s ends", "prog"), {"problem": problem})


def test_usage_of_a_command_and_of_what_completes_it(capsys, monkeypatch):
    monkeypatch.setenv("COLUMNS", "50")
    either = Parser(prog="prog")
    group = either.add_mutually_exclusive_group(required=True)
    for name in ("--first-source-of-all", "--second-source", "--third"):
        group.add_argument(name, metavar="PLACE")
    # argparse leaves such a group in one line; it is wrapped below where it begins.
    first, *further = either.format_usage().splitlines()
    assert first.split() == ["usage:", "prog", "[-h]"] and len(further) >= 2
    assert all(line.startswith(" " * 12) and len(line) < 50 for line in further)
    assert " ".join(" ".join(further).split()) == (
        "(--first-source-of-all PLACE | --second-source PLACE | --third PLACE)"
    )
    assert either.color is False
    given = argparse.Namespace(kept=1)
    assert either.parse_known_args(["--third", "x", "more"], given) == (given, ["more"])
    assert (given.kept, given.third) == (1, "x")
    with pytest.raises(SystemExit):
        PROGRAM.main(["--completion", "tcsh"])
    assert "(choose from" in capsys.readouterr().err


def test_what_a_command_says_below_its_options_comes_before_its_examples():
    program = Program("prog", "p", "What.", "1", {})
    one, two, three = Parser(prog="a"), Parser(prog="b", epilog="Note."), Parser(prog="c")
    part = SimpleNamespace(add_arguments=lambda _: None, run=None, EXAMPLES=("x", "y"))
    program._fill(one, part)
    program._fill(two, part)
    program._fill(three, SimpleNamespace(add_arguments=lambda _: None, run=None))
    assert one.epilog == "Examples:\n  prog x\n  prog y"
    assert two.epilog == "Note.\n\nExamples:\n  prog x\n  prog y" and three.epilog == ""


def test_a_file_that_cannot_be_looked_at_is_told(tmp_path, monkeypatch):
    path = tmp_path / "a"
    path.write_bytes(b"x")

    def locked(*_: object) -> None:
        raise OSError(errno.EACCES, "Permission denied")

    monkeypatch.setattr(Path, "open", locked)
    assert told_of(path) == f"{path}: cannot write (Permission denied); choose another place"


def test_a_terminal_that_went_away_stops_no_task(screen, monkeypatch):
    def gone(_: str) -> int:
        raise OSError(errno.EIO, "Input/output error")

    monkeypatch.setattr(screen, "write", gone)
    with progress.shown(screen):
        progress.tell("reading", 1, 2)
    assert progress._line is None
