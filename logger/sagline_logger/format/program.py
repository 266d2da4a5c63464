"""What our command lines stand in: the table of commands, the door to the terminal, the ends.

Exit statuses, the same in every program: 0 done; 1 it could not be done, or not wholly, and a line
says why; 2 the command line is wrong; 3 done, and something was found that should be looked at (in
commands whose help says so); 70 a fault of the program itself; 128 and the signal's number when
stopped by one (130 for Ctrl-C).
"""

import argparse
import codecs
import contextlib
import importlib
import io
import os
import re
import shlex
import signal
import sys
import threading
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from types import FrameType, ModuleType
from typing import Any, NoReturn, TextIO, cast

from .debug_log import VARIABLE as DEBUG
from .debug_log import debug
from .errors import SaglineError, UsageError
from .progress import clear, shown

INTERNAL = 70
"""Exit status of a fault of the program itself (EX_SOFTWARE of BSD's sysexits.h).  With the debug
log asked for, such a fault shows its whole traceback."""

_PLAIN = str.maketrans(
    {"–": "-", "—": "-", "−": "-", "·": "-", "…": "...", "→": "->", "←": "<-", "×": "x",
     "°": "deg ", "²": "2", "³": "3", "µ": "u", "Ω": "ohm", "±": "+-", "≤": "<=", "≥": ">=",
     "≈": "~", "█": "#", "▀": "'", "▄": ".", "“": '"', "”": '"', "‘": "'", "’": "'", "\xa0": " ",
     "\u2009": " ", "\u202f": " "}
)  # fmt: skip
"""Our signs in plainer ones, where the terminal's encoding lacks them."""
_ODD = re.compile(r"[^\x20-\x7e\n\t]")


class OutputError(OSError):
    """Standard output or error cannot be written to."""


@dataclass(frozen=True)
class Program:
    """A command line: its name, and by command the module (with ``add_arguments`` and ``run``, in
    ``package``) and one line of help.  A module's ``EXAMPLES`` go into its help.

    ``ready`` is called before a command runs, and may refuse.  ``alive`` are the commands that draw
    on the terminal themselves; every other one shows there how far it is.
    """

    name: str
    package: str
    description: str
    version: str
    commands: Mapping[str, tuple[str, str]]
    ready: Callable[[], None] = lambda: None
    alive: frozenset[str] = frozenset()

    def main(self, argv: Sequence[str] | None) -> int:
        """Run one command and return the exit status."""
        words = list(sys.argv[1:] if argv is None else argv)
        debug(
            "%s %s: %s; Python %s on %s",
            self.name,
            self.version,
            shlex.join(words),
            sys.version.split()[0],
            sys.platform,
        )
        return run_program(self.name, lambda: self._run(words))

    def parser(self, words: Sequence[str] | None = None) -> argparse.ArgumentParser:
        """Return the parser; only the command that ``words`` name is imported (None: every one)."""
        parser = Parser(prog=self.name, description=self.description)
        parser.add_argument("--version", action="version", version=f"%(prog)s {self.version}")
        parser.add_argument(
            "--completion",
            metavar="SHELL",
            choices=("bash", "zsh", "fish"),
            action=_Completion,
            program=self,
            help="print what teaches bash, zsh or fish to complete this program",
        )
        commands = parser.add_subparsers(dest="command", metavar="COMMAND", required=True)
        for name, (module, text) in self.commands.items():
            command = commands.add_parser(
                name, help=text, description=text[0].upper() + text[1:] + "."
            )
            if words is None or (words and words[0] == name):
                self._fill(command, importlib.import_module(module, self.package))
        return parser

    def _fill(self, command: argparse.ArgumentParser, part: ModuleType) -> None:
        part.add_arguments(command)
        command.set_defaults(run=part.run)
        lines = [f"  {self.name} {line}" for line in getattr(part, "EXAMPLES", ())]
        command.epilog = "\n\n".join(
            filter(None, [command.epilog, "\n".join(["Examples:", *lines]) if lines else ""])
        )

    def _run(self, words: list[str]) -> int:
        if not words:
            self.parser(words).print_help(sys.stderr)
            return 2
        arguments = self.parser(words).parse_args(words)
        self.ready()
        if arguments.command in self.alive:
            return int(arguments.run(arguments))
        with shown(raw(sys.stderr)):
            return int(arguments.run(arguments))


def run_program(name: str, act: Callable[[], int]) -> int:
    """Call ``act`` behind the door to the terminal and return its exit status.

    Raises:
        SystemExit: from ``act``, where the command line is wrong or only help was asked for.
    """
    _open_standard_streams()
    with _door("stdout"), _door("stderr"):
        try:
            with _ends():
                try:
                    status = act()
                finally:
                    sys.stdout.flush()  # here, where a reader that went away is no traceback
            return status
        except SaglineError as problem:
            debug("%s ends", name, problem=problem)
            status = 2 if isinstance(problem, UsageError) else 1
            return max(_told(name, str(one), status) for one in (problem, *problem.more))
        except BrokenPipeError:
            return _silent(1)  # the reader of our output went away: there is nobody to tell
        except OutputError as problem:
            return _silent(_told(name, f"cannot write the output ({problem.strerror})"))
        except KeyboardInterrupt:
            return 128 + signal.SIGINT
        except ModuleNotFoundError as problem:
            if (problem.name or "sagline").startswith("sagline"):
                raise
            return _told(
                name,
                f"needs the package {problem.name}; install it with: "
                'pip install "sagline[analyser]"',
            )
        except OSError as problem:
            debug("%s ends", name, problem=problem)
            where = f"{problem.filename}: " if problem.filename else ""
            return _told(name, f"{where}{problem.strerror or problem}")
        except Exception as problem:
            if os.environ.get(DEBUG):
                raise
            return _told(name, _fault(problem), INTERNAL)


def raw(stream: TextIO) -> TextIO:
    """Return the stream behind the door, for who steers the terminal and lets only
    :func:`~.errors.printable` text through."""
    return stream._stream if isinstance(stream, _Door) else stream


class Parser(argparse.ArgumentParser):
    """An argument parser that suggests near words and keeps the examples of its help as they are.

    Near words: Python does so by itself from 3.14 on, for choices only.
    """

    def __init__(self, **options: Any) -> None:
        super().__init__(**{"formatter_class": _Help, **options})
        self.color = False  # from Python 3.14 on: the help is one text everywhere
        self._given: list[str] = []

    def parse_known_args(self, args: Any = None, namespace: Any = None) -> Any:
        """Parse, and keep the words for :meth:`error`."""
        self._given = list(args or ())
        return super().parse_known_args(args, namespace)

    def _print_message(self, message: str, file: Any = None) -> None:
        (file or sys.stderr).write(message)  # Python's own says nothing when it cannot

    def error(self, message: str) -> NoReturn:
        """Say what is wrong with the command line, and what was meant; exit with 2."""
        wrong = re.search(r"invalid choice: '(.*?)'|unrecognized arguments: (-[^\s=]+)", message)
        word = (wrong[1] or wrong[2]) if wrong else ""
        if "required" in message:  # what is missing may be there under a wrong name
            word = next(filter(self._is_no_option, self._given), "").partition("=")[0]
        if word and "maybe you meant" not in message:
            import difflib

            near = difflib.get_close_matches(word, sorted(set(_words(self))), 2, 0.65)
            if near:
                said = f"; {word} is no option" if not wrong else ""
                message += f"{said}; did you mean {' or '.join(near)}?"
        super().error(message)

    def _is_no_option(self, word: str) -> bool:
        name = word.partition("=")[0]
        known = self._option_string_actions
        return name.startswith("--") and not any(one.startswith(name) for one in known)


def _words(parser: argparse.ArgumentParser) -> Iterator[str]:
    """Yield every option and choice of a parser and of the command that runs."""
    for action in parser._actions:
        yield from action.option_strings
        yield from map(str, action.choices or ())
        if isinstance(action, argparse._SubParsersAction):
            for command in action.choices.values():
                yield from _words(command)


class _Help(argparse.HelpFormatter):
    """Wraps paragraphs, and leaves lines that are indented (examples) as they stand."""

    def _format_usage(self, *given: Any) -> str:
        """Wrap what Python leaves in one long line: options of which one must be chosen."""
        import textwrap

        width = self._width
        lines: list[str] = []
        for line in super()._format_usage(*given).split("\n"):
            indent = " " * (len(line) - len(line.lstrip()) + 1)
            lines += textwrap.wrap(
                line,
                width,
                subsequent_indent=indent,
                break_on_hyphens=False,
                break_long_words=False,
            ) or [""]
        return "\n".join(lines)

    def _format_action_invocation(self, action: argparse.Action) -> str:
        """``-o, --out FILE``, as Python does by itself from 3.13 on."""
        if not action.option_strings or action.nargs == 0:
            return super()._format_action_invocation(action)
        value = self._format_args(action, self._get_default_metavar_for_optional(action))
        return f"{', '.join(action.option_strings)} {value}"

    def _fill_text(self, text: str, width: int, indent: str) -> str:
        import textwrap

        done = []
        for block in re.split(r"\n(?=  )|\n\n|(?<=:)\n", text):
            if block.startswith("  "):
                done.append(f"\n{indent}{block}")
            elif block.strip():
                done.append("\n\n" + textwrap.fill(" ".join(block.split()), width))
        return "".join(done).strip("\n")


class _Completion(argparse.Action):
    """Prints the completion script that the program's package keeps, and ends."""

    def __init__(self, program: Program, **options: Any) -> None:
        super().__init__(**options)
        self._program = program

    def __call__(self, parser: argparse.ArgumentParser, *given: Any) -> NoReturn:
        package = importlib.import_module(self._program.package)
        kept = Path(*package.__path__) / "texts" / f"{self._program.name}.{given[1]}"
        sys.stdout.write(kept.read_text(encoding="utf-8"))
        parser.exit()


class _Door:
    """A text stream through which no name from a log, a file or a board steers the terminal."""

    def __init__(self, stream: TextIO) -> None:
        self._stream = stream

    def write(self, text: str) -> int:
        clear()  # what tells how far we are: it may stand on the same terminal
        with _output_errors():
            return self._stream.write(_ODD.sub(_escaped, text))

    def writelines(self, lines: Sequence[str]) -> None:
        for line in lines:
            self.write(line)

    def flush(self) -> None:
        with _output_errors():
            self._stream.flush()

    def __getattr__(self, name: str) -> Any:
        return getattr(self._stream, name)


@contextlib.contextmanager
def _output_errors() -> Iterator[None]:
    try:
        yield
    except BrokenPipeError:
        raise
    except OSError as problem:
        raise OutputError(problem.errno, problem.strerror) from None


def _escaped(found: re.Match[str]) -> str:
    import unicodedata

    sign = found[0]
    seen = sign.isprintable() or unicodedata.category(sign) == "Zs"
    return sign if seen else ascii(sign)[1:-1]


@contextlib.contextmanager
def _door(name: str) -> Iterator[None]:
    """Put the door before a standard stream."""
    stream = getattr(sys, name)
    before = stream.errors
    if isinstance(stream, io.TextIOWrapper):
        stream.reconfigure(errors="sagline")
    setattr(sys, name, cast(TextIO, _Door(stream)))
    try:
        yield
    finally:
        setattr(sys, name, stream)
        if isinstance(stream, io.TextIOWrapper):
            stream.reconfigure(errors=before)


def _plainer(problem: UnicodeError) -> tuple[str | bytes, int]:
    """Return what stands for signs that the terminal's encoding lacks."""
    if not isinstance(problem, UnicodeEncodeError):
        return codecs.backslashreplace_errors(problem)
    signs = problem.object[problem.start : problem.end]
    plain = signs.translate(_PLAIN).encode("ascii", "backslashreplace").decode()
    return plain, problem.end


codecs.register_error("sagline", _plainer)


def _open_standard_streams() -> None:
    """Open what the caller has closed, so that no file of ours gets the number of a stream."""
    for number, name in enumerate(("stdin", "stdout", "stderr")):
        if getattr(sys, name) is None:
            with contextlib.suppress(OSError):
                while os.open(os.devnull, os.O_RDWR) < number:
                    pass
            mode = "w" if number else "r"
            setattr(sys, name, open(os.devnull, mode, encoding="utf-8"))  # noqa: PTH123, SIM115


@contextlib.contextmanager
def _ends() -> Iterator[None]:
    """Let a signal to end be an exception, so that half a file is taken away again."""

    def end(number: int, frame: FrameType | None) -> NoReturn:
        raise SystemExit(128 + number)

    numbers = [getattr(signal, name) for name in ("SIGTERM", "SIGHUP") if hasattr(signal, name)]
    if threading.current_thread() is not threading.main_thread():
        numbers = []
    # What is ignored stays so: that is how nohup keeps a program running.
    numbers = [one for one in numbers if signal.getsignal(one) == signal.SIG_DFL]
    for one in numbers:
        signal.signal(one, end)
    try:
        yield
    finally:
        for one in numbers:
            signal.signal(one, signal.SIG_DFL)


def _told(name: str, line: str, status: int = 1) -> int:
    """Say ``line`` on standard error, if there is anybody to hear it."""
    try:
        print(f"{name}: {line}", file=sys.stderr, flush=True)
    except OSError:
        _silent(status)
    return status


def _silent(status: int) -> int:
    """Turn both outputs to nowhere, so that what is left in them is no error at exit."""
    for stream in (sys.stdout, sys.stderr):
        with contextlib.suppress(OSError, ValueError):
            try:
                stream.flush()
            except OSError:
                nowhere = os.open(os.devnull, os.O_WRONLY)
                os.dup2(nowhere, stream.fileno())
                os.close(nowhere)
    return status


_OURS = {"sagline_logger", "sagline_analyser"}


def _fault(problem: Exception) -> str:
    """Return where in the program it broke, in one line."""
    place, at = problem.__traceback__, ""
    while place is not None:
        code = place.tb_frame.f_code
        # Not by the word alone: a clone is called so, and what it has installed lies within.
        if _OURS.intersection(code.co_filename.replace("\\", "/").split("/")):
            at = f"{os.path.basename(code.co_filename)}:{place.tb_lineno}"  # noqa: PTH119
        place = place.tb_next
    return (
        f"a fault in this program ({type(problem).__name__} at {at}): {problem}; please report it, "
        f"with what {DEBUG}=1 shows"
    ).replace("\n", " ")
